import random
from dataclasses import replace
from datetime import date, datetime, timedelta
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from flips.books import (
    Account,
    BadLine,
    Collector,
    Hours,
    Kind,
    Line,
    Method,
    Moved,
    State,
    all_piece_figures,
    cost_stock,
    keep,
    lots,
    periods,
    pick_oldest,
    piece_figures,
    rate_on,
    running_cents,
    tax_held,
    trial_balance,
    use_cost,
    wage_cents,
    year_figures,
    year_of,
)
from tests.flips.histories import LOT_ENDS, SELLING, History
from tests.references.cogs import CASES

DAY = date(2024, 3, 1)
YEAR = {"first": date(2024, 1, 1), "end": date(2025, 1, 1)}
NEXT_YEAR = {"first": date(2025, 1, 1), "end": date(2026, 1, 1)}


def line(kind, cents=0, on=DAY, **fields):
    if kind in (Kind.PURCHASE, Kind.PRICE, Kind.REFUND, Kind.RETURNED, Kind.TRANSPORT, Kind.SCRAPPED):
        fields.setdefault("piece", "dresser")
    return Line(kind=kind, on=on, cents=cents, **fields)


def books_of(history):
    stocked = cost_stock(history.moves, method=history.method, material_of=history.material_of)
    assert stocked.problems == ()
    return [*history.lines, *stocked.lines], stocked


def figures_from(ledger, *, first, end):
    """The same year, as the other bookkeeper has it."""

    moved = ledger.balances(since=first, before=end).__getitem__
    at_start, at_end = ledger.balances(before=first), ledger.balances(before=end)
    brought = sum(
        ledger.turnover(stock, "brought in", since=first, before=end) for stock in ("pieces", "materials")
    )
    bought = sum(ledger.turnover(stock, "till", since=first, before=end) for stock in ("pieces", "materials"))
    return {
        "opening_stock": at_start["pieces"] + at_start["materials"] + brought,
        "brought_in": brought,
        "bought": bought,
        "closing_stock": at_end["pieces"] + at_end["materials"],
        "cost_of_sales": moved("sold"),
        "written_off": moved("scrapped"),
        "kept": moved("kept"),
        "given_away": moved("given"),
        "shrinkage": moved("shrunk"),
        "used_otherwise": moved("used up"),
        "revenue": -moved("income"),
        "other_income": -moved("other income"),
        "selling": {name: moved("selling " + name) for name in [*SELLING.values(), "comp"]},
        "expenses": {
            name: moved("expense " + name) for name in ["tools", "rent", "advertising", "trips", "wages"]
        },
        "cash": moved("till"),
        "tax_held_at_end": -at_end["tax"],
        "deposits_at_end": -at_end["deposits"],
    }


def same_shape(year):
    names = {kind.value: name for kind, name in SELLING.items()} | {"carrier's compensation": "comp"}
    return {
        **{
            name: getattr(year, name)
            for name in [
                "opening_stock",
                "brought_in",
                "bought",
                "closing_stock",
                "cost_of_sales",
                "kept",
                "given_away",
                "shrinkage",
                "used_otherwise",
                "revenue",
                "other_income",
                "cash",
                "tax_held_at_end",
                "deposits_at_end",
            ]
        },
        "written_off": year.written_off,
        "selling": {name: year.selling_costs.get(kind, 0) for kind, name in names.items()},
        "expenses": {
            name: year.expenses.get(name, 0) for name in ["tools", "rent", "advertising", "trips", "wages"]
        },
    }


@pytest.mark.parametrize("method", list(Method))
def test_a_thousand_shops_agree_with_an_independent_ledger_to_the_cent(method):
    for seed in range(500):
        history = History(f"{method} {seed}", method=method, days=40)
        lines, stocked = books_of(history)
        starts = history.dice.choice([(1, 1), (4, 6), (7, 1), (2, 29), (12, 31)])
        first, end = year_of(date(2023, 6, 1), month=starts[0], day_of_month=starts[1])
        while first <= history.day:
            year = year_figures(lines, first=first, end=end)

            assert same_shape(year) == figures_from(history.ledger, first=first, end=end), seed
            assert (year.difference, year.offenders, year.problems) == (0, (), ()), seed
            failed = sum(cents for day, cents in history.failed if first <= day < end)
            assert year.failed_attempts == failed, seed
            first, end = year_of(end, month=starts[0], day_of_month=starts[1])

        assert {piece: figures.basis for piece, figures in all_piece_figures(lines).items()} == dict(
            history.ledger.carries
        ), seed
        for piece, figures in all_piece_figures(lines).items():
            if figures.state in (State.SOLD, State.SCRAPPED):
                assert figures.margin == history.by_piece.get(piece, 0) - history.ledger.carries[piece], seed
        for lot, balance in lots(lines).items():
            assert balance.left == history.ledger.shelf[lot][0] >= 0, seed
        assert stocked.quantity_left == pytest.approx(history.quantity), seed
        assert sum(stocked.cents_left.values()) == history.ledger.balances()["materials"], seed


def one_shop(seed=3):
    return books_of(History(seed, days=80))[0]


