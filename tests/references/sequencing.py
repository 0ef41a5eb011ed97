"""Orders of tests and tries with a known best.

Own instances, every feasible order enumerated (or every adaptive strategy weighed) in exact fractions; the rules they
check are those of Mitten (Journal of Industrial Engineering, 1960), Simon and Kadane (Artificial Intelligence 6, 1975)
and Unluyurt (Discrete Applied Mathematics 142, 2004); that the ratio rule fails from three levels on is shown by Boros
and Unluyurt (DIMACS Technical Report 99-24).
"""

from dataclasses import dataclass


@dataclass(frozen=True)
class Sequence:
    key: str
    kind: str  # "or": try until one works; "and": all must pass
    costs: tuple[str, ...]
    chances: tuple[str, ...]
    after: dict[str, str]
    best_order: str
    best: str
    worst: str


SEQUENCES = (
    Sequence("seq01", "or", ("5", "20", "8"), ("0.5", "0.9", "0.4"), {}, "ACB", "15.0", "21.1"),
    Sequence(
        "seq02", "and", ("6", "3", "10", "4"), ("0.8", "0.95", "0.5", "0.9"), {}, "CADB", "15.68", "18.77"
    ),
    # A final sure alternative D: C has ratio 75, above 60, and is never tried.
    Sequence("seq03", "or", ("4", "12", "30", "60"), ("0.3", "0.5", "0.4", "1"), {}, "ABD", "33.4", "66.0"),
    Sequence(
        "seq04",
        "or",
        ("10", "6", "15", "2"),
        ("0.2", "0.7", "0.6", "0.1"),
        {"B": "A"},
        "ABDC",
        "18.52",
        "24.368",
    ),
    Sequence(
        "seq06",
        "or",
        ("3", "9", "7", "20", "80"),
        ("0.1", "0.5", "0.3", "0.6", "1"),
        {"B": "A", "D": "C"},
        "ABCDE",
        "30.63",
        "80.0",
    ),
    Sequence(
        "seq07", "or", ("7", "7", "7", "7"), ("0.2", "0.4", "0.6", "0.8"), {}, "DCBA", "9.296", "17.304"
    ),
    # B and the sure E tie at a ratio of 25.
    Sequence(
        "seq09",
        "or",
        ("2", "5", "1", "9", "25"),
        ("0.05", "0.2", "0.02", "0.5", "1"),
        {},
        "DBE",
        "21.5",
        "26.235",
    ),
    Sequence(
        "seq11",
        "and",
        ("4", "6", "2", "9"),
        ("0.9", "0.4", "0.85", "0.6"),
        {"B": "C", "D": "A"},
        "CBAD",
        "11.214",
        "15.934",
    ),
)


@dataclass(frozen=True)
class Tree:
    key: str
    tree: tuple  # ("or" | "and", parts), a part being a tree or a letter
    costs: tuple[str, ...]
    chances: tuple[str, ...]
    level_by_level: str
    adaptive: str
    chance: str


TREES = (
    Tree(
        "sp01",
        ("or", (("and", "AB"), ("and", "CD"))),
        ("3", "5", "8", "2"),
        ("0.9", "0.6", "0.95", "0.8"),
        "10.032",
        "10.032",
        "0.8896",
    ),
    Tree(
        "sp02",
        ("or", (("and", "ABC"), "D")),
        ("2", "4", "1", "15"),
        ("0.8", "0.7", "0.9", "0.85"),
        "13.12",
        "13.12",
        "0.9256",
    ),
    Tree(
        "sp05",
        ("or", (("and", ("A", ("or", "BC"))), ("and", "DE"))),
        ("1", "4", "6", "7", "2"),
        ("0.7", "0.5", "0.6", "0.8", "0.9"),
        "9.552",
        "9.552",
        "0.8768",
    ),
    # The ratio rule level by level is beaten here.
    Tree(
        "sp06",
        ("or", (("and", ("A", ("or", "BC"))), ("and", ("D", ("or", "EF"))))),
        ("4", "3", "4", "8", "5", "2"),
        ("0.9", "0.5", "0.1", "0.5", "0.5", "0.9"),
        "11.87125",
        "11.2425",
        "0.734875",
    ),
    Tree(
        "sp07",
        ("and", (("or", "AB"), ("or", "CD"), "E")),
        ("3", "4", "2", "8", "1"),
        ("0.6", "0.5", "0.4", "0.95", "0.9"),
        "10.036",
        "10.036",
        "0.6984",
    ),
)
