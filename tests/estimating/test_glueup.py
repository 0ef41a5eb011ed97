"""Glue-ups judged before glue is spread."""

from fractions import Fraction
from math import ceil

import pytest
from hypothesis import given
from hypothesis import strategies as st

from estimating import glueup
from estimating.glueup import Clamps, Conditions, Joint, Prices, Vacuum, Work, judge
from estimating.money import Money, currency
from finishes.forces import Force, Pressure
from finishes.glue import ADHESIVES
from finishes.measures import Length, Temperature, Volume
from tests.references import gluing

USD = currency("USD")
YELLOW = ADHESIVES["yellow PVA"]


def psi(number):
    return Pressure(Fraction(number))


def joint(length, width):
    return Joint(Length.inches(length), Length.inches(width))


def clamps(count, lbf, **more):
    return Clamps(count, Force(Fraction(lbf)), **more)


@pytest.mark.parametrize(("wanted", "area", "force", "count", "reached"), gluing.CLAMPS)
def test_clamps_needed_and_pressure_reached_match_the_worked_cases(wanted, area, force, count, reached):
    found = judge(joint(area, 1), wanted=psi(wanted), clamps=[clamps(count, force)])

    assert found.clamps_needed == count
    assert float(found.reached.psi) == pytest.approx(reached, abs=0.005)
    assert found.holds


@pytest.mark.parametrize("boards", gluing.PANEL_JOINT["boards"])
def test_a_panel_of_many_boards_takes_the_force_of_one_joint(boards):
    case = gluing.PANEL_JOINT

    found = judge(joint(case["length_in"], case["width_in"]), wanted=psi(case["psi"]), layers=boards)

    assert found.force_needed.lbf == case["lbf"]


def test_verdict_gives_the_pressure_reached_of_the_one_wanted():
    # Worked by hand: 6 x 1050 lbf on 24 x 12 in = 6300 / 288 = 21.875 psi.
    found = judge(joint(24, 12), wanted=psi(120), clamps=[clamps(6, 1050)])

    assert not found.holds
    assert found.verdict == "will not: 22 psi reached of 120 wanted"


def test_verdict_never_rounds_a_shortfall_away():
    found = judge(joint(10, 1), wanted=psi(120), clamps=[clamps(1, "1199.9")])

    assert found.verdict == "will not: 119.99 psi reached of 120 wanted"


def test_pressure_just_reached_holds():
    assert judge(joint(10, 1), wanted=psi(120), clamps=[clamps(1, 1200)]).verdict == "will hold"


def test_strongest_clamps_are_counted_first():
    # 2 x 1000 + 1 of the 400s reach 2300 lbf.
    found = judge(
        joint(23, 1), wanted=psi(100), clamps=[clamps(9, 400, name="weak"), clamps(2, 1000, name="strong")]
    )

    assert found.clamps_needed == 3
    assert found.used == (("strong", 2), ("weak", 1))


def test_missing_clamps_are_taken_to_be_like_the_strongest():
    # 10,000 lbf wanted, 2 x 1000 and 1 x 400 owned: 7600 more from 8 strong ones.
    found = judge(joint(100, 1), wanted=psi(100), clamps=[clamps(1, 400), clamps(2, 1000)])

    assert found.clamps_needed == 3 + 8


def test_without_any_clamp_the_count_is_unknown():
    found = judge(joint(10, 1), wanted=psi(100))

    assert found.clamps_needed is None
    assert not found.holds
    assert found.reached.psi == 0


def test_a_weak_hand_is_told_as_a_range():
    found = judge(joint(10, 1), wanted=psi(100), clamps=[clamps(1, 1000)])

    assert (found.reached_low.psi, found.reached_high.psi) == (60, 140)
    assert any("weak hand falls short" in reason for reason in found.reasons)