def test_every_ending_of_a_piece_and_a_lot_is_among_the_histories():
    lines = [line for seed in range(20) for line in one_shop(seed)]

    assert {line.kind for line in lines} == set(Kind)
    assert set(LOT_ENDS) <= {line.kind for line in lines}


ADDS_UP = [
    "brought_in",
    "bought",
    "purchases",
    "paid_help",
    "materials",
    "other_costs",
    "cost_of_sales",
    "late_costs",
    "written_off",
    "shrinkage",
    "used_otherwise",
    "kept",
    "given_away",
    "sales",
    "delivery_charged",
    "tips",
    "refunds",
    "other_income",
    "revenue",
    "selling_total",
    "margin",
    "expenses_total",
    "profit",
    "cash",
    "failed_attempts",
    "by_the_shelf",
    "by_the_door",
]


@pytest.mark.parametrize("seed", range(10))
@pytest.mark.parametrize("first", [date(2024, 1, 1), date(2024, 4, 1), date(2023, 7, 31), date(2024, 2, 29)])
def test_months_sum_to_the_year_and_close_where_the_next_opens(seed, first):
    lines = one_shop(seed)
    end = first.replace(year=first.year + 1, day=min(first.day, 28))
    year = year_figures(lines, first=first, end=end)

    months = [year_figures(lines, first=begun, end=over) for begun, over in periods(first, end)]

    for name in ADDS_UP:
        assert sum(getattr(month, name) for month in months) == getattr(year, name), name
    for month, following in zip(months, months[1:], strict=False):
        assert month.closing_stock == following.opening_stock - following.brought_in
    assert months[-1].stock_at_end == year.stock_at_end


@pytest.mark.parametrize("seed", range(10))
def test_the_order_of_the_lines_changes_nothing(seed):
    history = History(seed, days=60)
    lines = books_of(history)[0]
    shuffled, moves = lines[:], history.moves[:]
    random.Random(seed).shuffle(shuffled)
    random.Random(seed).shuffle(moves)

    assert cost_stock(moves) == cost_stock(history.moves)
    assert year_figures(shuffled, **YEAR) == year_figures(lines, **YEAR)
    assert keep(shuffled) == keep(lines)
    assert all_piece_figures(shuffled) == all_piece_figures(lines)
    assert lots(shuffled) == lots(lines)


@pytest.mark.parametrize("seed", range(10))
def test_every_figure_of_the_year_opens_lines_that_add_up_to_it(seed):
    year = year_figures(one_shop(seed), **YEAR)

    for name in [name for name in ADDS_UP if name != "by_the_shelf"]:
        assert sum(trace.cents for trace in year.behind(name)) == getattr(year, name), name
    for group in ("selling_costs", "expenses"):
        for name, cents in getattr(year, group).items():
            assert sum(trace.cents for trace in year.behind(f"{group}/{name}")) == cents, name
    with pytest.raises(KeyError):
        year.behind("no such figure")


OF_A_PIECE = [
    "brought_in",
    "paid",
    "premium",
    "purchase_tax",
    "premium_tax",
    "transport",
    "parts",
    "materials",
    "paid_help",
    "salvage",
    "basis",
    "in_it_so_far",
    "failed_attempts",
    "late_costs",
    "price",
    "delivery_charged",
    "tips",
    "refunds",
    "revenue",
    "selling_total",
    "trips",
    "margin",
]


@pytest.mark.parametrize("seed", range(10))
def test_every_figure_of_a_piece_opens_lines_that_add_up_to_it(seed):
    for piece in all_piece_figures(one_shop(seed)).values():
        for name in OF_A_PIECE:
            if getattr(piece, name) is not None:
                assert sum(trace.cents for trace in piece.behind(name)) == getattr(piece, name), name
        for kind, cents in piece.selling_costs.items():
            assert sum(trace.cents for trace in piece.behind(f"selling_costs/{kind}")) == cents


@pytest.mark.parametrize("seed", range(10))
def test_the_journal_balances_and_its_stock_accounts_hold_what_the_shelf_counts(seed):
    lines = one_shop(seed)
    year = year_figures(lines, **YEAR)
    balance = trial_balance(keep([line for line in lines if line.on < YEAR["end"]]).entries)

    assert sum(balance.values()) == 0
    assert all(entry.cents > 0 and entry.debit != entry.credit for entry in year.journal)
    assert balance[Account.PIECES] + balance.get(Account.MATERIALS, 0) == year.closing_stock


@pytest.mark.parametrize("seed", range(10))
def test_the_pieces_of_a_year_add_up_to_the_year(seed):
    lines = one_shop(seed)
    hours = [
        Hours(on=DAY, minutes=90, piece="piece1"),
        Hours(on=DAY, minutes=30),
        Hours(on=DAY, minutes=5, helper=True),
    ]
    year = year_figures(lines, **YEAR, hours=hours)

    assert sum(piece.margin for piece in year.pieces.values()) == year.margin
    assert sum(piece.revenue for piece in year.pieces.values()) == year.revenue
    assert sum(piece.written_off for piece in year.pieces.values()) == year.written_off
    assert sum(piece.owner_minutes for piece in year.pieces.values()) == year.owner_minutes == 120
    assert sum(piece.helper_minutes for piece in year.pieces.values()) == year.helper_minutes == 5


