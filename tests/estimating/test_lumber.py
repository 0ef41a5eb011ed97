"""Board feet, rough stock, and a cut list packed into boards."""

from fractions import Fraction
from functools import lru_cache

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from estimating import lumber
from estimating.lumber import BoardStock, LumberPart, Piece, Stock, board_feet, cut_lengths, plan
from estimating.money import Money, currency
from finishes.measures import Length
from tests.references import board_feet as published

USD = currency("USD")
INCH = Length.inches
KERF = INCH("1/8")


def part(name, length, width, thickness, qty=1):
    return LumberPart(name, INCH(length), INCH(width), INCH(thickness), qty)


def board(name, thickness, width, length, cents=None, **more):
    return BoardStock(
        name,
        INCH(thickness),
        INCH(width),
        INCH(length),
        Money(cents, USD) if cents is not None else None,
        **more,
    )


@pytest.mark.parametrize(("thickness", "width", "length", "pieces", "feet"), published.BOARD_FEET)
def test_board_feet_match_the_published_cases(thickness, width, length, pieces, feet):
    found = board_feet(INCH(thickness), INCH(width), Length.of(length, "ft"), pieces)

    assert float(found) == pytest.approx(feet, abs=0.00006)


def test_a_board_foot_is_144_cubic_inches():
    assert board_feet(INCH(1), INCH(12), INCH(12)) == 1
    assert lumber.cubic_metres(INCH(1), INCH(12), INCH(12)) * 1000 == Fraction(published.BOARD_FOOT_LITRES)


@pytest.mark.parametrize(
    ("finished", "quarter"),
    [("3/4", "4/4"), ("13/16", "4/4"), ("7/8", "5/4"), ("1 3/4", "8/4"), ("3 3/4", "16/4")],
)
def test_rough_thickness_planes_to_the_finished_one(finished, quarter):
    # Usual surfaced sizes, from memory of the hardwood rules.
    assert lumber.quarter_for(INCH(finished)).name == quarter


def test_a_thick_leg_is_glued_up_from_layers():
    group = plan([part("leg", 30, 5, 5)]).groups[0]

    assert (group.quarter, group.layers) == ("12/4", (2,))


def test_a_leg_from_thin_boards_is_glued_up_from_those():
    # 1 3/4 in from boards that plane to 13/16 in: three layers.
    group = plan([part("leg", 28, "1 3/4", "1 3/4")], boards=[board("4/4", 1, 6, 96, 800)]).groups[0]

    assert group.layers == (3,)
    assert sum(len(names) for cut in group.boards for _, names in cut.strips) == 3


def test_waste_and_price_by_board_foot():
    # Rough 29 x 2 x 2 in, four of them: 116 x 2 x 2 / 144 = 3.2222 bf; a quarter more is 4.0278; at 7.50 it is 30.21.
    found = plan([part("leg", 28, "1 3/4", "1 3/4", 4)], waste_percent=25, price_per_bf=Money(750, USD))

    assert found.net == Fraction(464, 144)
    assert found.to_buy == Fraction(464, 144) * Fraction(5, 4)
    assert found.cost == Money(3021, USD)


def test_a_missing_price_leaves_the_cost_open():
    found = plan([part("rail", 20, 3, "3/4")])

    assert found.cost is None
    assert any("ask for it" in reason for reason in found.reasons)


def test_shortest_board_holds_the_longest_part_and_its_trim():
    found = plan([part("rail", 20, 3, "3/4"), part("stile", 30, 3, "3/4")], end_trim=INCH(2))

    assert found.groups[0].shortest_board == INCH(35)


@pytest.mark.parametrize(("by", "cents"), [("bf", 4 * 500), ("length", 8 * 500), ("piece", 500)])
def test_boards_are_priced_by_foot_length_or_piece(by, cents):
    # 1 x 6 x 96 in is 4 bf and 8 ft long.
    assert board("b", 1, 6, 96, 500, price_by=by).cost_of_one == cents


