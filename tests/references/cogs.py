"""Cost of goods sold, IRS Schedule C (Form 1040) Part III, in cents.

The rule is the form's own: lines 35 + 36 + 37 + 38 + 39 = 40, and 40 - 41 = 42 (Instructions for Schedule C, 2025, read
in secondary text). The amounts are made up to try it; line 41 of a year is line 35 of the next.
"""

# case, then lines 35 to 42
CASES = [
    ("cogs1", 250000, 812055, 0, 131020, 9500, 1202575, 310575, 892000),
    ("cogs2", 0, 64000, 0, 5513, 0, 69513, 21000, 48513),
    ("cogs3", 120010, 0, 0, 0, 0, 120010, 120010, 0),
    ("cogs6", 7525, 98040, 0, 12035, 1800, 119400, 0, 119400),
]