@pytest.mark.parametrize("seed", range(10))
def test_a_paper_that_comes_next_year_leaves_the_closed_year_as_it_was(seed):
    lines = one_shop(seed)
    late = [line(Kind.TRANSPORT, 999, on=date(2025, 2, 1), piece=f"piece{number}") for number in range(1, 40)]

    assert year_figures([*lines, *late], **YEAR) == year_figures(lines, **YEAR)


# The parts of Schedule C, played as a shop: what is left at the end is one unsold piece and what remains of one lot.
@pytest.mark.parametrize(
    ("case", "line35", "line36", "line37", "line38", "line39", "line40", "line41", "line42"), CASES
)
def test_cost_of_goods_follows_schedule_c(
    case, line35, line36, line37, line38, line39, line40, line41, line42
):
    left_on_shelf = min(line38, line41)
    left_in_pieces = line41 - left_on_shelf
    unsold_old, unsold_new = min(left_in_pieces, line35), max(left_in_pieces - line35, 0)
    moves = [
        Moved(line(Kind.LOT_BOUGHT, line38, lot="lot"), Fraction(line38)),
        Moved(line(Kind.USED, lot="lot", piece="sold"), Fraction(line38 - left_on_shelf)),
    ]
    lines = [
        line(Kind.OPENING_PIECE, unsold_old, on=date(2023, 5, 5), piece="unsold"),
        line(Kind.OPENING_PIECE, line35 - unsold_old, on=date(2023, 5, 5), piece="sold"),
        line(Kind.PURCHASE, unsold_new, piece="unsold"),
        line(Kind.PURCHASE, line36 - unsold_new, piece="sold"),
        line(Kind.HELP, line37, piece="sold"),
        line(Kind.TRANSPORT, line39, piece="sold"),
        line(Kind.PRICE, 5, on=date(2024, 12, 31), piece="sold"),
        *cost_stock(moves).lines,
    ]

    year = year_figures(lines, **YEAR)

    assert list(year.cost_of_goods.values()) == [
        line35,
        line36,
        line37,
        line38,
        line39,
        line40,
        line41,
        line42,
    ]
    assert year.cost_of_sales == line42
    assert year_figures(lines, **NEXT_YEAR).opening_stock == line41


# Worked by hand: 120 + 9.60 tax + 25 van + 18 hinges + 6.20 varnish (failed) + 6.20 varnish + 30 help = 215.00.
def dresser():
    moves = [
        Moved(line(Kind.LOT_BOUGHT, 2480, lot="can"), Fraction(4)),
        Moved(line(Kind.USED, lot="can", piece="dresser", attempt=1, failed=True), Fraction(1)),
        Moved(line(Kind.USED, lot="can", piece="dresser", attempt=2), Fraction(1)),
    ]
    return [
        line(Kind.PURCHASE, 12000),
        line(Kind.PURCHASE_TAX, 960, piece="dresser"),
        line(Kind.TRANSPORT, 2500),
        line(Kind.PART, 1800, piece="dresser"),
        line(Kind.HELP, 3000, piece="dresser"),
        *cost_stock(moves).lines,
    ]


def of_dresser(lines, **more):
    return piece_figures([line for line in lines if line.piece == "dresser"], **more)


def sold(on=date(2024, 5, 1), **fields):
    return [
        line(Kind.PRICE, 42000, on=on, sale=1, **fields),
        line(Kind.DELIVERY_CHARGED, 4000, on=on, sale=1, piece="dresser"),
        line(Kind.TAX_COLLECTED, 3360, on=on, sale=1, piece="dresser", collector=Collector.SHOP),
        line(Kind.FEE, 4600, on=on, sale=1, piece="dresser"),
        line(Kind.DELIVERY_PAID, 3500, on=on, sale=1, piece="dresser"),
    ]


def test_a_piece_shows_what_is_in_it_kind_by_kind():
    piece = of_dresser(dresser())

    assert (piece.paid, piece.premium_tax, piece.transport, piece.parts) == (12000, 960, 2500, 1800)
    assert (piece.materials, piece.paid_help, piece.failed_attempts) == (1240, 3000, 620)
    assert piece.basis == piece.in_it_so_far == 21500
    assert (piece.margin, piece.margin_percent, piece.hourly, piece.after_wages) == (None, None, None, None)


def test_a_sold_piece_shows_its_margin_without_the_tax():
    # 420 + 40 - 46 - 35 - 215 = 164; 10 h at 12 an hour leave 44; 164 / 460 = 35.65 %
    hours = [
        Hours(on=DAY, minutes=600, piece="dresser"),
        Hours(on=DAY, minutes=45, piece="dresser", helper=True),
    ]
    piece = of_dresser([*dresser(), *sold()], hours=hours, target_rate_cents=1200)

    assert (piece.revenue, piece.selling_total, piece.margin) == (46000, 8100, 16400)
    assert piece.margin_percent == Fraction(1640000, 46000)
    assert (piece.hourly, piece.after_wages) == (1640, 4400)
    assert (piece.owner_minutes, piece.helper_minutes) == (600, 45)
    assert piece.tax_collected == {Collector.SHOP: 3360}
    assert of_dresser([*dresser(), *sold()]).hourly is None


