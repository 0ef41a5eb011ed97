"""Plywood thickness limits.

US Voluntary Product Standard PS 1 (unsanded, touch-sanded, overlaid; 9 % moisture) as republished by a plywood trade
association; millimetres are the association's own column.
"""

# category, least in, most in, least mm, most mm
PS1 = [
    ("1/4", ".219", ".281", 5.56, 7.14),
    ("7/16", ".406", ".469", 10.31, 11.91),
    ("15/32", ".438", ".500", 11.13, 12.7),
    ("19/32", ".563", ".625", 14.3, 15.88),
    ("23/32", ".688", ".750", 17.48, 19.05),
    ("3/4", ".719", ".781", 18.26, 19.84),
    ("13/16", ".781", ".844", 19.84, 21.44),
    ("7/8", ".831", ".919", 21.11, 23.34),
    ("1 1/8", "1.069", "1.181", 27.15, 30.0),
    ("1 1/4", "1.188", "1.313", 30.18, 33.35),
]

# Sanded panels, same page: up to 3/4 in 1/64 in either way, above 3 %.
SANDED = [("1/2", "31/64", "33/64"), ("3/4", "47/64", "49/64"), ("1", "0.97", "1.03")]
