import random

import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image, ImageCms

from finishes import colour
from finishes.colour import D50, D65, Lab, delta_e_2000, measure_patch, rank
from tests.references.colour import CHART, CIEDE2000_PAIRS, SRGB

labs = st.tuples(st.floats(0, 100), st.floats(-128, 128), st.floats(-128, 128))
levels = st.tuples(st.integers(0, 255), st.integers(0, 255), st.integers(0, 255))


def rgb(code):
    return tuple(bytes.fromhex(code.removeprefix("#")))


# ---- published values


@pytest.mark.parametrize(
    ("pair", "one", "two", "published"), CIEDE2000_PAIRS, ids=lambda v: v if isinstance(v, int) else ""
)
def test_ciede2000_is_as_published(pair, one, two, published):
    assert delta_e_2000(one, two) == pytest.approx(published, abs=5.1e-5)
    assert delta_e_2000(two, one) == pytest.approx(published, abs=5.1e-5)


@pytest.mark.parametrize(("code", "light", "xyz", "lab"), SRGB)
def test_srgb_to_lab_follows_the_standard(code, light, xyz, lab):
    assert [colour.linear(c) for c in rgb(code)] == pytest.approx(light, abs=1e-6)
    assert colour.linear_to_xyz(light) == pytest.approx(xyz, abs=1e-6)
    assert colour.srgb_to_lab(rgb(code)) == pytest.approx(lab, abs=0.05)


@pytest.mark.parametrize(("patch", "xyy", "lab", "code"), CHART)
def test_the_chart_comes_out_as_published(patch, xyy, lab, code):
    xyz = colour.xyy_to_xyz(xyy)

    assert colour.xyz_to_lab(xyz, D50) == pytest.approx(lab, abs=0.05)
    seen = colour.xyz_to_linear(colour.adapt(xyz, white=D50, to=D65))
    # Two to three levels: the published column was adapted by another transform. A negative channel is a
    # colour no screen shows (cyan), where the clip makes the rest incomparable.
    if min(seen) >= 0:
        assert [colour.level(v) for v in seen] == pytest.approx(rgb(code), abs=3)


def test_agrees_with_an_independent_library():
    reference = pytest.importorskip("colour")
    pairs = [
        ((n * 7 % 101, n * 31 % 200 - 100, n * 57 % 200 - 100), (n * 13 % 101, n * 3 % 90 - 45, n % 50))
        for n in range(300)
    ]

    for one, two in pairs:
        expected = reference.delta_E(one, two, method="CIE 2000")
        assert delta_e_2000(one, two) == pytest.approx(expected, abs=1e-6)


def test_the_whole_chart_agrees_with_an_independent_library():
    reference = pytest.importorskip("colour")
    chart = reference.CCS_COLOURCHECKERS["ColorChecker24 - After November 2014"]

    assert len(chart.data) == 24
    for xyy in chart.data.values():
        expected = reference.XYZ_to_Lab(reference.xyY_to_XYZ(xyy), chart.illuminant)
        assert colour.xyz_to_lab(colour.xyy_to_xyz(tuple(xyy)), D50) == pytest.approx(expected, abs=0.05)


# ---- properties


@given(labs, labs)
def test_difference_is_the_same_both_ways_and_never_negative(one, two):
    there = delta_e_2000(one, two)

    assert there >= 0
    assert there == pytest.approx(delta_e_2000(two, one), abs=1e-9)


@given(labs)
def test_a_colour_does_not_differ_from_itself(lab):
    assert delta_e_2000(lab, lab) == 0


@given(levels)
def test_srgb_survives_the_trip_to_lab_and_back(pixel):
    assert colour.lab_to_srgb(colour.srgb_to_lab(pixel)) == pytest.approx(pixel, abs=0.01)


@given(labs)
def test_adapting_to_the_same_white_changes_nothing(lab):
    xyz = colour.lab_to_xyz(lab)
    assert colour.adapt(xyz, white=D65, to=D65) == pytest.approx(xyz, abs=1e-9)


# ---- patches and white balance


def test_background_in_the_corner_of_a_patch_does_not_count():
    wood = [(150, 100, 60)] * 900
    bench = [(20, 20, 30)] * 90

    assert colour.linear_to_lab(measure_patch("a", wood + bench).light) == pytest.approx(
        colour.srgb_to_lab((150, 100, 60)), abs=0.01
    )


