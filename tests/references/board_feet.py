"""Board-foot cases.

Formula n x max(T, 1 in) x W(in) x L(ft) / 12; the first case is the worked example (14 ft 2x4) of the US Navy
Engineering Aid manual, which also says that stock under 1 in counts as 1 in. The others are recomputed by the formula.
"""

# thickness in, width in, length ft, pieces, board feet to four decimals
BOARD_FEET = [
    ("2", "4", "14", 1, 9.3333),
    ("0.75", "8", "10", 1, 6.6667),
    ("1.25", "7.5", "9", 4, 28.125),
    ("2", "10", "12", 3, 60.0),
    ("1.5", "5.25", "6.5", 2, 8.5312),
    ("2.0", "11", "7", 1, 12.8333),
]

# 144 in3 exactly, in litres.
BOARD_FOOT_LITRES = "2.359737216"
