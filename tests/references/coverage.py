"""Finish coverage and film thickness cases.

Coverage: area x coats / coverage x (1 + waste), recomputed. Film: 1 US gallon (231 in3) at 1 mil wet covers 1604.17
ft2; a data sheet prints 270 ft2 per gallon at 1 mil dry for 17 % volume solids.
"""

# area ft2, coats, ft2 per gal, waste %, gallons, mL
COVERAGE = [
    ("48", 3, "400", 10, 0.396, 1499.0),
    ("22.5", 2, "350", 15, 0.14786, 559.7),
    ("64", 4, "270", 30, 1.23259, 4665.9),
    ("35", 3, "450", 12, 0.26133, 989.3),
    ("75", 1, "600", 5, 0.13125, 496.8),
    ("52", 2, "375", 10, 0.30507, 1154.8),
]

# volume solids %, wet mil, ft2 per gal at that wet film, dry mil, ft2 per gal at 1 mil dry
FILM = [
    (17, 3, 534.72, 0.51, 272.71),
    (100, 1, 1604.17, 1.0, 1604.17),
    (45, 2, 802.08, 0.9, 721.88),
    (30, 5, 320.83, 1.5, 481.25),
]

# 1 ft2 per US gal in m2 per litre, exact factors.
M2_PER_LITRE = 0.0245424
