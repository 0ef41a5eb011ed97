"""Published and rule-of-thumb figures about finishing, copied with their source beside them."""

# Industrial-ventilation formula, worked out: 403 = 387 ft3/lb-mol (70 F) x 1.0416 lb a pint of water.
# The pints a minute are the exact ones behind figures like 0.008333.
# (solvent, specific gravity, molar mass, pints a minute, limit ppm, mixing factor, vapour, effective, actual cfm)
DILUTION = [
    ("toluene", 0.867, 92.14, 1 / 120, 20, 5, 0.031601, 1580.0, 7900.1),
    ("acetone", 0.791, 58.08, 1 / 60, 250, 4, 0.091475, 365.9, 1463.6),
    ("ethanol", 0.789, 46.07, 1 / 30, 1000, 3, 0.230061, 230.1, 690.2),
    ("n-hexane", 0.659, 86.18, 1 / 240, 50, 6, 0.01284, 256.8, 1540.8),
    ("mek", 0.805, 72.11, 1 / 40, 200, 4, 0.112472, 562.4, 2249.4),
]

# Well-mixed purge t = (V/Q) ln(C1/C2). (room ft3, cfm, from ppm, to ppm, minutes)
PURGE = [
    (1600, 100, 200, 20, 36.841),
    (2400, 250, 1000, 100, 22.105),
    (8000, 1000, 300, 10, 27.21),
    (3000, 500, 900, 30, 20.407),
]

# Common practice, no published source: twice the time for every 10 C colder. (hours at 21 C, degrees C, hours)
DRY_TIMES = [
    (6, 21, 6.0),
    (6, 16, 8.4853),
    (6, 26, 4.2426),
    (24, 13, 41.7864),
    (1, 10, 2.1435),
    (12, 24, 9.747),
]

# One US gallon at 1 mil wet is 1604.17 ft2 (231 in3); a data sheet prints 270 ft2/gal at 1 mil dry for 17 % solids.
# (solids %, wet mil, ft2/gal at that, dry mil, ft2/gal at 1 mil dry)
FILMS = [
    ("17", "3", 534.72, 0.51, 272.71),
    ("100", "1", 1604.17, 1.0, 1604.17),
    ("45", "2", 802.08, 0.9, 721.88),
    ("30", "5", 320.83, 1.5, 481.25),
]

# What may go over what: common practice; the wax and waxed-shellac rows also stand in two data sheets.
# (under, over, answer, hours)
OVER = [
    ("oil stain", "oil varnish", "wait", 24),
    ("gel stain", "oil varnish", "wait", 24),
    ("waxy shellac", "oil varnish", "no", None),
    ("waxy shellac", "waterborne", "no", None),
    ("oil varnish", "wax", "yes", None),
    ("lacquer", "wax", "yes", None),
    ("waterborne", "wax", "yes", None),
    ("oil varnish", "lacquer", "no", None),
    ("oil paint", "lacquer", "no", None),
    ("shellac", "shellac", "yes", None),
    ("drying oil", "oil varnish", "wait", 72),
    ("drying oil", "waterborne", "wait", 168),
    ("latex paint", "oil varnish", "caution", None),
    ("silicone polish", "waterborne", "no", None),
    ("silicone polish", "oil varnish", "no", None),
    ("milk paint", "drying oil", "yes", None),
    ("milk paint", "wax", "yes", None),
    ("wax", "oil varnish", "no", None),
    ("shellac", "drying oil", "no", None),
]

# (product, field, low, high): generic data sheets and general pages, where one was read.
PRODUCTS = [
    ("brushing oil polyurethane", "coverage", 350, 450),
    ("waterborne clear", "coverage", 400, 600),
    ("latex paint", "coverage", 300, 400),
    ("oil paint", "coverage", 500, 600),
    ("wiping varnish", "coats", 3, 6),
    ("brushing oil polyurethane", "recoat_from", 6, 6),
    ("brushing oil polyurethane", "recoat_until", 24, 24),
    ("shellac", "recoat_first", 0.5, 1),
    ("shellac", "recoat_from", 2, 8),
    ("gel stain", "recoat_from", 24, 48),
    ("waterborne clear", "recoat_from", 2, 4),
    ("danish oil", "recoat_from", 4, 24),
    ("latex paint", "recoat_from", 4, 8),
    ("brushing oil polyurethane", "cure", 30, 30),
    ("waterborne clear", "cure", 3, 7),
    ("danish oil", "cure", 30, 30),
    ("brushing oil polyurethane", "coldest", 13, 13),
    ("brushing oil polyurethane", "warmest", 32, 32),
    ("danish oil", "coldest", 16, 16),
    ("latex paint", "coldest", 10, 10),
    ("brushing oil polyurethane", "dampest", 85, 85),
    ("danish oil", "dampest", 85, 85),
    ("latex paint", "dampest", 80, 80),
    ("shellac", "dampest", 70, 70),
    ("lacquer", "solids", 17, 17),
]