def test_the_piece_page_and_the_year_say_the_same():
    lines = [*dresser(), *sold()]

    year = year_figures(lines, **YEAR)

    assert year.margin == of_dresser(lines).margin == 16400
    assert (year.cost_of_sales, year.closing_stock) == (21500, 1240)
    assert year.cash == 42000 + 4000 + 3360 - 4600 - 3500 - 12000 - 960 - 2500 - 1800 - 3000 - 2480
    assert year.tax_held_at_end == 3360


def test_a_sale_counts_in_the_year_it_was_paid_and_a_deposit_waits():
    lines = [
        line(Kind.PURCHASE, 10000),
        line(Kind.DEPOSIT, 5000, on=date(2024, 12, 20), sale=1),
        line(Kind.PRICE, 30000, on=date(2025, 1, 2), sale=1),
        line(Kind.DEPOSIT_APPLIED, 5000, on=date(2025, 1, 2), sale=1),
    ]

    year, following = year_figures(lines, **YEAR), year_figures(lines, **NEXT_YEAR)

    assert (year.revenue, year.cash, year.deposits_at_end, year.closing_stock) == (0, -5000, 5000, 10000)
    assert (following.revenue, following.cash, following.deposits_at_end) == (30000, 25000, 0)


def test_a_returned_piece_is_back_at_its_basis_and_the_refund_counts_when_given():
    back = [
        line(Kind.REFUND, 42000, on=date(2025, 1, 9)),
        line(Kind.TAX_GIVEN_BACK, 3360, on=date(2025, 1, 9), piece="dresser", collector=Collector.SHOP),
        line(Kind.FEE, -4000, on=date(2025, 1, 9), piece="dresser"),
        line(Kind.RETURN_FREIGHT, 2000, on=date(2025, 1, 9), piece="dresser"),
        line(Kind.RETURNED, on=date(2025, 1, 12)),
    ]
    lines = [*dresser(), *sold(), *back]

    year, following = year_figures(lines, **YEAR), year_figures(lines, **NEXT_YEAR)

    assert (year.revenue, year.cost_of_sales) == (46000, 21500)
    assert (following.refunds, following.revenue, following.cost_of_sales) == (42000, -42000, -21500)
    assert following.stock_at_end["piece", "dresser"] == 21500
    assert (following.tax_held_at_end, following.difference) == (0, 0)
    assert following.selling_costs == {"marketplace fees": -4000, "return freight": 2000}
    piece = of_dresser(lines)
    assert (piece.state, piece.margin, piece.selling_total) == (State.IN_STOCK, None, 6100)


def test_a_piece_returned_repaired_and_resold_keeps_one_basis():
    again = [
        line(Kind.REFUND, 42000, on=date(2024, 6, 1)),
        line(Kind.RETURNED, on=date(2024, 6, 1)),
        line(Kind.PART, 1000, on=date(2024, 6, 2), piece="dresser"),
        line(Kind.PRICE, 40000, on=date(2024, 7, 1), sale=2),
    ]
    lines = [*dresser(), *sold(), *again]

    # 420 + 40 - 420 + 400 - 46 - 35 - (215 + 10) = 134
    assert of_dresser(lines).margin == year_figures(lines, **YEAR).margin == 13400
    assert year_figures(lines, **YEAR).cost_of_sales == 22500
    assert of_dresser(lines).late_lines == ()


def test_a_part_refund_without_the_goods_leaves_the_piece_sold():
    lines = [*dresser(), *sold(), line(Kind.REFUND, 5000, on=date(2024, 8, 1))]

    assert (of_dresser(lines).state, of_dresser(lines).margin) == (State.SOLD, 11400)


def test_goods_lost_on_the_way_are_made_good_by_the_carrier():
    lost = [
        line(Kind.REFUND, 46000, on=date(2024, 5, 9)),
        line(Kind.COMPENSATION, 20000, on=date(2024, 5, 30), piece="dresser"),
    ]

    # 460 - 460 - (46 + 35 - 200) - 215 = -96; no revenue is left to take a percent of
    piece = of_dresser([*dresser(), *sold(), *lost])

    assert (piece.margin, piece.margin_percent) == (-9600, None)


def test_sold_returned_and_resold_in_one_day_needs_no_clock():
    day = date(2024, 5, 1)
    lines = [*dresser(), *sold(), line(Kind.RETURNED, on=day), line(Kind.PRICE, 100, on=day, sale=2)]

    assert of_dresser(lines).state is State.SOLD
    assert of_dresser(lines).problems == ()


def test_a_return_typed_in_after_the_resale_of_the_same_day_still_comes_first():
    day = date(2024, 7, 1)
    resold = [line(Kind.PRICE, 100, on=day, sale=2, order=5), line(Kind.RETURNED, on=day, order=9)]

    assert of_dresser([*dresser(), *sold(), *resold]).problems == ()
    assert of_dresser([*dresser(), *sold(), *resold]).left_on == day


def test_a_late_cost_restates_the_piece_and_counts_in_its_own_year():
    late = line(Kind.TRANSPORT, 700, on=date(2025, 2, 1), note="hauler's second bill")
    lines = [*dresser(), *sold(), late]

    year, following, piece = year_figures(lines, **YEAR), year_figures(lines, **NEXT_YEAR), of_dresser(lines)

    assert (piece.basis, piece.margin, piece.late_costs, piece.late_lines) == (22200, 15700, 700, (late,))
    assert (year.cost_of_sales, year.late_costs) == (21500, 0)
    assert (following.bought, following.cost_of_sales, following.late_costs, following.difference) == (
        700,
        700,
        700,
        0,
    )