def test_boards_on_hand_are_cut_before_any_is_bought():
    own = board("own", 1, 6, 48, qty=1)

    found = plan([part("rail", 40, 5, "3/4", 2)], boards=[own, board("yard", 1, 6, 48, 500)])

    assert [cut.stock.name for cut in found.groups[0].boards] == ["own", "yard"]
    assert found.cost == Money(2 * 500, USD)


def test_all_from_stock_costs_nothing_when_the_currency_is_known():
    found = plan([part("rail", 40, 5, "3/4")], boards=[board("own", 1, 6, 48, qty=1)], money_of=USD)

    assert found.cost == Money(0, USD)


def test_parts_of_one_thickness_share_the_boards_on_hand():
    boards = [board("own", 1, 6, 40, qty=1)]

    found = plan([part("rail", 30, 5, "3/4"), part("leg", 30, 5, "1 1/2")], boards=boards, money_of=USD)

    # One board, wanted by a rail and by the two layers of a leg.
    assert sum(len(names) for group in found.groups for cut in group.boards for _, names in cut.strips) == 1
    assert len(found.unplaced) == 2


@pytest.mark.parametrize(("length", "width", "words"), [(90, 3, "longer than"), (20, 7, "glue up a panel")])
def test_what_fits_no_board_is_named_with_the_reason(length, width, words):
    found = plan([part("odd", length, width, "3/4")], boards=[board("yard", 1, 6, 72, 500)])

    assert found.unplaced[0][0] == "odd"
    assert words in found.unplaced[0][1]
    assert found.cost is None


def test_narrow_parts_are_ripped_side_by_side():
    # Two rough 2 1/4 in strips and a kerf go into 6 in; four 29 in lengths and their kerfs fit nowhere in 96, three do.
    found = plan([part("trim", 28, 2, "3/4", 6)], boards=[board("yard", 1, 6, 96, 500)])

    assert len(found.groups[0].boards) == 1


def test_mixed_lengths_are_bought_where_boards_take_one_part_across():
    boards = [board("8 ft", 1, 4, 96, 1000, price_by="piece"), board("5 ft", 1, 4, 60, 700, price_by="piece")]

    found = plan([part("long", 94, 3, "3/4"), part("short", 50, 3, "3/4")], boards=boards)

    assert sorted(cut.stock.name for cut in found.groups[0].boards) == ["5 ft", "8 ft"]
    assert found.cost == Money(1700, USD)


def used(stick):
    return sum(piece.length.nm + KERF.nm for piece in stick.pieces) - KERF.nm


def test_the_last_kerf_may_run_off_the_end():
    exactly = [Piece("a", INCH(47)), Piece("b", INCH("48 7/8"))]

    assert len(cut_lengths(exactly, [Stock("8 ft", INCH(96), 1)], kerf=KERF).sticks) == 1
    longer = [Piece("a", INCH(47)), Piece("b", INCH("48 57/64"))]
    assert len(cut_lengths(longer, [Stock("8 ft", INCH(96), 1)], kerf=KERF).sticks) == 2


def test_first_fit_falling_is_beaten_where_it_is_wrong():
    # Falling first fit puts 6 with 4 or 5 and needs three; 6+3+3, 5+4+3 fill two of 12.
    pieces = [Piece(str(length), INCH(length)) for length in (6, 5, 4, 3, 3, 3)]

    found = cut_lengths(pieces, [Stock("foot", INCH(12), 1)], kerf=Length(0))

    assert (len(found.sticks), found.proved) == (2, True)


def test_limited_stock_leaves_pieces_over_by_name():
    found = cut_lengths([Piece("a", INCH(10), 3)], [Stock("own", INCH(12), 0, qty=2)], kerf=KERF)

    assert [piece.name for piece in found.unplaced] == ["a"]