def test_spread_asks_for_clamps_that_cover_the_joint():
    # One clamp presses 2 x 3 in = 6 in through 3 in of caul and stock; 48 in takes 8.
    found = judge(joint(48, "3/4"), wanted=psi(100), clamps=[clamps(4, 1050)], spread_depth=Length.inches(3))

    assert (found.for_force, found.for_spread, found.clamps_needed) == (4, 8, 8)
    assert not found.holds
    assert "8 cover the joint" in found.verdict
    cauls = next(way for way in found.alternatives if way.name == "cauls")
    # Four clamps cover 48 in when each presses 12 in: 6 in deep.
    assert cauls.would_do
    assert '6"' in cauls.text


def test_positions_start_near_the_ends_and_keep_the_spread():
    found = judge(joint(48, "3/4"), wanted=psi(100), clamps=[clamps(9, 1050)], spread_depth=Length.inches(4))

    places = found.spacing.positions
    assert found.spacing.per_row == len(places) == 6
    assert places[0] == Length.inches(48) - places[-1]
    assert found.spacing.apart <= Length.inches(8)
    assert places[0] >= Length.inches("1 1/2")


def test_too_much_force_warns_of_a_starved_joint():
    found = judge(joint(10, 1), adhesive=YELLOW, density="low", clamps=[clamps(4, 1000)])

    assert found.holds
    assert any("starved" in reason for reason in found.reasons)


@pytest.mark.parametrize(("density", "wanted"), [("low", 100), ("medium", 150), ("high", 200)])
def test_pressure_wanted_comes_from_adhesive_and_wood(density, wanted):
    assert judge(joint(10, 1), adhesive=YELLOW, density=density).wanted.psi == wanted


def test_a_cold_room_stops_it():
    cold = Conditions(room=Temperature.parse("39 F"))

    found = judge(joint(10, 1), adhesive=YELLOW, density="low", clamps=[clamps(1, 1000)], conditions=cold)

    assert found.verdict == "will not: the room at 39 °F is below the 40 °F this glue needs"


@pytest.mark.parametrize(
    ("readings", "words"),
    [(("9",), "wetter than 6 to 8"), (("5",), "drier than"), (("8", "5.5"), "parts differ")],
)
def test_moisture_is_held_against_the_adhesive(readings, words):
    found = judge(
        joint(10, 1),
        adhesive=YELLOW,
        density="low",
        clamps=[clamps(1, 1000)],
        conditions=Conditions(moisture_percent=tuple(Fraction(reading) for reading in readings)),
    )

    assert not found.holds
    assert words in found.verdict


def test_open_time_counts_joints_times_seconds():
    quick = judge(joint(10, 1), adhesive=YELLOW, density="low", clamps=[clamps(1, 1000)], work=Work(5, 60))
    slow = judge(joint(10, 1), adhesive=YELLOW, density="low", clamps=[clamps(1, 1000)], work=Work(5, 61))

    assert quick.holds
    assert "more than the 5 min it stays open" in slow.verdict


def test_vacuum_is_too_weak_for_stiff_parts_but_does_for_veneer():
    bag = Vacuum(Fraction(21))

    stiff = judge(joint(24, 12), adhesive=YELLOW, density="low", vacuum=bag, use_vacuum=True)
    thin = judge(joint(24, 12), adhesive=YELLOW, density="low", vacuum=bag, use_vacuum=True, thin_face=True)

    assert "10.3 psi reached of 100 wanted" in stiff.verdict
    assert thin.verdict == "will hold"


def test_a_failing_glue_up_names_every_other_way_with_its_drawbacks():
    found = judge(joint(24, 12), wanted=psi(120), clamps=[clamps(6, 1050)], thin_face=True)

    ways = {way.name: way for way in found.alternatives}
    assert set(ways) == {"smaller area", "more clamps", "cauls", "vacuum", "contact cement"}
    assert all(way.drawbacks for way in ways.values())
    assert "52.5 in²" in ways["smaller area"].text
    assert "6 batches" in ways["smaller area"].text
    assert not ways["cauls"].would_do
    assert any("repositioning" in drawback for drawback in ways["contact cement"].drawbacks)
    assert any("ventilation" in drawback for drawback in ways["contact cement"].drawbacks)


