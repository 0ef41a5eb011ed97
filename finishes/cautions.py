"""Cautions where the work is: short, plain, and never a permission.

Every caution ends where a program must end: the label, the safety data sheet, local rules and licensed practice
come first. ``rough_dilution_air`` and ``rough_purge_time`` are rough guides for choosing a fan, not a proof that
the air is safe to breathe.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

from finishes.facts import COMMON_PRACTICE, FROM_MEMORY, PUBLISHED
from finishes.products import Product

DEFER = "The label, the safety data sheet and local rules come first."
LICENSED = "Where local rules ask for a licensed person, leave it to one."


@dataclass(frozen=True)
class Caution:
    """One hazard in plain words; ``lines`` are what to do, ``defer`` who has the last word."""

    code: str
    title: str
    lines: tuple[str, ...]
    source: str
    status: str
    defer: str = DEFER

    @property
    def text(self) -> str:
        """All of it in one paragraph."""
        return " ".join((f"{self.title}:", *self.lines, self.defer))


_RAGS = "29 CFR 1910.106(h)(8)(iii) and 30 CFR 57.4104 as read; drying advice of fire services as cited by universities"
_PRACTICE = "common practice, no source"

CAUTIONS: Mapping[str, Caution] = MappingProxyType(
    {
        caution.code: caution
        for caution in (
            Caution(
                "oily rags",
                "Oily rags can set themselves on fire",
                (
                    "Rags with drying oil, varnish or oil stain heat up by themselves, some within a few hours.",
                    "Never leave them in a heap or a bin.",
                    "Lay them flat outdoors in one layer until stiff, or put them under water in a lidded metal can.",
                    "Empty the can every day.",
                ),
                _RAGS,
                PUBLISHED,
            ),
            Caution(
                "oxalic acid",
                "Oxalic acid is poisonous and burns eyes and skin",
                (
                    "Wear goggles and gloves.",
                    "Do not breathe the powder, nor the dust when you sand bleached wood: rinse well first.",
                    "Keep it from children and animals; a few grams swallowed have killed.",
                    "Never mix it with another bleach.",
                ),
                "CDC/NIOSH page on the exposure limit for oxalic acid (144-62-7)",
                PUBLISHED,
            ),
            Caution(
                "peroxide and lye",
                "Two-part bleach burns eyes and skin",
                (
                    "Goggles, long gloves, covered arms.",
                    "Put the parts on as the label says; never close them up together.",
                    "Have water to hand, and rinse the wood before sanding.",
                ),
                _PRACTICE,
                COMMON_PRACTICE,
            ),
            Caution(
                "chlorine bleach",
                "Chlorine bleach gives off poison gas with acids or ammonia",
                (
                    "Never mix it with another bleach, an acid, ammonia or a cleaner; rinse the wood well between.",
                    "Goggles, gloves, open windows.",
                ),
                _PRACTICE,
                COMMON_PRACTICE,
            ),
            Caution(
                "solvent vapour",
                "Solvent vapour harms and makes light-headed",
                (
                    "Work outdoors or move fresh air through the room, also while it dries.",
                    "Wear the respirator and cartridge the safety data sheet names.",
                    "Stop at once if you feel dizzy.",
                ),
                _PRACTICE,
                COMMON_PRACTICE,
            ),
            Caution(
                "flammable",
                "Flammable",
                (
                    "No flame, heater, pilot light or sparks near it or its vapour, which creeps along the floor.",
                    "Close the can. Have an extinguisher in reach.",
                ),
                _PRACTICE,
                COMMON_PRACTICE,
            ),
            Caution(
                "spraying",
                "Spray mist can burn and explode, and goes deep into the lungs",
                (
                    "Spray only where local rules allow it, with extraction that is made for it.",
                    "Wear the respirator the safety data sheet names; two-part finishes may need supplied air.",
                ),
                _PRACTICE,
                COMMON_PRACTICE,
                f"{DEFER} {LICENSED}",
            ),
            Caution(
                "stripper",
                "Paint stripper burns and its vapour is dangerous",
                (
                    "Use it outdoors or in strong moving air, never in a closed room.",
                    "Goggles, long gloves the label names, covered skin.",
                    "Some strippers may only be used by trained people.",
                ),
                _PRACTICE,
                COMMON_PRACTICE,
                f"{DEFER} {LICENSED}",
            ),
            Caution(
                "lead",
                "Old paint may hold lead",
                (
                    "Painted before 1978, or nobody knows: treat it as lead until it is tested.",
                    "No dry sanding, no scraping dry, no heat gun and no torch on it.",
                    "Keep children and pregnant women away, catch every chip, wash before you eat.",
                ),
                "EPA/HUD guidance; consumer ban 16 CFR 1303 (1978)",
                PUBLISHED,
                f"{DEFER} {LICENSED}",
            ),
            Caution(
                "dust",
                "Wood dust harms the lungs and burns",
                (
                    "Collect it at the tool, wear a dust mask that fits, and vacuum; do not sweep or blow.",
                    "Dust of oak, beech and many tropical woods is worse than most.",
                    "Dust from sanding a finish can heat itself in the bag: empty it outdoors at the end of the day.",
                ),
                _PRACTICE,
                COMMON_PRACTICE,
            ),
            Caution(
                "lime",
                "Lime in the powder burns the eyes",
                ("Do not breathe or raise the powder; goggles and gloves while mixing.",),
                "recalled hazard class of lime; the label rules",
                FROM_MEMORY,
            ),
            Caution(
                "heat",
                "Hot tools burn and start fires",
                (
                    "Keep solvents and rags away from an iron, heat gun or steamer; steam burns too.",
                    "Feel for hot spots before you leave, and again half an hour later.",
                    "Never heat old paint before it is tested for lead.",
                ),
                _PRACTICE,
                COMMON_PRACTICE,
            ),
            Caution(
                "blades",
                "Blades",
                (
                    "Cut away from the hand, clamp the work, guards on.",
                    "Eye and ear protection at machines; no gloves at turning blades; unplug to change one.",
                ),
                _PRACTICE,
                COMMON_PRACTICE,
            ),
            Caution(
                "glue-up",
                "Glue and clamps",
                (
                    "Gloves; clamps and bars can slip and fall: keep feet clear and tighten in turns.",
                    "Solvent contact cement is flammable and its vapour is strong: moving air, no flame.",
                ),
                _PRACTICE,
                COMMON_PRACTICE,
            ),
        )
    }
)

# The order in which hazards are said: what can kill comes first.
ORDER = (
    *("lead", "oily rags", "chlorine bleach", "oxalic acid", "peroxide and lye", "stripper", "spraying"),
    *("flammable", "solvent vapour", "lime", "dust", "heat", "blades", "glue-up"),
)

_TECHNIQUES: tuple[tuple[str, tuple[str, ...]], ...] = (
    (r"\b(sand|sanding|sanded|scuff|abrade|plane|planing)\b", ("dust",)),
    (r"\b(saw|cut|trim|chisel|plane|planing|rout|carve|scrap(e|ing)|score|knife)\b", ("blades",)),
    (r"\b(iron|heat|hot|steam|heat[- ]gun|torch|melt)\w*\b", ("heat",)),
    (r"\b(glue|gluing|clamp|veneer|contact cement|laminate|re-?glue)\w*\b", ("glue-up",)),
    (r"\b(oxalic)\b", ("oxalic acid",)),
    (r"\b(peroxide|lye|two-part bleach)\b", ("peroxide and lye",)),
    (r"\b(chlorine|hypochlorite|household bleach)\b", ("chlorine bleach",)),
    (r"\b(strip|stripper|stripping|paint remover)\b", ("stripper", "solvent vapour", "lead")),
    (r"\b(spray|spraying)\b", ("spraying", "flammable", "solvent vapour")),
    (
        r"\b(lacquer|thinner|mineral spirits|acetone|naphtha|solvent|alcohol|shellac)\b",
        ("flammable", "solvent vapour"),
    ),
    (r"\b(linseed|tung|danish|oil|oiling|varnish|oil stain|gel stain|polyurethane)\b", ("oily rags",)),
    (r"\b(old paint|painted|paint off|lead)\b", ("lead",)),
)


def cautions_for(hazards: Iterable[str]) -> tuple[Caution, ...]:
    """The cautions of these hazards, each once, the gravest first. Raises ValueError for a hazard not known."""
    wanted = set(hazards)
    if unknown := wanted - set(CAUTIONS):
        raise ValueError(f"There is no caution for {', '.join(sorted(unknown))}.")
    return tuple(CAUTIONS[code] for code in ORDER if code in wanted)


def cautions_for_product(product: Product) -> tuple[Caution, ...]:
    """The cautions that go with putting a product on."""
    return cautions_for((*product.hazards, *(("oily rags",) if product.rags else ())))


def hazards_of(words: str) -> tuple[str, ...]:
    """The hazards that a technique's name or description speaks of, gravest first; a first guess to be edited."""
    found = {code for pattern, codes in _TECHNIQUES for code in codes if re.search(pattern, words, re.I)}
    # Waterborne finishes name oil only to say they have none.
    if re.search(r"\b(water-?based|water-?borne)\b", words, re.I) and not re.search(
        r"\b(oil|linseed|tung)\b", words, re.I
    ):
        found.discard("oily rags")
    return tuple(code for code in ORDER if code in found)


