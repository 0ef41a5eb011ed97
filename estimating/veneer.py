"""Veneer: how many leaves cover these panels, matched or not, on one face or both, and what it costs.

Leaves are counted twice, by geometry (strips that really come out of a leaf) and by area with waste; the larger number
is bought. Every side of a panel gets an allowance to trim. A matched face takes consecutive leaves of one flitch,
one strip from each, all from the same place along the leaf. Grain runs along a leaf's length. Knife cuts take no kerf.
Lengths and areas are exact; prices in whole minor units, rounded once.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Any

from estimating.compute import Options
from estimating.money import Currency, Money, split_evenly
from estimating.payload import Fields, figure
from finishes.facts import VENEER_ALLOWANCE
from finishes.measures import Area, Length, trim_decimal

__all__ = ["Covering", "Layout", "Veneer", "VeneerPanel", "VeneerStock", "compute_veneer", "plan"]

GRAINS = ("length", "width", "any")
FACES = ("one", "both", "balanced")
MATCHES = ("none", "slip", "book")
PRICED_BY = ("leaf", "ft2", "m2")
MOST_STRIPS = 100
MOST_PIECES = 2_000
# Beyond this many loose strips each panel is counted by itself.
MOST_LOOSE = 3_000
ALLOWANCE = Length.of(VENEER_ALLOWANCE.value, "in")
NOTHING = Length(0)


@dataclass(frozen=True)
class VeneerPanel:
    """A panel to cover.

    ``grain`` is the side the grain runs along ("any" where it does not matter). ``faces``: "one", "both" with the face
    veneer, or "balanced", a face and a backer. ``match``: "none", "slip" or "book" (an even number of leaves, so that a
    seam lies in the middle). ``end_match`` allows end joints where the panel is longer than the leaf.
    ``back_covered`` says that the other face of a "one" panel already carries veneer.
    """

    name: str
    length: Length
    width: Length
    qty: int = 1
    grain: str = "length"
    faces: str = "balanced"
    match: str = "none"
    end_match: bool = False
    back_covered: bool = False

    def __post_init__(self) -> None:
        if min(self.length, self.width) <= NOTHING or self.qty < 1:
            raise ValueError(
                f"{self.name}: a panel has a length and width above 0 and is made at least once."
            )
        if self.grain not in GRAINS or self.faces not in FACES or self.match not in MATCHES:
            raise ValueError(f"{self.name}: grain, faces or match is not one of the known words.")


@dataclass(frozen=True)
class VeneerStock:
    """Leaves or backed sheets of one size; ``price`` by "leaf", "ft2" or "m2", None when not known.

    ``joint_trim`` is planed off each edge that becomes a seam. ``on_hand`` leaves are used before any is bought.
    """

    name: str
    length: Length
    width: Length
    price: Money | None = None
    price_by: str = "leaf"
    on_hand: int = 0
    joint_trim: Length = NOTHING
    thickness: Length | None = None

    def __post_init__(self) -> None:
        if min(self.length, self.width) <= NOTHING or self.on_hand < 0 or self.joint_trim < NOTHING:
            raise ValueError(f"{self.name}: a leaf has a length and width above 0.")
        if self.price_by not in PRICED_BY:
            raise ValueError(f"{self.name}: a price goes by leaf, ft2 or m2.")

    @property
    def area(self) -> Area:
        """Of one leaf."""
        return self.length.by(self.width)

    def cost_of(self, leaves: int) -> Fraction | None:
        """Minor units for so many leaves, exactly; None when the price is not known."""
        if self.price is None:
            return None
        each = Fraction(1) if self.price_by == "leaf" else self.area.to(self.price_by)
        return self.price.cents * each * leaves


@dataclass(frozen=True)
class Layout:
    """How one face of a panel is laid: ``across`` strips side by side in ``rows``, with their finished widths.

    ``strip_length`` and ``strip_width`` are the rough size each strip is cut to. ``leaves`` is what all faces of this
    panel take by themselves; ``sequence`` how many consecutive leaves a matched face needs, 0 when not matched.
    """

    panel: VeneerPanel
    turned: bool
    across: int
    rows: int
    strip_length: Length
    strip_width: Length
    widths: tuple[Length, ...]
    leaves: int
    sequence: int


@dataclass(frozen=True)
class Covering:
    """One veneer over all faces it covers: leaves by geometry and by area, what is bought, what does not fit."""

    stock: VeneerStock
    layouts: tuple[Layout, ...]
    net: Area
    cut: Area
    by_geometry: int
    by_area: int
    leaves: int
    from_stock: int
    to_buy: int
    cost: Money | None
    unplaced: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class Veneer:
    """Face and backer with cost, what other veneers would come to, warnings and reasons.

    ``cost`` is None when a price is missing or something does not fit. ``saved`` is what the backer saves against face
    veneer on both sides, None when it can't be told.
    """

    face: Covering
    backer: Covering | None
    cost: Money | None
    saved: Money | None
    others: tuple[Covering, ...]
    warnings: tuple[str, ...]
    reasons: tuple[str, ...]


@dataclass(frozen=True)
class _Job:
    allowance: Length
    waste: Fraction
    money_of: Currency | None
    system: str

    def shown(self, length: Length) -> str:
        return length.shown(self.system)


def plan(
    panels: Sequence[VeneerPanel],
    faces: Sequence[VeneerStock],
    *,
    backers: Sequence[VeneerStock] = (),
    allowance: Length = ALLOWANCE,
    waste_percent: Fraction | int = 0,
    money_of: Currency | None = None,
    system: str = "imperial",
) -> Veneer:
    """Leaves, layout and cost for these panels from the cheapest of ``faces`` that fits, and of ``backers``.

    ``allowance`` goes on every side. Backs of "balanced" panels are cut from a backer, unmatched, or from the face
    veneer when no backer is named. Raises ValueError for no panel, no veneer or prices in two currencies.
    """
    if not panels or not faces:
        raise ValueError("Name at least one panel and one veneer.")
    if sum(panel.qty for panel in panels) > MOST_PIECES:
        raise ValueError(f"More than {MOST_PIECES} panels is more than this program plans at once.")
    waste = Fraction(waste_percent)
    if waste < 0 or allowance < NOTHING:
        raise ValueError("Waste and allowance can't be negative.")
    currencies = {stock.price.currency for stock in (*faces, *backers) if stock.price}
    currencies |= {money_of} if money_of else set()
    if len(currencies) > 1:
        raise ValueError("The prices are in different currencies.")
    job = _Job(allowance, waste, next(iter(currencies), None), system)
    ordered = sorted(panels, key=lambda panel: (-panel.length.nm, -panel.width.nm, panel.name))
    fronts = [(panel, panel.qty * (2 if panel.faces == "both" else 1)) for panel in ordered]
    backs = [(replace(panel, match="none"), panel.qty) for panel in ordered if panel.faces == "balanced"]
    if backs and not backers:
        fronts += backs
    found = sorted((_cover(stock, fronts, job) for stock in faces), key=_rank)
    face = found[0]
    backer = None
    if backs and backers:
        backer = min((_cover(stock, backs, job) for stock in backers), key=_rank)
    parts = [face] + ([backer] if backer else [])
    costs = [covering.cost for covering in parts if covering.cost is not None]
    cost = Money.total(costs, costs[0].currency) if costs and len(costs) == len(parts) else None
    saved = None
    if backer is not None and cost is not None:
        both = _cover(face.stock, [*fronts, *backs], job).cost
        saved = both - cost if both is not None else None
    return Veneer(
        face=face,
        backer=backer,
        cost=cost,
        saved=saved,
        others=tuple(found[1:]),
        warnings=_warnings(ordered, face, backer, has_backer=bool(backers), job=job),
        reasons=_reasons(face, backer, saved, job),
    )


def _rank(covering: Covering) -> tuple[int, bool, int, int, str]:
    """Least left uncovered, known price, money, area bought."""
    return (
        len(covering.unplaced),
        covering.cost is None,
        covering.cost.cents if covering.cost else 0,
        covering.to_buy * covering.stock.area.amount,
        covering.stock.name,
    )


def _cover(stock: VeneerStock, wanted: Sequence[tuple[VeneerPanel, int]], job: _Job) -> Covering:
    layouts: list[Layout] = []
    unplaced: list[tuple[str, str]] = []
    loose: list[tuple[Length, Length]] = []
    # What is left along the leaves of matched faces; loose strips may come out of it.
    matched: list[int] = []
    net = cut = 0
    for panel, count in wanted:
        laid = _lay(panel, count, stock, job)
        if isinstance(laid, str):
            unplaced.append((panel.name, laid))
            continue
        layouts.append(laid)
        net += panel.length.nm * panel.width.nm * count
        cut += laid.strip_length.nm * laid.strip_width.nm * laid.across * laid.rows * count
        if laid.sequence:
            matched += _left_along(laid, count, stock)
        else:
            loose += [(laid.strip_length, laid.strip_width)] * (laid.across * laid.rows * count)
    apart = sum(laid.leaves for laid in layouts if not laid.sequence)
    by_geometry = len(matched) + apart
    if len(loose) <= MOST_LOOSE:
        by_geometry = min(by_geometry, _pack(loose, stock, matched))
    with_waste = cut * (1 + job.waste / 100) / stock.area.amount
    by_area = -(-with_waste.numerator // with_waste.denominator)
    leaves = max(by_geometry, by_area)
    from_stock = min(stock.on_hand, leaves)
    to_buy = leaves - from_stock
    exact = stock.cost_of(to_buy) if to_buy else Fraction(0)
    cost = None
    if exact is not None and job.money_of is not None and not unplaced:
        cost = Money.rounded(exact, job.money_of)
    return Covering(
        stock=stock,
        layouts=tuple(layouts),
        net=Area(net),
        cut=Area(cut),
        by_geometry=by_geometry,
        by_area=by_area,
        leaves=leaves,
        from_stock=from_stock,
        to_buy=to_buy,
        cost=cost,
        unplaced=tuple(unplaced),
    )


def _lay(panel: VeneerPanel, count: int, stock: VeneerStock, job: _Job) -> Layout | str:
    """The best layout of one panel, or the reason why it can't be cut from this stock."""
    ways = {"length": (False,), "width": (True,), "any": (False, True)}[panel.grain]
    found = [_lay_along(panel, count, stock, job, turned=turned) for turned in ways]
    good = [laid for laid in found if isinstance(laid, Layout)]
    if good:
        return min(
            good,
            key=lambda laid: (
                laid.leaves,
                laid.across * laid.rows,
                laid.across * laid.rows * laid.strip_length.nm * laid.strip_width.nm,
            ),
        )
    return str(found[0])


