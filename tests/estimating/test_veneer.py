"""Leaves of veneer by geometry and area, matched or not."""

from math import ceil

import pytest
from hypothesis import given
from hypothesis import strategies as st

from estimating.money import Money, currency
from estimating.veneer import VeneerPanel, VeneerStock, plan
from finishes.measures import Length

USD = currency("USD")
INCH = Length.inches


def panel(length, width, **more):
    return VeneerPanel(more.pop("name", "top"), INCH(length), INCH(width), **more)


def leaf(length, width, cents=None, **more):
    price = Money(cents, USD) if cents is not None else None
    return VeneerStock(more.pop("name", "leaf"), INCH(length), INCH(width), price, **more)


def test_every_side_gets_its_allowance():
    layout = plan([panel(20, 10)], [leaf(96, 12)], allowance=INCH("1/2")).face.layouts[0]

    assert (layout.strip_length, layout.strip_width) == (INCH(21), INCH(11))


def test_an_allowance_can_cost_a_leaf():
    # Two 12 in panels side by side fill a 24 in sheet only without allowance.
    panels = [panel(90, 12, qty=2, faces="one")]

    assert plan(panels, [leaf(96, 24)], allowance=Length(0)).face.leaves == 1
    assert plan(panels, [leaf(96, 24)], allowance=INCH("1/4")).face.leaves == 2


def test_geometry_decides_where_area_would_be_too_little():
    # Area: 50 x 13 = 650 in2 of 96 x 14 = 1344: one leaf for two. But only one 51 in length comes out of 96 in.
    found = plan([panel(50, 12, qty=2, faces="one")], [leaf(96, 14)]).face

    assert (found.by_geometry, found.by_area, found.leaves) == (2, 1, 2)


def test_area_decides_where_waste_is_high():
    found = plan([panel(94, 11, faces="one")], [leaf(96, 12)], waste_percent=50).face

    assert (found.by_geometry, found.by_area, found.leaves) == (1, 2, 2)


def test_book_match_takes_an_even_number_of_leaves_with_a_seam_in_the_middle():
    # 20 in from 8 in leaves: three would do, book match takes four, 5 in each.
    plain = plan([panel(40, 20, match="slip", faces="one")], [leaf(96, 8)]).face.layouts[0]
    book = plan([panel(40, 20, match="book", faces="one")], [leaf(96, 8)]).face.layouts[0]

    assert (plain.across, book.across) == (3, 4)
    assert book.widths == (INCH(5),) * 4
    assert sum(width.nm for width in plain.widths) == INCH(20).nm


def test_matched_faces_are_cut_from_the_same_place_of_consecutive_leaves():
    # 41 in goes twice into 96 in: four leaves give two faces, three faces take eight.
    found = plan([panel(40, 20, match="book", faces="one", qty=3)], [leaf(96, 8)])

    assert (found.face.by_geometry, found.face.layouts[0].sequence) == (8, 4)
    assert any("4 consecutive leaves" in warning for warning in found.warnings)


def test_loose_parts_come_out_of_what_matched_leaves_leave():
    panels = [panel(48, 20, match="book", faces="one"), panel(16, 6, name="drawer", qty=6, faces="one")]

    assert plan(panels, [leaf(96, 7)]).face.by_geometry == 4


def test_seam_edges_are_jointed():
    layout = plan(
        [panel(40, 20, match="book", faces="one")], [leaf(96, 12, joint_trim=INCH("1/4"))]
    ).face.layouts[0]

    # Two strips: 10 in, half an inch outside, a quarter at the seam.
    assert (layout.across, layout.strip_width) == (2, INCH("10 3/4"))


def test_grain_along_the_width_turns_the_panel():
    across = plan([panel(40, 10, grain="width", faces="one")], [leaf(96, 12)]).face.layouts[0]

    assert across.turned
    assert across.strip_length == INCH(11)


def test_grain_that_does_not_matter_takes_the_cheaper_way():
    loose = plan([panel(20, 60, grain="any", faces="one")], [leaf(96, 22)]).face.layouts[0]

    assert (loose.turned, loose.across) == (True, 1)