def test_a_cost_on_the_day_of_the_sale_is_not_late():
    lines = [*dresser(), *sold(), line(Kind.TRANSPORT, 700, on=date(2024, 5, 1), order=99)]

    assert of_dresser(lines).late_lines == ()


def test_a_scrapped_piece_is_written_off_less_what_was_salvaged():
    moves = [Moved(line(Kind.SALVAGED, 2500, piece="dresser", into="legs"), into_quantity=Fraction(4))]
    lines = [*dresser(), line(Kind.SCRAPPED), *cost_stock(moves).lines]

    year = year_figures(lines, **YEAR)

    assert (year.written_off, year.cost_of_sales, year.stock_at_end["lot", "legs"]) == (19000, 0, 2500)
    assert (of_dresser(lines).basis, of_dresser(lines).margin) == (19000, -19000)
    assert (year.profit, year.difference) == (-19000, 0)


def test_parts_salvaged_later_lower_what_was_written_off():
    moves = [
        Moved(
            line(Kind.SALVAGED, 500, on=date(2025, 3, 1), piece="dresser", into="brass"),
            into_quantity=Fraction(1),
        )
    ]
    lines = [*dresser(), line(Kind.SCRAPPED), *cost_stock(moves).lines]

    assert year_figures(lines, **YEAR).written_off == 21500
    assert year_figures(lines, **NEXT_YEAR).written_off == -500


def test_salvage_above_the_basis_is_pointed_out():
    lines = [line(Kind.PURCHASE, 1000), line(Kind.SALVAGED, 1001, piece="dresser", into="legs")]

    assert [problem.line.kind for problem in year_figures(lines, **YEAR).problems] == [Kind.SALVAGED]


@pytest.mark.parametrize(("kind", "figure"), [(Kind.KEPT, "kept"), (Kind.GIVEN_AWAY, "given_away")])
def test_what_is_kept_or_given_away_leaves_at_basis_and_is_no_cost_of_sales(kind, figure):
    lines = [*dresser(), line(kind, piece="dresser", on=date(2024, 4, 1))]

    year = year_figures(lines, **YEAR)

    assert getattr(year, figure) == 21500
    assert (year.cost_of_sales, year.profit, year.difference) == (0, 0, 0)
    assert year.cost_of_goods["42"] == 0
    assert of_dresser(lines).margin is None


def test_a_set_sold_as_one_takes_each_piece_out_at_its_own_basis():
    on = date(2024, 9, 1)
    lines = [
        *(
            line(Kind.PURCHASE, cents, piece=piece)
            for piece, cents in [("a", 1000), ("b", 2000), ("c", 4000)]
        ),
        *(line(Kind.PRICE, cents, on=on, piece=piece, sale=1) for piece, cents in [("a", 5000), ("b", 5001)]),
    ]

    year = year_figures(lines, **YEAR)

    assert (year.revenue, year.cost_of_sales, year.closing_stock) == (10001, 3000, 4000)
    assert {piece: figures.margin for piece, figures in all_piece_figures(lines).items()} == {
        "a": 4000,
        "b": 3001,
        "c": None,
    }


def test_trips_wages_tools_and_private_money_stay_out_of_the_stock():
    lines = [
        line(Kind.TRIP, 2226, piece="dresser"),
        line(Kind.HELP, 1500),
        line(Kind.EXPENSE, 8000, category="tools"),
        line(Kind.PRIVATE, 333),
    ]

    year = year_figures(lines, **YEAR)

    assert year.expenses == {"tools": 8000, "trips": 2226, "wages": 1500}
    assert (year.bought, year.closing_stock, year.cash, year.profit) == (0, 0, -9500, -11726)


@pytest.mark.parametrize(
    ("month", "first", "end"),
    [(4, date(2024, 4, 1), date(2025, 4, 1)), (7, date(2023, 7, 1), date(2024, 7, 1))],
)
def test_a_year_may_start_in_april_or_july(month, first, end):
    lines = [
        line(Kind.PURCHASE, 100, on=first - timedelta(days=1)),
        line(Kind.PRICE, 900, on=first),
        line(Kind.PURCHASE, 7, on=end - timedelta(days=1), piece="stool"),
        line(Kind.PRICE, 50, on=end, piece="stool"),
    ]

    assert year_of(first, month=month) == year_of(end - timedelta(days=1), month=month) == (first, end)
    year = year_figures(lines, first=first, end=end)
    assert (year.opening_stock, year.bought, year.revenue, year.closing_stock) == (100, 7, 900, 7)


def test_29_february_belongs_to_its_month_and_can_start_a_year():
    lines = [line(Kind.PURCHASE, 100, on=date(2024, 2, 29))]

    assert year_figures(lines, first=date(2024, 2, 1), end=date(2024, 3, 1)).bought == 100
    assert year_of(date(2024, 2, 29), month=2, day_of_month=29) == (date(2024, 2, 29), date(2025, 3, 1))
    assert year_of(date(2024, 2, 28), month=2, day_of_month=29) == (date(2023, 3, 1), date(2024, 2, 29))