def test_a_patch_half_in_shadow_is_called_uneven():
    assert measure_patch("a", [(150, 100, 60)] * 50 + [(75, 50, 30)] * 50).uneven
    assert not measure_patch("a", [(150, 100, 60)] * 50 + [(138, 90, 52)] * 50).uneven


def test_a_patch_without_pixels_says_which():
    with pytest.raises(ValueError, match="scrap 2"):
        measure_patch("scrap 2", [])


@pytest.mark.parametrize(
    ("pixels", "code"),
    [
        ([], "no reference"),
        ([(255, 255, 240)] * 100, "reference clipped"),
        ([(30, 30, 30)] * 100, "reference in shadow"),
        ([(200, 200, 200)] * 50 + [(140, 140, 140)] * 50, "reference uneven"),
        ([(220, 160, 1)] * 100, "colour missing"),
        ([(220, 130, 60)] * 100, "coloured light"),
    ],
)
def test_a_poor_reference_is_named(pixels, code):
    references = [measure_patch("card", pixels)] if pixels else []

    ranking = rank(flat("old", (150, 100, 60)), [flat("a", (150, 100, 60))], references=references)

    assert code in [note.code for note in ranking.notes]
    assert not ranking.trusted


def flat(name, pixel, n=100):
    return measure_patch(name, [pixel] * n)


def test_a_good_photo_has_no_notes():
    ranking = rank(
        flat("old", (150, 100, 60)), [flat("a", (150, 100, 60))], references=[flat("card", (118, 118, 118))]
    )

    assert ranking.trusted
    assert ranking.best.words == "not visible"
    assert ranking.best.hints == ()


def test_a_reference_darker_than_wood_allows_is_in_shadow():
    ranking = rank(
        flat("old", (220, 180, 140)),
        [flat("a", (210, 170, 130))],
        references=[flat("card", (80, 80, 80))],
        reflectance=colour.GREY_CARD,
    )

    assert [note.code for note in ranking.notes] == ["reference in shadow"]


def test_references_of_unequal_brightness_tell_of_uneven_light():
    balance = colour.white_balance([flat("left", (200, 200, 200)), flat("right", (150, 150, 150))])
    assert [(note.about, note.code) for note in balance.notes] == [("right", "uneven light")]


def test_a_known_grey_card_sets_the_brightness():
    balance = colour.white_balance([flat("card", (60, 70, 80))], reflectance=colour.GREY_CARD)
    # L* of 18 % reflectance is 49.5 (116 * 0.18 ** (1/3) - 16).
    assert balance.lab(flat("card", (60, 70, 80))) == pytest.approx((49.496, 0, 0), abs=0.01)


def test_shine_on_a_scrap_is_named():
    pixels = [(150, 100, 60)] * 80 + [(255, 255, 255)] * 20
    ranking = rank(
        flat("old", (150, 100, 60)), [measure_patch("a", pixels)], references=[flat("card", (118,) * 3)]
    )

    assert "glare" in [note.code for note in ranking.matches[0].notes]
    assert ranking.matches[0].delta_e < 0.01


def test_hints_tell_what_the_scrap_should_become():
    assert colour.hints(Lab(40, 10, 20), Lab(52, 14, 22)) == ("much lighter", "redder", "a little yellower")
    assert colour.hints(Lab(50, 16, 30), Lab(48, 9, 24)) == ("less red", "less yellow", "a little darker")
    assert colour.hints(Lab(50, 1, 0), Lab(50, -4, -5)) == ("greener", "bluer")


def test_ties_break_on_the_name_and_are_called_level():
    scraps = [flat("b", (150, 100, 60)), flat("a", (150, 100, 60)), flat("far", (60, 40, 30))]

    matches = rank(flat("old", (152, 101, 60)), scraps, references=[flat("card", (118,) * 3)]).matches

    assert [(m.name, m.level_with_best) for m in matches] == [("a", True), ("b", True), ("far", False)]


