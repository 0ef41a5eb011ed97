"""Which remedy first, what to test before, when to stop, and what a wish costs: exact, with the reason for each place.

``order_steps`` orders tests that must all pass, ``rank`` remedies of which one must work, ``weigh_ways`` sets carrying
on against the ways out, ``price_of_wish`` tells what obeying a wish costs, ``remaining`` what is left after a failure.
Money is in any one unit and exact; the cost of an entry is materials plus hours at what an hour is worth. Sources:
Mitten 1960; Simon and Kadane 1975; Unluyurt 2004 for the ratio rule and where it stops being exact.
"""

from estimating.remedies.board import (
    Fork,
    LeftOut,
    Option,
    Placed,
    Ranking,
    Reserve,
    WayOut,
    Wish,
    ask_again,
    order_steps,
    price_of_wish,
    rank,
    remaining,
    reserve_of,
    weigh_ways,
)
from estimating.remedies.nested import Group, Move, Plan, plan, plan_in_order
from estimating.remedies.payload import COMPUTE_HELP, compute_remedies
from estimating.remedies.work import AnyOf, BadRemedy, Figures, Remedy, Step

__all__ = [
    "COMPUTE_HELP",
    "AnyOf",
    "BadRemedy",
    "Figures",
    "Fork",
    "Group",
    "LeftOut",
    "Move",
    "Option",
    "Placed",
    "Plan",
    "Ranking",
    "Remedy",
    "Reserve",
    "Step",
    "WayOut",
    "Wish",
    "ask_again",
    "compute_remedies",
    "order_steps",
    "plan",
    "plan_in_order",
    "price_of_wish",
    "rank",
    "remaining",
    "reserve_of",
    "weigh_ways",
]
