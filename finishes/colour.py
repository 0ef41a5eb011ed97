"""Colour of wood in a photo: sRGB and Lab, the CIEDE2000 difference, white balance, and which scrap matches.

A photo marks three kinds of patch: the old wood (the target), the scraps, and something grey or white (the
reference). The light is taken out by scaling the three linear channels until the reference is neutral; then
every scrap is compared with the target. Colour is physics and a guess of the eye, so floats are used here.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import fmean, median
from typing import TYPE_CHECKING, Any, NamedTuple

if TYPE_CHECKING:
    from PIL.Image import Image

Triple = tuple[float, float, float]
Pixel = Sequence[float]
Matrix = tuple[Triple, Triple, Triple]


class Lab(NamedTuple):
    """CIE 1976 L*a*b*: lightness 0 to 100, red-green and yellow-blue."""

    lightness: float
    a: float
    b: float


# IEC 61966-2-1: linear sRGB to XYZ as printed (four decimals); its white is the sum of each row, so that
# r = g = b is neutral to the last digit.
SRGB_TO_XYZ: Matrix = ((0.4124, 0.3576, 0.1805), (0.2126, 0.7152, 0.0722), (0.0193, 0.1192, 0.9505))
D65: Triple = (0.9505, 1.0, 1.089)
# ICC profile connection space: the D50 of print and of published chart values.
D50: Triple = (0.9642, 1.0, 0.8249)
# Cone responses of CAT02, the transform of CIECAM02 (CIE 159:2004).
CONES: Matrix = ((0.7328, 0.4296, -0.1624), (-0.7036, 1.6975, 0.0061), (0.0030, 0.0136, 0.9834))


def _apply(matrix: Matrix, vector: Triple) -> Triple:
    x, y, z = vector
    first, second, third = (row[0] * x + row[1] * y + row[2] * z for row in matrix)
    return (first, second, third)


def _inverse(m: Matrix) -> Matrix:
    (a, b, c), (d, e, f), (g, h, i) = m
    det = a * (e * i - f * h) - b * (d * i - f * g) + c * (d * h - e * g)
    return (
        ((e * i - f * h) / det, (c * h - b * i) / det, (b * f - c * e) / det),
        ((f * g - d * i) / det, (a * i - c * g) / det, (c * d - a * f) / det),
        ((d * h - e * g) / det, (b * g - a * h) / det, (a * e - b * d) / det),
    )


XYZ_TO_SRGB = _inverse(SRGB_TO_XYZ)
CONES_BACK = _inverse(CONES)


def linear(level: float) -> float:
    """Light (0 to 1) behind an sRGB level (0 to 255), by IEC 61966-2-1."""
    c = level / 255
    return c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4


def level(light: float) -> float:
    """The sRGB level (0 to 255, not rounded) of a light; light outside 0 to 1 is clipped."""
    v = min(1.0, max(0.0, light))
    return 255 * (12.92 * v if v <= 0.0031308 else 1.055 * v ** (1 / 2.4) - 0.055)


_LINEAR = tuple(linear(n) for n in range(256))


def _linear_pixel(pixel: Pixel) -> Triple:
    r, g, b = (_LINEAR[c] if isinstance(c, int) else linear(c) for c in pixel[:3])
    return (r, g, b)


def linear_to_xyz(light: Triple) -> Triple:
    """XYZ (white Y = 1, D65) of linear sRGB."""
    return _apply(SRGB_TO_XYZ, light)


def xyz_to_linear(xyz: Triple) -> Triple:
    """Linear sRGB of XYZ (D65); colours a screen cannot show fall outside 0 to 1."""
    return _apply(XYZ_TO_SRGB, xyz)


def xyy_to_xyz(xyy: Triple) -> Triple:
    """XYZ of a chromaticity x, y with luminance Y."""
    x, y, luminance = xyy
    return (x * luminance / y, luminance, (1 - x - y) * luminance / y)


def adapt(xyz: Triple, *, white: Triple, to: Triple) -> Triple:
    """The colour that looks the same under the white ``to`` (von Kries scaling of the CAT02 cones)."""
    seen, old, new = (_apply(CONES, v) for v in (xyz, white, to))
    scaled = (seen[0] * new[0] / old[0], seen[1] * new[1] / old[1], seen[2] * new[2] / old[2])
    return _apply(CONES_BACK, scaled)


# CIE 15: the 6/29 thresholds in their exact form.
_EDGE = 6 / 29


def xyz_to_lab(xyz: Triple, white: Triple = D65) -> Lab:
    """L*a*b* of XYZ against a white."""

    def f(t: float) -> float:
        return math.cbrt(t) if t > _EDGE**3 else t / (3 * _EDGE**2) + 4 / 29

    fx, fy, fz = (f(v / w) for v, w in zip(xyz, white, strict=True))
    return Lab(116 * fy - 16, 500 * (fx - fy), 200 * (fy - fz))


def lab_to_xyz(lab: Sequence[float], white: Triple = D65) -> Triple:
    """XYZ of L*a*b* against a white."""

    def back(t: float) -> float:
        return t**3 if t > _EDGE else 3 * _EDGE**2 * (t - 4 / 29)

    fy = (lab[0] + 16) / 116
    return (white[0] * back(fy + lab[1] / 500), white[1] * back(fy), white[2] * back(fy - lab[2] / 200))


def linear_to_lab(light: Triple) -> Lab:
    """L*a*b* (D65) of linear sRGB."""
    return xyz_to_lab(linear_to_xyz(light))


def srgb_to_lab(pixel: Pixel) -> Lab:
    """L*a*b* (D65) of sRGB levels 0 to 255."""
    return linear_to_lab(_linear_pixel(pixel))


def lab_to_srgb(lab: Sequence[float]) -> Triple:
    """sRGB levels 0 to 255 of L*a*b* (D65), clipped to what a screen shows and not rounded."""
    r, g, b = (level(v) for v in xyz_to_linear(lab_to_xyz(lab)))
    return (r, g, b)


def delta_e_2000(one: Sequence[float], two: Sequence[float]) -> float:
    """The CIEDE2000 difference of two L*a*b* colours, all weights 1.

    Sharma, Wu and Dalal, Color Res. Appl. 30(1):21-30 (2005), with their rules for mean hue and for greys.
    """
    (l1, a1, b1), (l2, a2, b2) = one, two
    mean_c7 = ((math.hypot(a1, b1) + math.hypot(a2, b2)) / 2) ** 7
    g = 0.5 * (1 - math.sqrt(mean_c7 / (mean_c7 + 25.0**7)))
    a1, a2 = (1 + g) * a1, (1 + g) * a2
    c1, c2 = math.hypot(a1, b1), math.hypot(a2, b2)
    h1 = math.degrees(math.atan2(b1, a1)) % 360 if c1 else 0.0
    h2 = math.degrees(math.atan2(b2, a2)) % 360 if c2 else 0.0
    dl, dc, dh = l2 - l1, c2 - c1, h2 - h1
    if c1 * c2 == 0:
        dh, mean_h = 0.0, h1 + h2
    elif abs(dh) <= 180:
        mean_h = (h1 + h2) / 2
    else:
        dh -= math.copysign(360, dh)
        mean_h = (h1 + h2 + (360 if h1 + h2 < 360 else -360)) / 2
    big_dh = 2 * math.sqrt(c1 * c2) * math.sin(math.radians(dh) / 2)
    mean_l, mean_c = (l1 + l2) / 2, (c1 + c2) / 2
    t = (
        1
        - 0.17 * math.cos(math.radians(mean_h - 30))
        + 0.24 * math.cos(math.radians(2 * mean_h))
        + 0.32 * math.cos(math.radians(3 * mean_h + 6))
        - 0.20 * math.cos(math.radians(4 * mean_h - 63))
    )
    turn = math.radians(60 * math.exp(-(((mean_h - 275) / 25) ** 2)))
    rc = 2 * math.sqrt(mean_c**7 / (mean_c**7 + 25.0**7))
    off = (mean_l - 50) ** 2
    sl, sc, sh = 1 + 0.015 * off / math.sqrt(20 + off), 1 + 0.045 * mean_c, 1 + 0.015 * mean_c * t
    x, y, z = dl / sl, dc / sc, big_dh / sh
    return math.sqrt(max(0.0, x * x + y * y + z * z - math.sin(turn) * rc * y * z))


# ---- patches ----------------------------------------------------------------------------------------------

# Levels at which a channel can no longer be trusted to hold the light that fell on it.
BLOWN, DROWNED = 252, 3
# A few sparkles are dropped; more than this share of blown pixels is glare over the patch.
GLARE_SHARE = 0.05
# Common practice, no source: oak and ash grain spreads the lightness of a patch by 4 to 8 between its light
# and dark tenths; beyond this it is a shadow edge, glare, or two surfaces in one patch.
UNEVEN_SPREAD = 18.0
UNEVEN_REFERENCE = 8.0
FEWEST_PIXELS = 30


@dataclass(frozen=True)
class Patch:
    """What the pixels of one marked place say; ``light`` is their mean linear sRGB before white balance."""

    name: str
    light: Triple
    pixels: int
    blown: float
    drowned: float
    spread: float

    @property
    def uneven(self) -> bool:
        """More than grain: a shadow edge, glare, or two surfaces in one patch."""
        return self.spread > UNEVEN_SPREAD


def _luminance(light: Triple) -> float:
    return sum(k * c for k, c in zip(SRGB_TO_XYZ[1], light, strict=True))


def _lightness(luminance: float) -> float:
    return xyz_to_lab((0.9505 * luminance, luminance, 1.089 * luminance)).lightness


def measure_patch(name: str, pixels: Sequence[Pixel]) -> Patch:
    """The patch of these sRGB pixels (levels 0 to 255); what does not belong to the surface is left out.

    Sparkle (a blown channel) and pixels far from the middle of the patch (a bit of bench in the corner) do not
    count towards the colour; light is averaged as light, not as levels. Raises ValueError without pixels.
    """
    if not pixels:
        raise ValueError(f"There is nothing under the mark for {name}.")
    lights = [_linear_pixel(p) for p in pixels]
    blown = [max(p[:3]) >= BLOWN for p in pixels]
    drowned = sum(min(p[:3]) <= DROWNED for p in pixels) / len(pixels)
    kept = [light for light, over in zip(lights, blown, strict=True) if not over]
    if 2 * len(kept) < len(lights):
        kept = lights
    # Three times the scaled median deviation: grain stays, a strip of background goes.
    for channel in range(3):
        values = [light[channel] for light in kept]
        middle = median(values)
        reach = 3 * 1.4826 * median(abs(v - middle) for v in values) + 0.02 * middle + 1e-4
        inside = [light for light in kept if abs(light[channel] - middle) <= reach]
        kept = inside or kept
    bright = sorted(map(_luminance, lights))
    tenth = len(bright) // 10
    spread = _lightness(bright[len(bright) - 1 - tenth]) - _lightness(bright[tenth])
    return Patch(
        name,
        (fmean(p[0] for p in kept), fmean(p[1] for p in kept), fmean(p[2] for p in kept)),
        len(pixels),
        sum(blown) / len(pixels),
        drowned,
        spread,
    )


# ---- white balance ----------------------------------------------------------------------------------------

# Share of the light a reference throws back. A photographer's grey card is made to 18 %; plain white paper
# gives back about 85 % (common practice, no source).
GREY_CARD, WHITE_PAPER = 0.18, 0.85
# Below this luminance a phone's noise and its shadow curve outweigh the colour (common practice, no source).
DARKEST_REFERENCE = 0.04
STRONGEST_TINT = 6.0


@dataclass(frozen=True)
class Note:
    """Something to know about a photo: which patch it is about, a short code, and words for the person."""

    about: str
    code: str
    text: str


@dataclass(frozen=True)
class Balance:
    """Gains that take the light out of linear sRGB; ``neutral`` is false when there was nothing to go by."""

    gains: Triple
    neutral: bool = True
    notes: tuple[Note, ...] = ()

    def lab(self, patch: Patch) -> Lab:
        """L*a*b* (D65) of a patch as it would look in daylight."""
        r, g, b = (c * gain for c, gain in zip(patch.light, self.gains, strict=True))
        return linear_to_lab((r, g, b))

    @property
    def trusted(self) -> bool:
        """A reference was there and nothing was wrong with it."""
        return self.neutral and not self.notes


def white_balance(references: Sequence[Patch], *, reflectance: float | None = None) -> Balance:
    """The balance that makes the references neutral and, if their ``reflectance`` (0 to 1) is known, that bright.

    Without a reflectance the brightness of the photo is kept. Notes say when the reference is missing, clipped,
    in shadow, uneven, under strongly coloured light, or when several references disagree.
    """
    if not references:
        text = "There is no grey or white reference in the photo: the light's own colour is still in the figures."
        return Balance((1.0, 1.0, 1.0), neutral=False, notes=(Note("", "no reference", text),))
    notes: list[Note] = []
    for patch in references:
        notes += _reference_notes(patch)
    bright = [_luminance(p.light) for p in references]
    if max(bright) > 1.25 * max(min(bright), 1e-9):
        text = "The references are not equally bright: the light falls unevenly over the photo."
        notes.append(Note(references[bright.index(min(bright))].name, "uneven light", text))
    # The geometric mean treats a reference twice as bright and one half as bright alike.
    r, g, b = (math.exp(fmean(math.log(max(p.light[k], 1e-4)) for p in references)) for k in range(3))
    aim = _luminance((r, g, b)) if reflectance is None else reflectance
    return Balance((aim / r, aim / g, aim / b), notes=tuple(notes))


def _reference_notes(patch: Patch) -> list[Note]:
    notes = []
    if patch.blown > GLARE_SHARE:
        text = "The reference is clipped (too bright to hold its colour): take the photo a little darker."
        notes.append(Note(patch.name, "reference clipped", text))
    if patch.drowned > GLARE_SHARE and _luminance(patch.light) >= DARKEST_REFERENCE:
        text = "One colour is missing from the light on the reference: use a whiter lamp or daylight."
        notes.append(Note(patch.name, "colour missing", text))
    if _luminance(patch.light) < DARKEST_REFERENCE:
        text = (
            "The reference is in shadow or the photo is too dark: put it in the same good light as the wood."
        )
        notes.append(Note(patch.name, "reference in shadow", text))
    elif patch.spread > UNEVEN_REFERENCE:
        text = "The reference is unevenly lit: a shadow or a reflection lies across it."
        notes.append(Note(patch.name, "reference uneven", text))
    dimmest, strongest = min(patch.light), max(patch.light)
    if strongest > STRONGEST_TINT * max(dimmest, 1e-9) and patch.drowned <= GLARE_SHARE:
        text = "The light is strongly coloured: the order will hold, the figures less so. Daylight is better."
        notes.append(Note(patch.name, "coloured light", text))
    return notes


# ---- ranking ----------------------------------------------------------------------------------------------

# What a difference looks like on wood, side by side (common practice, no source; flat paint is judged harder).
WORDS: tuple[tuple[float, str], ...] = (
    (1.0, "not visible"),
    (2.0, "hardly visible"),
    (3.5, "visible side by side"),
    (6.0, "plain to see"),
    (12.0, "clear at a glance"),
)
FARTHEST = "a different colour"
# Two figures closer than this are within what a hand-held photo can tell apart (common practice, no source).
CANNOT_TELL = 0.7


def in_words(delta_e: float) -> str:
    """Plain words for a CIEDE2000 difference on wood."""
    return next((words for limit, words in WORDS if delta_e <= limit), FARTHEST)


def hints(scrap: Sequence[float], target: Sequence[float]) -> tuple[str, ...]:
    """What the scrap should become to look like the target: "a little lighter", "redder", "much less yellow"."""
    found = []
    for k, (more, less, opposite) in enumerate(
        (
            ("lighter", "darker", "darker"),
            ("redder", "less red", "greener"),
            ("yellower", "less yellow", "bluer"),
        )
    ):
        gap = target[k] - scrap[k]
        if abs(gap) < 1:
            continue
        how = "a little " if abs(gap) < 3 else "much " if abs(gap) >= 10 else ""
        # Wood is nearly always on the red and yellow side, where "greener" would send her to the wrong can.
        if gap > 0:
            word = more if k == 0 or target[k] >= 0 else f"less {'green' if k == 1 else 'blue'}"
        else:
            word = less if target[k] >= 0 else opposite
        found.append((abs(gap), how + word))
    return tuple(text for _, text in sorted(found, key=lambda pair: -pair[0]))


@dataclass(frozen=True)
class Match:
    """One scrap beside the target; ``level_with_best`` means the photo cannot tell it from the first."""

    name: str
    lab: Lab
    delta_e: float
    words: str
    hints: tuple[str, ...]
    notes: tuple[Note, ...]
    level_with_best: bool


@dataclass(frozen=True)
class Ranking:
    """The scraps, nearest first, and what is wrong with the photo; ``trusted`` when nothing is."""

    target: Lab
    matches: tuple[Match, ...]
    notes: tuple[Note, ...]

    @property
    def trusted(self) -> bool:
        """Nothing was wrong with the reference, the target or any scrap."""
        return not self.notes and not any(match.notes for match in self.matches)

    @property
    def best(self) -> Match | None:
        """The nearest scrap by the figures."""
        return self.matches[0] if self.matches else None


def rank(
    target: Patch, scraps: Sequence[Patch], *, references: Sequence[Patch], reflectance: float | None = None
) -> Ranking:
    """The scraps by CIEDE2000 difference to the target after white balance; ties by name."""
    balance = white_balance(references, reflectance=reflectance)
    aim = balance.lab(target)
    notes = [*balance.notes, *_patch_notes(target)]
    notes += _shadow_notes(balance, references, (target, *scraps), reflectance=reflectance)
    judged = sorted(
        ((delta_e_2000(aim, balance.lab(p)), p) for p in scraps), key=lambda pair: (pair[0], pair[1].name)
    )
    matches = tuple(
        Match(
            patch.name,
            balance.lab(patch),
            difference,
            in_words(difference),
            hints(balance.lab(patch), aim),
            tuple(_patch_notes(patch)),
            difference - judged[0][0] < CANNOT_TELL,
        )
        for difference, patch in judged
    )
    return Ranking(aim, matches, tuple(notes))


def _shadow_notes(
    balance: Balance, references: Sequence[Patch], wood: Sequence[Patch], *, reflectance: float | None
) -> list[Note]:
    if not references or any(note.code == "reference in shadow" for note in balance.notes):
        return []
    brightest = max(_luminance(patch.light) for patch in wood)
    reference = fmean(_luminance(patch.light) for patch in references)
    # No wood throws back all its light, and none is five times as bright as a mid grey.
    if brightest * (reflectance or 0.2) <= 1.05 * reference:
        return []
    text = "Beside the reference some wood would be brighter than white: the reference is in shadow, or the wood shines."
    return [Note(references[0].name, "reference in shadow", text)]


def _patch_notes(patch: Patch) -> list[Note]:
    notes = []
    if patch.pixels < FEWEST_PIXELS:
        notes.append(Note(patch.name, "too small", f"{patch.name}: the mark is too small, drag it wider."))
    if patch.blown > GLARE_SHARE:
        notes.append(
            Note(patch.name, "glare", f"{patch.name}: it shines, turn it or the lamp until it does not.")
        )
    if patch.uneven:
        text = f"{patch.name}: too uneven for one colour, mark a plainer place."
        notes.append(Note(patch.name, "uneven", text))
    return notes


@dataclass(frozen=True)
class Choice:
    """The scrap that was chosen; the eye's pick wins over the figure, and both are kept."""

    name: str
    by_eye: bool
    eye: str | None
    figure: str | None
    delta_e: float

    @property
    def agree(self) -> bool:
        """Eye and figure picked the same scrap."""
        return self.eye is None or self.eye == self.figure


