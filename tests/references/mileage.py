"""Worked trips at the US standard mileage rates.

Each trip takes the rate of its date, the exact amounts are added up and rounded half up once. Rates as printed by two or
more accounting firms (2022 second half in reports of the IRS announcement, 2026 as Notice 2026-10); the cases are computed
by that rule, not taken from a publication.
"""

# case, trips (day, miles), exact dollars, dollars rounded half up
CASES = [
    ("mi1", [("2022-06-30", "18.4"), ("2022-07-01", "18.4")], "22.264", "22.26"),
    ("mi2", [("2019-03-05", "102.0")], "59.16", "59.16"),
    ("mi5", [("2024-02-29", "61.2")], "41.004", "41.00"),
    ("mi6", [("2025-12-31", "12.9"), ("2026-01-01", "12.9")], "18.3825", "18.38"),
]

# first day, cents a mile
RATES = [
    ("2019-01-01", "58.0"),
    ("2020-01-01", "57.5"),
    ("2021-01-01", "56.0"),
    ("2022-01-01", "58.5"),
    ("2022-07-01", "62.5"),
    ("2023-01-01", "65.5"),
    ("2024-01-01", "67.0"),
    ("2025-01-01", "70.0"),
    ("2026-01-01", "72.5"),
]
