"""Published and recomputed figures for glue-ups.

Clamp cases: n = ceil(pressure x area / force) recomputed by hand; clamp forces are means of a two-tester test in a
woodworking magazine (May 2010). Pressure ranges, clamp times, moisture: a glue maker's gluing guide. Spread: exact
factors (pound 0.45359237 kg, foot 0.3048 m). Vacuum: an equipment maker's table, 0.4912 psi per inHg.
"""

# pressure psi, area in2, force each lbf, clamps, resulting psi
CLAMPS = [
    (150, "25", 470, 8, 150.4),
    (100, "54", 680, 8, 100.74),
    (250, "36", 1050, 9, 262.5),
    (125, "72", 1050, 9, 131.25),
    (300, "18", 680, 8, 302.22),
    (150, "96", 1350, 11, 154.69),
]

# A wood scientist's answer in a trade magazine (2014): 1 x 10 in at 100 psi is 1000 lbf for 2 boards or for 10.
PANEL_JOINT = {"length_in": 10, "width_in": 1, "psi": 100, "lbf": 1000, "boards": (2, 10)}

# Glue maker's gluing guide, two copies.
PRESSURE_PSI = {"low": (100, 150), "medium": (150, 200), "high": (200, 300)}
CLAMP_MINUTES = (30, 60)
STRESSED_HOURS = 24
MOISTURE_PERCENT = (6, 8)
# General page.
LEAST_F = {"yellow PVA": 40, "white PVA": 55}

# Woodworking magazine test.
CLAMP_FORCES = {
    "one-hand bar clamp": 470,
    "parallel-jaw clamp": 370,
    "aluminium bar clamp": 680,
    "3/4 in pipe clamp": 1050,
    "I-beam bar clamp": 1350,
}

# lb per 1000 ft2 -> g/m2, recomputed.
SPREAD = [(35, 170.885), (45, 219.709), (55, 268.534), (60, 292.946), (70, 341.770), (30, 146.473)]

# inHg -> psi: equipment maker's table and recomputation; 29.921 inHg is the standard atmosphere, 14.696 psi.
VACUUM = [(1, 0.4912), (21, 10.3), (29.921, 14.696)]