def cautions_for_technique(words: str, *, old_paint: bool = False) -> tuple[Caution, ...]:
    """The cautions a technique's words call for; ``old_paint`` adds lead whenever the paint is disturbed."""
    found = set(hazards_of(words))
    if old_paint and found & {"dust", "blades", "heat", "stripper"}:
        found.add("lead")
    return cautions_for(found)


def end_of_session(products: Sequence[Product]) -> tuple[Caution, ...]:
    """What to be reminded of before leaving: rags after oil, the bag after sanding a finish is in ``dust``."""
    return cautions_for({"oily rags"} if any(product.rags for product in products) else ())


# ---- rough guides -----------------------------------------------------------------------------------------

ROUGH_GUIDE = (
    "A rough guide only: it supposes air that mixes evenly and a vapour rate that is a guess. It does not show that"
    " the air is safe to breathe. "
) + DEFER

# 387 ft3 of vapour a pound-mole (70 F) x 1.0416 lb a US pint of water: the constant of industrial ventilation.
VAPOUR_CONSTANT = 403


@dataclass(frozen=True)
class RoughAir:
    """A rough fresh-air figure, in ft3 a minute: the vapour, the air in perfect mixing, and with the mixing factor."""

    vapour_cfm: float
    effective_cfm: float
    actual_cfm: float
    note: str = ROUGH_GUIDE