def least_cost(lengths, stocks, kerf):
    """All ways, by splitting off every subset that holds the first piece."""

    @lru_cache(None)
    def best(rest):
        if not rest:
            return 0
        first, others = rest[0], rest[1:]
        costs = []
        for mask in range(1 << len(others)):
            inside = [others[at] for at in range(len(others)) if mask >> at & 1]
            total = first + sum(inside) + kerf * len(inside)
            prices = [price for room, price in stocks if room >= total]
            if prices:
                left = tuple(others[at] for at in range(len(others)) if not mask >> at & 1)
                costs.append(min(prices) + best(left))
        return min(costs)

    return best(tuple(sorted(lengths)))


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.integers(5, 60), min_size=1, max_size=7),
    st.lists(st.tuples(st.sampled_from([60, 72, 96, 120]), st.integers(1, 30)), min_size=1, max_size=3),
)
def test_small_cut_lists_cost_the_least_possible(lengths, stocks):
    pieces = [Piece(f"p{at}", INCH(length)) for at, length in enumerate(lengths)]

    found = cut_lengths(
        pieces, [Stock(f"s{at}", INCH(room), price) for at, (room, price) in enumerate(stocks)], kerf=INCH(1)
    )

    assert found.cost_cents == least_cost(lengths, stocks, 1)
    assert found.proved


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.integers(2, 90), st.integers(1, 4)), min_size=1, max_size=12), st.randoms())
def test_every_piece_is_cut_once_and_every_stick_holds_its_pieces(rows, random):
    pieces = [Piece(f"p{at}", INCH(length), qty) for at, (length, qty) in enumerate(rows)]
    stocks = [Stock("own", INCH(40), 0, qty=2), Stock("8 ft", INCH(96), 100)]
    shuffled = list(pieces)
    random.shuffle(shuffled)

    found = cut_lengths(pieces, stocks, kerf=KERF)

    assert not found.unplaced
    assert all(used(stick) <= stick.stock.length.nm for stick in found.sticks)
    placed = sorted(piece.name for stick in found.sticks for piece in stick.pieces)
    assert placed == sorted(piece.name for piece in pieces for _ in range(piece.qty))
    assert sum(stick.stock.qty is not None for stick in found.sticks) <= 2
    assert cut_lengths(shuffled, stocks, kerf=KERF) == found


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.tuples(st.integers(4, 80), st.integers(1, 7), st.integers(1, 4)), min_size=1, max_size=6),
    st.integers(0, 2),
)
def test_strips_fit_their_boards_and_nothing_is_lost(rows, own):
    parts = [part(f"p{at}", length, width, "3/4", qty) for at, (length, width, qty) in enumerate(rows)]
    boards = [board("own", 1, 5, 50, qty=own), board("yard", 1, 8, 96, 500), board("long", 1, 6, 120, 450)]

    found = plan(parts, boards=boards).groups[0]

    sizes = {row.name: (row.length.nm + INCH(1).nm, row.width.nm + INCH("1/4").nm) for row in parts}
    for cut in found.boards:
        across, along = (cut.stock.width.nm, cut.stock.length.nm)
        if not cut.rip_first:
            across, along = along, across
        assert sum(size.nm + KERF.nm for size, _ in cut.strips) - KERF.nm <= across
        for size, names in cut.strips:
            lengths = [sizes[name] if cut.rip_first else sizes[name][::-1] for name in names]
            assert all(row[1] <= size.nm for row in lengths)
            assert sum(row[0] + KERF.nm for row in lengths) - KERF.nm <= along
    cut_names = [name for cut in found.boards for _, names in cut.strips for name in names]
    everything = [row.name for row in parts for _ in range(row.qty)]
    assert sorted(cut_names + [name for name, _ in found.unplaced]) == sorted(everything)


@pytest.mark.parametrize("bad", [{"waste_percent": -1}, {"kerf": Length(-1)}])
def test_negative_settings_are_refused(bad):
    with pytest.raises(ValueError, match="negative"):
        plan([part("rail", 20, 3, "3/4")], **bad)


def test_prices_in_two_currencies_are_refused():
    with pytest.raises(ValueError, match="currencies"):
        plan([part("rail", 20, 3, "3/4")], price_per_bf=Money(1, USD), money_of=currency("EUR"))
