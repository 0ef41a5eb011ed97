"""What would make a step fail, asked of the engines at hand before it begins; pure, without the database."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from estimating.fit import built_up, into_slot, measured
from estimating.glueup import Clamps, Conditions, Joint, judge
from finishes.forces import Force
from finishes.glue import Adhesive
from finishes.measures import Length, Temperature, trim_decimal
from finishes.products import Shelf, Verdict

GOOD, BAD, ASK = "good", "bad", "ask"


@dataclass(frozen=True)
class StepCheck:
    """One thing that could make the step fail: how it stands ("good", "bad", or "ask" for what is not known yet)."""

    about: str
    standing: str
    text: str
    more: tuple[str, ...] = ()

    @property
    def is_bad(self) -> bool:
        """Whether it speaks against beginning."""
        return self.standing == BAD


def temperature_check(
    now: Temperature | None, *, least: Sequence[tuple[str, Temperature]], system: str
) -> StepCheck | None:
    """Whether it is warm enough for the step and its glue; None when nothing asks for warmth."""
    if not least:
        return None
    why, coldest = max(least, key=lambda row: row[1].celsius)
    wanted = f"{why} wants at least {coldest.shown(system)}"
    if now is None:
        return StepCheck("Temperature", ASK, f"{wanted}. How warm is it?")
    if now.celsius < coldest.celsius:
        return StepCheck("Temperature", BAD, f"{now.shown(system)} now, and {wanted}.")
    return StepCheck("Temperature", GOOD, f"{now.shown(system)} now; {wanted}.")


def stock_check(material: str, *, wanted: Fraction, left: Fraction | None, unit: str) -> StepCheck:
    """Whether there is enough of a material; ``left`` is None when no lot has that name."""
    need = f"{trim_decimal(wanted, 3)} {unit} {material}".replace("  ", " ")
    if left is None:
        return StepCheck("Stock", BAD, f"{need} planned, and there is none of that name in stock.")
    have = f"{trim_decimal(left, 3)} {unit} left".replace("  ", " ")
    if left < wanted:
        return StepCheck("Stock", BAD, f"{need} planned, only {have}.")
    return StepCheck("Stock", GOOD, f"{need} planned, {have}.")


def clamp_check(clamps: int | None, *, needs: int | None) -> StepCheck | None:
    """Whether there are as many clamps as the step was planned with; None when it was planned with none."""
    if needs is None:
        return None
    if clamps is None:
        return StepCheck("Clamps", ASK, f"It was planned with {needs} clamps. How many have you?")
    if clamps < needs:
        return StepCheck("Clamps", BAD, f"It takes {needs} clamps and you have {clamps}.")
    return StepCheck("Clamps", GOOD, f"It takes {needs} clamps and you have {clamps}.")


def glue_check(
    *,
    joint: Joint | None,
    adhesive: Adhesive | None,
    clamps: int | None,
    force: Force | None,
    room: Temperature | None,
    thin_face: bool,
    system: str,
    owned: Sequence[Clamps] = (),
) -> StepCheck:
    """The glue-up's verdict with its figures, or what is still wanted to give one.

    Clamps typed for this step go before ``owned``, those the shop has counted.
    """
    typed = (Clamps(clamps, force),) if clamps is not None and force is not None and force.lbf else ()
    at_hand = typed or tuple(owned)
    missing = [
        words
        for words, is_missing in (
            ("how large the joint is", joint is None),
            ("which glue", adhesive is None),
            (
                "how many clamps, and what one presses",
                adhesive is not None and not adhesive.sticks_by_touch and not at_hand,
            ),
        )
        if is_missing
    ]
    if joint is None or adhesive is None or missing:
        return StepCheck(
            "Glue-up", ASK, f"Say {', '.join(missing)}, and it is worked out before you spread any."
        )
    found = judge(
        joint,
        clamps=at_hand,
        adhesive=adhesive,
        conditions=Conditions(room=room),
        thin_face=thin_face,
        system=system,
    )
    more = (*found.reasons, *(f"{way.name}: {way.text}" for way in found.alternatives if way.would_do))
    return StepCheck(
        "Glue-up", GOOD if found.holds else BAD, found.verdict[:1].upper() + found.verdict[1:] + ".", more
    )


def fit_check(
    part: str, *, thickness: Sequence[Length], opening: Sequence[Length], system: str
) -> StepCheck | None:
    """Whether a part goes into its opening, where both were measured."""
    if not thickness or not opening:
        return None
    found = into_slot(built_up([measured(thickness, name=part)]), opening, system=system)
    standing = GOOD if found.fits else BAD
    return StepCheck("Fit", standing, f"{part}: {found.verdict}.", found.reasons)


STANDING_OF = {"yes": GOOD, "wait": ASK, "caution": ASK, "no": BAD}


def coat_check(shelf: Shelf, *, under: str, over: str) -> StepCheck | None:
    """Whether a coat may go over what is there; None while one of the two is not said."""
    if not under or not over:
        return None
    verdict: Verdict = shelf.over(under, over)
    text = f"{over.capitalize()} over {under}: {verdict.answer}."
    if verdict.reason:
        text = f"{text} {verdict.reason}"
    more = [verdict.way_round] if verdict.way_round else []
    if verdict.sand:
        more.append("Sand between.")
    return StepCheck("Coats", STANDING_OF.get(verdict.answer, ASK), text, tuple(more))