def test_months_from_the_31st_keep_the_31st():
    cut = periods(date(2023, 12, 31), date(2024, 12, 31))

    assert [begun.day for begun, _ in cut] == [31, 31, 29, 31, 30, 31, 30, 31, 31, 30, 31, 30]
    assert cut[-1][1] == date(2024, 12, 31)


def test_tax_is_listed_by_period_and_collector_and_is_never_revenue():
    def tax(kind, cents, on, collector=Collector.SHOP):
        return line(kind, cents, on=on, collector=collector)

    lines = [
        tax(Kind.TAX_COLLECTED, 800, date(2024, 1, 31)),
        tax(Kind.TAX_COLLECTED, 500, date(2024, 2, 1), Collector.MARKETPLACE),
        tax(Kind.TAX_RECLAIMED, 100, date(2024, 3, 31)),
        tax(Kind.TAX_PAID_OVER, 700, date(2024, 4, 15)),
        tax(Kind.TAX_GIVEN_BACK, 300, date(2024, 4, 30)),
    ]

    held = tax_held(lines, **YEAR, months=3)

    assert [(tax.first, tax.collector.value, tax.due, tax.held) for tax in held] == [
        (date(2024, 1, 1), "marketplace", 0, 0),
        (date(2024, 1, 1), "shop", 700, 700),
        (date(2024, 4, 1), "shop", -300, -1000),
    ]
    year = year_figures(lines, **YEAR)
    assert (year.revenue, year.tax_held_at_end, year.cash) == (0, -300, -300)
    assert [(tax.collector.value, tax.collected) for tax in year.tax] == [("marketplace", 500), ("shop", 800)]


# What does not add up is shown, with the line to look at.


def test_a_lot_that_gave_more_than_it_cost_shows_a_difference_and_its_line():
    use = line(Kind.USED, 900, lot="can", piece="dresser")
    lines = [line(Kind.LOT_BOUGHT, 600, lot="can"), use, line(Kind.LOT_BOUGHT, 50, lot="other")]

    year = year_figures(lines, **YEAR)

    assert year.difference == -300
    assert [offender.line for offender in year.offenders] == [use]


def test_a_piece_sold_twice_without_coming_back_is_pointed_out():
    second = line(Kind.PRICE, 3000, on=date(2024, 8, 1), sale=2)
    lines = [line(Kind.PURCHASE, 1000), line(Kind.PRICE, 2000, on=date(2024, 7, 1)), second]

    assert [problem.line for problem in year_figures(lines, **YEAR).problems] == [second]


def test_a_return_of_a_piece_that_never_left_shows_a_difference_and_its_line():
    back = line(Kind.RETURNED, on=date(2024, 7, 1))

    year = year_figures([line(Kind.PURCHASE, 1000), back], **YEAR)

    assert year.difference == 1000
    assert [offender.line for offender in year.offenders] == [back]


def test_a_deposit_spent_twice_is_pointed_out():
    lines = [
        line(kind, 500, sale=1) for kind in (Kind.DEPOSIT, Kind.DEPOSIT_APPLIED, Kind.DEPOSIT_GIVEN_BACK)
    ]

    assert len(year_figures(lines, **YEAR).problems) == 1


@pytest.mark.parametrize(
    ("fields", "reason"),
    [
        ({"kind": Kind.PURCHASE, "piece": None}, "needs its piece"),
        ({"kind": Kind.USED, "piece": "a"}, "needs its lot"),
        ({"kind": Kind.OFFCUT, "lot": "a"}, "needs its into"),
        ({"kind": Kind.EXPENSE}, "needs its category"),
        ({"kind": Kind.TAX_COLLECTED}, "needs its collector"),
        ({"kind": Kind.TRIP, "cents": 1.5}, "whole number"),
        ({"kind": Kind.TRIP, "cents": True}, "whole number"),
        ({"kind": Kind.TRIP, "on": datetime(2024, 1, 1)}, "local date"),
        ({"kind": Kind.SCRAPPED, "piece": "a", "cents": 5}, "worked out"),
    ],
)
def test_a_line_that_is_no_money_fact_is_refused(fields, reason):
    with pytest.raises(BadLine, match=reason):
        Line(**{"on": DAY, **fields})


def test_figures_of_two_pieces_at_once_are_refused():
    with pytest.raises(ValueError, match="more than one"):
        piece_figures([line(Kind.PURCHASE, 1, piece="a"), line(Kind.PURCHASE, 1, piece="b")])


# Stock.


@given(
    st.integers(0, 10**6),
    st.fractions("0.01", 5000, max_denominator=1000),
    st.lists(st.fractions(0, 1), min_size=1, max_size=12),
)
def test_what_is_used_and_what_is_left_always_add_up_to_the_cost(cost, size, shares):
    taken, spent = Fraction(0), 0
    for share in [*shares, Fraction(1)]:
        quantity = (size - taken) * share
        cents = use_cost(
            lot_cents=cost, lot_quantity=size, taken_quantity=taken, taken_cents=spent, quantity=quantity
        )
        taken, spent = taken + quantity, spent + cents
        assert cents >= 0
        assert spent <= cost

    assert (taken, spent) == (size, cost)


