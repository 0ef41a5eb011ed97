"""How the buyer looks after a finish, by its family; common practice of the trade, no source."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from finishes.cautions import CAUTIONS
from finishes.facts import COMMON_PRACTICE


@dataclass(frozen=True)
class Care:
    """What a finish is in plain words, what to do, what to leave, and how it is renewed."""

    what: str
    daily: tuple[str, ...]
    avoid: tuple[str, ...]
    renew: str
    status: str = COMMON_PRACTICE


_DUST = "Dust with a soft, dry cloth."
_DAMP = "Wipe spills at once; clean with a cloth wrung out in water, then dry."
_NO_SILICONE = "No furniture polish with silicone: it spoils every later repair."
_COASTERS = "Coasters under glasses and cups, mats under hot dishes."
_RAGS = "Oily rags can set themselves on fire: dry them flat outdoors or put them under water in a metal can."

_FILM = Care(
    "a clear film that seals the wood",
    (_DUST, _DAMP, _COASTERS),
    ("No scouring powder, no ammonia, no solvent.", _NO_SILICONE),
    "A dull surface can be rubbed fine and given another coat; deep scratches are for a refinisher.",
)

CARE: Mapping[str, Care] = MappingProxyType(
    {
        "oil varnish": _FILM,
        "waterborne": _FILM,
        "lacquer": Care(
            _FILM.what,
            _FILM.daily,
            ("No nail varnish remover, no alcohol, no strong cleaner: they soften it.", _NO_SILICONE),
            "A refinisher can renew it without stripping, because new lacquer melts into the old.",
        ),
        "shellac": Care(
            "shellac, a thin natural film",
            (_DUST, "Wipe spills at once, above all wine and spirits.", _COASTERS),
            ("No alcohol, no ammonia, no hot dishes: they leave white marks or dissolve it.", _NO_SILICONE),
            "Marks can be padded out with fresh shellac by a refinisher, without stripping.",
        ),
        "drying oil": Care(
            "oil that has soaked into the wood and hardened there",
            (_DUST, _DAMP, _COASTERS),
            ("No standing water, no scouring powder.", _NO_SILICONE),
            f"When it looks dry, once or twice a year: a thin coat of the same kind of oil, all excess wiped off. {_RAGS}",
        ),
        "hardwax oil": Care(
            "oil and hard wax that have soaked into the wood",
            (_DUST, _DAMP, _COASTERS),
            ("No standing water, no strong cleaner.", _NO_SILICONE),
            f"Worn places can be rubbed with a fine pad and oiled again by themselves. {_RAGS}",
        ),
        "wax": Care(
            "wax, rubbed on and polished",
            (_DUST, "Buff with a soft cloth when it looks dull.", _COASTERS),
            ("No wet cloth, no heat, no solvent: they take the wax off.", _NO_SILICONE),
            "A thin coat of paste wax once or twice a year, buffed after half an hour.",
        ),
        "latex paint": Care(
            "acrylic paint",
            (_DUST, _DAMP, "Let it harden a month before heavy things stand on it."),
            ("No scouring powder; nothing rubber or vinyl left standing on it.",),
            "Chips are touched up with the same paint.",
        ),
        "oil paint": Care(
            "oil paint",
            (_DUST, _DAMP, _COASTERS),
            ("No scouring powder, no solvent.",),
            "Chips are touched up with the same paint.",
        ),
        "milk paint": Care(
            "milk paint, which is porous unless something is over it",
            (_DUST, "Wipe spills at once."),
            ("No standing water.",),
            "Chips are touched up with the same paint; a coat of wax or oil keeps it cleaner.",
        ),
    }
)
SAME_AS = MappingProxyType({"waxy shellac": "shellac"})

# What holds for every piece, whatever is on it.
ALWAYS = (
    "Keep it away from radiators, stoves and damp walls: wood swells and shrinks with the air, and joints move.",
    "Out of strong sun, which fades wood and yellows a finish.",
    "Lift it, do not drag it; carry it by the frame, not by the top.",
)
OLD_PAINT = (
    f"{CAUTIONS['lead'].title}: do not sand or scrape older paint that may be underneath without testing it."
)


def care_for(family: str) -> Care | None:
    """How to look after what lies on top; None for what is no finish by itself."""
    return CARE.get(SAME_AS.get(family, family))