def choose(ranking: Ranking, eye: str | None = None) -> Choice:
    """The choice from a ranking: the eye's pick if there is one, otherwise the nearest. Raises ValueError."""
    if ranking.best is None:
        raise ValueError("There is no scrap to choose from.")
    name = eye or ranking.best.name
    found = next((match for match in ranking.matches if match.name == name), None)
    if found is None:
        raise ValueError(f"There is no scrap called {name} in this photo.")
    return Choice(name, eye is not None, eye, ranking.best.name, found.delta_e)


@dataclass(frozen=True)
class Near:
    """A kept sample beside a colour."""

    name: str
    delta_e: float
    words: str
    hints: tuple[str, ...]


def nearest(target: Sequence[float], samples: Mapping[str, Sequence[float]]) -> tuple[Near, ...]:
    """Kept sample boards (L*a*b* by name) by their difference to a colour, nearest first; ties by name."""
    judged = sorted((delta_e_2000(target, lab), name) for name, lab in samples.items())
    return tuple(Near(name, gap, in_words(gap), hints(samples[name], target)) for gap, name in judged)


# ---- photos -----------------------------------------------------------------------------------------------

# Enough to average noise and grain; more only costs time.
SAMPLES = 96 * 96

Box = tuple[float, float, float, float]
Corners = Sequence[tuple[float, float]]


