"""One line of an estimate: stock first, whole things bought, a share charged to the piece, a missing price never free."""

from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from estimating import coating, lumber, reckon, veneer
from estimating.money import currency
from estimating.sheets import Panel
from finishes.measures import Area, Length, Volume

USD = currency("USD")
KERF = Length.inches("1/8")


def inches(text):
    return Length.inches(text)


def sheet(key=1, cents=6000, length="96", width="48", **more):
    prices = reckon.Prices.of([cents]) if cents is not None else None
    return reckon.SheetOffer(key, "Birch ply", inches(length), inches(width), prices=prices, **more)


def lay(panels, offers=None, on_hand=(), **more):
    return reckon.sheets(
        panels, [sheet()] if offers is None else offers, on_hand, kerf=KERF, seconds=0.05, **more
    )


def test_prices_run_from_the_lowest_over_the_newest_to_the_highest():
    prices = reckon.Prices.of([7000, 6500, 7400])

    assert (prices.low, prices.likely, prices.high) == (6500, 7000, 7400)


def test_no_price_seen_is_no_price():
    assert reckon.Prices.of([]) is None


# Sheet goods


def test_half_a_sheet_is_charged_by_area_where_offcuts_carry_their_cost():
    # 48 x 48 of a 96 x 48 sheet; the rest, 47 7/8 x 48, goes back: 6000 x (1 - 47.875/96) = 3007.8.
    found = lay([Panel("Side", inches(48), inches(48))])

    assert found.likely == 3008
    assert found.buy_cents == 6000
    assert [(row.key, row.count, row.cents) for row in found.buy] == [(1, 1, 6000)]


def test_the_whole_sheet_is_charged_where_offcuts_carry_no_cost():
    found = lay([Panel("Side", inches(48), inches(48))], offcuts_carry_cost=False)

    assert found.likely == 6000


def test_high_holds_one_sheet_spoilt():
    found = lay([Panel("Side", inches(96), inches(48))])

    assert (found.low, found.likely, found.high) == (6000, 6000, 12000)


def test_an_offcut_on_hand_is_sawn_before_anything_is_bought():
    offcut = reckon.OnHand(
        7, "Birch ply, offcut", Fraction(1), Fraction(900), length=inches(30), width=inches(20)
    )

    found = lay([Panel("Shelf", inches(28), inches(19))], on_hand=[offcut])

    assert found.buy == ()
    assert [(row.key, row.quantity) for row in found.take] == [(7, 1)]
    assert found.buy_cents == 0
    assert found.likely == 900


def test_a_missing_price_leaves_the_cost_unknown_and_names_what_to_ask():
    found = lay([Panel("Side", inches(48), inches(48))], [sheet(3, None)])

    assert (found.low, found.likely, found.high, found.buy_cents) == (None, None, None, None)
    assert found.missing == (3,)


def test_what_does_not_fit_is_told_and_the_cost_stays_unknown():
    found = lay([Panel("Long rail", inches(100), inches(4))])

    assert found.likely is None
    assert "Long rail" in found.left_out[0]


def test_nothing_is_turned_against_the_grain_but_may_be_without_grain():
    upright = Panel("Side", inches(40), inches(90))

    assert lay([upright]).left_out
    assert not lay([Panel("Side", inches(40), inches(90), follows_grain=False)]).left_out


@settings(max_examples=15, deadline=None)
@given(
    sizes=st.lists(
        st.tuples(st.integers(3, 90), st.integers(3, 46), st.integers(1, 3)), min_size=1, max_size=5
    ),
    cents=st.integers(1, 20_000),
)
def test_piece_and_offcuts_carry_exactly_what_the_sheets_cost(sizes, cents):
    panels = [Panel(f"Part {at}", inches(w), inches(h), n) for at, (w, h, n) in enumerate(sizes)]

    found = lay(panels, [sheet(cents=cents)])

    total = 0
    for cut_sheet in found.layout.sheets:
        piece, offcuts = reckon.sheet_cost(cents, cut_sheet, offcuts_carry_cost=True)
        assert piece + sum(offcuts) == cents
        total += piece
    assert found.likely == total
    assert found.low <= found.likely <= found.high <= found.likely + cents


# Veneer


def leaf(key=1, cents=8800, name="Walnut"):
    prices = reckon.Prices.of([cents]) if cents is not None else None
    return reckon.LeafOffer(key, name, inches(96), inches(24), prices=prices)


def test_veneer_is_bought_by_the_leaf_with_a_backer_for_the_other_face():
    panels = [veneer.VeneerPanel("Top", inches(40), inches(20))]

    found = reckon.leaves(panels, [leaf()], backers=[leaf(2, 3900, "Backer")], currency=USD)

    assert {(row.key, row.count, row.cents) for row in found.buy} == {(1, 1, 8800), (2, 1, 3900)}
    assert found.likely == 12700


def test_leaves_on_hand_come_first_at_what_they_cost():
    panels = [veneer.VeneerPanel("Top", inches(40), inches(20), faces="one", back_covered=True)]
    lot = reckon.OnHand(9, "Walnut", Fraction(3), Fraction(15000), unit="leaf")

    found = reckon.leaves(panels, [leaf()], on_hand={1: [lot]}, currency=USD)

    assert found.buy == ()
    assert [(row.key, row.quantity, row.cents) for row in found.take] == [(9, 1, 5000)]
    assert found.likely == 5000