def rough_dilution_air(
    *,
    specific_gravity: float,
    molar_mass: float,
    pints_per_minute: float,
    limit_ppm: float,
    mixing_factor: float,
) -> RoughAir:
    """Fresh air to thin a solvent's vapour to a limit: 403·SG·ER·10⁶ / (MW·C), times a mixing factor of 3 to 10.

    Industrial ventilation formula; a rough guide only. Raises ValueError for a figure that is not above zero, or a
    mixing factor outside 1 to 10.
    """
    figures = (specific_gravity, molar_mass, pints_per_minute, limit_ppm)
    if not all(math.isfinite(figure) and figure > 0 for figure in figures):
        raise ValueError("Every figure for the dilution air should be above zero.")
    if not 1 <= mixing_factor <= 10:
        raise ValueError("The mixing factor runs from 1 (perfect) to 10 (poor); 3 to 10 is usual.")
    vapour = VAPOUR_CONSTANT * specific_gravity * pints_per_minute / molar_mass
    effective = vapour * 1_000_000 / limit_ppm
    return RoughAir(vapour, effective, effective * mixing_factor)


@dataclass(frozen=True)
class RoughPurge:
    """A rough time in minutes to air a room out."""

    minutes: float
    note: str = ROUGH_GUIDE


def rough_purge_time(*, room_ft3: float, effective_cfm: float, from_ppm: float, to_ppm: float) -> RoughPurge:
    """Minutes for fresh air to bring a vapour down: (V/Q')·ln(C1/C2); a rough guide only. Raises ValueError."""
    figures = (room_ft3, effective_cfm, from_ppm, to_ppm)
    if not all(math.isfinite(figure) and figure > 0 for figure in figures):
        raise ValueError("Every figure for airing out should be above zero.")
    return RoughPurge(max(0.0, room_ft3 / effective_cfm * math.log(from_ppm / to_ppm)))