def upright(image: Image) -> Image:
    """The photo as it is looked at: turned by its EXIF note, in sRGB (a phone's wide colours converted), RGB."""
    import io

    from PIL import ImageCms, ImageOps

    turned = ImageOps.exif_transpose(image)
    profile = turned.info.get("icc_profile")
    if turned.mode != "RGB" and not (profile and turned.mode == "CMYK"):
        turned = turned.convert("RGB")
    if profile:
        try:
            embedded = ImageCms.ImageCmsProfile(io.BytesIO(profile))
            converted = ImageCms.profileToProfile(
                turned, embedded, ImageCms.createProfile("sRGB"), outputMode="RGB"
            )
        except (ImageCms.PyCMSError, OSError):
            # A damaged profile is no reason to lose the photo: read it as the sRGB most photos are.
            converted = None
        turned = converted or turned
    return turned.convert("RGB")


def pixels_in(image: Image, place: Box | Corners) -> list[tuple[int, int, int]]:
    """The pixels of an upright RGB photo inside a box (left, top, right, bottom) or inside corners, in pixels.

    Large places are thinned to about ten thousand samples. What lies outside the photo is left out, so the
    list can be empty. Raises ValueError for a place that is neither.
    """
    from PIL import Image as Images
    from PIL import ImageDraw

    corners = _corners(place)
    left, top = (max(0, math.floor(min(c[k] for c in corners))) for k in (0, 1))
    right, bottom = (
        min(side, math.ceil(max(c[k] for c in corners)) + 1)
        for k, side in enumerate((image.width, image.height))
    )
    if right <= left or bottom <= top:
        return []
    mask = Images.new("L", (right - left, bottom - top), 0)
    ImageDraw.Draw(mask).polygon([(x - left, y - top) for x, y in corners], fill=255)
    part = image.crop((left, top, right, bottom)).convert("RGB")
    # A long thin mark keeps at least four samples across.
    shrink = max(1, min(math.isqrt(part.width * part.height // SAMPLES), min(part.size) // 4))
    if shrink > 1:
        part, mask = part.reduce(shrink), mask.reduce(shrink)
    colours, inside = part.tobytes(), mask.tobytes()
    return [
        (colours[3 * n], colours[3 * n + 1], colours[3 * n + 2])
        for n, covered in enumerate(inside)
        if covered == 255
    ]


def _corners(place: Box | Corners) -> list[tuple[float, float]]:
    numbers = [v for v in place if isinstance(v, (int, float))]
    if len(numbers) == len(place) == 4:
        left, right = sorted(numbers[0::2])
        top, bottom = sorted(numbers[1::2])
        # A box covers whole pixels up to but not including its right and bottom edge.
        return [(left, top), (right - 1, top), (right - 1, bottom - 1), (left, bottom - 1)]
    corners = [(float(v[0]), float(v[1])) for v in place if isinstance(v, Sequence) and len(v) == 2]
    if len(corners) < 3 or len(corners) != len(place):
        raise ValueError("A patch is a box of four numbers or at least three corners.")
    return corners


def around(x: float, y: float, *, radius: float) -> Box:
    """The box a finger marks: ``radius`` to each side of where it landed."""
    return (x - radius, y - radius, x + radius, y + radius)


def patch_in(image: Image, name: str, *, place: Box | Corners) -> Patch:
    """The patch at a place of an upright photo (see ``upright``). Raises ValueError outside the photo."""
    return measure_patch(name, pixels_in(image, place))


# ---- command line -----------------------------------------------------------------------------------------

COMPUTE_HELP = """The difference of two colours by CIEDE2000.

in   a, b    {"lab": [L, a, b]}, or {"srgb": [r, g, b]} with levels 0 to 255, or {"srgb": "#8B4513"} (D65)
out  delta_e_2000   number
     words          what that looks like on wood, side by side
     hints          what a should become to look like b
     a_lab, b_lab   both colours as L*a*b*

example  {"a": {"lab": [50, 2.6772, -79.7751]}, "b": {"lab": [50, 0, -82.7485]}}  ->  {"delta_e_2000": 2.0425, ...}"""


def compute_colour(payload: Mapping[str, Any], _options: Mapping[str, Any] | None = None) -> dict[str, Any]:
    """``{"a": {"lab": [L, a, b]} or {"srgb": [r, g, b]}, "b": ...}`` -> ``{"delta_e_2000": number, ...}``.

    ``srgb`` levels run 0 to 255 (or "#8B4513"). Also answers ``words``, ``hints`` (what a should become to look
    like b), ``a_lab`` and ``b_lab``. Raises ValueError with one line that names the field.
    """
    if not isinstance(payload, Mapping):
        raise ValueError('Give a JSON object with "a" and "b".')
    one, two = (_read_colour(payload, side) for side in ("a", "b"))
    difference = delta_e_2000(one, two)
    return {
        "delta_e_2000": difference,
        "words": in_words(difference),
        "hints": list(hints(one, two)),
        "a_lab": list(one),
        "b_lab": list(two),
    }


def _read_colour(payload: Mapping[str, Any], side: str) -> Lab:
    colour = payload.get(side)
    if not isinstance(colour, Mapping) or len({"lab", "srgb"} & set(colour)) != 1:
        raise ValueError(f'{side}: give either {{"lab": [L, a, b]}} or {{"srgb": [r, g, b]}}.')
    kind = "lab" if "lab" in colour else "srgb"
    where, values = f"{side}.{kind}", colour[kind]
    if kind == "srgb" and isinstance(values, str):
        digits = values.strip().removeprefix("#")
        if len(digits) != 6 or any(c not in "0123456789abcdefABCDEF" for c in digits):
            raise ValueError(f"{where}: “{values[:20]}” is not a colour like #8B4513.")
        values = list(bytes.fromhex(digits))
    if not isinstance(values, (list, tuple)) or len(values) != 3:
        raise ValueError(f"{where}: give three numbers.")
    for value in values:
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            raise ValueError(f"{where}: {str(value)[:20]!r} is not a number.")
        # Also turns away NaN, and whole numbers too large to become a float.
        if not -1000 <= value <= 1000:
            raise ValueError(
                f"{where}: {'levels run from 0 to 255' if kind == 'srgb' else 'that is no colour'}."
            )
    if kind == "srgb":
        if not all(0 <= value <= 255 for value in values):
            raise ValueError(f"{where}: levels run from 0 to 255.")
        return srgb_to_lab(values)
    if not 0 <= values[0] <= 100:
        raise ValueError(f"{where}: L runs from 0 to 100.")
    return Lab(*(float(value) for value in values))