def test_a_panel_longer_than_the_leaf_is_named_with_the_reason():
    found = plan([panel(100, 10, faces="one")], [leaf(96, 12, 1000)])

    assert "longer than a leaf" in found.face.unplaced[0][1]
    assert found.cost is None


def test_end_joints_make_a_long_panel_when_allowed():
    layout = plan([panel(100, 10, faces="one", match="book", end_match=True)], [leaf(96, 12)]).face.layouts[0]

    assert (layout.across, layout.rows, layout.sequence) == (2, 2, 4)


def test_one_covered_face_is_warned_about():
    assert "hollow" in plan([panel(20, 10, faces="one")], [leaf(96, 12)]).warnings[0]


@pytest.mark.parametrize("more", [{"faces": "both"}, {"faces": "one", "back_covered": True}])
def test_two_covered_faces_are_not_warned_about(more):
    assert not any("hollow" in warning for warning in plan([panel(20, 10, **more)], [leaf(96, 12)]).warnings)


def test_a_cheaper_backer_covers_the_back_and_says_what_it_saves():
    face, backer = leaf(96, 12, 3000), leaf(96, 12, 800, name="backer")

    found = plan([panel(90, 10)], [face], backers=[backer])

    assert (found.face.leaves, found.backer.leaves) == (1, 1)
    assert found.cost == Money(3800, USD)
    assert found.saved == Money(2200, USD)


def test_both_faces_in_face_veneer_count_twice():
    assert plan([panel(90, 10, faces="both")], [leaf(96, 12)]).face.leaves == 2


def test_leaves_on_hand_come_first():
    found = plan([panel(90, 10, faces="both")], [leaf(96, 12, 3000, on_hand=1)])

    assert (found.face.from_stock, found.face.to_buy, found.cost) == (1, 1, Money(3000, USD))


@pytest.mark.parametrize(("by", "cents"), [("leaf", 300), ("ft2", 2400)])
def test_leaves_are_priced_by_piece_or_area(by, cents):
    # 96 x 12 in is 8 ft2.
    assert plan([panel(90, 10, faces="one")], [leaf(96, 12, 300, price_by=by)]).cost == Money(cents, USD)


def test_the_cheapest_veneer_that_covers_everything_is_taken():
    stocks = [
        leaf(96, 12, 3000, name="dear"),
        leaf(96, 12, 2000, name="cheap"),
        leaf(20, 12, 1, name="short"),
    ]

    found = plan([panel(90, 10, faces="one")], stocks)

    assert found.face.stock.name == "cheap"
    assert [other.stock.name for other in found.others] == ["dear", "short"]


def test_a_missing_price_leaves_the_cost_open():
    found = plan([panel(90, 10, faces="one")], [leaf(96, 12)])

    assert found.cost is None
    assert any("ask for it" in warning for warning in found.warnings)


@given(
    st.lists(st.tuples(st.integers(2, 90), st.integers(2, 40), st.integers(1, 5)), min_size=1, max_size=5),
    st.sampled_from(["none", "slip", "book"]),
    st.integers(3, 24),
    st.integers(0, 60),
)
def test_leaves_bought_are_never_less_than_the_area_and_widths_add_up(rows, match, width, waste):
    panels = [
        panel(length, across, name=f"p{at}", qty=qty, match=match, faces="one")
        for at, (length, across, qty) in enumerate(rows)
    ]
    stock = leaf(96, width)

    found = plan(panels, [stock], waste_percent=waste).face

    assert not found.unplaced
    assert found.leaves >= ceil(found.cut.amount * (100 + waste) / 100 / stock.area.amount - 1e-9)
    assert found.cut >= found.net
    for layout in found.layouts:
        assert sum(part.nm for part in layout.widths) == layout.panel.width.nm
        assert layout.strip_width <= stock.width
        assert match != "book" or layout.across % 2 == 0
    assert plan(panels[::-1], [stock], waste_percent=waste).face == found
