"""Which engines answer on the command line, and where each lives.

An entry is a name, one summary line and the lazy address ``module:function``. The function takes the decoded JSON
object and an ``Options``, returns a plain dict, and raises ValueError with one sentence for a bad value. What
``--help`` prints is the module's ``COMPUTE_HELP`` (a text, or a mapping by name), else the function's docstring.
Nothing is imported until its name is asked for.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from importlib import import_module
from inspect import getdoc
from typing import Any, NoReturn

__all__ = ["TOOLS", "Options", "Tool", "decode", "encode", "find"]

LARGEST_INPUT = 20_000_000


@dataclass(frozen=True)
class Options:
    """Command-line settings an engine may mind: time limit, seed, iteration count and stage limit of a layout."""

    seconds: float | None = None
    seed: int | None = None
    iterations: int | None = None
    max_stages: int | None = None


@dataclass(frozen=True)
class Tool:
    """One engine on the command line."""

    name: str
    summary: str
    address: str

    def load(self) -> Callable[[dict[str, Any], Options], Mapping[str, Any]]:
        """The function behind the name; raises ValueError when it is not installed."""
        module_name, function_name = self.address.split(":")
        try:
            module = import_module(module_name)
        except ModuleNotFoundError as error:
            if error.name != module_name:
                raise
            raise ValueError("is not installed") from error
        function = getattr(module, function_name, None)
        if function is None:
            raise ValueError("is not installed")
        return function

    def help(self) -> str:
        """Input, output and an example, as the engine's own module tells them."""
        function = self.load()
        text = getattr(import_module(self.address.split(":")[0]), "COMPUTE_HELP", None)
        if isinstance(text, Mapping):
            text = text.get(self.name)
        return (text or getdoc(function) or self.summary).strip()

    def run(self, payload: dict[str, Any], options: Options) -> Mapping[str, Any]:
        """The engine's answer; raises ValueError for a bad value."""
        return self.load()(payload, options)


TOOLS: Mapping[str, Tool] = {
    name: Tool(name, summary, address)
    for name, summary, address in (
        ("sheets", "lay parts out on sheets with guillotine cuts", "estimating.sheets:compute"),
        ("veneer", "leaves of veneer for panels, faces and backers", "estimating.veneer:compute_veneer"),
        ("lumber", "board feet and boards for a cut list", "estimating.lumber:compute_lumber"),
        (
            "coating",
            "finish or glue for an area, and the cheapest cans",
            "estimating.coating:compute_coating",
        ),
        ("glueup", "will the clamps reach the pressure wanted", "estimating.glueup:compute_glueup"),
        ("fit", "does a part go into a slot or an opening", "estimating.fit:compute_fit"),
        ("remedies", "best order of tests or of remedies", "estimating.remedies:compute_remedies"),
        ("ceiling", "the most to pay for a find", "estimating.pricing:compute_ceiling"),
        ("colour", "difference of two colours, CIEDE2000", "finishes.colour:compute_colour"),
        ("moisture", "equilibrium moisture and dew point", "finishes.wood:compute_moisture"),
        ("movement", "how much a panel swells or shrinks", "finishes.wood:compute_movement"),
        ("schedule", "when each coat can go on", "finishes.schedules:compute_schedule"),
    )
}


def find(name: str) -> Tool:
    """The tool of that name; raises ValueError that lists the names."""
    if name not in TOOLS:
        raise ValueError(f"“{name}” is not one of: {', '.join(TOOLS)}")
    return TOOLS[name]


def decode(raw: bytes) -> dict[str, Any]:
    """The JSON object in UTF-8 ``raw``; raises ValueError for bad text, bad JSON, a repeated key or NaN."""
    if len(raw) > LARGEST_INPUT:
        raise ValueError("the input is larger than 20 MB")
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise ValueError(f"the input is not UTF-8 text (byte {error.start})") from error
    if not text.strip():
        raise ValueError("the input is empty: a JSON object is wanted")
    try:
        payload = json.loads(
            text, object_pairs_hook=_once, parse_constant=_no_constant, parse_float=_finite, parse_int=_whole
        )
    except json.JSONDecodeError as error:
        raise ValueError(f"not JSON: {error.msg} (line {error.lineno}, column {error.colno})") from error
    except RecursionError as error:
        raise ValueError("not JSON I can read: nested too deeply") from error
    if not isinstance(payload, dict):
        raise ValueError(f"a JSON object is wanted, not {_kind(payload)}")
    return payload


def encode(answer: Mapping[str, Any]) -> str:
    """Compact JSON in ASCII; exact numbers become JSON numbers; raises ValueError rather than write NaN."""
    return json.dumps(answer, separators=(",", ":"), allow_nan=False, default=_plain)


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for key, value in pairs:
        if key in found:
            raise ValueError(f"the key “{key}” comes twice")
        found[key] = value
    return found


def _no_constant(name: str) -> NoReturn:
    raise ValueError(f"{name} is not a number")


def _finite(text: str) -> float:
    number = float(text)
    if number in (float("inf"), float("-inf")):
        raise ValueError(f"{text} is too large a number")
    return number


def _whole(text: str) -> int:
    if len(text) > 40:
        raise ValueError(f"{text[:20]}... is too large a number")
    return int(text)


def _kind(value: object) -> str:
    kinds = {list: "a list", str: "a text", bool: "true or false", int: "a number", float: "a number"}
    return kinds.get(type(value), "null")


def _plain(value: object) -> int | float:
    if isinstance(value, (Fraction, Decimal)):
        exact = Fraction(value)
        return exact.numerator if exact.denominator == 1 else float(exact)
    raise TypeError(f"{type(value).__name__} can't be written as JSON")