def test_the_eye_wins_and_both_are_kept():
    ranking = rank(
        flat("old", (150, 100, 60)),
        [flat("near", (151, 100, 60)), flat("far", (120, 80, 50))],
        references=[flat("card", (118,) * 3)],
    )

    choice = colour.choose(ranking, eye="far")

    assert (choice.name, choice.figure, choice.by_eye, choice.agree) == ("far", "near", True, False)
    assert colour.choose(ranking).name == "near"
    with pytest.raises(ValueError, match="ghost"):
        colour.choose(ranking, eye="ghost")


def test_kept_samples_are_found_by_colour():
    kept = {
        "amber shellac on maple": (60, 12, 34),
        "walnut stain on oak": (38, 11, 20),
        "bare cherry": (55, 15, 27),
    }

    found = colour.nearest((39, 11, 21), kept)

    assert [near.name for near in found] == ["walnut stain on oak", "bare cherry", "amber shellac on maple"]
    assert (found[0].words, found[0].hints) == ("hardly visible", ("a little lighter", "a little yellower"))


# ---- a photo of known patches

# Invented scraps: an old walnut-like brown and five stain trials, from near to far.
OLD = (118, 78, 50)
SCRAPS = {
    "one coat": (121, 80, 50),
    "two coats": (112, 72, 48),
    "with amber": (134, 88, 48),
    "grey wash": (120, 98, 84),
    "bare": (190, 150, 108),
}
# Linear gains of a warm lamp (about 2700 K against a daylight setting) and of a cool north window.
LIGHTS = {"daylight": (1, 1, 1), "yellow lamp": (1.15, 0.8, 0.38), "north window": (0.72, 0.85, 1.12)}
SIZE, TILE = 480, 110