def test_the_last_use_takes_the_remaining_cents():
    costs = [
        use_cost(lot_cents=1000, lot_quantity=3, taken_quantity=before, taken_cents=333 * before, quantity=1)
        for before in range(3)
    ]

    assert costs == [333, 333, 334]


def test_many_uses_that_round_up_never_take_more_than_the_lot_cost():
    moves = [Moved(line(Kind.LOT_BOUGHT, 5, lot="box"), Fraction(10))]
    moves += [
        Moved(line(Kind.USED, lot="box", piece="a", on=DAY + timedelta(days=day)), Fraction(1))
        for day in range(10)
    ]

    used = [line.cents for line in cost_stock(moves).lines if line.kind is Kind.USED]

    assert used == [1, 1, 1, 1, 1, 0, 0, 0, 0, 0]


def test_more_than_there_is_costs_only_what_there_is_and_is_pointed_out():
    use = line(Kind.USED, lot="can", piece="a")
    stocked = cost_stock(
        [Moved(line(Kind.LOT_BOUGHT, 900, lot="can"), Fraction(2)), Moved(use, Fraction(5, 2))]
    )

    assert [(line.kind, line.cents) for line in stocked.lines] == [(Kind.USED, 900), (Kind.LOT_BOUGHT, 900)]
    assert [(problem.line, problem.reason) for problem in stocked.problems] == [
        (use, "0.5 more was taken than was there.")
    ]
    assert stocked.quantity_left == {"can": 0}


# Two lots of 10 at 1.00 and at 1.50, 15 used: oldest first 10 + 7.50 = 17.50; at the average of 1.25, 18.75.
@pytest.mark.parametrize(
    ("method", "used", "left"),
    [(Method.FIFO, 1750, {"new": 750, "old": 0}), (Method.AVERAGE, 1875, {"new": 625, "old": 0})],
)
def test_oldest_first_and_moving_average(method, used, left):
    picks, short = pick_oldest([("old", 10), ("new", 10)], 15)
    moves = [
        Moved(line(Kind.LOT_BOUGHT, 1000, lot="old"), Fraction(10)),
        Moved(line(Kind.LOT_BOUGHT, 1500, lot="new"), Fraction(10)),
        *(
            Moved(line(Kind.USED, lot=lot, piece="a", on=date(2024, 4, 1)), quantity)
            for lot, quantity in picks
        ),
    ]

    stocked = cost_stock(moves, method=method, material_of={"old": "screws", "new": "screws"})

    assert short == 0
    assert sum(line.cents for line in stocked.lines if line.kind is Kind.USED) == used
    assert stocked.cents_left == left


def test_the_average_moves_with_each_lot_bought():
    # 10 at 1.00; 5 used cost 5.00; 5 more at 2.00 make 15.00 for 10, so 4 cost 6.00
    def at(day, kind, cents=0, **fields):
        return line(kind, cents, on=DAY + timedelta(days=day), **fields)

    moves = [
        Moved(at(0, Kind.LOT_BOUGHT, 1000, lot="old"), Fraction(10)),
        Moved(at(1, Kind.USED, lot="old", piece="a"), Fraction(5)),
        Moved(at(2, Kind.LOT_BOUGHT, 1000, lot="new"), Fraction(5)),
        Moved(at(3, Kind.USED, lot="old", piece="a"), Fraction(4)),
    ]

    stocked = cost_stock(moves, method=Method.AVERAGE, material_of={"old": "wax", "new": "wax"})

    assert [line.cents for line in stocked.lines if line.kind is Kind.USED] == [500, 600]
    assert stocked.cents_left == {"old": 150, "new": 750}


def test_an_offcut_takes_its_share_of_the_sheet_and_passes_it_on():
    # A 60.00 sheet of 32 sq ft; 8 sq ft kept: 15.00. A quarter of that offcut, cut again, is 3.75.
    moves = [
        Moved(line(Kind.OFFCUT, lot="offcut", into="small", order=1), Fraction(2), Fraction(2)),
        Moved(line(Kind.OFFCUT, lot="sheet", into="offcut", order=5), Fraction(8), Fraction(8)),
        Moved(line(Kind.LOT_BOUGHT, 6000, lot="sheet", order=9), Fraction(32)),
        Moved(line(Kind.USED, lot="sheet", piece="a"), Fraction(24)),
    ]

    stocked = cost_stock(moves)

    assert stocked.cents_left == {"offcut": 1125, "sheet": 0, "small": 375}
    assert {lot: balance.left for lot, balance in lots(stocked.lines).items()} == dict(stocked.cents_left)
    assert lots(stocked.lines)["sheet"].used_on_pieces == 4500
    assert lots(stocked.lines)["sheet"].offcuts == 1500


def test_a_later_bill_for_a_lot_falls_on_what_is_left_of_it():
    moves = [
        Moved(line(Kind.LOT_BOUGHT, 1000, lot="box"), Fraction(10)),
        Moved(line(Kind.USED, lot="box", piece="a"), Fraction(5)),
        Moved(line(Kind.LOT_BOUGHT, 100, lot="box", on=date(2024, 4, 1))),
        Moved(line(Kind.USED, lot="box", piece="a", on=date(2024, 5, 1)), Fraction(1)),
    ]

    assert [line.cents for line in cost_stock(moves).lines if line.kind is Kind.USED] == [500, 120]


