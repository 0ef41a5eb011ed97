"""Lines of IRS Schedule C (Form 1040) with their meaning.

Source: the IRS instructions for Schedule C (2025), read in a secondary text in a public tax codebase; several lines also in
tax pages. Line 27 ("other expenses") is left out: sources disagree whether it is 27a or 27b.
"""

LINES = {
    "8": "Advertising",
    "9": "Car and truck expenses",
    "10": "Commissions and fees",
    "11": "Contract labor",
    "13": "Depreciation and section 179",
    "15": "Insurance (other than health)",
    "16a": "Mortgage interest (paid to banks)",
    "16b": "Other interest",
    "17": "Legal and professional services",
    "18": "Office expense",
    "20a": "Rent or lease: vehicles, machinery, equipment",
    "20b": "Rent or lease: other business property",
    "21": "Repairs and maintenance",
    "22": "Supplies (not in Part III)",
    "23": "Taxes and licenses",
    "24a": "Travel",
    "24b": "Deductible meals",
    "25": "Utilities",
    "26": "Wages (less employment credits)",
    "35": "Inventory at beginning of year",
    "36": "Purchases less items withdrawn for personal use",
    "37": "Cost of labor (not your own pay)",
    "38": "Materials and supplies",
    "39": "Other costs",
    "40": "Sum of 35 to 39",
    "41": "Inventory at end of year",
    "42": "Cost of goods sold (40-41)",
}
