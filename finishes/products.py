"""Finishing products by generic type, and what may go over what; each figure carries its source.

Shipped figures are the fall-back: the shop's own can overrides them with ``as_on_my_can``.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace
from datetime import timedelta
from fractions import Fraction
from functools import cache
from importlib import resources
from typing import Any

from finishes.facts import COMMON_PRACTICE, FROM_MEMORY, PUBLISHED, Fact, Range

BARE, OLD_FINISH, SILICONE = "bare wood", "old finish", "silicone polish"
SURFACES = (BARE, OLD_FINISH, SILICONE)
BASES = ("water", "alcohol", "oil", "solvent", "wax")
ROLES = ("film", "soak", "colour", "paint", "primer", "wax", "bleach", "filler", "stripper")
FROM_THE_CAN = "as on my can"
# GHS hazard codes were recalled, not read: they point at what to look for on the label, which rules.
H_CODES_STATUS, H_CODES_SOURCE = (
    FROM_MEMORY,
    "recalled hazard classes; the label and the safety data sheet rule",
)

HOURS = {"min": Fraction(1, 60), "h": Fraction(1), "d": Fraction(24)}


def duration(fact: Fact) -> timedelta:
    """The time a figure in min, h or d stands for, to the second."""
    return timedelta(seconds=round(fact.value * HOURS[fact.unit] * 3600))


@dataclass(frozen=True)
class Product:
    """One generic type of product, or a can of the shop's own; a figure that is not known is None.

    Times are facts in min, h or d, at about 21 °C and 50 % humidity; temperatures in C; ``dampest`` and ``solids``
    in %; ``coverage`` in ft2/US gal or m2/L. ``recoat_until`` is when the window without sanding closes.
    ``wipe`` is when the excess comes off; ``rags`` marks rags that can heat themselves.
    """

    name: str
    family: str
    base: str
    role: str
    also: tuple[str, ...] = ()
    thinning: str = ""
    coverage: Range | None = None
    coats: Range | None = None
    recoat_first: Fact | None = None
    recoat_from: Fact | None = None
    recoat_until: Fact | None = None
    wipe: Range | None = None
    touch: Fact | None = None
    handle: Fact | None = None
    cure: Fact | None = None
    coldest: Fact | None = None
    warmest: Fact | None = None
    dampest: Fact | None = None
    solids: Fact | None = None
    raises_grain: bool = False
    rags: bool = False
    h_codes: tuple[str, ...] = ()
    hazards: tuple[str, ...] = ()
    note: str = ""

    def __post_init__(self) -> None:
        if self.base not in BASES or self.role not in ROLES:
            raise ValueError(f"{self.name}: base and role should be of the lists BASES and ROLES")

    @property
    def facts(self) -> tuple[tuple[str, Fact | Range], ...]:
        """Every known figure with its field name, in the order of the fields."""
        found = ((f.name, getattr(self, f.name)) for f in fields(self))
        return tuple((name, value) for name, value in found if isinstance(value, (Fact, Range)))

    def as_on_my_can(self, **figures: Fact | Range | None) -> Product:
        """The same product with the figures of the shop's own can in place of the shipped ones."""
        return replace(self, **figures)  # type: ignore[arg-type]


@dataclass(frozen=True)
class Verdict:
    """Whether one product may go over a surface: ``answer`` is yes, wait, caution or no; ``wait`` how long at 21 °C.

    ``sand`` asks for sanding between; ``rule`` names the reason in two or three words.
    """

    answer: str
    rule: str = ""
    reason: str = ""
    way_round: str = ""
    wait: timedelta | None = None
    sand: bool = False
    source: str = "common practice, no source"
    status: str = COMMON_PRACTICE


@dataclass(frozen=True)
class Shelf:
    """Products and the rules of what may go over what, as one file holds them."""

    products: tuple[Product, ...]
    groups: Mapping[str, tuple[str, ...]]
    rules: tuple[tuple[frozenset[str], frozenset[str], Verdict], ...]

    def over(self, under: str, family: str) -> Verdict:
        """The verdict on a product family over a surface (a family, or one of ``SURFACES``)."""
        if under == family:
            return Verdict("yes")
        for below, above, verdict in self.rules:
            if _fits(under, below) and _fits(family, above):
                return verdict
        return Verdict(
            "caution",
            "not known",
            f"Nothing is known here about {family} over {under}.",
            "Scuff sand, try it on a scrap, or put a barrier coat of dewaxed shellac between.",
        )

    def may_go_over(self, family: str) -> tuple[tuple[str, Verdict], ...]:
        """Every surface and family with the verdict on putting ``family`` over it."""
        below = dict.fromkeys((*SURFACES, *(p.family for p in self.products)))
        return tuple((under, self.over(under, family)) for under in below)