def test_two_veneers_of_one_name_are_told_apart():
    small = reckon.LeafOffer(2, "Walnut", inches(30), inches(12), prices=reckon.Prices.of([100]))
    panels = [veneer.VeneerPanel("Top", inches(90), inches(20), faces="both")]

    found = reckon.leaves(panels, [small, leaf()], currency=USD)

    assert [row.key for row in found.buy] == [1]


# Lumber


def legs(count=4):
    return [lumber.LumberPart("Leg", inches(28), inches("1 3/4"), inches("1 3/4"), count)]


def test_random_widths_are_priced_by_the_board_foot_with_waste():
    # Rough: 2 x 2 x 29 in each, 4 of them: 4 x 116 / 144 = 3 2/9 bf; 25 % more is 4 1/36 bf; at 7.50 that is 30.21.
    offer = reckon.BoardOffer(1, "Ash 8/4", inches(2), prices=reckon.Prices.of([750]))

    found = reckon.boards(legs(), [offer], kerf=KERF, waste_percent=25, currency=USD)

    assert found.buy[0].count == Fraction(145, 36)
    assert found.likely == 3021
    assert found.low == 2417


def test_board_feet_on_hand_are_taken_off():
    offer = reckon.BoardOffer(1, "Ash 8/4", inches(2), prices=reckon.Prices.of([750]))
    lot = reckon.OnHand(4, "Ash 8/4", Fraction(4), Fraction(2000), unit="bf")

    found = reckon.boards(legs(), [offer], [lot], kerf=KERF, currency=USD)

    assert found.buy[0].count == Fraction(1, 36)
    assert found.take[0].quantity == 4
    assert found.likely == 2000 + round(750 / 36)


def test_lumber_of_no_wanted_thickness_is_told():
    offer = reckon.BoardOffer(1, "Poplar 4/4", inches(1), prices=reckon.Prices.of([450]))

    found = reckon.boards(legs(), [offer], kerf=KERF, currency=USD)

    assert found.likely is None
    assert "8/4" in found.left_out[0]


def test_sized_boards_are_charged_whole():
    offer = reckon.BoardOffer(
        1, "Ash board", inches(2), inches(96), inches(6), prices=reckon.Prices.of([6000])
    )

    found = reckon.boards(legs(), [offer], kerf=KERF, currency=USD)

    assert [(row.count, row.cents) for row in found.buy] == [(1, 6000)]
    assert (found.likely, found.high) == (6000, 12000)


# Finish and glue


def can(key, size, cents):
    return reckon.CanOffer(key, "Topcoat", Volume.parse(size), reckon.Prices.of([cents]) if cents else None)


COVERS = coating.Coverage(Area.parse("100 ft2"), Volume.parse("1 qt"))


def test_the_piece_pays_for_what_it_takes_and_the_counter_for_whole_cans():
    # 24 ft2 in 2 coats at 100 ft2 a quart: 0.48 qt of a 20.00 quart is 9.60.
    surfaces = [coating.flat(inches(72), inches(48))]

    found = reckon.coats(
        surfaces, coating.Coat(2, COVERS), [can(1, "1 qt", 2000)], waste_percent=0, currency=USD
    )

    assert found.likely == 960
    assert found.buy_cents == 2000


def test_an_opened_can_is_used_first():
    surfaces = [coating.flat(inches(72), inches(48))]
    lot = reckon.OnHand(
        5, "Topcoat", Fraction(16), Fraction(800), unit="fl oz", volume=Volume.parse("16 fl oz")
    )

    found = reckon.coats(
        surfaces, coating.Coat(2, COVERS), [can(1, "1 qt", 2000)], [lot], waste_percent=0, currency=USD
    )

    # 0.48 qt are 15.36 fl oz, at 0.50 each.
    assert found.buy == ()
    assert found.take[0].quantity == Fraction(1536, 100)
    assert found.likely == 768


def test_a_can_without_a_price_is_asked_for():
    found = reckon.coats(
        [coating.flat(inches(72), inches(48))], coating.Coat(1, COVERS), [can(1, "1 qt", None)], currency=USD
    )

    assert found.likely is None
    assert found.missing == (1,)


@settings(max_examples=30, deadline=None)
@given(side=st.integers(1, 200), coats=st.integers(1, 6), waste=st.integers(0, 60))
def test_low_is_never_above_likely_nor_likely_above_high(side, coats, waste):
    found = reckon.coats(
        [coating.flat(inches(side), inches(side))],
        coating.Coat(coats, COVERS),
        [can(1, "1 qt", 1850), can(2, "1 pt", 1100), can(3, "1 gal", 5200)],
        waste_percent=waste,
        currency=USD,
    )

    assert found.low <= found.likely <= found.high
    assert found.likely <= found.buy_cents


# Things that are counted


def test_hinges_on_hand_are_taken_off_what_is_bought():
    lot = reckon.OnHand(2, "Hinge", Fraction(3), Fraction(600))

    found = reckon.counted(8, key=1, name="Hinge", prices=reckon.Prices.of([250]), on_hand=[lot])

    assert (found.buy[0].count, found.buy_cents, found.likely) == (5, 1250, 1850)


def test_a_thing_without_a_price_is_not_free():
    assert reckon.counted(8, key=1, name="Hinge").likely is None


@pytest.mark.parametrize(
    ("count", "unit", "words"),
    [
        (1, "leaf", "1 leaf"),
        (2, "leaf", "2 leaves"),
        (Fraction(5, 2), "bf", "2.5 bf"),
        (3, "can", "3 cans"),
        (12, "fl oz", "12 fl oz"),
    ],
)
def test_amounts_read_like_words(count, unit, words):
    assert reckon.amount_words(count, unit) == words
