"""How much was taken from a can, a box or a sheet: by tenths, by weighing, by area; exact."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

from finishes.measures import Area, BadMeasure, Mass, Volume, trim_decimal

MILLION = 1_000_000
# What three thirds or ten tenths leave behind in millionths is no material.
DUST_MILLIONTHS = 10


class BadAmount(ValueError):
    """An amount that can't be worked out; the message says why and what would do."""


def millionths(quantity: Fraction) -> int:
    """A quantity in whole millionths of its unit, half up."""
    scaled = quantity * MILLION
    return (2 * scaled.numerator + scaled.denominator) // (2 * scaled.denominator)


def by_tenths(lot_quantity: Fraction, tenths: int) -> Fraction:
    """So many tenths of a full lot, in its unit."""
    return lot_quantity * tenths / 10


def weighs(unit: str) -> bool:
    """Whether what is counted in ``unit`` can be found by weighing: a unit of mass, or of volume with a density."""
    return _factor(Mass, unit) is not None or _factor(Volume, unit) is not None


def needs_density(unit: str) -> bool:
    """Whether weighing in ``unit`` asks for a density: litres do, grams don't."""
    return _factor(Mass, unit) is None and _factor(Volume, unit) is not None


def by_weighing(*, before: Mass, after: Mass, unit: str, density_g_per_l: int | None = None) -> Fraction:
    """What was taken out between two weighings, in ``unit``: (before - after) / density, exact.

    The can itself is in both weights and cancels out. Raises BadAmount: nothing was taken, the unit is one of pieces,
    or a unit of volume comes without a density.
    """
    if after.amount >= before.amount:
        raise BadAmount("It weighs no less than before: nothing was taken.")
    grams = (before - after).to("g")
    if (unit_of_mass := _factor(Mass, unit)) is not None:
        return grams * Mass.factor("g") / unit_of_mass
    unit_of_volume = _factor(Volume, unit)
    if unit_of_volume is None:
        raise BadAmount(
            f"Weighing tells nothing about something counted in {unit}. Use tenths or a quantity."
        )
    if not density_g_per_l:
        raise BadAmount("Write the density: it is on the label or the data sheet, near 0.9 for most oils.")
    return grams / density_g_per_l * Volume.factor("l") / unit_of_volume


def by_area(part: Area, whole: Area) -> Fraction:
    """What share of a sheet a smaller one is. Raises BadAmount for one that is no part of it."""
    if part.amount >= whole.amount:
        raise BadAmount("An offcut is smaller than what it was cut from.")
    return Fraction(part.amount, whole.amount)


def take_from(lots: Sequence[tuple[int, int]], wanted: int) -> tuple[list[tuple[int, int]], int]:
    """Takes ``wanted`` millionths from (lot, left) in turn: (lot, taken) picks, and what none of them could give.

    A remainder too small to be material goes with the last pick, so that the last use of a lot is its last.
    """
    picks: list[tuple[int, int]] = []
    for lot, left in lots:
        if wanted <= 0 or (picks and wanted <= DUST_MILLIONTHS):
            break
        if left <= 0:
            continue
        taken = left if abs(left - wanted) <= DUST_MILLIONTHS else min(left, wanted)
        picks.append((lot, taken))
        wanted -= taken
    return picks, 0 if wanted <= 0 or (picks and wanted <= DUST_MILLIONTHS) else wanted


COUNTED = (
    "piece",
    "box",
    "sheet",
    "board",
    "roll",
    "set",
    "can",
    "tube",
    "bottle",
    "jar",
    "bag",
    "pack",
    "strip",
)


def in_words(quantity_millionths: int, unit: str) -> str:
    """A quantity with its unit: "0.35 qt", "1 sheet", "12 pieces"; measures such as qt or kg keep their form."""
    many = unit in COUNTED and quantity_millionths > MILLION
    plural = f"{unit}es" if unit.endswith("x") else f"{unit}s"
    return f"{trim_decimal(Fraction(quantity_millionths, MILLION), 3)} {plural if many else unit}".strip()


def _factor(kind: type[Mass] | type[Volume], unit: str) -> Fraction | None:
    try:
        return kind.factor(unit)
    except BadMeasure:
        return None
