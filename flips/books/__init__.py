"""Every money fact of the shop as plain lines, and the one fold all its figures come from; pure, without Django.

A caller turns its records into ``Line`` and ``Hours`` (stock through ``cost_stock``, which prices uses), and asks
``piece_figures``, ``lots``, ``year_figures`` or ``tax_held``. Amounts are whole minor units, dates local; no figure is
worked out anywhere else.
"""

from flips.books.entries import EXPENSE, SELLING, TRIPS, WAGES, Account, Book, Entry, Standing, State, keep
from flips.books.lines import (
    BadLine,
    Collector,
    Hours,
    Id,
    Kind,
    Line,
    Problem,
    Trace,
    in_order,
    rate_on,
    running_cents,
    wage_cents,
)
from flips.books.periods import TaxPeriod, periods, tax_held, year_of
from flips.books.pieces import PieceFigures, all_piece_figures, piece_figures
from flips.books.stock import LotBalance, Method, Moved, Stocked, cost_stock, lots, pick_oldest, use_cost
from flips.books.years import (
    PieceYear,
    Subject,
    YearFigures,
    shelf,
    trial_balance,
    year_figures,
)

__all__ = [
    "EXPENSE",
    "SELLING",
    "TRIPS",
    "WAGES",
    "Account",
    "BadLine",
    "Book",
    "Collector",
    "Entry",
    "Hours",
    "Id",
    "Kind",
    "Line",
    "LotBalance",
    "Method",
    "Moved",
    "PieceFigures",
    "PieceYear",
    "Problem",
    "Standing",
    "State",
    "Stocked",
    "Subject",
    "TaxPeriod",
    "Trace",
    "YearFigures",
    "all_piece_figures",
    "cost_stock",
    "in_order",
    "keep",
    "lots",
    "periods",
    "pick_oldest",
    "piece_figures",
    "rate_on",
    "running_cents",
    "shelf",
    "tax_held",
    "trial_balance",
    "use_cost",
    "wage_cents",
    "year_figures",
    "year_of",
]
