"""A sawing plan kept as JSON, told cut by cut, and drawn."""

import json
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from estimating import sawing
from estimating.sheets import Panel, Sheet, lay_out
from finishes.measures import Length

KERF = Length.inches("1/8")
NO_TRIM = Length(0)


def inches(value):
    return Length.inches(value)


def planned(panels, *, trim=NO_TRIM, has_grain=True):
    layout = lay_out(
        panels,
        [Sheet("buy 1", inches(96), inches(48), 6000, trim=trim)],
        kerf=KERF,
        keep=(inches(6), inches(6)),
        iterations=50,
    )
    typed = {side.nm: side.text for panel in panels for side in (panel.length, panel.width) if side.text}
    source = sawing.Source("buy", 1, "Birch ply", has_grain)
    kept = json.loads(json.dumps(sawing.stored(layout, {"buy 1": source}, texts=typed)))
    return layout, sawing.read(kept)


PANELS = [
    Panel("Side", Length.parse("34 in"), Length.parse("17 1/2 in"), 2),
    Panel("Divider", Length.parse("600 mm"), Length.parse("200 mm"), 2),
]


def test_a_stored_plan_is_the_plan():
    layout, plan = planned(PANELS, trim=inches("1/4"))

    assert plan.kerf == KERF
    assert plan.parts == 4
    assert plan.cut_count == layout.cut_count
    for kept, sheet in zip(plan.sheets, layout.sheets, strict=True):
        assert (kept.length, kept.width, kept.trim) == (inches(96), inches(48), inches("1/4"))
        assert {(one.name, one.x, one.y, one.length, one.width) for one in kept.placed} == {
            (one.name, one.x, one.y, one.length, one.width) for one in sheet.placements
        }
        assert [(one.number, one.kind, one.fence) for one in kept.cuts] == [
            (one.number, one.kind, one.fence) for one in sheet.cuts
        ]


def test_every_cut_begins_with_what_to_do_and_says_the_fence():
    _, plan = planned(PANELS, trim=inches("1/4"))

    steps = [sawing.cut_words(cut, sheet, "imperial") for sheet in plan.sheets for cut in sheet.cuts]

    assert steps[0] == 'Trim 1/4" off the left long edge.'
    assert all(step.startswith(("Trim ", "Rip ", "Crosscut ")) for step in steps)
    assert any("that is Side" in step or "what is left is Side" in step for step in steps)


def test_a_fence_is_set_to_what_was_typed_in_whatever_unit():
    _, plan = planned(PANELS)

    steps = " ".join(sawing.cut_words(cut, sheet, "imperial") for sheet in plan.sheets for cut in sheet.cuts)

    assert "at 17 1/2 in" in steps
    assert "at 200 mm" in steps


@pytest.mark.parametrize(
    ("length", "system", "shown"),
    [
        (Length.inches("23 5/8"), "imperial", '23 5/8"'),
        (Length.mm(600), "imperial", '≈ 23 5/8" (600 mm)'),
        (Length.mm(600), "metric", "600 mm"),
        (Length.parse("18", "in"), "imperial", "18 in"),
        (Length.parse("46,2 cm"), "imperial", "46,2 cm"),
        # Typed in inches, read after the shop went metric: a bare 18 would be a lie.
        (Length.parse("18", "in"), "metric", "18 in"),
    ],
)
def test_a_length_is_told_as_exactly_as_it_is_known(length, system, shown):
    assert sawing.exactly(length, system) == shown


@settings(max_examples=20, deadline=None)
@given(
    sizes=st.lists(
        st.tuples(st.integers(3, 95), st.integers(3, 47), st.integers(1, 3)), min_size=1, max_size=6
    )
)
def test_all_that_is_drawn_lies_on_the_sheet_and_nothing_over_another(sizes):
    _, plan = planned([Panel(f"Part {at}", inches(w), inches(h), n) for at, (w, h, n) in enumerate(sizes)])

    for sheet in plan.sheets:
        drawing = sawing.drawn(sheet, "imperial")
        assert (drawing.width, drawing.height) == (500.0, 1000.0)
        boxes = [*drawing.parts, *drawing.offcuts]
        for box in boxes:
            assert -0.11 <= box.x <= box.x + box.width <= drawing.width + 0.11
            assert -0.11 <= box.y <= box.y + box.height <= drawing.height + 0.11
        for at, one in enumerate(boxes):
            for other in boxes[at + 1 :]:
                apart_x = one.x + one.width <= other.x + 0.11 or other.x + other.width <= one.x + 0.11
                apart_y = one.y + one.height <= other.y + 0.11 or other.y + other.height <= one.y + 0.11
                assert apart_x or apart_y


def test_a_part_is_labelled_with_name_and_size_and_a_sliver_with_its_number():
    _, plan = planned([Panel("Top", inches(40), inches(20)), Panel("Very long cleat", inches(20), inches(1))])

    boxes = {box.place: box for box in sawing.drawn(plan.sheets[0], "imperial").parts}
    lines = {placed.name: boxes[placed.place].text.lines for placed in plan.sheets[0].placed}

    assert lines["Top"] == ("Top", '40" × 20"')
    assert len(lines["Very long cleat"]) == 1


def test_labels_keep_inside_their_box():
    _, plan = planned(PANELS)

    for box in sawing.drawn(plan.sheets[0], "imperial").parts:
        room = box.height if box.text.upright else box.width
        assert max(len(line) for line in box.text.lines) * box.text.size * 0.62 <= room


def test_a_turned_part_is_told_length_first():
    _, plan = planned([Panel("Back", inches(40), inches(90), follows_grain=False)], has_grain=False)

    placed = plan.sheets[0].placed[0]

    assert placed.turned
    assert sawing.part_size(placed, "imperial") == '40" × 90"'
    assert sawing.drawn(plan.sheets[0], "imperial").grain == ()


def test_the_grain_is_drawn_where_there_is_one():
    _, plan = planned(PANELS)

    assert len(sawing.drawn(plan.sheets[0], "imperial").grain) == 15


def test_offcut_area_is_the_area_of_its_sides():
    _, plan = planned(PANELS)
    offcut = plan.sheets[0].offcuts[0]

    assert offcut.area.to("in2") == offcut.length.to("in") * offcut.width.to("in")
    assert Fraction(offcut.area.amount) < plan.sheets[0].area.amount
