"""The year in sections and rows, as the page, the PDF and the pack all show it: one list, so that they cannot differ."""

from __future__ import annotations

from dataclasses import dataclass, field

from flips.books import YearFigures
from flips.models.people import Shop
from flips.models.review import NO_LINE, Review
from flips.schedule_c import in_words
from flips.wording import hours_words, percent_words


@dataclass(frozen=True)
class Row:
    """One figure: its label, its amount in minor units or its text, and the name its lines are asked for by."""

    label: str
    cents: int | None = None
    text: str = ""
    figure: str = ""
    strong: bool = False
    note: str = ""


@dataclass(frozen=True)
class Section:
    """Figures that belong together."""

    title: str
    rows: list[Row] = field(default_factory=list)
    note: str = ""


def statement(review: Review, *, shop: Shop) -> list[Section]:
    """Every figure of the year in reading order."""
    year = review.figures
    percent = year.margin_percent
    lost = year.written_off + year.shrinkage + year.used_otherwise
    sections = [
        Section(
            "Result",
            [
                Row("Revenue", year.revenue, figure="revenue"),
                Row("Selling costs", year.selling_total, figure="selling_total"),
                Row("Cost of sales", year.cost_of_sales, figure="cost_of_sales"),
                Row("Margin", year.margin, figure="margin", strong=True),
                Row(
                    "Margin %",
                    text=percent_words(percent),
                    figure="margin_percent",
                ),
                Row("Other income", year.other_income, figure="other_income"),
                Row("Stock lost or used up", lost, figure="lost"),
                Row("Expenses", year.expenses_total, figure="expenses_total"),
                Row(
                    "Profit",
                    year.profit,
                    figure="profit",
                    strong=True,
                    note="before tax and before your own pay",
                ),
                Row("Your hours", text=hours_words(year.owner_minutes), figure="owner_minutes"),
                Row("Helpers' hours", text=hours_words(year.helper_minutes), figure="helper_minutes"),
                Row(
                    "Pay an hour",
                    year.pay_an_hour,
                    figure="pay_an_hour",
                    note="profit for each hour of yours",
                ),
                Row("Hourly", year.hourly, figure="hourly", note="margin for each hour of yours"),
                Row(
                    "After wages",
                    year.after_wages,
                    figure="after_wages",
                    note="margin less your hours at your wanted pay",
                ),
            ],
        ),
        Section(
            "Revenue",
            [
                Row("Sales", year.sales, figure="sales"),
                Row("Delivery charged", year.delivery_charged, figure="delivery_charged"),
                Row("Tips", year.tips, figure="tips"),
                Row("Refunds", -year.refunds, figure="refunds"),
                Row("Revenue", year.revenue, figure="revenue", strong=True, note="never with sales tax"),
            ],
        ),
        Section(
            "Cost of sales",
            [
                Row(
                    "Opening stock",
                    year.opening_stock,
                    figure="opening_stock",
                    note="with what was brought in at the start" if year.brought_in else "",
                ),
                Row("Pieces bought", year.purchases, figure="purchases"),
                Row("Paid help on pieces", year.paid_help, figure="paid_help"),
                Row("Materials and parts bought", year.materials, figure="materials"),
                Row("Transport in", year.other_costs, figure="other_costs"),
                Row("Closing stock", -year.closing_stock, figure="closing_stock"),
                Row("Gone from stock", year.by_the_shelf, figure="by_the_shelf", strong=True),
                Row("of it written off", -year.written_off, figure="written_off"),
                Row("of it missing in counts", -year.shrinkage, figure="shrinkage"),
                Row("of it used otherwise", -year.used_otherwise, figure="used_otherwise"),
                Row("of it kept by you", -year.kept, figure="kept"),
                Row("of it given away", -year.given_away, figure="given_away"),
                Row("Cost of sales", year.cost_of_sales, figure="cost_of_sales", strong=True),
                Row(
                    "of it costs that came after the sale",
                    year.late_costs,
                    figure="late_costs",
                    note="the pieces are restated" if year.late_costs else "",
                ),
            ],
        ),
        Section(
            "Do the books tie out?",
            [
                Row("Opening stock + bought − closing stock", year.by_the_shelf, figure="by_the_shelf"),
                Row(
                    "Sold, written off, missing, used up, kept, given away",
                    year.by_the_door,
                    figure="by_the_door",
                ),
                Row("Difference", year.difference, figure="difference", strong=True),
            ],
            "Counted two ways that know nothing of each other: from what stands on the shelf, and from what went out of "
            "the door.",
        ),
        Section(
            "Selling costs",
            [
                *(
                    Row(_capital(row.name), row.cents, figure=row.figure, note=row.line_words)
                    for row in review.selling
                ),
                Row("Selling costs", year.selling_total, figure="selling_total", strong=True),
            ],
        ),
        Section(
            "Expenses by category",
            [
                *(
                    Row(
                        _capital(row.name),
                        row.cents,
                        figure=row.figure,
                        note=row.line_words or "no line of the form yet",
                    )
                    for row in review.expenses
                ),
                Row("Expenses", year.expenses_total, figure="expenses_total", strong=True),
            ],
        ),
        Section(
            "Expenses and selling costs by line of the form",
            [
                Row(words or NO_LINE, cents, figure=f"form/{words or NO_LINE}")
                for words, cents in review.by_line
            ],
            "Which line an expense belongs to is for the form of the year and a licensed adviser to say.",
        ),
        Section(
            "Cost of goods sold as Schedule C Part III asks for it",
            [
                Row(in_words(line), cents, figure=_PART_THREE.get(line, ""), strong=line == "42")
                for line, cents in year.cost_of_goods.items()
            ],
            "Line 36 is less what you kept or gave away. Line 42 also holds what was written off, missing or used up.",
        ),
        Section(
            "Trips",
            [
                *(
                    Row(
                        f"{row.trips} trip{'' if row.trips == 1 else 's'}, {row.distance}",
                        row.cents,
                        figure=row.figure,
                        note=f"at {row.rate}" + (f", {row.source}" if row.source else ""),
                    )
                    for row in review.trips
                ),
                *(
                    [
                        Row(
                            "Trips",
                            sum(row.cents for row in review.trips),
                            figure="expenses/trips",
                            strong=True,
                        )
                    ]
                    if review.trips
                    else []
                ),
            ],
            "By distance at the rate of the day. A hired van or fuel of the same day may claim the same drive twice.",
        ),
        Section(
            "Money that is not the shop's",
            [
                Row("Tax held at the end of the year", year.tax_held_at_end, figure="tax_held_at_end"),
                Row("Deposits held at the end of the year", year.deposits_at_end, figure="deposits_at_end"),
            ],
            "Sales tax collected is never revenue. Local rules and a licensed adviser say what is due and when.",
        ),
        Section(
            "Failed attempts",
            [
                Row(
                    "Cash in attempts that failed",
                    year.failed_attempts,
                    figure="failed_attempts",
                    note="within the basis of the pieces",
                ),
                Row(
                    "Hours in attempts that failed",
                    text=hours_words(year.failed_minutes),
                    figure="failed_minutes",
                ),
            ],
        ),
        Section(
            "Stock costed the other way",
            [
                Row(f"Closing stock, {_method(shop, own=True)}", year.closing_stock, figure="closing_stock"),
                Row(f"Closing stock, {_method(shop, own=False)}", review.other_way.closing_stock),
                Row(f"Cost of sales, {_method(shop, own=True)}", year.cost_of_sales, figure="cost_of_sales"),
                Row(f"Cost of sales, {_method(shop, own=False)}", review.other_way.cost_of_sales),
            ],
            "The shop's way is the first; the other one is shown to compare.",
        ),
    ]
    for section in sections:
        section.rows[:] = [row for row in section.rows if row.cents or not row.label.startswith("of it ")]
    return [section for section in sections if section.rows]


