"""The layout of an instance's JSON: sound, exact to the kerf, as cheap as is known to be possible, and steady."""

import json
import random
from copy import deepcopy
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from estimating.sheets import BadInstance, faults, solve
from tests.references.cutting import FEWEST_SHEETS, FULLEST_SHEET, KERF_SHEET_MM, WITH_KERF

BENCH = Path(__file__).parent.parent / "bench" / "problems" / "sheets.json"


def sheet(w=3072, h=1536, *, name="full", qty=None, cost=64, kind="sheet", **more):
    return {"id": name, "kind": kind, "w": w, "h": h, "qty": qty, "cost": cost, **more}


def part(w, h, qty=1, *, name="side", rotate=False):
    return {"id": name, "w": w, "h": h, "qty": qty, "rotate": rotate}


def problem(*parts, stock=None, kerf=4, trim=8, **more):
    return {"kerf": kerf, "trim": trim, "stock": stock or [sheet()], "parts": list(parts), **more}


def placed(layout):
    return [put for drawn in layout["sheets"] for put in drawn["placements"]]


def area(layout):
    return sum(put["w"] * put["h"] for put in placed(layout))


# -- sound whatever is asked -------------------------------------------------------------------------------------------


@st.composite
def problems(draw):
    longest = draw(st.sampled_from([20, 120, 3000]))
    side = st.integers(1, longest)
    trims = st.one_of(
        st.integers(0, 4),
        st.fixed_dictionaries({s: st.integers(0, 5) for s in ("left", "right", "bottom", "top")}),
    )
    stock = [
        sheet(
            draw(st.integers(longest // 4 + 1, longest)),
            draw(st.integers(longest // 4 + 1, longest)),
            name=f"s{n}",
            kind=draw(st.sampled_from(["sheet", "offcut"])),
            qty=draw(st.sampled_from([None, None, 0, 1, 3])),
            cost=draw(st.sampled_from([0, 10, 12.5, 37, 64])),
            **({"trim": draw(trims)} if draw(st.booleans()) else {}),
        )
        for n in range(draw(st.integers(1, 3)))
    ]
    parts = [
        part(draw(side), draw(side), draw(st.integers(1, 4)), name=f"p{n}", rotate=draw(st.booleans()))
        for n in range(draw(st.integers(1, 7)))
    ]
    return {"kerf": draw(st.integers(0, 6)), "trim": draw(trims), "stock": stock, "parts": parts}


def trims_of(instance, row):
    trim = row.get("trim", instance["trim"])
    return trim if isinstance(trim, dict) else dict.fromkeys(("left", "right", "bottom", "top"), trim)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(instance=problems(), stages=st.sampled_from([None, 2, 3]))
def test_every_layout_can_be_sawn_as_told(instance, stages, caplog):
    layout = solve(instance, iterations=60, max_stages=stages)

    assert faults(instance, layout) == []
    assert stages is None or layout["stages"] <= stages
    # The plain layout is there for the day the search goes wrong; it should not be needed.
    assert not caplog.records


@settings(max_examples=60, deadline=None)
@given(instance=problems())
def test_pieces_keep_a_kerf_apart_and_stay_within_the_trims(instance):
    layout = solve(instance, iterations=30)

    stock = {row["id"]: row for row in instance["stock"]}
    for drawn in layout["sheets"]:
        row = stock[drawn["stock"]]
        trim = trims_of(instance, row)
        pieces = drawn["placements"] + drawn["offcuts"]
        for place, one in enumerate(pieces):
            assert trim["left"] <= one["x"]
            assert trim["bottom"] <= one["y"]
            assert one["x"] + one["w"] <= row["w"] - trim["right"]
            assert one["y"] + one["h"] <= row["h"] - trim["top"]
            for other in pieces[:place]:
                apart_x = max(other["x"] - one["x"] - one["w"], one["x"] - other["x"] - other["w"])
                apart_y = max(other["y"] - one["y"] - one["h"], one["y"] - other["y"] - other["h"])
                assert max(apart_x, apart_y) >= instance["kerf"]


@settings(max_examples=40, deadline=None)
@given(instance=problems())
def test_grain_is_kept_and_areas_add_up(instance):
    layout = solve(instance, iterations=30)

    parts = {row["id"]: row for row in instance["parts"]}
    stock = {row["id"]: row for row in instance["stock"]}
    for put in placed(layout):
        row = parts[put["part"]]
        assert (put["w"], put["h"]) == (row["w"], row["h"]) or (
            row["rotate"] and (put["h"], put["w"]) == (row["w"], row["h"])
        )
    whole = sum(stock[drawn["stock"]]["w"] * stock[drawn["stock"]]["h"] for drawn in layout["sheets"])
    kept = sum(rest["w"] * rest["h"] for drawn in layout["sheets"] for rest in drawn["offcuts"])
    assert whole == area(layout) + kept + layout["waste_area"]


@settings(max_examples=30, deadline=None)
@given(instance=problems(), order=st.randoms(use_true_random=False))
def test_the_order_of_the_input_changes_nothing(instance, order):
    shuffled = deepcopy(instance)
    order.shuffle(shuffled["stock"])
    order.shuffle(shuffled["parts"])

    assert solve(shuffled, iterations=60) == solve(instance, iterations=60)


@settings(max_examples=40, deadline=None)
@given(instance=problems())
def test_no_layout_beats_its_bounds(instance):
    layout = solve(instance, iterations=100)

    if "not_placed" not in layout:
        assert layout["least_cost"] <= layout["cost"]
        assert layout["least_sheets"] <= layout["sheets_bought"]


def mixed_parts():
    dice = random.Random(7)
    return [
        part(
            dice.randint(150, 1900),
            dice.randint(90, 700),
            dice.randint(1, 3),
            name=f"p{n:02}",
            rotate=n % 3 == 0,
        )
        for n in range(14)
    ]


def test_a_seed_and_a_number_of_rounds_give_the_same_layout():
    instance = problem(*mixed_parts())

    assert solve(instance, seed=5, iterations=400) == solve(instance, seed=5, iterations=400)


def test_more_rounds_are_never_dearer():
    instance = problem(*mixed_parts())

    costs = [solve(instance, iterations=rounds)["cost"] for rounds in (0, 50, 500)]

    assert costs == sorted(costs, reverse=True)


def test_the_search_stops_at_its_number_of_rounds(monkeypatch):
    from estimating.sheets import answers

    clocks = []
    whole_search = answers.search

    def watched(*args, clock, **kwargs):
        clocks.append(clock)
        return whole_search(*args, clock=clock, **kwargs)

    monkeypatch.setattr(answers, "search", watched)
    solve(problem(*mixed_parts()), iterations=70)

    assert [clock.done <= 70 for clock in clocks] == [True]


def test_a_deadline_that_is_past_still_gives_a_whole_layout():
    instance = problem(*mixed_parts())

    layout = solve(instance, seconds=1e-6)

    assert faults(instance, layout) == []
    assert "not_placed" not in layout


# -- as good as is known to be possible --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "l", "w", "fewest", "pieces"), FEWEST_SHEETS, ids=[c[0] for c in FEWEST_SHEETS]
)
def test_fewest_sheets_of_published_problems(name, l, w, fewest, pieces):  # noqa: E741
    # Proved with any layout allowed; edge-to-edge cuts can't do better, and here do as well.
    instance = problem(
        *(part(pl, pw, name=f"p{n:02}") for n, (pl, pw) in enumerate(pieces)),
        stock=[sheet(l, w, cost=1)],
        kerf=0,
        trim=0,
    )

    layout = solve(instance, iterations=1500)

    assert layout["sheets_used"] == fewest
    assert layout["least_sheets"] <= fewest


PROVED = [
    row
    for row in json.loads(BENCH.read_text())
    if row["lower_bound"] == row["best_known"] and len(row["parts"]) <= 24 and row["family"] != "class"
]


@pytest.mark.parametrize("row", PROVED, ids=[row["name"] for row in PROVED])
def test_known_cheapest_purchases_are_found(row):
    # OR-Library problems read as bin packing, and made-up shop lists; proved by a bound that equals a layout.
    stock = [sheet(w, h, name=n, kind=k, qty=q, cost=c) for n, k, w, h, q, c in row["stock"]]
    parts = [part(w, h, q, name=n, rotate=bool(r)) for n, w, h, q, r in row["parts"]]
    instance = {"kerf": row["kerf"], "trim": row["trim"], "stock": stock, "parts": parts}

    layout = solve(instance, iterations=2500)

    assert layout["cost"] == row["best_known"]
    assert faults(instance, layout) == []


def kerf_case(kerf, pieces, *, turning, qty=None):
    return problem(
        *(
            part(length, w, n, name=f"p{i}", rotate=turning and free)
            for i, (length, w, n, free) in enumerate(pieces)
        ),
        stock=[sheet(*KERF_SHEET_MM, cost=1, qty=qty)],
        kerf=kerf,
        trim=0,
    )


@pytest.mark.parametrize("case", WITH_KERF, ids=[c[0] for c in WITH_KERF])
def test_fewest_sheets_with_a_kerf(case):
    _, kerf, pieces, turning, straight, *_ = case

    assert solve(kerf_case(kerf, pieces, turning=True), iterations=400)["sheets_used"] == turning
    assert solve(kerf_case(kerf, pieces, turning=False), iterations=400)["sheets_used"] == straight


@pytest.mark.parametrize("case", WITH_KERF, ids=[c[0] for c in WITH_KERF])
def test_the_one_sheet_on_hand_is_filled_as_full_as_can_be(case):
    _, kerf, pieces, _, _, turning, straight = case

    assert area(solve(kerf_case(kerf, pieces, turning=True, qty=1), iterations=3000)) == turning
    assert area(solve(kerf_case(kerf, pieces, turning=False, qty=1), iterations=3000)) == straight


@pytest.mark.parametrize("case", FULLEST_SHEET, ids=[c[0] for c in FULLEST_SHEET])
@pytest.mark.parametrize("turning", [False, True])
def test_one_sheet_comes_near_the_published_optimum_and_never_above(case, turning):
    _, side, straight, turned, pieces = case
    best = turned if turning else straight
    many = [
        part(length, w, min(9, (side // min(length, w)) ** 2), name=f"p{n:02}", rotate=turning)
        for n, (length, w) in enumerate(pieces)
    ]

    filled = area(solve(problem(*many, stock=[sheet(side, side, qty=1)], kerf=0, trim=0), iterations=800))

    assert 0.97 * best <= filled <= best


# -- the trade's own cases ---------------------------------------------------------------------------------------------


def test_a_part_that_just_fits_needs_no_kerf_beyond_it():
    # 3072 - 2 x 8 = 3056 of usable length: 1526 + 4 + 1526.
    layout = solve(problem(part(1526, 1520, 2)))

    assert layout["sheets_used"] == 1


def test_one_more_unit_of_kerf_takes_another_sheet():
    assert solve(problem(part(1526, 1520, 2), kerf=5))["sheets_used"] == 2


def test_a_rest_thinner_than_the_kerf_is_only_sawdust():
    # 3056 usable: the part leaves 3, the blade takes 4.
    layout = solve(problem(part(3053, 1520)))

    assert layout["cuts"] == 1
    assert layout["sheets"][0]["cut_tree"] == {"cut": "v", "at": 3061, "a": {"part": "side"}}


def test_a_free_offcut_goes_before_a_sheet():
    offcut = sheet(900, 700, name="rest", kind="offcut", qty=1, cost=0)

    layout = solve(problem(part(800, 600), stock=[sheet(), offcut]))

    assert [drawn["stock"] for drawn in layout["sheets"]] == ["rest"]
    assert (layout["cost"], layout["sheets_bought"]) == (0, 0)


def test_of_two_offcuts_that_do_the_smaller_one_is_cut():
    offcuts = [sheet(w, 700, name=f"rest{w}", kind="offcut", qty=1, cost=0) for w in (2000, 900)]

    layout = solve(problem(part(800, 600), stock=offcuts))

    assert [drawn["stock"] for drawn in layout["sheets"]] == ["rest900"]


def test_a_smaller_sheet_is_bought_where_it_is_cheaper():
    half = sheet(1536, 1536, name="half", cost=37)

    layout = solve(problem(part(1400, 600, 2), stock=[sheet(), half]))

    assert [drawn["stock"] for drawn in layout["sheets"]] == ["half"]
    assert layout["proved_cheapest"]


def test_an_offcut_dearer_than_a_sheet_stays_in_the_rack():
    offcut = sheet(900, 700, name="rest", kind="offcut", qty=1, cost=70)

    assert solve(problem(part(800, 600), stock=[sheet(), offcut]))["cost"] == 64


def test_prices_with_cents_add_up_exactly():
    layout = solve(problem(part(3000, 1500, 3), stock=[sheet(cost=0.1)]))

    assert layout["cost"] == 0.3


def test_one_sheets_own_trim_goes_before_the_common_one():
    untrimmed = sheet(trim=0)

    assert solve(problem(part(3072, 1536), stock=[untrimmed]))["sheets_used"] == 1


def test_parts_are_gathered_so_that_one_large_rest_remains():
    layout = solve(problem(part(700, 360, 4)))

    largest = max(rest["w"] * rest["h"] for rest in layout["sheets"][0]["offcuts"])
    # Four in a column 700 wide take 704 of 3056, over the whole width of 1520.
    assert largest == (3056 - 704) * 1520


def test_offcuts_below_the_shops_least_are_waste():
    small = solve(problem(part(2900, 1400), min_offcut={"w": 100, "h": 1000}))
    smaller = solve(problem(part(2900, 1400), min_offcut={"w": 200, "h": 1000}))

    assert small["sheets"][0]["offcuts"]
    assert not smaller["sheets"][0]["offcuts"]


def test_equal_parts_in_a_row_are_trimmed_together():
    # One rip for the strip of four, four crosscuts.
    assert solve(problem(part(700, 360, 4), stock=[sheet(3072, 376)]))["cuts"] == 4


def test_at_most_three_stages_when_asked():
    instance = problem(*mixed_parts())

    layout = solve(instance, iterations=300, max_stages=3)

    assert layout["stages"] <= 3
    assert faults(instance, layout) == []


# -- what does not fit -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("big", "stock", "reason"),
    [
        (part(3100, 1600, 2), [sheet()], "it is larger than every sheet"),
        (part(1400, 2000, 2), [sheet()], "it would fit only turned, against its grain"),
        (part(3070, 1500, 2), [sheet()], "it fits a whole sheet only before the edges are trimmed"),
        (part(10, 10, 2), [sheet(qty=0)], "there is no sheet to cut it from"),
        (part(1, 1, 2), [sheet(15, 15)], "nothing is left of any sheet once its edges are trimmed"),
    ],
    ids=["too large", "against the grain", "trim", "none there", "trimmed away"],
)
def test_a_part_that_fits_nowhere_is_told_with_the_reason(big, stock, reason):
    layout = solve(problem(big, stock=stock))

    assert layout["not_placed"] == [{"part": "side", "qty": 2, "reason": reason}]
    assert layout["sheets"] == []


def test_the_parts_that_fit_are_laid_out_beside_one_that_does_not():
    layout = solve(problem(part(4000, 100, name="long"), part(500, 400, 3, name="door")))

    assert [row["part"] for row in layout["not_placed"]] == ["long"]
    assert [put["part"] for put in placed(layout)] == ["door"] * 3


def test_what_the_stock_on_hand_cannot_give_is_told():
    layout = solve(problem(part(1500, 1500, 5), stock=[sheet(qty=2)]))

    assert layout["not_placed"] == [{"part": "side", "qty": 1, "reason": "the stock on hand is used up"}]
    assert layout["sheets_used"] == 2


def test_one_stage_cannot_cut_both_sides():
    layout = solve(problem(part(500, 400)), max_stages=1)

    assert layout["not_placed"][0]["reason"] == "it would take more stages of cuts than allowed"


# -- refusals ----------------------------------------------------------------------------------------------------------

NAN = float("nan")
GOOD = problem(part(500, 400))


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"kerf": -1}, "kerf: must be at least 0"),
        ({"kerf": True}, "kerf: a whole number is wanted"),
        ({"kerf": 1.5}, "kerf: a whole number is wanted, not 1.5"),
        ({"kerf": "1/8"}, "kerf: a whole number is wanted"),
        ({"trim": {"left": -2}}, "trim.left: must be at least 0"),
        ({"trim": {"middle": 2}}, "trim.middle: no such side"),
        ({"trim": [1]}, "trim: a whole number is wanted"),
        ({"stock": []}, "stock: at least one"),
        ({"stock": None}, "stock: a list is wanted"),
        ({"stock": [sheet(), sheet()]}, "stock[1].id: 'full' comes twice"),
        ({"stock": [sheet(w=0)]}, "stock[0].w: must be at least 1"),
        ({"stock": [sheet(qty=-1)]}, "stock[0].qty: must be at least 0"),
        ({"stock": [sheet(qty=1.0)]}, "stock[0].qty: a whole number is wanted"),
        ({"stock": [sheet(cost=NAN)]}, "stock[0].cost: must be from 0"),
        ({"stock": [sheet(cost=float("inf"))]}, "stock[0].cost: must be from 0"),
        ({"stock": [sheet(cost=-1)]}, "stock[0].cost: must be from 0"),
        ({"stock": [sheet(cost="64")]}, "stock[0].cost: a number is wanted"),
        ({"stock": [sheet(kind="board")]}, "stock[0].kind: sheet or offcut is wanted"),
        ({"stock": [sheet(trim="x")]}, "stock[0].trim: a whole number is wanted"),
        ({"stock": ["full"]}, "stock[0]: an object is wanted"),
        ({"parts": []}, "parts: at least one part"),
        ({"parts": {}}, "parts: a list is wanted"),
        ({"parts": [part(5, 5), part(6, 6)]}, "parts[1].id: 'side' comes twice"),
        ({"parts": [part(-5, 5)]}, "parts[0].w: must be at least 1"),
        ({"parts": [part(5, NAN)]}, "parts[0].h: a whole number is wanted"),
        ({"parts": [part(5, 10**30)]}, "parts[0].h: must be at most"),
        ({"parts": [part(5, 5, 0)]}, "parts[0].qty: must be at least 1"),
        ({"parts": [part(5, 5, 10**9)]}, "parts[0].qty: must be at most 5000"),
        ({"parts": [part(5, 5, 4000), part(5, 5, 4000, name="b")]}, "parts[1].qty: more than 5000 pieces"),
        ({"parts": [part(5, 5, rotate=1)]}, "parts[0].rotate: true or false is wanted"),
        ({"parts": [part(5, 5, name="")]}, "parts[0].id: a text"),
        ({"parts": [part(5, 5, name=7)]}, "parts[0].id: a text"),
        ({"parts": [{"id": "a", "w": 5}]}, "parts[0].h: missing"),
        ({"parts": [{"w": 5, "h": 5}]}, "parts[0].id: missing"),
        ({"min_offcut": -1}, "min_offcut: must be at least 1"),
        ({"min_offcut": {"w": 1}}, "min_offcut.h: missing"),
        ({"max_stages": 0}, "max_stages: must be at least 1"),
    ],
)
def test_a_bad_value_is_refused_by_its_field(change, message):
    with pytest.raises(BadInstance) as refusal:
        solve({**GOOD, **change})

    assert str(refusal.value).startswith(message)
    assert "\n" not in str(refusal.value)


@pytest.mark.parametrize("field", ["stock", "parts"])
def test_a_missing_list_is_refused_by_its_name(field):
    without = {key: value for key, value in GOOD.items() if key != field}

    with pytest.raises(BadInstance, match=f"^{field}: missing$"):
        solve(without)


def test_something_other_than_an_object_is_refused():
    with pytest.raises(BadInstance, match="an object is wanted"):
        solve([1, 2])


@pytest.mark.parametrize(
    ("more", "message"),
    [
        ({"seconds": 0}, "seconds"),
        ({"seconds": NAN}, "seconds"),
        ({"iterations": -1}, "iterations"),
        ({"seed": 1.5}, "seed"),
    ],
)
def test_bad_settings_are_refused(more, message):
    with pytest.raises(BadInstance, match=message):
        solve(GOOD, **more)


# -- the second look ---------------------------------------------------------------------------------------------------


def spoil(layout, change):
    layout = deepcopy(layout)
    change(layout)
    return layout


@pytest.mark.parametrize(
    ("change", "fault"),
    [
        (lambda lay: lay.update(cuts=lay["cuts"] + 1), "cuts is"),
        (lambda lay: lay.update(cost=1), "cost is"),
        (lambda lay: lay.update(stages=9), "stages is"),
        (lambda lay: lay.update(utilisation=0.5), "utilisation is"),
        (lambda lay: lay.update(sheets_bought=0), "sheets_bought is"),
        (lambda lay: lay["sheets"][0]["placements"][0].update(x=9), "the cuts do not make what is drawn"),
        (lambda lay: lay["sheets"][0]["placements"].pop(), "the cuts do not make what is drawn"),
        (lambda lay: lay["sheets"][0].update(waste_area=0), "waste is"),
        (lambda lay: lay["sheets"][0]["cut_tree"].update(at=99999), "outside its piece"),
        (lambda lay: lay["sheets"].append(lay["sheets"][0]), "made and"),
        (lambda lay: lay["sheets"][0].update(stock="other"), "no such stock"),
    ],
)
def test_a_wrong_layout_does_not_pass_the_second_look(change, fault):
    instance = problem(part(500, 400, 3))
    layout = solve(instance)

    found = faults(instance, spoil(layout, change))

    assert any(fault in told for told in found)


def test_a_layout_that_fails_its_check_gives_way_to_the_plain_one(monkeypatch):
    from estimating.sheets import answers

    instance = problem(*mixed_parts())
    plain = solve(instance, iterations=0)
    whole_search = answers.search

    def broken(*args, clock, **kwargs):
        if clock.rounds:
            raise ZeroDivisionError
        return whole_search(*args, clock=clock, **kwargs)

    monkeypatch.setattr(answers, "search", broken)

    assert solve(instance, iterations=50) == plain