def test_a_glue_up_that_holds_offers_nothing_else():
    assert judge(joint(10, 1), wanted=psi(100), clamps=[clamps(1, 1000)]).alternatives == ()


def test_other_ways_are_priced_only_when_the_price_is_known():
    price = Money(2500, USD)
    prices = Prices(contact_can=Money(2400, USD), contact_can_size=Volume.parse("1 qt"))
    found = judge(joint(24, 12), wanted=psi(120), clamps=[clamps(6, 1050, price=price)], prices=prices)

    costs = {way.name: way.cost for way in found.alternatives}
    # 33 clamps needed, 27 more at 25.00; 4 ft2 of faces at 100 ft2 per gallon fit into one quart.
    assert costs["more clamps"] == Money(67500, USD)
    assert costs["contact cement"] == Money(2400, USD)
    assert costs["vacuum"] is None


def test_contact_cement_holds_thin_faces_only():
    cement = ADHESIVES["contact, solvent"]

    assert judge(joint(24, 12), adhesive=cement, thin_face=True).holds
    assert "thin faces only" in judge(joint(24, 12), adhesive=cement).verdict
    assert judge(joint(24, 12), adhesive=cement, thin_face=True).cautions


def test_a_metric_shop_reads_kilopascals():
    found = judge(joint(24, 12), wanted=psi(120), clamps=[clamps(6, 1050)], system="metric")

    assert found.verdict == "will not: 151 kPa reached of 827 wanted"


def test_the_widest_joint_of_a_panel_decides():
    assert glueup.widest([joint(10, 1), joint(24, "3/4")]) == joint(24, "3/4")


@pytest.mark.parametrize("size", [("0", "1"), ("1", "0")])
def test_a_joint_without_area_is_refused(size):
    with pytest.raises(ValueError, match="above zero"):
        joint(*size)


def test_no_pressure_and_no_adhesive_is_refused():
    with pytest.raises(ValueError, match="adhesive"):
        judge(joint(1, 1))


lbf = st.integers(1, 5000)


@given(
    st.integers(1, 200),
    st.integers(1, 60),
    st.integers(1, 400),
    st.lists(st.tuples(st.integers(0, 20), lbf), max_size=4),
)
def test_clamps_needed_is_the_least_number_that_reaches_the_pressure(length, width, wanted, owned):
    found = judge(joint(length, width), wanted=psi(wanted), clamps=[clamps(*row) for row in owned])

    force = length * width * wanted
    total = sum(count * each for count, each in owned)
    assert found.holds == (total >= force)
    if not owned:
        assert found.clamps_needed is None
        return
    each = sorted((each for count, each in owned for _ in range(count)), reverse=True)
    strongest = max(row[1] for row in owned)
    if total >= force:
        assert sum(each[: found.clamps_needed]) >= force
        assert sum(each[: found.clamps_needed - 1]) < force
    else:
        assert found.clamps_needed == len(each) + ceil(Fraction(force - total, strongest))


@given(st.integers(1, 100), st.integers(1, 40), st.integers(1, 12), st.integers(1, 60))
def test_every_point_of_the_row_lies_within_the_spread_of_a_clamp(length, width, depth, count):
    found = judge(
        joint(length, width), wanted=psi(1), clamps=[clamps(count, 100)], spread_depth=Length.inches(depth)
    )

    places, reach = found.spacing.positions, Length.inches(depth).nm + 1
    assert places[0].nm <= reach
    assert Length.inches(length).nm - places[-1].nm <= reach
    assert all(after.nm - before.nm <= 2 * reach for before, after in zip(places, places[1:], strict=False))


@given(st.permutations([(2, 400), (3, 1050), (1, 680)]))
def test_the_order_of_clamps_changes_nothing(rows):
    found = judge(joint(30, 2), wanted=psi(70), clamps=[clamps(*row, name=str(row[1])) for row in rows])

    assert found == judge(
        joint(30, 2),
        wanted=psi(70),
        clamps=[clamps(2, 400, name="400"), clamps(3, 1050, name="1050"), clamps(1, 680, name="680")],
    )
