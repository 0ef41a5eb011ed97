"""Blank calculators: the engines on typed figures, without any piece.

They stand on this floor, not on ``estimating``'s, because they speak the shop's units and currency and know its clamps.
Each is a form that asks by address, so that an answer can be kept as a bookmark and works without scripts; rows are
added by a button that keeps what was typed.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import path, reverse
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from estimating import coating, fit, glueup, lumber, veneer
from estimating.money import BadMoney, Money
from estimating.sawing import Source, drawn, exactly, part_size, read, size_words, stored
from estimating.sawing import cut_words as cut_in_words
from estimating.sheets import Panel, Sheet, lay_out
from finishes.facts import CLAMP_FORCES
from finishes.glue import ADHESIVES
from finishes.measures import Area, BadMeasure, Length, Volume, read_number
from flips.models import Units
from flips.models.tools import Clamp
from flips.pages.answers import Done, answer, go, once
from flips.pages.forms import LengthField, MoneyField, RecordForm, current_shop, forms

MOST_ROWS = 30
MORE_ROWS = 4
SECONDS_FOR_SHEETS = 2.0


def _text(label: str, *, required: bool = False, help_text: str = "", **attrs: str) -> forms.CharField:
    return forms.CharField(
        label=label,
        required=required,
        max_length=80,
        help_text=help_text,
        widget=forms.TextInput(attrs={"autocomplete": "off", **attrs}),
    )


class MeasureField(forms.CharField):
    """A typed measure, checked and handed on as text with its unit: the engines read text."""

    def __init__(self, *, kind: type[Length] | type[Area] | type[Volume] = Length, **kwargs: Any) -> None:
        kwargs.setdefault("max_length", 60)
        kwargs.setdefault("widget", forms.TextInput(attrs={"autocomplete": "off"}))
        super().__init__(**kwargs)
        self.kind = kind

    def clean(self, value: Any) -> str:
        text = super().clean(value)
        if not text:
            return ""
        unit = current_shop().length_unit if self.kind is Length else None
        try:
            self.kind.parse(text, unit)
        except BadMeasure as bad:
            raise forms.ValidationError(str(bad)) from bad
        if unit is None:
            return text
        try:
            read_number(text)
        except BadMeasure:
            return text
        return f"{text} {unit}"


class ReadingsField(forms.CharField):
    """Several lengths in one line, parted by semicolons."""

    def __init__(self, **kwargs: Any) -> None:
        kwargs.setdefault("help_text", "Several points, parted by a semicolon: 23 5/8; 23 11/16.")
        super().__init__(max_length=200, **kwargs)

    def clean(self, value: Any) -> list[str]:
        text = super().clean(value)
        one = MeasureField(required=True)
        return [one.clean(part) for part in text.split(";") if part.strip()] if text else []


class NumberField(forms.CharField):
    """A typed number, fractions welcome, handed on as text."""

    def __init__(self, **kwargs: Any) -> None:
        kwargs.setdefault("widget", forms.TextInput(attrs={"inputmode": "decimal", "autocomplete": "off"}))
        super().__init__(max_length=20, **kwargs)

    def clean(self, value: Any) -> str:
        text = super().clean(value).replace("%", "").strip()
        if text:
            try:
                number = read_number(text)
            except BadMeasure as bad:
                raise forms.ValidationError(str(bad)) from bad
            return f"{float(number):g}" if number.denominator != 1 else str(number)
        return ""


class PriceField(MoneyField):
    """A typed price, handed on as text in major units."""

    def to_python(self, value: Any) -> Any:
        cents = super().to_python(value)
        return None if cents is None else Money(cents, current_shop().currency).typed


def _given(**values: Any) -> dict[str, Any]:
    """Only what was filled in."""
    return {key: value for key, value in values.items() if value not in (None, "", [], False)}


class CountField(NumberField):
    """How many: a whole number from 1 on, empty for one."""

    def clean(self, value: Any) -> int:  # type: ignore[override]
        text = super().clean(value)
        if not text:
            return 1
        if not text.isdigit() or not 1 <= int(text) <= 999:
            raise forms.ValidationError("Write a whole number from 1 to 999.")
        return int(text)


@dataclass(frozen=True)
class Table:
    """Rows of a calculator: the name of their fields, what they are, and what makes a row count."""

    prefix: str
    legend: str
    form: type[forms.Form]
    key: str
    rows: int = 2


@dataclass(frozen=True)
class Calculator:
    """One calculator: its form, its rows, what it asks the engine and how the answer looks."""

    slug: str
    title: str
    icon: str
    intro: str
    head: type[forms.Form]
    tables: tuple[Table, ...]
    reckon: Callable[[Mapping[str, Any], Mapping[str, list[dict[str, Any]]]], dict[str, Any]]
    template: str
    caution: str = ""
    begin: Callable[[], dict[str, Any]] = field(default=dict)


def _currency() -> str:
    return current_shop().currency_code


# Glue-up


class GlueHead(forms.Form):
    """One glue line."""

    length = MeasureField(label="Length of the joint")
    width = MeasureField(label="Width of the joint")
    adhesive = forms.ChoiceField(
        label="Glue", choices=[(key, one.name) for key, one in ADHESIVES.items()], required=False
    )
    density = forms.ChoiceField(
        label="The wood is",
        choices=[
            ("low", "Soft: pine, poplar"),
            ("medium", "Medium: cherry, walnut"),
            ("high", "Hard: oak, birch"),
        ],
        initial="medium",
        required=False,
    )
    pressure_psi = NumberField(
        label="Pressure wanted, psi", required=False, help_text="Empty: as the glue asks."
    )
    spread_depth = MeasureField(label="Caul and stock under the jaw", required=False)
    thin_face = forms.BooleanField(label="It is veneer", required=False)
    vacuum_inhg = NumberField(label="Vacuum bag, inches of mercury", required=False)
    use_vacuum = forms.BooleanField(label="Use the bag instead of clamps", required=False)
    joints = NumberField(label="How many joints", required=False)
    seconds_each = NumberField(label="Seconds for each", required=False)
    room = _text("Room temperature", help_text="70 F or 21 C")
    moisture_percent = _text("Moisture of the wood, %", help_text="Several readings, parted by a semicolon.")


class ClampRow(forms.Form):
    """Clamps of one kind."""

    name = _text("Kind", list="clamp-kinds")
    count = CountField(label="How many", required=False)
    force_lbf = NumberField(label="Pounds each", required=False)


def _glue_begin() -> dict[str, Any]:
    return {
        "clamps": [
            {"name": clamp.name, "count": clamp.count, "force_lbf": clamp.force_lbf}
            for clamp in Clamp.objects.filter(count__gt=0)
        ]
    }


def _number(text: str) -> int | float:
    value = read_number(text)
    return int(value) if value.denominator == 1 else float(value)


def _glue(head: Mapping[str, Any], tables: Mapping[str, list[dict[str, Any]]]) -> dict[str, Any]:
    payload = _given(
        length=head["length"],
        width=head["width"],
        spread_depth=head["spread_depth"],
        room=head["room"],
        thin_face=head["thin_face"],
        use_vacuum=head["use_vacuum"],
        currency=_currency(),
        system=current_shop().units,
    )
    if head["pressure_psi"]:
        payload["pressure_psi"] = _number(head["pressure_psi"])
    if head["adhesive"]:
        payload |= {"adhesive": head["adhesive"], "density": head["density"] or "medium"}
    for name in ("vacuum_inhg", "joints", "seconds_each"):
        if head[name]:
            payload[name] = _number(head[name])
    if head["moisture_percent"]:
        payload["moisture_percent"] = [
            _number(part) for part in head["moisture_percent"].split(";") if part.strip()
        ]
    payload["clamps"] = [
        {"name": row["name"] or "clamp", "count": row["count"], "force_lbf": _number(row["force_lbf"])}
        for row in tables["clamps"]
        if row["force_lbf"]
    ]
    return glueup.compute_glueup(payload)


# Coating


class CoatHead(forms.Form):
    """What goes on, and what is at hand."""

    coats = CountField(label="Coats", required=False)
    cover_area = MeasureField(kind=Area, label="Covers", help_text="As on the can: 400 ft2 or 10 m2")
    cover_volume = MeasureField(kind=Volume, label="from", help_text="1 gal or 1 l")
    first_extra = NumberField(label="First coat takes more by, %", required=False)
    waste = NumberField(label="For brush and tray, %", required=False)
    on_hand = MeasureField(kind=Volume, label="Open cans hold", required=False)


SHAPES = [
    ("flat", "Flat"),
    ("edged", "Flat with edges"),
    ("panelled", "Frame and panel"),
    ("turned", "Turned"),
    ("tapered", "Square taper"),
]


class SurfaceRow(forms.Form):
    """One kind of surface."""

    shape = forms.ChoiceField(label="Shape", choices=SHAPES, required=False)
    length = MeasureField(label="Length", required=False)
    width = MeasureField(label="Width, or thickest", required=False)
    other = MeasureField(label="Thickness, or foot", required=False)
    sides = CountField(label="Sides", required=False)
    qty = CountField(label="How many", required=False)


class CanRow(forms.Form):
    """A can size in the shop."""

    size = MeasureField(kind=Volume, label="Can", required=False)
    price = PriceField(label="Price", required=False)


def _surface(row: Mapping[str, Any]) -> dict[str, Any]:
    shape = row["shape"] or "flat"
    made: dict[str, Any] = {"shape": shape, "length": row["length"], "qty": row["qty"]}
    if shape == "turned":
        return made | {"diameter": row["width"]}
    if shape == "tapered":
        return made | {"top": row["width"], "foot": row["other"] or row["width"]}
    made["width"] = row["width"]
    if shape in ("flat", "edged", "panelled"):
        made["sides"] = row["sides"]
    if shape == "edged":
        made["thickness"] = row["other"]
    return made


def _coat(head: Mapping[str, Any], tables: Mapping[str, list[dict[str, Any]]]) -> dict[str, Any]:
    coat: dict[str, Any] = {
        "count": head["coats"],
        "coverage": {"area": head["cover_area"], "volume": head["cover_volume"]},
    }
    if head["first_extra"]:
        coat["first_extra_percent"] = _number(head["first_extra"])
    payload = {
        "surfaces": [_surface(row) for row in tables["surfaces"]],
        "coats": [coat],
        "waste_percent": _number(head["waste"]) if head["waste"] else 0,
        "on_hand": head["on_hand"] or 0,
        "cans": [
            {"size": row["size"], "price": row["price"]} for row in tables["cans"] if row["price"] is not None
        ],
        "currency": _currency(),
    }
    return coating.compute_coating(payload)


# Veneer


class VeneerHead(forms.Form):
    """How it is laid."""

    allowance = MeasureField(label="More on every side", required=False, help_text="Empty: 1/2 in.")
    waste = NumberField(label="Waste, %", required=False)


class VeneerPanelRow(forms.Form):
    """A panel to be covered."""

    name = _text("Panel")
    length = MeasureField(label="Length", required=False)
    width = MeasureField(label="Width", required=False)
    qty = CountField(label="How many", required=False)
    match = forms.ChoiceField(
        label="Match", choices=[("none", "None"), ("slip", "Slip"), ("book", "Book")], required=False
    )
    faces = forms.ChoiceField(
        label="Faces",
        choices=[("balanced", "Face and backer"), ("both", "Both in face veneer"), ("one", "One only")],
        required=False,
    )


class LeafRow(forms.Form):
    """Veneer as it is sold."""

    name = _text("Veneer")
    length = MeasureField(label="Length", required=False)
    width = MeasureField(label="Width", required=False)
    price = PriceField(label="Price of a leaf", required=False)
    backer = forms.BooleanField(label="For the backs", required=False)


def _veneer(head: Mapping[str, Any], tables: Mapping[str, list[dict[str, Any]]]) -> dict[str, Any]:
    def leaf(row: Mapping[str, Any], place: int) -> dict[str, Any]:
        return _given(
            name=row["name"] or f"leaf {place}", length=row["length"], width=row["width"], price=row["price"]
        )

    leaves = [(row, leaf(row, place)) for place, row in enumerate(tables["leaves"], 1)]
    payload: dict[str, Any] = {
        "panels": [
            _given(
                name=row["name"] or f"panel {place}",
                length=row["length"],
                width=row["width"],
                qty=row["qty"],
                match=row["match"] or "none",
                faces=row["faces"] or "balanced",
            )
            for place, row in enumerate(tables["panels"], 1)
        ],
        "veneers": [made for row, made in leaves if not row["backer"]],
        "currency": _currency(),
        "system": current_shop().units,
    }
    if backers := [made for row, made in leaves if row["backer"]]:
        payload["backers"] = backers
    if head["allowance"]:
        payload["allowance"] = head["allowance"]
    if head["waste"]:
        payload["waste_percent"] = _number(head["waste"])
    return veneer.compute_veneer(payload)


# Lumber


class LumberHead(forms.Form):
    """How it is sawn and priced."""

    kerf = MeasureField(label="Saw cut", required=False)
    waste = NumberField(label="Waste, %", required=False)
    price_per_bf = PriceField(label="Price a board foot", required=False)


class LumberPartRow(forms.Form):
    """A part at its finished size."""

    name = _text("Part")
    length = MeasureField(label="Length", required=False)
    width = MeasureField(label="Width", required=False)
    thickness = MeasureField(label="Thickness", required=False)
    qty = CountField(label="How many", required=False)


class BoardRow(forms.Form):
    """A board as the yard has it, or one on hand."""

    name = _text("Board")
    thickness = MeasureField(label="Rough thickness", required=False)
    width = MeasureField(label="Width", required=False)
    length = MeasureField(label="Length", required=False)
    price = PriceField(label="Price a board foot", required=False)


def _lumber(head: Mapping[str, Any], tables: Mapping[str, list[dict[str, Any]]]) -> dict[str, Any]:
    payload: dict[str, Any] = {
        "parts": [
            _given(
                name=row["name"] or f"part {place}",
                length=row["length"],
                width=row["width"],
                thickness=row["thickness"],
                qty=row["qty"],
            )
            for place, row in enumerate(tables["parts"], 1)
        ],
        "currency": _currency(),
        "system": current_shop().units,
    }
    boards = [
        _given(
            name=row["name"] or f"board {place}",
            thickness=row["thickness"],
            width=row["width"],
            length=row["length"],
            price=row["price"],
        )
        for place, row in enumerate(tables["boards"], 1)
    ]
    if boards:
        payload["boards"] = boards
    if head["kerf"]:
        payload["kerf"] = head["kerf"]
    if head["waste"]:
        payload["waste_percent"] = _number(head["waste"])
    if head["price_per_bf"] is not None:
        payload["price_per_bf"] = head["price_per_bf"]
    return lumber.compute_lumber(payload)


# Fit


class SlotHead(forms.Form):
    """A part for a slot."""

    slot = ReadingsField(label="The slot is", help_text="Measured at several points, parted by a semicolon.")
    thickness = ReadingsField(
        label="The part is",
        required=False,
        help_text="Its thickness at several points; or name its layers below.",
    )
    nominal = _text("or plywood called", help_text="3/4, 23/32…")
    veneer = MeasureField(label="Veneer on each face", required=False)
    glue_lines = NumberField(label="Glue lines", required=False)
    slip = MeasureField(label="To spare", required=False, help_text="Empty: 1/64 in.")
    wall = MeasureField(label="Wall beside the slot", required=False)
    least_wall = MeasureField(label="of which must stay", required=False)


def _fit(head: Mapping[str, Any], _tables: Mapping[str, list[dict[str, Any]]]) -> dict[str, Any]:
    layers: list[dict[str, Any]] = []
    if head["thickness"]:
        layers.append({"name": "core", "thickness": head["thickness"]})
    elif head["nominal"]:
        layers.append({"nominal": head["nominal"]})
    if head["veneer"]:
        layers.append({"name": "veneer", "thickness": head["veneer"], "count": 2})
    if head["glue_lines"]:
        layers.append({"glue_lines": int(_number(head["glue_lines"]))})
    if not layers:
        raise ValueError("Say how thick the part is, or what the plywood is called.")
    only_readings = len(layers) == 1 and head["thickness"]
    payload = _given(
        slot=head["slot"],
        part={"readings": head["thickness"]} if only_readings else {"layers": layers},
        slip=head["slip"],
        walls=[head["wall"]] if head["wall"] else None,
        least_wall=head["least_wall"],
        system=current_shop().units,
    )
    return fit.compute_fit(payload)


class OpeningHead(forms.Form):
    """A panel for an opening."""

    widths = ReadingsField(label="Widths, top to bottom")
    heights = ReadingsField(label="Heights, left to right")
    diagonals = ReadingsField(label="Diagonals", required=False, help_text="Both, parted by a semicolon.")
    gap = MeasureField(label="Gap all round", required=False)
    panel_widths = ReadingsField(label="The panel's width", required=False)
    panel_heights = ReadingsField(label="The panel's height", required=False)


def _opening(head: Mapping[str, Any], _tables: Mapping[str, list[dict[str, Any]]]) -> dict[str, Any]:
    opening = _given(
        widths=head["widths"], heights=head["heights"], diagonals=head["diagonals"], gap=head["gap"]
    )
    payload: dict[str, Any] = {"opening": opening, "system": current_shop().units}
    if head["panel_widths"] and head["panel_heights"]:
        payload["panel"] = {"widths": head["panel_widths"], "heights": head["panel_heights"]}
    return fit.compute_fit(payload)


# Sheet goods


class SheetHead(forms.Form):
    """How it is sawn."""

    kerf = LengthField(label="Saw cut", required=False, allow_zero=True)
    trim = LengthField(label="Off every edge", required=False, allow_zero=True)
    keep = LengthField(label="Keep offcuts from", required=False, help_text="Both ways at least so much.")
    three = forms.BooleanField(label="At most three stages: rip, cross, rip", required=False)


class PanelRow(forms.Form):
    """A part to be cut; its length runs with the grain."""

    name = _text("Part")
    length = LengthField(label="Length", required=False)
    width = LengthField(label="Width", required=False)
    qty = CountField(label="How many", required=False)
    turns = forms.BooleanField(label="May turn", required=False)


class SheetRow(forms.Form):
    """A sheet to buy, or an offcut on hand."""

    name = _text("Sheet")
    length = LengthField(label="Length", required=False)
    width = LengthField(label="Width", required=False)
    price = MoneyField(label="Price", required=False)
    qty = CountField(label="At hand", required=False)
    offcut = forms.BooleanField(label="On hand already", required=False)


def _sheet_begin() -> dict[str, Any]:
    shop = current_shop()
    whole = ("8'", "4'") if shop.units == Units.IMPERIAL else ("2440 mm", "1220 mm")
    return {
        "kerf": Length(shop.kerf_nm),
        "keep": Length(shop.smallest_offcut_nm),
        "sheets": [{"name": "Whole sheet", "length": whole[0], "width": whole[1]}],
    }


def _sheets(head: Mapping[str, Any], tables: Mapping[str, list[dict[str, Any]]]) -> dict[str, Any]:
    panels = [
        Panel(row["name"] or f"part {place}", row["length"], row["width"], row["qty"], not row["turns"])
        for place, row in enumerate(tables["panels"], 1)
    ]
    sheets, sources, texts = [], {}, {}
    for place, row in enumerate(tables["sheets"], 1):
        if row["price"] is None and not row["offcut"]:
            raise ValueError(
                f"What does “{row['name'] or 'the sheet'}” cost? A price that is missing is not taken as nothing."
            )
        name = row["name"] or f"sheet {place}"
        if name in sources:
            raise ValueError(f"Two sheets are called “{name}”: name them apart.")
        sheets.append(
            Sheet(
                name,
                row["length"],
                row["width"],
                0 if row["offcut"] else row["price"],
                row["qty"] if row["offcut"] else None,
                is_offcut=row["offcut"],
            )
        )
        sources[name] = Source("stock" if row["offcut"] else "buy", place, name)
    for length in [side for panel in panels for side in (panel.length, panel.width)]:
        texts[length.nm] = length.text
    layout = lay_out(
        panels,
        sheets,
        kerf=head["kerf"] or Length(0),
        trim=head["trim"] or Length(0),
        keep=(head["keep"], head["keep"]) if head["keep"] else None,
        max_stages=3 if head["three"] else None,
        iterations=None,
        seconds=SECONDS_FOR_SHEETS,
    )
    system = current_shop().units
    plan = read(stored(layout, sources, texts=texts))
    return {
        "layout": layout,
        "cost_cents": layout.cost_cents,
        "bound": layout.bound_text,
        "not_placed": layout.not_placed,
        "sheets": [
            {
                "sheet": sheet,
                "drawing": drawn(sheet, system),
                "size": size_words(sheet.length, sheet.width, system),
                "cuts": [(cut.number, cut_in_words(cut, sheet, system)) for cut in sheet.cuts],
                "parts": [(one.place, one.name, part_size(one, system)) for one in sheet.placed],
                "offcuts": [size_words(one.length, one.width, system) for one in sheet.offcuts],
            }
            for sheet in plan.sheets
        ],
        "kerf": exactly(head["kerf"] or Length(0), system),
    }


BLADES = "Follow your saw's own manual: guards in place, eye and ear protection on, unplug before you touch the blade."
FUMES = "Solvent glues and finishes burn and harm lungs: air, no flame, and the label and safety data sheet first."

CALCULATORS: dict[str, Calculator] = {
    one.slug: one
    for one in (
        Calculator(
            "sheets",
            "Sheet goods",
            "layers",
            "Parts in, a plan to saw from out.",
            SheetHead,
            (
                Table("panels", "Parts to cut", PanelRow, "length", 4),
                Table("sheets", "Sheets and offcuts", SheetRow, "length"),
            ),
            _sheets,
            "flips/calculators/_sheets.html",
            BLADES,
            _sheet_begin,
        ),
        Calculator(
            "veneer",
            "Veneer",
            "leaf",
            "How many leaves, matched or not, and a backer for balance.",
            VeneerHead,
            (
                Table("panels", "Panels to cover", VeneerPanelRow, "length"),
                Table("leaves", "Veneer as it is sold", LeafRow, "length"),
            ),
            _veneer,
            "flips/calculators/_veneer.html",
        ),
        Calculator(
            "lumber",
            "Boards",
            "tree-pine",
            "Board feet and boards for solid parts.",
            LumberHead,
            (
                Table("parts", "Finished parts", LumberPartRow, "length", 3),
                Table("boards", "Boards to be had", BoardRow, "length", 1),
            ),
            _lumber,
            "flips/calculators/_lumber.html",
            BLADES,
        ),
        Calculator(
            "coating",
            "Finish by area",
            "paint-roller",
            "How much goes on, and the cheapest cans.",
            CoatHead,
            (
                Table("surfaces", "Surfaces", SurfaceRow, "length", 3),
                Table("cans", "Cans to be had", CanRow, "size"),
            ),
            _coat,
            "flips/calculators/_coating.html",
            FUMES,
        ),
        Calculator(
            "glueup",
            "Glue-up",
            "square-stack",
            "Will the clamps hold it? Asked before glue is spread.",
            GlueHead,
            (Table("clamps", "Clamps", ClampRow, "force_lbf", 3),),
            _glue,
            "flips/calculators/_glueup.html",
            FUMES,
            _glue_begin,
        ),
        Calculator(
            "fit",
            "Into a slot",
            "ruler",
            "Does the part go into the slot?",
            SlotHead,
            (),
            _fit,
            "flips/calculators/_fit.html",
        ),
        Calculator(
            "opening",
            "Into an opening",
            "scan",
            "Is the opening square, and does the panel go in?",
            OpeningHead,
            (),
            _opening,
            "flips/calculators/_fit.html",
        ),
    )
}


@require_GET
def calculators(request: HttpRequest) -> HttpResponse:
    """All calculators."""
    return answer(request, "flips/calculators/all.html", {"calculators": CALCULATORS.values()})


@dataclass
class _Rows:
    table: Table
    forms: list[forms.Form]

    @property
    def filled(self) -> list[dict[str, Any]]:
        """The rows in which something that counts was typed."""
        return [form.cleaned_data for form in self.forms if form.cleaned_data.get(self.table.key)]


def _rows_of(request: HttpRequest, one: Calculator, begin: Mapping[str, Any], typed: bool) -> list[_Rows]:
    made = []
    for table in one.tables:
        start = list(begin.get(table.prefix, ()))
        count = max(table.rows, len(start) + 1)
        asked = request.GET.get(f"{table.prefix}-rows", "")
        if asked.isdigit():
            count = min(MOST_ROWS, max(1, int(asked)))
        if request.GET.get("more") == table.prefix:
            count = min(MOST_ROWS, count + MORE_ROWS)
        made.append(
            _Rows(
                table,
                [
                    table.form(
                        request.GET if typed else None,
                        prefix=f"{table.prefix}{place}",
                        initial=start[place] if place < len(start) else {},
                    )
                    for place in range(count)
                ],
            )
        )
    return made


@require_GET
def calculator(request: HttpRequest, slug: str) -> HttpResponse:
    """One calculator with its answer beside what was typed."""
    one = CALCULATORS.get(slug)
    if one is None:
        raise Http404("There is no such calculator.")
    typed = "reckon" in request.GET or "more" in request.GET
    begin = {} if typed else one.begin()
    head = one.head(request.GET if typed else None, initial=begin)
    tables = _rows_of(request, one, begin, typed)
    context: dict[str, Any] = {"one": one, "form": head, "tables": tables}
    if "reckon" in request.GET:
        rows_fine = [form.is_valid() for rows in tables for form in rows.forms]
        if head.is_valid() and all(rows_fine):
            missing = [
                rows.table.legend
                for rows in tables
                if not rows.filled and rows.table.prefix not in ("boards", "cans", "clamps")
            ]
            if missing:
                context["refused"] = f"Fill in at least one row under “{missing[0]}”."
            else:
                context |= _answered(one, head, tables)
        else:
            context["refused"] = "Some of it can't be read: see the fields marked below."
    status = 422 if context.get("refused") and "reckon" in request.GET else 200
    return answer(request, "flips/calculators/one.html", context, status=status)


def _answered(one: Calculator, head: forms.Form, tables: list[_Rows]) -> dict[str, Any]:
    try:
        result = one.reckon(head.cleaned_data, {rows.table.prefix: rows.filled for rows in tables})
    except (ValueError, BadMoney) as refused:
        return {"refused": str(refused)}
    return {"result": result, "result_template": one.template}


# Clamps


class ClampForm(RecordForm):
    """Clamps of one kind, counted."""

    class Meta:
        model = Clamp
        fields = ["name", "count", "force_lbf"]
        widgets = {
            "name": forms.TextInput(attrs={"list": "clamp-kinds", "autocomplete": "off"}),
            "count": forms.NumberInput(attrs={"inputmode": "numeric"}),
            "force_lbf": forms.NumberInput(attrs={"inputmode": "numeric"}),
        }
        help_texts = {
            "force_lbf": "As a magazine test measured them: see below. A weak hand gives 0.6 of it, a strong one 1.4."
        }


def _clamp_page(request: HttpRequest, form: ClampForm, clamp: Clamp | None) -> HttpResponse:
    return answer(
        request,
        "flips/calculators/clamps.html",
        {
            "form": form,
            "clamp": clamp,
            "clamps": Clamp.objects.all(),
            "known": [(name, fact.value, fact.label) for name, fact in CLAMP_FORCES.items()],
        },
        status=409 if form.changed_meanwhile else 422 if form.errors else 200,
    )


@require_http_methods(["GET", "POST"])
def clamps(request: HttpRequest) -> HttpResponse:
    """The clamps she owns, counted once."""
    form = ClampForm(request.POST or None)
    if request.method == "POST" and form.is_valid():

        def keep() -> Done:
            form.instance.created_by = request.user  # type: ignore[assignment]
            form.save()
            return Done(reverse("clamps"), f"{form.instance} counted.")

        if done := once(request, form, keep):
            return done
    return _clamp_page(request, form, None)


@require_http_methods(["GET", "POST"])
def clamp(request: HttpRequest, clamp_id: int) -> HttpResponse:
    """Counts clamps of one kind anew."""
    shown = get_object_or_404(Clamp, pk=clamp_id)
    form = ClampForm(request.POST or None, instance=shown)
    if request.method == "POST" and form.is_valid():
        form.save()
        return go(request, Done(reverse("clamps"), f"{shown} counted."))
    return _clamp_page(request, form, shown)


@require_POST
def clamp_gone(request: HttpRequest, clamp_id: int) -> HttpResponse:
    """Counts none of a kind any more; the row stays, as plans may name it."""
    shown = get_object_or_404(Clamp, pk=clamp_id)
    shown.count = 0
    shown.save()
    return go(request, Done(reverse("clamps"), f"No {shown.name} any more."))


urlpatterns = [
    path("calculators/", calculators, name="calculators"),
    path("calculators/<slug:slug>/", calculator, name="calculator"),
    path("clamps/", clamps, name="clamps"),
    path("clamps/<int:clamp_id>/", clamp, name="clamp"),
    path("clamps/<int:clamp_id>/gone/", clamp_gone, name="clamp_gone"),
]