def test_a_bill_for_a_lot_that_is_gone_is_stock_used_otherwise():
    moves = [
        Moved(line(Kind.LOT_BOUGHT, 1000, lot="box"), Fraction(10)),
        Moved(line(Kind.USED, lot="box", piece="dresser"), Fraction(10)),
        Moved(line(Kind.LOT_BOUGHT, 100, lot="box", on=date(2024, 4, 1))),
    ]

    year = year_figures(cost_stock(moves).lines, **YEAR)

    assert (year.used_otherwise, year.closing_stock, year.difference) == (100, 1000, 0)


def test_a_count_that_finds_more_spreads_the_cost_over_it():
    moves = [
        Moved(line(Kind.LOT_BOUGHT, 1000, lot="box"), Fraction(10)),
        Moved(line(Kind.SHRINKAGE, lot="box", on=date(2024, 4, 1)), Fraction(-10)),
        Moved(line(Kind.USED, lot="box", piece="a", on=date(2024, 5, 1)), Fraction(1)),
    ]

    stocked = cost_stock(moves)

    assert [line.cents for line in stocked.lines if line.kind is not Kind.LOT_BOUGHT] == [0, 50]
    assert stocked.quantity_left == {"box": 19}


def test_a_quantity_is_never_a_float():
    with pytest.raises(TypeError, match="float"):
        Moved(line(Kind.LOT_BOUGHT, 5, lot="box"), 0.1)


def test_a_material_that_shares_its_id_with_a_lone_lot_is_refused():
    moves = [Moved(line(Kind.LOT_BOUGHT, 5, lot=lot), Fraction(1)) for lot in (1, 2)]

    with pytest.raises(ValueError, match="ids of their own"):
        cost_stock(moves, method=Method.AVERAGE, material_of={1: 2})


# Rates.


def test_a_rate_holds_from_its_day_and_leaves_what_came_before():
    rates = [(date(2024, 7, 1), 1800), (date(2024, 1, 1), 1500)]

    assert rate_on(rates, date(2024, 6, 30)) == 1500
    assert rate_on(rates, date(2024, 7, 1)) == 1800
    assert rate_on(rates, date(2023, 12, 31)) is None
    assert wage_cents(50, 1755) == 1463  # 1462.5


@given(st.lists(st.fractions(0, 1000), max_size=30))
def test_amounts_posted_in_turn_come_to_their_total_rounded_once(exact):
    posted = running_cents(exact)

    total = sum(exact, Fraction(0))
    assert abs(sum(posted) - total) <= Fraction(1, 2)
    assert all(abs(cents - amount) <= 1 for cents, amount in zip(posted, exact, strict=True))


def test_changing_one_line_changes_the_year():
    lines = [*dresser(), *sold()]

    changed = [replace(one, cents=one.cents + 1) if one.kind is Kind.PURCHASE else one for one in lines]

    assert year_figures(changed, **YEAR).margin == year_figures(lines, **YEAR).margin - 1


def test_a_late_cost_is_no_longer_late_once_the_piece_is_back():
    late = line(Kind.TRANSPORT, 700, on=date(2024, 6, 1))
    lines = [*dresser(), *sold(), late, line(Kind.RETURNED, on=date(2024, 7, 1))]

    assert (of_dresser(lines).basis, of_dresser(lines).late_lines) == (22200, ())
    assert year_figures(lines, **YEAR).stock_at_end["piece", "dresser"] == 22200
    assert year_figures(lines, **YEAR).late_costs == 700


def test_an_overdrawn_lot_is_pointed_out_where_it_happens_and_not_again():
    lines = [
        line(Kind.LOT_BOUGHT, 600, lot="can"),
        line(Kind.USED, 900, lot="can", piece="dresser", on=date(2024, 4, 1)),
        line(Kind.LOT_BOUGHT, 100, lot="can", on=date(2024, 5, 1)),
    ]

    assert [problem.line for problem in year_figures(lines, **YEAR).problems] == [lines[1]]


def test_a_credit_note_above_what_is_left_of_a_lot_lowers_what_was_used():
    moves = [
        Moved(line(Kind.LOT_BOUGHT, 1000, lot="box"), Fraction(10)),
        Moved(line(Kind.USED, lot="box", piece="dresser"), Fraction(9)),
        Moved(line(Kind.LOT_BOUGHT, -300, lot="box", on=date(2024, 4, 1))),
    ]

    stocked = cost_stock(moves)
    year = year_figures(stocked.lines, **YEAR)

    assert stocked.cents_left == {"box": 0}
    assert (year.used_otherwise, year.closing_stock, year.difference) == (-200, 900, 0)


def test_a_second_bill_of_the_same_day_waits_for_the_lot_it_is_for():
    moves = [
        Moved(line(Kind.LOT_BOUGHT, 100, lot="box", order=1)),
        Moved(line(Kind.LOT_BOUGHT, 1000, lot="box", order=2), Fraction(10)),
    ]

    assert [one.cents for one in cost_stock(moves).lines] == [100, 1000]
    assert cost_stock(moves).cents_left == {"box": 1100}