_PART_THREE = {
    "35": "opening_stock",
    "36": "withdrawn_purchases",
    "37": "paid_help",
    "38": "materials",
    "39": "other_costs",
    "40": "goods_available",
    "41": "closing_stock",
    "42": "goods_gone",
}

# A figure that is worked out from others: its label, and the figures with their signs.
COMPOSED: dict[str, tuple[str, tuple[tuple[str, int], ...]]] = {
    "opening_stock": ("Opening stock", (("stock_at_start", 1), ("brought_in", 1))),
    "by_the_shelf": ("Gone from stock", (("opening_stock", 1), ("bought", 1), ("closing_stock", -1))),
    "difference": ("Difference", (("by_the_shelf", 1), ("by_the_door", -1))),
    "lost": ("Stock lost or used up", (("written_off", 1), ("shrinkage", 1), ("used_otherwise", 1))),
    "withdrawn_purchases": (
        "Purchases less what you kept or gave away",
        (("purchases", 1), ("kept", -1), ("given_away", -1)),
    ),
    "goods_available": (
        "Opening stock and everything bought, less what you kept or gave away",
        (("opening_stock", 1), ("bought", 1), ("kept", -1), ("given_away", -1)),
    ),
    "goods_gone": (
        "Cost of goods sold as Part III counts it",
        (("goods_available", 1), ("closing_stock", -1)),
    ),
    "margin_percent": ("Margin %: margin in percent of revenue", (("margin", 1), ("revenue", 1))),
    "hourly": ("Hourly: margin for each hour of yours", (("margin", 1), ("owner_minutes", 1))),
    "pay_an_hour": ("Pay an hour: profit for each hour of yours", (("profit", 1), ("owner_minutes", 1))),
    "after_wages": (
        "After wages: margin less your hours at your wanted pay",
        (("margin", 1), ("owner_minutes", 1)),
    ),
}
# Those of which the figure is the signed sum of its parts.
ADDS_UP = frozenset(
    {
        "opening_stock",
        "by_the_shelf",
        "difference",
        "lost",
        "withdrawn_purchases",
        "goods_available",
        "goods_gone",
    }
)

