import pytest
from hypothesis import given
from hypothesis import strategies as st

from finishes import cautions
from finishes.cautions import CAUTIONS, ORDER, cautions_for, cautions_for_product, cautions_for_technique
from finishes.facts import STATUSES
from finishes.products import find_product, shipped_shelf
from tests.references.finishing import DILUTION, PURGE


def codes(found):
    return [caution.code for caution in found]


def test_every_caution_defers_and_is_short():
    assert set(ORDER) == set(CAUTIONS)
    for caution in CAUTIONS.values():
        assert "label" in caution.defer
        assert "safety data sheet" in caution.defer
        assert "local rules" in caution.defer
        assert len(caution.text) < 500
        assert caution.status in STATUSES


def test_no_caution_reads_as_permission():
    for caution in CAUTIONS.values():
        assert not any(
            word in caution.text.lower() for word in ("is safe", "you may", "harmless", "no danger")
        )


def test_lead_and_spraying_defer_to_licensed_people():
    assert "licensed" in CAUTIONS["lead"].defer
    assert "licensed" in CAUTIONS["spraying"].defer


@pytest.mark.parametrize(
    ("product", "expected"),
    [
        ("danish oil", ["oily rags", "flammable", "solvent vapour"]),
        ("boiled linseed oil", ["oily rags"]),
        ("oxalic acid", ["oxalic acid"]),
        ("lacquer", ["spraying", "flammable", "solvent vapour"]),
        ("paint stripper", ["lead", "stripper", "solvent vapour"]),
        ("milk paint", ["lime"]),
    ],
)
def test_a_product_brings_its_cautions_gravest_first(product, expected):
    assert codes(cautions_for_product(find_product(product))) == expected


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        ("Iron down lifted veneer", ["heat", "glue-up"]),
        ("Bleach the ink stain with oxalic acid", ["oxalic acid"]),
        ("Sand to 180", ["dust"]),
        ("Strip the top", ["lead", "stripper", "solvent vapour"]),
        ("Wipe on danish oil", ["oily rags"]),
        ("Spray lacquer", ["spraying", "flammable", "solvent vapour"]),
        ("Re-glue the loose rail", ["glue-up"]),
        ("Trim the veneer with a knife", ["blades", "glue-up"]),
        ("Brush water-based polyurethane", []),
        ("Photograph the drawers", []),
    ],
)
def test_a_technique_brings_its_cautions(words, expected):
    assert codes(cautions_for_technique(words)) == expected


@pytest.mark.parametrize("words", ["Sand the door", "Heat gun on the moulding", "Scrape the leg"])
def test_disturbing_old_paint_means_lead(words):
    assert codes(cautions_for_technique(words, old_paint=True))[0] == "lead"
    assert "lead" not in codes(cautions_for_technique("Wash the door", old_paint=True))


def test_an_oil_session_ends_with_the_rags():
    (caution,) = cautions.end_of_session([find_product("shellac"), find_product("tung oil")])
    assert "Never leave them in a heap" in caution.text
    assert cautions.end_of_session([find_product("shellac")]) == ()


def test_an_unknown_hazard_is_refused():
    with pytest.raises(ValueError, match="dragons"):
        cautions_for(["dragons"])


@given(st.sets(st.sampled_from(ORDER)))
def test_every_hazard_is_said_once_whatever_the_order(hazards):
    assert codes(cautions_for([*hazards, *hazards])) == [code for code in ORDER if code in hazards]


def test_every_shipped_product_has_its_cautions():
    for product in shipped_shelf().products:
        assert set(codes(cautions_for_product(product))) == set(product.hazards)


# ---- rough guides


@pytest.mark.parametrize(
    ("solvent", "sg", "mw", "er", "limit", "k", "vapour", "effective", "actual"), DILUTION
)
def test_dilution_air(solvent, sg, mw, er, limit, k, vapour, effective, actual):
    air = cautions.rough_dilution_air(
        specific_gravity=sg, molar_mass=mw, pints_per_minute=er, limit_ppm=limit, mixing_factor=k
    )

    assert air.vapour_cfm == pytest.approx(vapour, abs=1e-6)
    assert air.effective_cfm == pytest.approx(effective, abs=0.06)
    assert air.actual_cfm == pytest.approx(actual, abs=0.06)
    assert air.note.startswith("A rough guide only")


@pytest.mark.parametrize(("room", "cfm", "begin", "end", "minutes"), PURGE)
def test_purge_time(room, cfm, begin, end, minutes):
    purge = cautions.rough_purge_time(room_ft3=room, effective_cfm=cfm, from_ppm=begin, to_ppm=end)

    assert purge.minutes == pytest.approx(minutes, abs=0.0006)
    assert "does not show that the air is safe" in purge.note


def test_rough_guides_refuse_nonsense():
    good = {
        "specific_gravity": 0.8,
        "molar_mass": 58,
        "pints_per_minute": 0.01,
        "limit_ppm": 250,
        "mixing_factor": 4,
    }
    for wrong in (
        {"limit_ppm": 0},
        {"molar_mass": float("nan")},
        {"mixing_factor": 0.5},
        {"mixing_factor": 11},
    ):
        with pytest.raises(ValueError):
            cautions.rough_dilution_air(**{**good, **wrong})
    with pytest.raises(ValueError):
        cautions.rough_purge_time(room_ft3=0, effective_cfm=1, from_ppm=2, to_ppm=1)


def test_air_that_is_already_clean_needs_no_time():
    assert cautions.rough_purge_time(room_ft3=900, effective_cfm=100, from_ppm=10, to_ppm=20).minutes == 0