def _fits(family: str, names: frozenset[str]) -> bool:
    return "any" in names or family in names


class UnknownProduct(ValueError):
    """No one product answers to that name; ``near`` lists those that might be meant."""

    def __init__(self, message: str, near: tuple[str, ...]) -> None:
        super().__init__(message)
        self.near = near


_FACTS = (
    *("recoat_first", "recoat_from", "recoat_until", "touch", "handle", "cure"),
    *("coldest", "warmest", "dampest", "solids"),
)
_RANGES = ("coverage", "coats", "wipe")


def load_shelf(text: str) -> Shelf:
    """The products and rules written down in a TOML text like ``data/products.toml``."""
    data = tomllib.loads(text)
    sources = data["sources"]

    def fact(row: Mapping[str, Any], key: str) -> Fact | None:
        if key not in row:
            return None
        value, unit, source = row[key]
        return Fact(Fraction(value), unit, sources[source]["text"], sources[source]["status"])

    def span(row: Mapping[str, Any], key: str) -> Range | None:
        if key not in row:
            return None
        low, high, unit, source = row[key]
        said = sources[source]
        return Range(Fraction(low), Fraction(high), unit, said["text"], said["status"])

    plain = {f.name for f in fields(Product)} - {*_FACTS, *_RANGES}

    def product(row: Mapping[str, Any]) -> Product:
        values: dict[str, Any] = {
            key: tuple(v) if isinstance(v, list) else v for key, v in row.items() if key in plain
        }
        values |= {key: fact(row, key) for key in _FACTS} | {key: span(row, key) for key in _RANGES}
        return Product(**values)

    products = tuple(product(row) for row in data["product"])
    groups = {name: tuple(members) for name, members in data["groups"].items()}

    def members(names: Sequence[str]) -> frozenset[str]:
        return frozenset(one for name in names for one in groups.get(name, (name,)))

    rules = tuple(
        (
            members(row["under"]),
            members(row["over"]),
            Verdict(
                row["verdict"],
                row.get("rule", ""),
                row.get("reason", ""),
                row.get("way_round", ""),
                timedelta(hours=row["hours"]) if "hours" in row else None,
                row.get("sand", False),
                row.get("source", "common practice, no source"),
                row.get("status", COMMON_PRACTICE),
            ),
        )
        for row in data["over"]
    )
    return Shelf(products, groups, rules)


@cache
def shipped_shelf() -> Shelf:
    """The products and rules that come with the program."""
    text = resources.files("finishes").joinpath("data/products.toml").read_text(encoding="utf-8")
    return load_shelf(text)


def _words(name: str) -> tuple[str, ...]:
    return tuple(sorted(re.findall(r"[^\W_]+", name.lower())))


def find_product(name: str, among: Sequence[Product] | None = None) -> Product:
    """The product of that name, in any order of words. Raises UnknownProduct."""
    known = shipped_shelf().products if among is None else among
    wanted = _words(str(name))
    if not wanted:
        raise UnknownProduct("Name the product.", ())
    for match in (
        lambda p: _words(p.name) == wanted,
        lambda p: wanted in map(_words, p.also),
        lambda p: set(wanted) <= set(_words(p.name)),
    ):
        found = [product for product in known if match(product)]
        if len(found) == 1:
            return found[0]
        if found:
            near = tuple(p.name for p in found)
            raise UnknownProduct(f"“{name}” may be {' or '.join(near)}: say which.", near)
    near = tuple(p.name for p in known if set(wanted) & set(_words(" ".join((p.name, *p.also)))))[:4]
    hint = f" Did you mean {' or '.join(near)}?" if near else ""
    raise UnknownProduct(f"“{str(name)[:40]}” is not a product I know.{hint}", near)


# ---- film thickness ---------------------------------------------------------------------------------------

# 1 US gallon (231 in3) spread a thousandth of an inch thick covers 231 / 0.001 / 144 ft2.
FT2_PER_GAL_AT_ONE_MIL = Fact(
    Fraction(231 * 1000, 144), "ft2 per US gal at 1 mil wet", "231 cubic inches in a US gallon", PUBLISHED
)


def dry_thickness(wet: Fraction, *, solids_percent: Fraction) -> Fraction:
    """How thick a wet film dries, in the unit given; raises ValueError for solids outside 0 to 100 %."""
    if not 0 < solids_percent <= 100:
        raise ValueError("Volume solids run from above 0 to 100 %.")
    return wet * solids_percent / 100


def coverage_at(wet_mil: Fraction) -> Fraction:
    """Square feet a US gallon covers at that wet film, in mil; raises ValueError at zero or below."""
    if wet_mil <= 0:
        raise ValueError("A film has some thickness.")
    return FT2_PER_GAL_AT_ONE_MIL.value / wet_mil
