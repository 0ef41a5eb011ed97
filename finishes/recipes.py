"""How the steps of a recipe are called, how times are written, and what would put a refused step right."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import timedelta
from types import MappingProxyType

from finishes.products import Shelf
from finishes.schedules import (
    APPLYING,
    BLEACH,
    CLEAN,
    COAT,
    FILL,
    HANDLE,
    PRIME,
    RAISE,
    REFUSED,
    REMOVE_WAX,
    RINSE,
    RUB,
    SAND,
    SHIP,
    STAIN,
    STRIP,
    TO_BARE,
    WAIT,
    WAX,
    WIPE,
    Refusal,
    Step,
    judge,
)

# Rules that no reason of hers sets aside: what meets there is poison or fire, not a poor film.
DANGEROUS = frozenset({"two bleaches", "bleach not rinsed", "stripper not washed off"})

ACTION_WORDS = {
    SAND: "Sand",
    RAISE: "Raise the grain with a damp cloth",
    STAIN: "Stain",
    FILL: "Fill the grain",
    PRIME: "Prime",
    COAT: "Coat",
    WIPE: "Wipe off the excess",
    RUB: "Rub down",
    WAIT: "Wait",
    WAX: "Wax",
    CLEAN: "Clean off dust and grease",
    REMOVE_WAX: "Remove old wax",
    STRIP: "Strip",
    TO_BARE: "Sand to bare wood",
    BLEACH: "Bleach",
    RINSE: "Rinse",
    HANDLE: "Put together again",
    SHIP: "Hand over",
}
_BEFORE_PRODUCT = {
    STAIN: "stain with",
    FILL: "fill the grain with",
    PRIME: "prime with",
    WAX: "wax with",
    STRIP: "strip with",
    BLEACH: "bleach with",
}
_ORDINALS = ("first", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth", "ninth", "tenth")


def time_words(minutes: int) -> str:
    """Whole minutes as they can be typed again without loss: "2 days", "36 h", "1 h 40 min"."""
    days, rest = divmod(minutes, 1440)
    if days >= 2 and not rest:
        return f"{days} days"
    hours, left = divmod(minutes, 60)
    return " ".join([*([f"{hours} h"] if hours else []), *([f"{left} min"] if left or not hours else [])])


def titled(steps: Sequence[Step]) -> tuple[Step, ...]:
    """The same steps, each with a name of its own to be called by: "second coat of danish oil", "sand, 220 paper".

    What stood in ``name`` is kept as a remark behind it.
    """
    put_on: dict[str, int] = {}
    coats = [s.product.family for s in steps if s.action == COAT and s.product]
    last: str = ""
    found = []
    for step in steps:
        words = _words(step, put_on, coats, last)
        if step.action in APPLYING and step.product:
            last = step.product.name
        found.append(replace(step, name=", ".join(filter(None, (words, step.name)))))
    return tuple(found)


def _words(step: Step, put_on: dict[str, int], coats: Sequence[str], last: str) -> str:
    product = step.product
    if step.action == COAT and product:
        number = put_on[product.family] = put_on.get(product.family, 0) + 1
        if coats.count(product.family) == 1:
            return f"coat of {product.name}"
        return (
            f"{_ORDINALS[number - 1] if number <= len(_ORDINALS) else f'{number}th'} coat of {product.name}"
        )
    if product and step.action in _BEFORE_PRODUCT:
        return f"{_BEFORE_PRODUCT[step.action]} {product.name}"
    if step.action == WIPE and last:
        return f"wipe off {last}"
    if step.action == WAIT and step.wait:
        return f"wait {time_words(round(step.wait.total_seconds() / 60))}"
    words = ACTION_WORDS[step.action]
    return words[0].lower() + words[1:]


@dataclass(frozen=True)
class Fix:
    """One change that puts a refused step right, tried before it is offered.

    ``verb``: "insert" puts ``action`` (with ``product``) before the step at ``at``, "clear" takes the typed waits
    from step ``at`` up to ``until`` out, "last" moves the step at ``at`` to the end; places count from 0.
    """

    verb: str
    at: int
    words: str
    action: str = ""
    product: str = ""
    until: int = 0


def put_right(fix: Fix, steps: Sequence[Step], *, shelf: Shelf) -> tuple[Step, ...]:
    """The steps with a fix applied."""
    rows = list(steps)
    if fix.verb == "insert":
        product = next((p for p in shelf.products if p.name == fix.product), None)
        rows.insert(fix.at, Step(fix.action, product))
    elif fix.verb == "clear":
        for n in range(fix.at, min(fix.until, len(rows))):
            rows[n] = replace(rows[n], wait=None)
    else:
        rows.append(rows.pop(fix.at))
    return tuple(rows)


def fix_for(refusal: Refusal, steps: Sequence[Step], *, over: str, shelf: Shelf) -> Fix | None:
    """A change that takes this refusal away and leaves no more wrong than before; None where only she can decide."""
    if refusal.severity != REFUSED:
        return None
    before = _refused(steps, over, shelf)
    for fix in _candidates(refusal, steps, shelf):
        after = _refused(put_right(fix, steps, shelf=shelf), over, shelf)
        gone = refusal.rule not in {r.rule for r in after}
        if len(after) < len(before) or (gone and len(after) <= len(before)):
            return fix
    return None


def _refused(steps: Sequence[Step], over: str, shelf: Shelf) -> list[Refusal]:
    return [r for r in judge(steps, over=over, shelf=shelf) if r.severity == REFUSED]


def _candidates(refusal: Refusal, steps: Sequence[Step], shelf: Shelf) -> list[Fix]:
    at = refusal.step - 1
    earlier = [n for n in range(at) if steps[n].applies]
    found = []
    if refusal.rule in {"no wait", "too soon", "wood still damp"} or steps[at].wait is not None:
        start = earlier[-1] if earlier else 0
        found.append(Fix("clear", start, "Wait as long as the product needs", until=at))
    if refusal.rule == "excess not wiped off":
        found += [Fix("insert", place, "Put in: wipe off the excess", WIPE) for place in (at, at + 1)]
    if refusal.rule in DANGEROUS:
        found += [Fix("insert", place, "Put in: rinse", RINSE) for place in (at, at + 1)]
    found.append(Fix("insert", at, "Put in: sand lightly before it", SAND))
    if earlier and steps[earlier[-1]].action == WAX:
        found.append(Fix("last", earlier[-1], "Move the wax to the end"))
    barrier = next((p for p in shelf.products if p.family == "shellac"), None)
    if barrier and steps[at].action in APPLYING:
        found.append(Fix("insert", at, f"Put a barrier coat of {barrier.name} below", COAT, barrier.name))
    return found


@dataclass(frozen=True)
class UsualStep:
    """A step of a usual recipe: an action, with the name of a shipped product where one is put on."""

    action: str
    product: str = ""
    remark: str = ""
    wait: timedelta | None = None


# Starting points to be changed; common practice, no source.
USUAL: Mapping[str, tuple[UsualStep, ...]] = MappingProxyType(
    {
        "Wiping varnish, three thin coats": (
            UsualStep(SAND, remark="120, 150, 180"),
            UsualStep(CLEAN),
            UsualStep(COAT, "wiping varnish"),
            UsualStep(RUB, remark="320 paper"),
            UsualStep(COAT, "wiping varnish"),
            UsualStep(RUB, remark="320 paper"),
            UsualStep(COAT, "wiping varnish"),
        ),
        "Oil, then wax": (
            UsualStep(SAND, remark="150, 180, 220"),
            UsualStep(COAT, "danish oil"),
            UsualStep(WIPE),
            UsualStep(COAT, "danish oil"),
            UsualStep(WIPE),
            UsualStep(WAIT, wait=timedelta(days=3)),
            UsualStep(WAX, "paste wax"),
        ),
        "Shellac and wax": (
            UsualStep(SAND, remark="150, 180, 220"),
            UsualStep(COAT, "shellac, dewaxed (2 lb cut)"),
            UsualStep(RUB, remark="320 paper"),
            UsualStep(COAT, "shellac, dewaxed (2 lb cut)"),
            UsualStep(COAT, "shellac, dewaxed (2 lb cut)"),
            UsualStep(RUB, remark="fine pad"),
            UsualStep(WAX, "paste wax"),
        ),
        "Oil stain under waterborne clear": (
            UsualStep(SAND, remark="120, 150, 180"),
            UsualStep(STAIN, "oil stain (penetrating)"),
            UsualStep(WIPE),
            UsualStep(WAIT, wait=timedelta(hours=24)),
            UsualStep(COAT, "shellac, dewaxed (2 lb cut)"),
            UsualStep(RUB, remark="320 paper"),
            UsualStep(COAT, "waterborne clear"),
            UsualStep(RUB, remark="320 paper"),
            UsualStep(COAT, "waterborne clear"),
        ),
        "Paint over primer": (
            UsualStep(SAND, remark="120, 150"),
            UsualStep(CLEAN),
            UsualStep(PRIME, "shellac primer"),
            UsualStep(RUB, remark="220 paper"),
            UsualStep(COAT, "latex (acrylic) paint"),
            UsualStep(COAT, "latex (acrylic) paint"),
        ),
    }
)
