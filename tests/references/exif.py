"""EXIF orientation: how a stored picture must be turned to be seen upright.

Source: a 3 x 2 picture with the pixels 1 to 6 row by row, saved with each orientation and displayed by Pillow 13.0.0
(``ImageOps.exif_transpose``), which follows CIPA DC-008 (Exif 2.32), tag 274. Executed, not remembered.
Orientations 2, 3 and 8 are not in that table; they are worked out from the tag's wording in the Exif standard,
"the 0th row is the visual top/bottom/left/right side, the 0th column is ..." (wording from memory).
"""

# orientation: (columns, rows, pixels row by row as displayed)
DISPLAYED_BY_PILLOW = {
    1: (3, 2, [1, 2, 3, 4, 5, 6]),
    4: (3, 2, [4, 5, 6, 1, 2, 3]),
    5: (2, 3, [1, 4, 2, 5, 3, 6]),
    6: (2, 3, [4, 1, 5, 2, 6, 3]),
    7: (2, 3, [6, 3, 5, 2, 4, 1]),
}

# orientation: (visual side of the 0th row, visual side of the 0th column)
SIDES = {
    1: ("top", "left"),
    2: ("top", "right"),
    3: ("bottom", "right"),
    4: ("bottom", "left"),
    5: ("left", "top"),
    6: ("right", "top"),
    7: ("right", "bottom"),
    8: ("left", "bottom"),
}