def _lay_along(
    panel: VeneerPanel, count: int, stock: VeneerStock, job: _Job, *, turned: bool
) -> Layout | str:
    along, across = (panel.width, panel.length) if turned else (panel.length, panel.width)
    seam = stock.joint_trim
    step = 2 if panel.match == "book" else 1
    strips = _strips(across, stock.width, job.allowance, seam, step=step)
    if strips is None:
        return f"even {MOST_STRIPS} strips of {stock.name} don't cover {job.shown(across)} across the grain"
    rows = _strips(along, stock.length, job.allowance, seam, step=step, first=1)
    if rows is None or (rows[0] > 1 and not panel.end_match):
        need = along + job.allowance + job.allowance
        return (
            f"{job.shown(need)} with allowance is longer than a leaf of {stock.name}, {job.shown(stock.length)}: "
            "take longer leaves or allow end joints"
        )
    places = max(1, stock.length.nm // rows[1].nm)
    sequence = strips[0] * rows[0] if panel.match != "none" else 0
    if sequence:
        leaves = sequence * -(-count // places)
    else:
        beside = max(1, stock.width.nm // strips[1].nm)
        leaves = -(-strips[0] * rows[0] * count // (places * beside))
    return Layout(
        panel=panel,
        turned=turned,
        across=strips[0],
        rows=rows[0],
        strip_length=rows[1],
        strip_width=strips[1],
        widths=tuple(Length(width) for width in split_evenly(across.nm, strips[0])),
        leaves=leaves,
        sequence=sequence,
    )


def _strips(
    size: Length, leaf: Length, allowance: Length, seam: Length, *, step: int, first: int | None = None
) -> tuple[int, Length] | None:
    """The fewest equal strips that make ``size`` from a leaf, and the rough size of the widest; None when none do.

    Outer edges carry the allowance, edges at a seam what is planed off there.
    """
    for count in (
        number for number in range(first or step, MOST_STRIPS + 1) if number == first or number % step == 0
    ):
        finished = Length(-(-size.nm // count))
        if count == 1:
            rough = finished + allowance + allowance
        elif count == 2:
            rough = finished + allowance + seam
        else:
            rough = finished + max(allowance, seam) + seam
        if rough <= leaf:
            return count, rough
    return None


def _left_along(layout: Layout, count: int, stock: VeneerStock) -> list[int]:
    """The length left on each leaf that the matched faces of a panel take."""
    places = max(1, stock.length.nm // layout.strip_length.nm)
    left: list[int] = []
    while count > 0:
        taken = min(count, places)
        left += [stock.length.nm - taken * layout.strip_length.nm] * layout.sequence
        count -= taken
    return left


def _pack(pieces: Sequence[tuple[Length, Length]], stock: VeneerStock, opened: Sequence[int]) -> int:
    """Leaves in all, with loose strips of all panels laid the better of two ways; ``opened`` leaves come first."""
    sizes = [(length.nm, width.nm) for length, width in pieces]
    turned = [(width, length) for length, width in sizes]
    return min(
        _pack_rows(sizes, stock.length.nm, stock.width.nm, opened),
        len(opened) + _pack_rows(turned, stock.width.nm, stock.length.nm, ()),
    )


def _pack_rows(sizes: Sequence[tuple[int, int]], long: int, wide: int, opened: Sequence[int]) -> int:
    """First fit by falling length: pieces side by side in rows, rows one after another in leaves."""
    rows: list[tuple[int, int]] = []
    for length, width in sorted(sizes, reverse=True):
        for at, (row_length, left) in enumerate(rows):
            if width <= left:
                rows[at] = (row_length, left - width)
                break
        else:
            rows.append((length, wide - width))
    leaves = sorted(opened)
    for row_length, _ in rows:
        for at, left in enumerate(leaves):
            if row_length <= left:
                leaves[at] = left - row_length
                break
        else:
            leaves.append(long - row_length)
    return len(leaves)


def _warnings(
    panels: Sequence[VeneerPanel], face: Covering, backer: Covering | None, *, has_backer: bool, job: _Job
) -> tuple[str, ...]:
    said = []
    bare = [panel.name for panel in panels if panel.faces == "one" and not panel.back_covered]
    if bare:
        said.append(
            f"Only one face covered: {', '.join(dict.fromkeys(bare))}. Veneer on one face pulls a panel hollow; cover the "
            "back too, a cheaper backer will do."
        )
    if any(panel.faces == "balanced" for panel in panels) and not has_backer:
        said.append(
            "No backer named, so the backs are reckoned in face veneer: a cheaper backer may save money."
        )
    matched = [layout for layout in face.layouts if layout.sequence > 1]
    if matched:
        most = max(layout.sequence for layout in matched)
        said.append(
            f"Ask for {most} consecutive leaves of one flitch, numbered: matched faces need them in sequence."
        )
        if face.from_stock and face.to_buy:
            said.append("Leaves on hand match only if they come from the same flitch as those bought.")
    if backer is not None and face.stock.thickness and backer.stock.thickness:
        thin, thick = sorted((face.stock.thickness, backer.stock.thickness))
        if thick.nm > 2 * thin.nm:
            said.append(
                f"Face and backer differ in thickness ({job.shown(face.stock.thickness)} and "
                f"{job.shown(backer.stock.thickness)}): the thicker one pulls harder."
            )
    for covering in (face, backer):
        if covering is not None and covering.cost is None and not covering.unplaced:
            said.append(f"No price for {covering.stock.name}: ask for it, it is not free.")
    return tuple(said)


def _reasons(face: Covering, backer: Covering | None, saved: Money | None, job: _Job) -> tuple[str, ...]:
    said = [f"{job.shown(job.allowance)} more on every side to trim."]
    for covering in (face, backer):
        if covering is None:
            continue
        for layout in covering.layouts:
            widths = ", ".join(dict.fromkeys(job.shown(width) for width in layout.widths))
            rows = f" in {layout.rows} rows with end joints" if layout.rows > 1 else ""
            match = "" if layout.panel.match == "none" else f", {layout.panel.match} matched"
            plural = "strips" if layout.across > 1 else "strip"
            said.append(
                f"{layout.panel.name}: {layout.across} {plural} of {covering.stock.name} {widths} wide finished"
                f"{rows}{match}, each cut {job.shown(layout.strip_length)} x {job.shown(layout.strip_width)}."
            )
        larger = "geometry" if covering.by_geometry >= covering.by_area else "area"
        said.append(
            f"{covering.stock.name}: {covering.by_geometry} by geometry, {covering.by_area} by area with "
            f"{trim_decimal(job.waste, 1)} % waste; {larger} decides: {covering.leaves}, {covering.from_stock} on hand, "
            f"{covering.to_buy} to buy."
        )
    if saved is not None and saved.cents > 0:
        said.append(f"The backer saves {saved} against face veneer on both sides.")
    elif saved is not None and saved.cents < 0:
        said.append(f"Face veneer on both sides would be {-saved} cheaper than this backer.")
    return tuple(said)


COMPUTE_HELP = """
compute veneer: leaves of veneer for panels, matched or not, with a backer for balance

Input, a JSON object (? = may be left out):
  panels     list of {"name"?, "length", "width", "qty"?, "grain"?, "faces"?, "match"?, "end_match"?,
             "back_covered"?}
             grain: length (default), width or any, the side the grain runs along
             faces: balanced (default: a face and a backer), both, or one
             match: none (default), slip or book (an even number of leaves)
             end_match: true allows end joints where a panel is longer than the leaf
             back_covered: true when the other face of a "one" panel already carries veneer
  veneers    list of {"name"?, "length", "width", "price"?, "by"?, "on_hand"?, "joint_trim"?, "thickness"?}
             length along the grain; by: leaf (default), ft2 or m2; joint_trim planed off each seam edge
  backers?   the same, for the backs of balanced panels
  allowance?      on every side, default 1/2 in; may be 0
  waste_percent?  for the count by area, default 0;  currency? default USD
  system?         imperial (default) or metric: how the texts speak

  Lengths are text ("24 in", "600 mm", "23 5/8") or numbers; without a unit they are inches.

Output:
  face, backer   {"stock", "leaves", "by_geometry", "by_area", "on_hand", "to_buy", "cost", "area_net",
                 "area_cut", "layouts", "unplaced"}; backer null when there is none
                 layouts: [{"panel", "strips", "rows", "cut_length", "cut_width" (text, and _mm, _in numbers),
                 "widths" (finished, text), "widths_mm", "sequence", "turned"}]
  cost           text, null when a price is missing or something does not fit
  saved          text, what the backer saves, or null
  warnings, reasons, others (dearer veneers: {"stock", "to_buy", "cost"})

Example:
  echo '{"panels":[{"name":"top","length":"48 in","width":"20 in","match":"book"}],
         "veneers":[{"name":"leaf","length":"8 ft","width":"7 in","price":"14.00"}],
         "backers":[{"name":"backer","length":"8 ft","width":"4 ft","price":"38.00"}],
         "waste_percent":25}' | python manage.py compute veneer
"""

_STOCK_KEYS = ("length", "width", "price", "by", "on_hand", "joint_trim", "thickness")


def _read_stock(row: Fields, name: str, money_of: Currency) -> VeneerStock:
    return VeneerStock(
        name=row.text("name", default=name),
        length=row.length("length"),
        width=row.length("width"),
        price=row.money("price", money_of) if row.has("price") else None,
        price_by=row.choice("by", PRICED_BY, default="leaf"),
        on_hand=row.whole("on_hand", default=0, least=0),
        joint_trim=row.length("joint_trim", default=NOTHING, zero=True),
        thickness=row.length("thickness") if row.has("thickness") else None,
    )


def compute_veneer(payload: Mapping[str, Any], _options: Options | None = None) -> dict[str, Any]:
    """The JSON contract of ``compute veneer``, as ``COMPUTE_HELP`` tells it; raises ValueError naming the field."""
    fields = Fields(
        payload, allowed=("panels", "veneers", "backers", "allowance", "waste_percent", "currency", "system")
    )
    system = fields.choice("system", ("imperial", "metric"), default="imperial")
    money_of = fields.currency()
    panel_keys = ("length", "width", "qty", "grain", "faces", "match", "end_match", "back_covered")
    panels = [
        VeneerPanel(
            name=row.text("name", default=f"panel {at + 1}"),
            length=row.length("length"),
            width=row.length("width"),
            qty=row.whole("qty", default=1, most=MOST_PIECES),
            grain=row.choice("grain", GRAINS, default="length"),
            faces=row.choice("faces", FACES, default="balanced"),
            match=row.choice("match", MATCHES, default="none"),
            end_match=row.flag("end_match"),
            back_covered=row.flag("back_covered"),
        )
        for at, row in enumerate(fields.rows("panels", allowed=panel_keys, least=1))
    ]
    faces = [
        _read_stock(row, f"veneer {at + 1}", money_of)
        for at, row in enumerate(fields.rows("veneers", allowed=_STOCK_KEYS, least=1))
    ]
    backers = [
        _read_stock(row, f"backer {at + 1}", money_of)
        for at, row in enumerate(fields.rows("backers", allowed=_STOCK_KEYS, optional=True))
    ]
    found = plan(
        panels,
        faces,
        backers=backers,
        allowance=fields.length("allowance", default=ALLOWANCE, zero=True),
        waste_percent=fields.percent("waste_percent", default=0),
        money_of=money_of,
        system=system,
    )
    return {
        "face": _covering_json(found.face, system),
        "backer": _covering_json(found.backer, system) if found.backer else None,
        "cost": found.cost.typed if found.cost is not None else None,
        "saved": found.saved.typed if found.saved is not None else None,
        "others": [
            {
                "stock": other.stock.name,
                "to_buy": other.to_buy,
                "cost": other.cost.typed if other.cost is not None else None,
            }
            for other in found.others
        ],
        "warnings": list(found.warnings),
        "reasons": list(found.reasons),
    }


def _covering_json(covering: Covering, system: str) -> dict[str, Any]:
    return {
        "stock": covering.stock.name,
        "leaves": covering.leaves,
        "by_geometry": covering.by_geometry,
        "by_area": covering.by_area,
        "on_hand": covering.from_stock,
        "to_buy": covering.to_buy,
        "cost": covering.cost.typed if covering.cost is not None else None,
        "area_net": covering.net.show("ft2", 6),
        "area_cut": covering.cut.show("ft2", 6),
        "layouts": [
            {
                "panel": layout.panel.name,
                "strips": layout.across,
                "rows": layout.rows,
                "cut_length": layout.strip_length.shown(system),
                "cut_length_in": figure(layout.strip_length.to("in")),
                "cut_length_mm": figure(layout.strip_length.to("mm")),
                "cut_width": layout.strip_width.shown(system),
                "cut_width_in": figure(layout.strip_width.to("in")),
                "cut_width_mm": figure(layout.strip_width.to("mm")),
                "widths": [width.shown(system) for width in layout.widths],
                "widths_mm": [figure(width.to("mm")) for width in layout.widths],
                "sequence": layout.sequence,
                "turned": layout.turned,
            }
            for layout in covering.layouts
        ],
        "unplaced": [{"panel": name, "why": why} for name, why in covering.unplaced],
    }
