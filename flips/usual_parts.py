"""The parts that furniture of a kind usually has, as a list to tick: our own, common practice, no source."""

from __future__ import annotations

from dataclasses import dataclass

from flips.models.parts import Material


@dataclass(frozen=True)
class Usual:
    """A part one expects: its name, how many in the whole piece, what it is most often made of, and its sub-parts."""

    name: str
    count: int = 1
    material: Material = Material.UNKNOWN
    below: tuple[Usual, ...] = ()


@dataclass(frozen=True)
class Line:
    """One line of the list to tick: its number, its depth in the tree, and the number of the line it belongs to."""

    number: int
    depth: int
    above: int | None
    part: Usual


SOLID, METAL, GLASS, FABRIC = Material.SOLID, Material.METAL, Material.GLASS, Material.FABRIC


def _drawers(count: int) -> Usual:
    return Usual(
        "Drawer",
        count,
        below=(
            Usual("Drawer front", count),
            Usual("Drawer side", 2 * count, SOLID),
            Usual("Drawer back", count, SOLID),
            Usual("Drawer bottom", count),
            Usual("Pull", 2 * count, METAL),
            Usual("Lock", count, METAL),
        ),
    )


def _doors(count: int) -> Usual:
    return Usual(
        "Door",
        count,
        below=(
            Usual("Door frame", count, SOLID),
            Usual("Door panel", count),
            Usual("Hinge", 2 * count, METAL),
            Usual("Catch", count, METAL),
            Usual("Knob", count),
        ),
    )


def _carcase(*more: Usual) -> tuple[Usual, ...]:
    return (Usual("Top"), Usual("Side", 2), Usual("Back"), *more)


def _legs_and_rails(stretchers: int) -> tuple[Usual, ...]:
    return (
        Usual("Leg", 4, SOLID),
        Usual("Front rail", 1, SOLID),
        Usual("Back rail", 1, SOLID),
        Usual("Side rail", 2, SOLID),
        Usual("Stretcher", stretchers, SOLID),
        Usual("Corner block", 4, SOLID),
    )


KINDS: dict[str, tuple[Usual, ...]] = {
    "Dresser": _carcase(
        Usual("Dust panel", 3),
        Usual("Drawer runner", 8, SOLID),
        Usual("Base or plinth"),
        Usual("Foot", 4, SOLID),
        _drawers(4),
        Usual("Mirror", 1, GLASS, (Usual("Mirror frame", 1, SOLID), Usual("Mirror support", 2, SOLID))),
    ),
    "Nightstand": _carcase(Usual("Shelf"), Usual("Leg", 4, SOLID), _drawers(1)),
    "Cabinet": _carcase(
        Usual("Bottom"), Usual("Shelf", 2), Usual("Base or plinth"), _doors(2), Usual("Glass pane", 2, GLASS)
    ),
    "Bookcase": _carcase(Usual("Shelf", 4), Usual("Shelf pin", 16, METAL), Usual("Base or plinth")),
    "Desk": (
        Usual("Top"),
        Usual("Writing surface", 1, FABRIC),
        Usual("Pedestal", 2),
        Usual("Modesty panel"),
        *_legs_and_rails(1),
        _drawers(5),
    ),
    "Table": (
        Usual("Top", 1, SOLID),
        Usual("Leaf", 2),
        Usual("Apron", 4, SOLID),
        Usual("Leg", 4, SOLID),
        Usual("Leaf slide", 2, SOLID),
        Usual("Table clip", 8, METAL),
        Usual("Glide or caster", 4, METAL),
    ),
    "Chair": (
        Usual("Seat", 1, below=(Usual("Webbing", 1, FABRIC), Usual("Padding"), Usual("Cover", 1, FABRIC))),
        Usual("Front leg", 2, SOLID),
        Usual("Back leg", 2, SOLID),
        Usual("Front rail", 1, SOLID),
        Usual("Back rail", 1, SOLID),
        Usual("Side rail", 2, SOLID),
        Usual("Stretcher", 3, SOLID),
        Usual("Crest rail", 1, SOLID),
        Usual("Splat or spindle", 1, SOLID),
        Usual("Arm", 2, SOLID),
        Usual("Corner block", 4, SOLID),
    ),
    "Bed": (
        Usual("Headboard"),
        Usual("Footboard"),
        Usual("Side rail", 2, SOLID),
        Usual("Rail hook", 8, METAL),
        Usual("Slat", 12, SOLID),
        Usual("Centre support"),
    ),
    "Bench or stool": (Usual("Seat"), *_legs_and_rails(2)),
    "Trunk": (
        Usual("Lid"),
        Usual("Front"),
        Usual("Back"),
        Usual("End", 2),
        Usual("Bottom"),
        Usual("Hinge", 2, METAL),
        Usual("Hasp or lock", 1, METAL),
        Usual("Handle", 2),
        Usual("Tray"),
    ),
}

# What else people call a kind; looked for in what they typed.
ALSO_CALLED = {
    "Dresser": ("dresser", "chest of drawers", "commode", "bureau", "vanity", "tallboy", "highboy"),
    "Nightstand": ("nightstand", "bedside", "night stand"),
    "Cabinet": ("cabinet", "sideboard", "credenza", "buffet", "hutch", "armoire", "wardrobe", "cupboard"),
    "Bookcase": ("bookcase", "shelf", "shelves", "bookshelf"),
    "Desk": ("desk", "secretary"),
    "Table": ("table",),
    "Chair": ("chair", "rocker"),
    "Bed": ("bed", "headboard", "crib"),
    "Bench or stool": ("bench", "stool", "ottoman"),
    "Trunk": ("trunk", "blanket chest", "box", "chest"),
}


def kind_of(*texts: str) -> str | None:
    """The kind that is meant in what was typed about a piece, by the longest name found; None when none is."""
    found: list[tuple[int, int, str]] = []
    for text in texts:
        words = text.lower()
        found += [
            (len(name), -place, kind)
            for place, (kind, names) in enumerate(ALSO_CALLED.items())
            for name in names
            if name in words
        ]
        if found:
            return max(found)[2]
    return None


def lines_of(kind: str) -> list[Line]:
    """The list for a kind, each part followed by its sub-parts."""
    lines: list[Line] = []

    def walk(parts: tuple[Usual, ...], depth: int, above: int | None) -> None:
        for part in parts:
            line = Line(len(lines), depth, above, part)
            lines.append(line)
            walk(part.below, depth + 1, line.number)

    walk(KINDS[kind], 0, None)
    return lines
