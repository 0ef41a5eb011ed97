"""What adhesives want, against the published figures."""

from fractions import Fraction

import pytest

from finishes import facts, glue
from finishes.forces import Force, Pressure
from finishes.measures import Area, BadMeasure, Length
from tests.references import gluing, plywood


@pytest.mark.parametrize("density", gluing.PRESSURE_PSI)
@pytest.mark.parametrize("key", ["yellow PVA", "white PVA"])
def test_pva_pressure_is_the_makers_range(key, density):
    asked = glue.ADHESIVES[key].wanted(density)

    assert (asked.low, asked.high) == gluing.PRESSURE_PSI[density]
    assert asked.status == facts.PUBLISHED


@pytest.mark.parametrize("key", gluing.LEAST_F)
def test_pva_temperature_time_and_moisture_are_as_published(key):
    pva = glue.ADHESIVES[key]

    assert pva.least_temperature.value == gluing.LEAST_F[key]
    assert (pva.clamped.low * 60, pva.clamped.high * 60) == gluing.CLAMP_MINUTES
    assert pva.full.low == gluing.STRESSED_HOURS
    assert (pva.moisture.low, pva.moisture.high) == gluing.MOISTURE_PERCENT


@pytest.mark.parametrize(("pounds", "grams"), gluing.SPREAD)
def test_spread_converts_both_ways(pounds, grams):
    assert float(glue.g_per_m2(Fraction(pounds))) == pytest.approx(grams, abs=0.0005)
    assert glue.lb_per_1000_ft2(glue.g_per_m2(Fraction(pounds))) == pounds


@pytest.mark.parametrize(("inhg", "psi"), gluing.VACUUM)
def test_vacuum_follows_the_table(inhg, psi):
    assert float(glue.vacuum_pressure(Fraction(str(inhg))).psi) == pytest.approx(psi, abs=0.02)


def test_vacuum_never_presses_with_more_than_the_air_weighs():
    assert glue.vacuum_pressure(Fraction(30)) == glue.vacuum_pressure(Fraction("29.921"))
    # Rule of thumb, no source: 1 inHg less for 1000 ft, so 24.921 inHg at 5000 ft.
    high = glue.vacuum_pressure(Fraction(28), altitude_ft=Fraction(5000))
    assert high.psi == Fraction("24.921") * Fraction("0.4912")


def test_vacuum_refuses_a_negative_gauge():
    with pytest.raises(ValueError, match="not negative"):
        glue.vacuum_pressure(Fraction(-1))


def test_contact_cement_coats_both_faces():
    cement = glue.ADHESIVES["contact, solvent"]

    least, most = cement.volume_for(Area.parse("10 ft2"))

    # 20 ft2 of faces at 200 and at 100 ft2 per gallon (common practice).
    assert (least.to("gal"), most.to("gal")) == (Fraction(1, 10), Fraction(1, 5))
    assert cement.sticks_by_touch
    assert cement.wanted("low").high == 0
    assert any("flammable" in caution for caution in cement.cautions)


def test_pva_spread_weighs_one_face():
    least, most = glue.ADHESIVES["yellow PVA"].mass_for(Area.parse("100 ft2"))

    assert (least.to("lb"), most.to("lb")) == (Fraction(7, 2), 5)


def test_every_adhesive_figure_names_its_source_and_status():
    for adhesive in glue.ADHESIVES.values():
        figures = [
            adhesive.open,
            adhesive.clamped,
            adhesive.full,
            adhesive.least_temperature,
            adhesive.moisture,
            *adhesive.pressure.values(),
            *(figure for figure in (adhesive.spread, adhesive.coverage) if figure),
        ]
        assert all(figure.source and figure.status in facts.STATUSES for figure in figures)
        assert adhesive.drawbacks


def test_unknown_adhesive_or_density_is_refused_by_name():
    with pytest.raises(ValueError, match="yellow PVA"):
        glue.find_adhesive("paste")
    with pytest.raises(ValueError, match="low, medium, high"):
        glue.ADHESIVES["yellow PVA"].wanted("heavy")


def test_clamp_forces_are_those_of_the_test():
    assert {name: fact.value for name, fact in facts.CLAMP_FORCES.items()} == gluing.CLAMP_FORCES
    assert (facts.HAND_FACTOR.low, facts.HAND_FACTOR.high) == (Fraction("0.6"), Fraction("1.4"))


@pytest.mark.parametrize(("category", "least", "most", "least_mm", "most_mm"), plywood.PS1)
def test_plywood_limits_are_those_of_ps1(category, least, most, least_mm, most_mm):
    limits = facts.ps1_class(Length.inches(category))

    assert (limits.least, limits.most) == (Length.inches(least), Length.inches(most))
    assert float(limits.least.to("mm")) == pytest.approx(least_mm, abs=0.011)
    assert float(limits.most.to("mm")) == pytest.approx(most_mm, abs=0.011)


@pytest.mark.parametrize(("nominal", "least", "most"), plywood.SANDED)
def test_sanded_plywood_keeps_the_tighter_limits(nominal, least, most):
    limits = facts.ps1_class(Length.inches(nominal), sanded=True)

    assert (limits.least, limits.most) == (Length.inches(least), Length.inches(most))


def test_plywood_beyond_the_standard_is_refused():
    with pytest.raises(ValueError, match="1/8 in to 1 1/2 in"):
        facts.ps1_class(Length.inches(3))


def test_a_fact_without_status_or_source_cannot_exist():
    with pytest.raises(ValueError, match="status"):
        facts.Fact(Fraction(1), "in", "a page", "sure")
    with pytest.raises(ValueError, match="source"):
        facts.Fact(Fraction(1), "in", "", facts.PUBLISHED)


@pytest.mark.parametrize(
    ("text", "psi"), [("120 psi", 120), ("120", 120), ("1 bar", Fraction(100) / facts.PSI_IN_KPA.value)]
)
def test_pressure_reads_what_people_write(text, psi):
    assert Pressure.parse(text).psi == psi


def test_psi_and_kilopascal_agree_with_the_definition():
    # 1 psi = 6.894757293168 kPa, from the exact pound, standard gravity and inch.
    assert float(Pressure(Fraction(1)).kpa) == pytest.approx(6.894757293168, rel=1e-12)
    assert Force.parse("4.4482216152605 N").lbf == 1


@pytest.mark.parametrize("text", ["-5 psi", "abc", "", "5 stone", "1e9 psi", "3/0 psi"])
def test_a_pressure_that_makes_no_sense_is_refused(text):
    with pytest.raises(BadMeasure):
        Pressure.parse(text)
