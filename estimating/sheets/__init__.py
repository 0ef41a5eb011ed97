"""Sheet layout: which sheets to buy, where each part lies, and the order of the cuts.

``lay_out`` takes panels and sheets in exact lengths and gives a ``Layout`` a person can saw from; ``solve`` and
``compute`` do the same on plain JSON in whole units. Guillotine cuts only, each a full kerf wide; grain runs along a
sheet's length. Least money comes first, then one large reusable rectangle, then fewer cuts. The same input, seed and
number of rounds give the same layout, whatever the order of the input.

Method: ruin and recreate with late acceptance towards a cheaper purchase (idea: Gardeyn and Wauters,
arXiv 2508.19306); bounds by area and dual feasible functions (Fekete and Schepers; Carlier, Clautiaux and Moukrim).
"""

from estimating.sheets.answers import COMPUTE_HELP, compute, solve
from estimating.sheets.problem import BadInstance
from estimating.sheets.proof import faults
from estimating.sheets.shop import Cut, CutSheet, Layout, NotPlaced, Offcut, Panel, Placement, Sheet, lay_out

__all__ = [
    "COMPUTE_HELP",
    "BadInstance",
    "Cut",
    "CutSheet",
    "Layout",
    "NotPlaced",
    "Offcut",
    "Panel",
    "Placement",
    "Sheet",
    "compute",
    "faults",
    "lay_out",
    "solve",
]
