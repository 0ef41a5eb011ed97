"""``compute remedies``: the order of steps or remedies for a decoded JSON object."""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction
from typing import Any

from estimating.money import BadMoney, Money, currency, round_half_up
from estimating.payload import BadField, Fields
from estimating.remedies.board import Ranking, order_steps, rank
from estimating.remedies.work import BadRemedy, Remedy, Step
from finishes.measures import BadMeasure, read_number

__all__ = ["COMPUTE_HELP", "compute_remedies"]

COMPUTE_HELP = """
The best order of steps that must all work, or of remedies to try until one works.

Input, one of the two shapes:
  {"hour_value": money, "give_up"?: money,
   "steps": [{"name", "hours", "materials", "chance", "after"?: [names], "spoils"?: [names]}]}
  {"hour_value": money, "give_up"?: money,
   "remedies": [{"name", "hours", "materials", "chance", "after"?: [names], "spoils"?: [names]}]}
  A remedy may have "steps" (as above) in place of hours, materials and chance; a step of the same name in two
  remedies is the same work, done and paid once.
  Money and hours are numbers or texts ("12.50"), chances run from 0 to 1. Nothing is taken as 0 because it is missing.

Output: {"order": [names], "expected_cost", "worst_cost", "chance", "worth_it"}
  Money is a text rounded half up to cents; the chance is a number. The cost of an entry is materials plus hours at
  hour_value. "method" is added only when the order is not proved best (more than 12 entries with limits, or too many
  states of shared steps).

Steps: done until the first failure, which costs give_up. Expected cost is the sum of each cost times the chance that
  all before it passed, plus give_up times the chance of failing. Every step is in the order. worst_cost is the same
  for the dearest order that respects "after". What a step spoils is done before it.
Remedies: tried until one works; "order" lists those that are tried. "after" names what must have been tried before
  (needs first), "spoils" what trying this one makes impossible.
  With give_up, paid when nothing worked or nothing is tried, the least expected cost wins, so a remedy whose cost over
  its chance is above give_up is left out. Without give_up giving up is no choice: the highest chance of success wins,
  then the least expected cost. So all are tried that can add to the chance; after a sure one (chance 1) nothing is,
  and before it only what costs less for its chance than the sure one. Where two spoil each other, what leads to the
  higher chance stays. A tie in money goes to trying once more before the sure one, then by name.
  worst_cost is for the dearest order that leaves nothing out that can still be tried, until one works.
worth_it: expected_cost is below give_up; a tie is not worth it. Without give_up it is true unless the chance is 0.

Example: {"hour_value": 18, "give_up": 90, "steps": [
  {"name": "test a corner", "hours": 0.25, "materials": "1.00", "chance": 0.5},
  {"name": "strip the top", "hours": 2, "materials": "9.00", "chance": 0.9, "after": ["test a corner"]}]}
"""

_ENTRY = ("name", "hours", "materials", "chance", "after", "spoils")
_DOLLARS = currency("USD")


def compute_remedies(payload: Mapping[str, Any], _options: object = None) -> dict[str, Any]:
    """The answer of ``compute remedies``; the shapes are in ``COMPUTE_HELP``. Raises ValueError naming the field."""
    fields = Fields(payload, allowed=("hour_value", "give_up", "steps", "remedies"))
    if ("steps" in payload) == ("remedies" in payload):
        raise BadField("steps: give either “steps” or “remedies”")
    hour_value = _amount(fields, "hour_value")
    give_up = _amount(fields, "give_up") if fields.has("give_up") else None
    try:
        if "steps" in payload:
            steps = [_step(row) for row in fields.rows("steps", allowed=_ENTRY, least=1)]
            found = order_steps(steps, hour_value=hour_value, give_up=give_up)
        else:
            rows = fields.rows("remedies", allowed=(*_ENTRY, "steps"), least=1)
            found = rank([_remedy(row) for row in rows], hour_value=hour_value, give_up=give_up)
    except BadRemedy as error:
        raise BadField(f"{'steps' if 'steps' in payload else 'remedies'}: {error}") from error
    return _answer(found)


def _answer(found: Ranking) -> dict[str, Any]:
    answer: dict[str, Any] = {
        "order": list(found.names),
        "expected_cost": _cents(found.expected.cost),
        "worst_cost": _cents(found.worst_cost),
        "chance": float(found.expected.chance),
        "worth_it": found.worth_it,
    }
    return answer if found.exact else {**answer, "method": found.method}


def _cents(value: Fraction) -> str:
    return Money(round_half_up(value * 100), _DOLLARS).typed


def _step(row: Fields) -> Step:
    return Step(
        row.text("name"),
        _number(row, "hours"),
        _amount(row, "materials"),
        _chance(row),
        _names(row, "after"),
        _names(row, "spoils"),
    )


def _remedy(row: Fields) -> Remedy:
    if not row.has("steps"):
        step = _step(row)
        return Remedy.single(
            step.name,
            hours=step.hours,
            materials=step.materials,
            chance=step.chance,
            after=step.after,
            spoils=step.spoils,
        )
    for key in ("hours", "materials", "chance"):
        if row.has(key):
            raise row.bad(key, "belongs to the steps when a remedy has steps")
    steps = tuple(_step(step) for step in row.rows("steps", allowed=_ENTRY, least=1))
    return Remedy(row.text("name"), steps, _names(row, "after"), _names(row, "spoils"))


def _chance(row: Fields) -> Fraction:
    value = _number(row, "chance")
    if value > 1:
        raise row.bad("chance", "a chance runs from 0 to 1: write 0.8 for 80 %")
    return value


def _number(row: Fields, key: str) -> Fraction:
    """A number, or a text with one."""
    value = row.values.get(key)
    if not isinstance(value, str):
        return row.number(key)
    try:
        return read_number(value)
    except BadMeasure as error:
        raise row.bad(key, str(error)) from error


def _amount(row: Fields, key: str) -> Fraction:
    """An amount of money in major units; a number may have more decimals than the currency."""
    value = row.values.get(key)
    if not isinstance(value, str):
        return row.number(key)
    try:
        return Fraction(Money.parse(value, _DOLLARS).decimal)
    except BadMoney as error:
        raise row.bad(key, str(error)) from error


def _names(row: Fields, key: str) -> tuple[str, ...]:
    """A list of names, each once; none when it is absent."""
    if not row.has(key):
        return ()
    value = row.values[key]
    if not isinstance(value, list) or not all(isinstance(name, str) for name in value):
        raise row.bad(key, "a list of names is wanted")
    return tuple(dict.fromkeys(name.strip() for name in value))
