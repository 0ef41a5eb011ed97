"""Layouts in the shop's words: exact lengths in mixed units, cuts a person can follow, offcuts with their share."""

import random

import pytest

from estimating.sheets import Panel, Sheet, lay_out
from finishes.measures import Length

inches = Length.inches
PLY = Sheet("birch 4 x 8", inches(96), inches(48), 6400)
KERF = inches("1/8")
TRIM = inches("1/4")

DRESSER = [
    Panel("side", inches("18 1/2"), inches(32), 2, follows_grain=False),
    Panel("drawer side", Length.mm(450), Length.mm("152.4"), 8),
    Panel("drawer front", inches("26 3/8"), inches(6), 4),
    Panel("back", inches(30), inches(31)),
]


def plan(panels=DRESSER, sheets=(PLY,), **more):
    return lay_out(panels, sheets, **({"kerf": KERF, "trim": TRIM, "iterations": 300} | more))


def test_inches_and_millimetres_mix_without_rounding():
    # 450 mm is no whole number of 64ths: the pieces still come out exactly as asked.
    layout = plan()

    sizes = {(p.length, p.width) for s in layout.sheets for p in s.placements if p.name == "drawer side"}
    assert sizes == {(Length.mm(450), Length.mm("152.4"))}


def test_every_panel_is_there_as_often_as_wanted_and_numbered():
    layout = plan()

    copies = [p.copy for s in layout.sheets for p in s.placements if p.name == "drawer side"]
    assert sorted(copies) == [1, 2, 3, 4, 5, 6, 7, 8]
    assert layout.not_placed == ()


def test_panels_that_follow_the_grain_are_never_turned():
    follows = {panel.name: panel.follows_grain for panel in DRESSER}

    assert not any(p.turned for s in plan().sheets for p in s.placements if follows[p.name])


def test_areas_add_up():
    layout = plan()

    assert layout.sheet_area == layout.parts_area + layout.offcut_area + layout.waste


def test_the_price_of_a_sheet_is_shared_without_losing_a_cent():
    layout = plan()

    for sheet in layout.sheets:
        assert sheet.parts_share_cents + sum(o.share_cents for o in sheet.offcuts) == sheet.sheet.price_cents
    assert any(o.share_cents for s in layout.sheets for o in s.offcuts)


def sawn(sheet, kerf):
    """The pieces one gets by making each cut in turn on the piece whose corner it starts from."""
    pieces = {(0, 0, sheet.sheet.length.nm, sheet.sheet.width.nm)}
    for cut in sheet.cuts:
        x1, y1, x2, y2 = (end.nm for end in (cut.x1, cut.y1, cut.x2, cut.y2))
        if cut.kind == "trim":
            continue
        found = [p for p in pieces if p[0] <= x1 and p[1] <= y1 and x2 <= p[0] + p[2] and y2 <= p[1] + p[3]]
        assert len(found) == 1, "a cut lies on one piece"
        x, y, w, h = found[0]
        pieces.remove(found[0])
        if x1 == x2:
            assert (y1, y2) == (y, y + h), "a cut runs from edge to edge"
            assert cut.fence.nm == x1 - x
            pieces |= {(x, y, x1 - x, h), (x1 + kerf, y, x + w - x1 - kerf, h)}
        else:
            assert (x1, x2) == (x, x + w), "a cut runs from edge to edge"
            assert cut.fence.nm == y1 - y
            pieces |= {(x, y, w, y1 - y), (x, y1 + kerf, w, y + h - y1 - kerf)}
    return pieces


def test_making_the_cuts_in_order_gives_the_parts():
    layout = plan(trim=Length(0))

    for sheet in layout.sheets:
        pieces = sawn(sheet, KERF.nm)
        wanted = {(p.x.nm, p.y.nm, p.length.nm, p.width.nm) for p in sheet.placements}
        wanted |= {(o.x.nm, o.y.nm, o.length.nm, o.width.nm) for o in sheet.offcuts}
        assert wanted <= pieces


def test_cuts_are_numbered_trims_first_and_rips_run_along_the_length():
    cuts = plan().sheets[0].cuts

    assert [cut.number for cut in cuts] == list(range(1, len(cuts) + 1))
    assert [cut.kind for cut in cuts[:4]] == ["trim"] * 4
    assert all((cut.y1 == cut.y2) == (cut.kind == "rip") for cut in cuts[4:])


def test_each_piece_is_cut_off_before_it_is_cut_up():
    for sheet in plan().sheets:
        known = {f"sheet {sheet.number}"}
        for cut in sheet.cuts:
            assert cut.piece in known
            known |= {cut.yields, cut.rest}


def test_the_bound_stands_beside_the_answer():
    layout = plan()

    assert layout.bound_text == "At least 1, this plan 1: nothing cheaper is possible."
    assert (layout.sheets_bought, layout.cost_cents, layout.least_cents) == (1, 6400, 6400)
    assert layout.bought == {PLY: 1}


def test_an_offcut_from_the_rack_is_used_first():
    rest = Sheet("rest", inches(40), inches(34), 0, count=1, is_offcut=True)

    layout = plan([Panel("back", inches(30), inches(31))], [PLY, rest])

    assert layout.from_stock == {rest: 1}
    assert layout.cost_cents == 0


def test_offcuts_smaller_than_the_shop_keeps_are_waste():
    keep = (inches(12), inches(24))

    for sheet in plan(keep=keep).sheets:
        for offcut in sheet.offcuts:
            assert sorted((offcut.length, offcut.width)) >= list(keep)
            assert min(offcut.length, offcut.width) >= inches(12)


def test_what_does_not_fit_is_told_by_name():
    layout = plan([*DRESSER, Panel("worktop", inches(100), inches(20), 2)])

    assert [(row.name, row.count, row.reason) for row in layout.not_placed] == [
        ("worktop", 2, "it is larger than every sheet")
    ]
    assert layout.bound_text == "Not every part has a place."


def test_the_order_of_the_panels_changes_nothing():
    mixed = list(DRESSER)
    random.Random(3).shuffle(mixed)

    assert plan(mixed) == plan()


def test_two_panels_of_one_name_are_both_cut():
    layout = plan([Panel("shelf", inches(20), inches(10)), Panel("shelf", inches(24), inches(11))])

    assert sorted(p.length for s in layout.sheets for p in s.placements) == [inches(20), inches(24)]


def test_three_stages_at_most_when_asked():
    layout = plan(max_stages=3)

    assert layout.stages <= 3
    assert max(cut.stage for sheet in layout.sheets for cut in sheet.cuts) <= 3


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: Panel("side", inches(0), inches(5)), "length of side must be more than nothing"),
        (lambda: Panel("side", inches(5), inches(5), 0), "how many of side"),
        (lambda: Sheet("ply", inches(96), inches(0), 1), "width of ply"),
        (lambda: Sheet("ply", inches(96), inches(48), -1), "price of ply"),
        (lambda: plan([]), "nothing to cut"),
        (lambda: plan(sheets=[]), "no sheet to cut from"),
        (lambda: plan(kerf=Length(-1)), "saw kerf"),
    ],
)
def test_what_makes_no_sense_is_refused_in_words(make, message):
    with pytest.raises(ValueError, match=message):
        make()
