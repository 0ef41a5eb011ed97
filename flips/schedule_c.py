"""Lines of the US Schedule C (Form 1040) and the headings a shop usually starts with; data, not tax advice.

The meanings of the lines follow the IRS instructions for Schedule C (2025), read in a secondary text in a public tax
codebase. Which expense belongs on which line is common practice without a citable source: the shop changes it under
Expense categories, and a licensed adviser has the last word. Sources disagree whether "other expenses" is 27a or 27b.
"""

from __future__ import annotations

from collections.abc import Mapping

LINES: dict[str, str] = {
    "1": "Gross receipts or sales",
    "2": "Returns and allowances",
    "3": "Line 1 minus line 2",
    "4": "Cost of goods sold (from line 42)",
    "5": "Gross profit (3-4)",
    "6": "Other income",
    "7": "Gross income (5+6)",
    "8": "Advertising",
    "9": "Car and truck expenses",
    "10": "Commissions and fees",
    "11": "Contract labor",
    "12": "Depletion",
    "13": "Depreciation and section 179",
    "14": "Employee benefit programs",
    "15": "Insurance (other than health)",
    "16a": "Mortgage interest (paid to banks)",
    "16b": "Other interest",
    "17": "Legal and professional services",
    "18": "Office expense",
    "19": "Pension and profit-sharing plans",
    "20a": "Rent or lease: vehicles, machinery, equipment",
    "20b": "Rent or lease: other business property",
    "21": "Repairs and maintenance",
    "22": "Supplies (not in Part III)",
    "23": "Taxes and licenses",
    "24a": "Travel",
    "24b": "Deductible meals",
    "25": "Utilities",
    "26": "Wages (less employment credits)",
    "27": "Other expenses (27a or 27b)",
    "28": "Total expenses before business use of home",
    "29": "Tentative profit (7-28)",
    "30": "Business use of home",
    "31": "Net profit or loss (29-30)",
    "33": "Inventory valuation method",
    "34": "Change in inventory method",
    "35": "Inventory at beginning of year",
    "36": "Purchases less items withdrawn for personal use",
    "37": "Cost of labor (not your own pay)",
    "38": "Materials and supplies",
    "39": "Other costs",
    "40": "Sum of 35 to 39",
    "41": "Inventory at end of year",
    "42": "Cost of goods sold (40-41)",
    "48": "Total other expenses (Part V)",
}

# Headings for a start, each with its line.
USUAL_CATEGORIES: dict[str, str] = {
    "Advertising": "8",
    "Vehicle and hire van": "9",
    "Platform subscriptions": "10",
    "Insurance": "15",
    "Accountant and lawyer": "17",
    "Office": "18",
    "Hire of machines": "20a",
    "Rent of the workshop": "20b",
    "Repairs of tools and workshop": "21",
    "Small supplies": "22",
    "Tools": "22",
    "Licences and permits": "23",
    "Travel": "24a",
    "Meals": "24b",
    "Electricity, water, heat": "25",
    "Wages": "26",
    "Dump and cleaning": "27",
    "Books and courses": "27",
    "Bank charges": "27",
}

# What the books name themselves, unless the shop has a category of the same name that says otherwise.
OWN_NAMES: dict[str, str] = {
    "tools": "22",
    "trips": "9",
    "wages": "26",
    "marketplace fees": "10",
    "payment fees": "10",
    "delivery paid": "27",
    "packing": "27",
    "return freight": "27",
    "carrier's compensation": "27",
}


def line_of(name: str, chart: Mapping[str, str]) -> str:
    """The line of an expense or selling cost: by the shop's own chart (names in small letters), else as usual, else ""."""
    return chart.get(name.lower(), "") or OWN_NAMES.get(name.lower(), "")


def in_words(line: str) -> str:
    """A line as "22 Supplies (not in Part III)"; what is no line of the form is the shop's own and stays as it is."""
    return f"{line} {LINES[line]}" if line in LINES else line