def photo(gains, *, turn=0.0, noise=0.0, seed=5):
    """A photo of old wood, a grey card and five scraps under a light, turned, with sensor noise; and the marks."""
    tiles = {"old": OLD, "card": (118, 118, 118), **SCRAPS}
    picture = Image.new("RGB", (SIZE, SIZE), (60, 60, 60))
    marks = {}
    for n, (name, pixel) in enumerate(tiles.items()):
        left, top = 40 + (n % 3) * 140, 40 + (n // 3) * 140
        lit = tuple(round(colour.level(colour.linear(c) * g)) for c, g in zip(pixel, gains, strict=True))
        picture.paste(lit, (left, top, left + TILE, top + TILE))
        marks[name] = [
            (left + 8, top + 8),
            (left + TILE - 8, top + 8),
            (left + TILE - 8, top + TILE - 8),
            (left + 8, top + TILE - 8),
        ]
    if turn:
        import math

        picture = picture.rotate(turn, resample=Image.Resampling.BICUBIC)
        c, s, mid = math.cos(math.radians(turn)), math.sin(math.radians(turn)), SIZE / 2
        spin = lambda x, y: (mid + c * (x - mid) + s * (y - mid), mid - s * (x - mid) + c * (y - mid))  # noqa: E731
        marks = {name: [spin(x, y) for x, y in quad] for name, quad in marks.items()}
    if noise:
        dice = random.Random(seed)
        picture = Image.frombytes(
            "RGB",
            picture.size,
            bytes(min(255, max(0, round(dice.gauss(v, noise)))) for v in picture.tobytes()),
        )
    return picture, marks


def ranked(picture, marks):
    patches = {name: colour.patch_in(picture, name, place=quad) for name, quad in marks.items()}
    target, card = patches.pop("old"), patches.pop("card")
    return rank(target, list(patches.values()), references=[card], reflectance=colour.linear(118))


TRUE = {name: delta_e_2000(colour.srgb_to_lab(OLD), colour.srgb_to_lab(p)) for name, p in SCRAPS.items()}
TRUE_ORDER = sorted(TRUE, key=TRUE.get)


@pytest.mark.parametrize("light", LIGHTS)
@pytest.mark.parametrize("turn", [0, 11, -25])
@pytest.mark.parametrize("noise", [0, 6])
def test_the_ranking_survives_light_turn_and_noise(light, turn, noise):
    ranking = ranked(*photo(LIGHTS[light], turn=turn, noise=noise))

    assert [match.name for match in ranking.matches] == TRUE_ORDER
    # Levels are whole numbers: half a level under the lamp's weak blue is worth up to 0.5, and noise of six
    # levels, clipped at the dark end, as much again.
    for match in ranking.matches:
        assert match.delta_e == pytest.approx(TRUE[match.name], abs=1.0 if noise else 0.6)


def test_without_white_balance_the_lamp_would_change_the_colours():
    picture, marks = photo(LIGHTS["yellow lamp"])
    old = colour.patch_in(picture, "old", place=marks["old"])

    assert delta_e_2000(colour.linear_to_lab(old.light), colour.srgb_to_lab(OLD)) > 5
    assert delta_e_2000(ranked(picture, marks).target, colour.srgb_to_lab(OLD)) < 1


def test_a_mark_outside_the_photo_has_no_pixels():
    assert colour.pixels_in(Image.new("RGB", (10, 10)), (20, 20, 30, 30)) == []


def test_a_box_holds_exactly_its_pixels():
    picture = Image.new("RGB", (10, 10), (9, 9, 9))
    picture.paste((200, 100, 50), (2, 3, 6, 8))

    assert colour.pixels_in(picture, (2, 3, 6, 8)) == [(200, 100, 50)] * 20


def test_a_long_thin_mark_is_thinned_not_lost():
    picture = Image.new("RGB", (4000, 400), (90, 70, 50))
    pixels = colour.pixels_in(picture, (0, 0, 4000, 30))

    assert set(pixels) == {(90, 70, 50)}
    assert 2000 < len(pixels) < 20_000


def test_a_place_that_is_no_place_is_refused():
    with pytest.raises(ValueError, match="three corners"):
        colour.pixels_in(Image.new("RGB", (10, 10)), [(1, 1), (2, 2)])


def test_a_sideways_photo_is_turned_upright():
    picture = Image.new("RGB", (20, 10), (200, 0, 0))
    # EXIF orientation 6: the camera was held upright, turn clockwise by 90 degrees to look at it.
    picture.getexif()[274] = 6

    assert colour.upright(picture).size == (10, 20)


def test_a_photo_with_a_damaged_colour_profile_still_opens():
    picture = Image.new("RGB", (4, 4), (100, 90, 80))
    picture.info["icc_profile"] = b"not a profile"

    assert colour.upright(picture).getpixel((0, 0)) == (100, 90, 80)


def test_an_srgb_profile_changes_nothing():
    picture = Image.new("RGB", (4, 4), (100, 90, 80))
    picture.info["icc_profile"] = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()

    assert colour.upright(picture).getpixel((0, 0)) == pytest.approx((100, 90, 80), abs=1)


# ---- command line


def test_compute_colour_answers_a_number():
    answer = colour.compute_colour(
        {"a": {"lab": [50, 2.6772, -79.7751]}, "b": {"lab": [50, 0, -82.7485]}}, {}
    )

    assert answer["delta_e_2000"] == pytest.approx(2.0425, abs=5e-5)


def test_compute_colour_takes_levels_or_a_code():
    one = colour.compute_colour({"a": {"srgb": [139, 69, 19]}, "b": {"srgb": "#5C4033"}})
    two = colour.compute_colour({"a": {"srgb": "#8b4513"}, "b": {"srgb": [92, 64, 51]}})

    assert one == two


@pytest.mark.parametrize(
    ("payload", "field"),
    [
        ({}, "a:"),
        ({"a": {"lab": [1, 2, 3]}}, "b:"),
        ({"a": {"lab": [1, 2, 3], "srgb": [1, 2, 3]}, "b": {}}, "a:"),
        ({"a": {"lab": [1, 2]}, "b": {}}, "a.lab"),
        ({"a": {"lab": [1, "x", 3]}, "b": {}}, "a.lab"),
        ({"a": {"lab": [1, True, 3]}, "b": {}}, "a.lab"),
        ({"a": {"lab": [101, 0, 0]}, "b": {}}, "a.lab"),
        ({"a": {"lab": [float("nan"), 0, 0]}, "b": {}}, "a.lab"),
        ({"a": {"srgb": [0, 0, 256]}, "b": {}}, "a.srgb"),
        ({"a": {"srgb": "#12345"}, "b": {}}, "a.srgb"),
        ({"a": {"lab": [50, 10**400, 0]}, "b": {}}, "a.lab"),
    ],
)
def test_compute_colour_names_the_wrong_field(payload, field):
    with pytest.raises(ValueError, match=field):
        colour.compute_colour(payload, {})