LABELS: dict[str, str] = {
    "revenue": "Revenue",
    "sales": "Sales",
    "delivery_charged": "Delivery charged",
    "tips": "Tips",
    "refunds": "Refunds",
    "selling_total": "Selling costs",
    "cost_of_sales": "Cost of sales",
    "late_costs": "Costs that came after the sale",
    "margin": "Margin",
    "other_income": "Other income",
    "written_off": "Stock written off",
    "shrinkage": "Missing in counts",
    "used_otherwise": "Stock used otherwise",
    "kept": "Kept by you",
    "given_away": "Given away",
    "expenses_total": "Expenses",
    "profit": "Profit",
    "purchases": "Pieces bought",
    "paid_help": "Paid help on pieces",
    "materials": "Materials and parts bought",
    "other_costs": "Transport in",
    "bought": "Everything bought for stock",
    "brought_in": "Brought in at the start",
    "by_the_door": "Gone out of the door",
    "failed_attempts": "Cash in attempts that failed",
    "cash": "Money in less money out",
    "stock_at_start": "Stock on the first day",
    "closing_stock": "Closing stock",
    "owner_minutes": "Your hours",
    "helper_minutes": "Helpers' hours",
    "failed_minutes": "Hours in attempts that failed",
    "tax_held_at_end": "Tax held at the end of the year",
    "deposits_at_end": "Deposits held at the end of the year",
}


def label_of(figure: str) -> str:
    """What a figure is called, whatever it is."""
    if figure in COMPOSED:
        return COMPOSED[figure][0]
    _, _, one = figure.partition("/")
    return _capital(one) if one else LABELS[figure]


def cents_of(year: YearFigures, figure: str) -> int | None:
    """The amount of a figure in minor units; None for one that is no amount."""
    if figure in ADDS_UP:
        return sum(sign * (cents_of(year, part) or 0) for part, sign in COMPOSED[figure][1])
    if figure == "stock_at_start":
        return sum(year.stock_at_start.values())
    group, _, one = figure.partition("/")
    if one:
        return getattr(year, group).get(one, 0)
    if figure in ("margin_percent", "owner_minutes", "helper_minutes", "failed_minutes"):
        return None
    return getattr(year, figure)


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _method(shop: Shop, *, own: bool) -> str:
    names = {"fifo": "oldest lot first", "average": "moving average"}
    if own:
        return names[shop.stock_method]
    return next(name for method, name in names.items() if method != shop.stock_method)
