"""What would make a step fail, before it begins."""

from fractions import Fraction

from estimating.glueup import Joint
from finishes.forces import Force
from finishes.glue import ADHESIVES
from finishes.measures import Length, Temperature
from finishes.products import shipped_shelf
from flips.step_checks import clamp_check, coat_check, fit_check, glue_check, stock_check, temperature_check

JOINT = Joint(Length.inches(24), Length.inches(12))
YELLOW = ADHESIVES["yellow PVA"]


def glued(**more):
    told = {
        "joint": JOINT,
        "adhesive": YELLOW,
        "clamps": 4,
        "force": Force(Fraction(300)),
        "room": None,
        "thin_face": False,
        "system": "imperial",
    }
    return glue_check(**(told | more))


def test_four_clamps_on_two_square_feet_do_not_hold():
    # 4 x 300 lbf / 288 in2 = 4.17 psi.
    found = glued()

    assert found.is_bad
    assert "4.2 psi reached" in found.text
    assert found.more


def test_what_is_not_known_is_asked_for():
    found = glued(joint=None, clamps=None)

    assert found.standing == "ask"
    assert "how large the joint is" in found.text
    assert "how many clamps" in found.text


def test_too_few_clamps_for_the_step_need_no_arithmetic():
    assert clamp_check(4, needs=8).text == "It takes 8 clamps and you have 4."
    assert clamp_check(8, needs=8).standing == "good"
    assert clamp_check(None, needs=8).standing == "ask"
    assert clamp_check(4, needs=None) is None


def test_the_coldest_limit_that_is_highest_counts():
    least = [("the step", Temperature(Fraction(10))), ("the glue", Temperature(Fraction(13)))]

    cold = temperature_check(Temperature(Fraction(12)), least=least, system="metric")
    warm = temperature_check(Temperature(Fraction(13)), least=least, system="metric")

    assert cold.text == "12 °C now, and the glue wants at least 13 °C."
    assert cold.is_bad
    assert warm.standing == "good"
    assert temperature_check(None, least=[], system="metric") is None


def test_stock_is_told_with_both_quantities():
    short = stock_check("Shellac", wanted=Fraction(1, 2), left=Fraction(1, 4), unit="l")

    assert (short.standing, short.text) == ("bad", "0.5 l Shellac planned, only 0.25 l left.")
    assert stock_check("Shellac", wanted=Fraction(1, 2), left=Fraction(1, 2), unit="l").standing == "good"


def test_a_panel_thicker_than_its_slot_is_caught():
    found = fit_check(
        "Bottom", thickness=[Length.inches("1/4")], opening=[Length.inches("7/32")], system="imperial"
    )

    assert found.is_bad
    assert "too tight" in found.text
    assert fit_check("Bottom", thickness=[], opening=[Length.inches("1/4")], system="imperial") is None


def test_a_coat_that_does_not_go_over_the_other_is_said_with_the_way_round():
    shelf = shipped_shelf()
    refused = next(
        (under, product.family)
        for product in shelf.products
        for under, verdict in shelf.may_go_over(product.family)
        if verdict.answer == "no" and verdict.way_round
    )

    found = coat_check(shelf, under=refused[0], over=refused[1])

    assert found.is_bad
    assert found.more
    assert coat_check(shelf, under="", over=refused[1]) is None
