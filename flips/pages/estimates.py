"""The estimate of a piece: its lines, each worked out from parts and materials, and later held against what it came to."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from django import forms
from django.contrib import messages
from django.core.exceptions import ValidationError
from django.forms import BaseFormSet, formset_factory
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import path, reverse
from django.utils import timezone
from django.utils.text import slugify
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from estimating.models import Material as Stuff
from estimating.models import MaterialKind
from estimating.money import Money
from estimating.sawing import exactly
from finishes.measures import Length
from flips.actions import estimates as actions
from flips.actions import materials as prices
from flips.actions.estimates import Draft, ItemDraft
from flips.models import Dimension, Material, Part, Person, Piece, Plan, Role
from flips.models.compared import compare
from flips.models.estimates import Estimate, EstimateLine, LineKind, Shape, planned, stale_lines
from flips.pages.answers import Done, answer, go, once, refused_status, refused_to, undo_token
from flips.pages.forms import (
    LengthField,
    MinutesField,
    MoneyField,
    PercentField,
    QuantityField,
    current_shop,
)
from flips.pages.materials import PriceForm
from flips.pages.pieces import sections
from flips.papers import estimates as papers

KIND_ICONS = {
    LineKind.SHEET: "layers",
    LineKind.VENEER: "scroll",
    LineKind.LUMBER: "trees",
    LineKind.FINISH: "paint-bucket",
    LineKind.GLUE: "droplet",
    LineKind.HARDWARE: "wrench",
    LineKind.OTHER: "box",
    LineKind.HOURS: "clock",
}
WITH_PARTS = (LineKind.SHEET, LineKind.VENEER, LineKind.LUMBER, LineKind.FINISH, LineKind.GLUE)
MATERIAL_OF = {
    LineKind.SHEET: MaterialKind.SHEET,
    LineKind.VENEER: MaterialKind.VENEER,
    LineKind.LUMBER: MaterialKind.LUMBER,
    LineKind.FINISH: MaterialKind.FINISH,
    LineKind.GLUE: MaterialKind.GLUE,
    LineKind.HARDWARE: MaterialKind.HARDWARE,
    LineKind.OTHER: MaterialKind.OTHER,
}
USUAL_WASTE = {LineKind.VENEER: 1000, LineKind.LUMBER: 2500, LineKind.FINISH: 1000, LineKind.GLUE: 1000}
# Which parts a new line begins with: what they are made of says what they would be made from.
OF_SHEET = {
    Material.PLYWOOD,
    Material.VENEERED_PLY,
    Material.VENEERED_BOARD,
    Material.MDF,
    Material.HARDBOARD,
}
OF_SHEET |= {Material.PAPER_FOIL}
OF_VENEER = {Material.VENEERED_PLY, Material.VENEERED_BOARD, Material.VENEERED_SOLID}
BLANK_ROWS = 6
WHAT_PARTS = {
    LineKind.SHEET: "Parts to saw from it",
    LineKind.VENEER: "Parts to veneer",
    LineKind.LUMBER: "Parts to make from it",
    LineKind.FINISH: "Parts to finish",
    LineKind.GLUE: "Joints to glue",
}


class LineForm(forms.Form):
    """What a line is for, what it may be made from, and what its engine wants to know besides the parts."""

    words = forms.CharField(label="What for", max_length=120)
    materials = forms.ModelMultipleChoiceField(
        queryset=Stuff.objects.none(), required=False, widget=forms.CheckboxSelectMultiple
    )
    backers = forms.ModelMultipleChoiceField(
        label="Backer for the other face",
        queryset=Stuff.objects.none(),
        required=False,
        widget=forms.CheckboxSelectMultiple,
        help_text="A cheaper veneer for the backs; none: the face veneer goes on both sides.",
    )
    waste = PercentField(label="Waste", most=200, required=False)
    coats = forms.IntegerField(label="Coats", min_value=1, max_value=30, initial=3)
    first_extra = PercentField(
        label="First coat drinks more", most=300, required=False, help_text="On bare wood, often a fifth."
    )
    max_stages = forms.TypedChoiceField(
        label="How to saw",
        choices=[
            ("", "Cheapest plan"),
            ("3", "Three turns of the sheet at most"),
            ("2", "Two turns at most"),
        ],
        required=False,
        coerce=str,
        widget=forms.RadioSelect,
    )
    faces = forms.ChoiceField(
        label="Faces",
        choices=[
            ("balanced", "Both: face and backer"),
            ("both", "Both with the face veneer"),
            ("one", "One only"),
        ],
        widget=forms.RadioSelect,
        initial="balanced",
    )
    match = forms.ChoiceField(
        label="Match",
        choices=[("none", "None"), ("slip", "Slip"), ("book", "Book")],
        widget=forms.RadioSelect,
        initial="none",
    )
    allowance = LengthField(label="More on every side, to trim", required=False, allow_zero=True)
    count = QuantityField(label="How many")
    unit = forms.CharField(label="Counted in", max_length=20, required=False)
    price = MoneyField(label="Price of one", required=False, allow_zero=False)
    low = MinutesField(label="Low", required=False)
    likely = MinutesField(label="Likely", help_text="Like 6 h, 1:30 or 45.")
    high = MinutesField(label="High", required=False)
    helper = forms.ChoiceField(label="Whose hours", required=False, widget=forms.RadioSelect)
    version = forms.IntegerField(required=False, widget=forms.HiddenInput)

    def __init__(
        self,
        *args: Any,
        kind: LineKind,
        chosen: Sequence[int] = (),
        line: EstimateLine | None = None,
        **kwargs: Any,
    ) -> None:
        super().__init__(*args, **kwargs)
        self.kind, self.line = kind, line
        self.changed_meanwhile = False
        wanted = {"words", "version"} | {
            LineKind.SHEET: {"materials", "max_stages"},
            LineKind.VENEER: {"materials", "backers", "faces", "match", "allowance", "waste"},
            LineKind.LUMBER: {"materials", "waste"},
            LineKind.FINISH: {"materials", "coats", "first_extra", "waste"},
            LineKind.GLUE: {"materials", "waste"},
            LineKind.HARDWARE: {"materials", "count", "unit", "price"},
            LineKind.OTHER: {"materials", "count", "unit", "price"},
            LineKind.HOURS: {"low", "likely", "high", "helper"},
        }[kind]
        for name in set(self.fields) - wanted:
            del self.fields[name]
        if "materials" in self.fields:
            self._offer(kind, chosen)
        if "waste" in self.fields:
            self.fields["waste"].initial = USUAL_WASTE[kind]
            self.fields["waste"].after = "%"  # type: ignore[attr-defined]
        if "first_extra" in self.fields:
            self.fields["first_extra"].after = "%"  # type: ignore[attr-defined]
        if kind in (LineKind.HARDWARE, LineKind.OTHER):
            self.fields["words"].required = False
            self.fields["words"].help_text = "Left empty, it is called as on the list."
        if "helper" in self.fields:
            helpers = Person.objects.filter(role=Role.HELPER, is_active=True)
            self.fields["helper"].choices = [  # type: ignore[attr-defined]
                ("", "Mine"),
                *((str(person.pk), str(person)) for person in helpers),
            ]
            self.fields["helper"].initial = ""
        if line is not None:
            self.fields["version"].initial = line.version

    def _offer(self, kind: LineKind, chosen: Sequence[int]) -> None:
        of_kind = Stuff.objects.with_price().filter(kind=MATERIAL_OF[kind])
        offered = of_kind.filter(retired=False) | of_kind.filter(pk__in=list(chosen))
        label = {
            LineKind.SHEET: "Sheets it may come from",
            LineKind.VENEER: "Veneer for the face",
            LineKind.LUMBER: "Boards it may come from",
            LineKind.FINISH: "Product, in the cans it comes in",
            LineKind.GLUE: "Glue, in the bottles it comes in",
        }.get(kind, "From the materials list")
        for name in ("materials", "backers"):
            if name in self.fields:
                field = self.fields[name]
                field.queryset = offered  # type: ignore[attr-defined]
                field.label_from_instance = _with_price  # type: ignore[attr-defined]
        self.fields["materials"].label = label
        if kind in WITH_PARTS:
            self.fields["materials"].required = True
            self.fields["materials"].error_messages["required"] = "Choose what it may be made from."

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or self.cleaned_data
        if self.kind in (LineKind.HARDWARE, LineKind.OTHER) and len(cleaned.get("materials") or []) > 1:
            self.add_error("materials", "Choose one thing a line.")
        if not cleaned.get("words") and "words" not in self.errors:
            chosen = list(cleaned.get("materials") or [])
            if chosen:
                cleaned["words"] = chosen[0].name
            else:
                self.add_error("words", "Say what it is.")
        if self.line is not None and cleaned.get("version") != self.line.version:
            self.changed_meanwhile = True
            shown_again = self.data.copy()  # type: ignore[attr-defined]
            shown_again["version"] = str(self.line.version)
            self.data = shown_again
            self.add_error(
                None,
                "This line was changed while you were writing. Yours is kept below; save again to make it so.",
            )
        return cleaned

    def told(self) -> dict[str, Any]:
        """What the engine is told, as it is kept."""
        typed = self.cleaned_data
        found: dict[str, Any] = {}
        for name, key in (("waste", "waste_hundredths"), ("first_extra", "first_extra_hundredths")):
            if typed.get(name) is not None:
                found[key] = typed[name]
        for name in ("coats", "faces", "match", "unit"):
            if typed.get(name):
                found[name] = typed[name]
        if typed.get("max_stages"):
            found["max_stages"] = int(typed["max_stages"])
        if typed.get("allowance") is not None:
            found["allowance_nm"] = typed["allowance"].nm
        if typed.get("count") is not None:
            found["count_millionths"] = typed["count"]
        if typed.get("price") is not None and not typed.get("materials"):
            found["price_cents"] = typed["price"]
        if self.kind == LineKind.HOURS:
            for name in ("low", "likely", "high"):
                if typed.get(name):
                    found[f"{name}_minutes"] = typed[name]
            if typed.get("helper"):
                found["helper"] = int(typed["helper"])
        return found


def _with_price(material: Stuff) -> str:
    words = str(material)
    if material.price_cents is None:
        return f"{words} · no price yet"
    price = Money(material.price_cents, current_shop().currency)
    return f"{words} · {price} {material.get_priced_by_display()}"


class ItemForm(forms.Form):
    """A part and the size it is reckoned at."""

    take = forms.BooleanField(required=False)
    part_id = forms.IntegerField(required=False, widget=forms.HiddenInput)
    # What tells a row that was shown filled in from one to write into, whatever the survey says by now.
    given = forms.CharField(required=False, max_length=1, widget=forms.HiddenInput)
    name = forms.CharField(label="Part", max_length=80, required=False)
    count = forms.IntegerField(label="How many", min_value=1, max_value=1000, required=False)
    length = LengthField(label="Length, with the grain", required=False)
    width = LengthField(label="Width", required=False)
    thickness = LengthField(label="Thickness", required=False)
    may_turn = forms.BooleanField(label="May lie across the grain", required=False)
    shape = forms.ChoiceField(label="What is coated", choices=Shape.choices, required=False)
    sides = forms.IntegerField(label="How many faces", min_value=1, max_value=12, required=False)

    def __init__(self, *args: Any, kind: LineKind, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        kept = {"take", "part_id", "given", "name", "count", "length", "width"} | {
            LineKind.SHEET: {"may_turn"},
            LineKind.VENEER: {"may_turn"},
            LineKind.LUMBER: {"thickness"},
            LineKind.FINISH: {"thickness", "shape", "sides"},
            LineKind.GLUE: {"sides"},
        }.get(kind, set())
        for name in set(self.fields) - kept:
            del self.fields[name]
        self.kind = kind
        if "thickness" in self.fields:
            self.fields["thickness"].label = (
                "Finished thickness" if kind == LineKind.LUMBER else "Thickness or foot"
            )
        if kind == LineKind.GLUE:
            self.fields["length"].label, self.fields["name"].label = "Length of the joint", "Joint"
            self.fields["sides"].label = "Faces spread (2 for contact cement)"
        self.fields["given"].initial = "" if self._starts_blank else "1"

    @property
    def _starts_blank(self) -> bool:
        return not (self.initial.get("name") or self.initial.get("part_id"))

    @property
    def is_blank_row(self) -> bool:
        """Whether it is one of the rows to write a part into."""
        if self.is_bound:
            return self.data.get(self.add_prefix("given")) != "1"
        return self._starts_blank

    @property
    def needs_care(self) -> bool:
        """Whether its fields should stand open: something is missing or wrong."""
        unmeasured = not self.is_blank_row and not self.initial.get("length")
        return bool(self.errors) or (not self.is_bound and unmeasured and bool(self.initial.get("take")))

    @property
    def summary(self) -> str:
        """Its size in words, as it was first shown."""
        sizes = [
            exactly(value, current_shop().units)
            for name in ("length", "width", "thickness")
            if name in self.fields and (value := self.initial.get(name))
        ]
        count = self.initial.get("count") or 1
        words = " × ".join(sizes) if len(sizes) > 1 else "not measured yet"
        return f"{count} pieces, {words}" if count > 1 else words

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or self.cleaned_data
        written = (
            not cleaned.get("part_id")
            and self.is_blank_row
            and (cleaned.get("name") or cleaned.get("length"))
        )
        cleaned["wanted"] = bool(cleaned.get("take") or written)
        if not cleaned["wanted"]:
            # What is not taken need not be right.
            self.errors.clear()
            return cleaned
        for name, what in (
            ("name", "Give it a name."),
            ("length", "Say how long."),
            ("width", "Say how wide."),
        ):
            if not cleaned.get(name) and name not in self.errors:
                self.add_error(name, what)
        if self.kind == LineKind.LUMBER and not cleaned.get("thickness") and "thickness" not in self.errors:
            self.add_error("thickness", "Say how thick it is to be.")
        if cleaned.get("shape") == Shape.EDGED and not cleaned.get("thickness"):
            self.add_error("thickness", "Edges want a thickness.")
        return cleaned

    def draft(self) -> ItemDraft:
        """The row as a part to reckon with."""
        typed = self.cleaned_data
        return ItemDraft(
            name=typed["name"],
            length=typed["length"],
            width=typed["width"],
            count=typed.get("count") or 1,
            thickness=typed.get("thickness"),
            may_turn=bool(typed.get("may_turn")),
            shape=typed.get("shape") or Shape.FLAT,
            sides=typed.get("sides") or 1,
            part_id=typed.get("part_id"),
        )


ItemFormSet = formset_factory(ItemForm, extra=0, max_num=220, absolute_max=220)


def _row_of_part(part: Part) -> dict[str, Any]:
    """A part of the survey as a row: the largest reading of each side."""
    sizes = {size.dimension: size for size in part.sizes()}

    def most(dimension: Dimension) -> Length | None:
        return sizes[dimension].most if dimension in sizes else None

    return {
        "part_id": part.pk,
        "name": part.name,
        "count": part.count,
        "length": most(Dimension.LENGTH),
        "width": most(Dimension.WIDTH),
        "thickness": most(Dimension.THICKNESS),
        "varies": any(
            sizes[side].varies
            for side in (Dimension.LENGTH, Dimension.WIDTH, Dimension.THICKNESS)
            if side in sizes
        ),
        "material": part.get_material_display() if part.material != Material.UNKNOWN else "",
        "sides": 1,
        "shape": Shape.FLAT,
    }


def _rows(piece: Piece, kind: LineKind, line: EstimateLine | None) -> list[dict[str, Any]]:
    """The rows a form begins with: what the line has, the other parts of the survey, parts of other lines, blank ones."""
    rows: list[dict[str, Any]] = []
    taken: set[int] = set()
    named: set[tuple[str, int, int]] = set()
    if line is not None:
        for item in line.items.all():
            rows.append(
                {
                    "take": True,
                    "part_id": item.part_id,
                    "name": item.name,
                    "count": item.count,
                    "length": item.length,
                    "width": item.width,
                    "thickness": item.thickness,
                    "may_turn": item.may_turn,
                    "shape": item.shape,
                    "sides": item.sides,
                }
            )
            taken |= {item.part_id} if item.part_id else set()
            named.add((item.name, item.length_nm, item.width_nm))
    others = list(
        EstimateLine.objects.live()
        .filter(estimate__piece=piece, estimate__voided_at__isnull=True, kind__in=WITH_PARTS)
        .exclude(pk__in=[line.pk] if line else [])
        .prefetch_related("items", "materials")
    )
    made = {
        item.part_id
        for other in others
        if other.kind in (LineKind.SHEET, LineKind.LUMBER)
        for item in other.items.all()
    }
    # Joints are no parts: what is glued is written in, or comes from the veneer.
    parts = Part.objects.live().filter(piece=piece) if kind != LineKind.GLUE else Part.objects.none()
    for part in parts.in_tree_order():
        if part.pk not in taken:
            row = _row_of_part(part)
            row["take"] = line is None and _begins_with(part, kind, made)
            rows.append(row)
    if kind == LineKind.SHEET:
        _one_thickness(rows)
    if kind in (LineKind.VENEER, LineKind.FINISH):
        rows += _rows_of_lines(others, named, ticked=line is None and kind == LineKind.FINISH)
    if kind == LineKind.GLUE:
        rows += _faces_of_veneer(others, named, ticked=line is None)
    blank = [{"sides": 1, "shape": Shape.FLAT} for _ in range(BLANK_ROWS)]
    return rows + blank


def _one_thickness(rows: Sequence[dict[str, Any]]) -> None:
    """A sheet has one thickness: only parts as thick as the first ticked one stay ticked."""
    if any(row.get("take") and row.get("part_id") and "material" not in row for row in rows):
        return
    first = next((row["thickness"] for row in rows if row.get("take")), None)
    for row in rows:
        row["take"] = bool(row.get("take")) and row["thickness"] == first


def _begins_with(part: Part, kind: LineKind, made: set[int | None]) -> bool:
    if kind == LineKind.FINISH:
        return part.pk in made
    if kind == LineKind.VENEER:
        return part.material in OF_VENEER and part.plan in (Plan.MEND, Plan.REPLACE)
    if part.plan != Plan.REPLACE or part.pk in made:
        return False
    return (
        part.material in OF_SHEET
        if kind == LineKind.SHEET
        else part.material == Material.SOLID and kind == LineKind.LUMBER
    )


def _rows_of_lines(
    others: Sequence[EstimateLine], named: set[tuple[str, int, int]], *, ticked: bool
) -> list[dict[str, Any]]:
    """Parts that were written into other lines and are in no survey."""
    rows = []
    for other in others:
        if other.kind not in (LineKind.SHEET, LineKind.LUMBER):
            continue
        thick = {material.thickness for material in other.materials.all()}
        for item in other.items.all():
            if item.part_id or (item.name, item.length_nm, item.width_nm) in named:
                continue
            named.add((item.name, item.length_nm, item.width_nm))
            rows.append(
                {
                    "take": ticked,
                    "name": item.name,
                    "count": item.count,
                    "length": item.length,
                    "width": item.width,
                    "thickness": item.thickness or (next(iter(thick)) if len(thick) == 1 else None),
                    "sides": 1,
                    "shape": Shape.FLAT,
                    "material": f"from “{other.words}”",
                }
            )
    return rows


def _faces_of_veneer(
    others: Sequence[EstimateLine], named: set[tuple[str, int, int]], *, ticked: bool
) -> list[dict[str, Any]]:
    """Every face that a veneer line covers, as a joint to spread."""
    rows = []
    for other in others:
        if other.kind != LineKind.VENEER:
            continue
        faces = 1 if other.told.get("faces") == "one" else 2
        for item in other.items.all():
            name = f"Veneer on {item.name.lower()}"[:80]
            if (name, item.length_nm, item.width_nm) not in named:
                rows.append(
                    {
                        "take": ticked,
                        "name": name,
                        "count": item.count * faces,
                        "length": item.length,
                        "width": item.width,
                        "sides": 1,
                        "material": f"from “{other.words}”",
                    }
                )
    return rows


def _first_told(kind: LineKind, line: EstimateLine | None) -> dict[str, Any]:
    """What the line form begins with."""
    if line is None:
        words = {LineKind.HARDWARE: "", LineKind.OTHER: "", LineKind.HOURS: "Work"}
        return {"words": words.get(kind, str(kind.label))}
    told = line.told
    return {
        "words": line.words,
        "materials": [material.pk for material in line.materials.all()],
        "backers": [material.pk for material in line.backers.all()],
        "waste": told.get("waste_hundredths"),
        "coats": told.get("coats"),
        "first_extra": told.get("first_extra_hundredths"),
        "max_stages": str(told.get("max_stages", "")),
        "faces": told.get("faces"),
        "match": told.get("match"),
        "allowance": told.get("allowance_nm"),
        "count": told.get("count_millionths"),
        "unit": told.get("unit"),
        "price": told.get("price_cents"),
        "low": told.get("low_minutes"),
        "likely": told.get("likely_minutes"),
        "high": told.get("high_minutes"),
        "helper": str(told.get("helper", "")),
        "version": line.version,
    }


def _own_lines(piece: Piece) -> list[EstimateLine]:
    return list(
        EstimateLine.objects.live()
        .filter(estimate__piece=piece, estimate__voided_at__isnull=True)
        .select_related("estimate")
        .prefetch_related("materials", "backers")
        .with_sawn()
        .order_by("place", "pk")
    )


@require_GET
def estimate(request: HttpRequest, piece_id: int) -> HttpResponse:
    """What a piece is planned to take: lines, sums, what is missing, and how it came out."""
    piece = get_object_or_404(Piece, pk=piece_id)
    lines = _own_lines(piece)
    sums = planned(lines)
    compared = compare(piece, lines, shop=current_shop()) if lines and not piece.is_find else None
    for line in lines:
        line.icon = KIND_ICONS[LineKind(line.kind)]  # type: ignore[attr-defined]
    return answer(
        request,
        "flips/estimates/estimate.html",
        {
            "piece": piece,
            "tabs": sections(piece, "estimate", owner=True),
            "lines": lines,
            "sums": sums,
            "strip": _strip(sums),
            "stale": len(stale_lines([line for line in lines if not line.sawn_count])),  # type: ignore[attr-defined]
            "compared": compared if compared and compared.has_begun else None,
            "kinds": [
                {"kind": kind, "icon": icon, "url": reverse("estimate_add", args=[piece.pk, kind.value])}
                for kind, icon in KIND_ICONS.items()
            ],
        },
    )


def _strip(sums: Any) -> list[dict[str, Any]]:
    from flips.templatetags.shop import as_hours

    unknown = "a price is missing" if sums.missing else ""
    hours = as_hours(sums.minutes or None)
    if sums.low_minutes != sums.high_minutes:
        hours = f"{as_hours(sums.low_minutes)} to {as_hours(sums.high_minutes)}"
    strip: list[dict[str, Any]] = [
        {
            "label": "Planned cost",
            "cents": sums.cents if sums.cents is not None else "",
            "text": "not known yet",
            "note": unknown,
            "main": True,
        }
    ]
    if sums.cents is not None:
        strip += [{"label": "Low", "cents": sums.low}, {"label": "High", "cents": sums.high}]
    else:
        strip.append({"label": "Known so far", "cents": sums.known_cents})
    strip += [
        {"label": "To buy", "cents": sums.buy if sums.buy is not None else "", "text": "not known yet"},
        {"label": "Planned hours", "text": hours},
    ]
    return strip


def _line_or_404(line_id: int) -> EstimateLine:
    rows = EstimateLine.objects.select_related("estimate__piece").prefetch_related(
        "materials", "backers", "items"
    )
    return get_object_or_404(rows, pk=line_id)


@require_http_methods(["GET", "POST"])
def estimate_add(request: HttpRequest, piece_id: int, kind: str) -> HttpResponse:
    """A new line: choose parts and materials, and it is worked out."""
    piece = get_object_or_404(Piece.objects.live(), pk=piece_id)
    if kind not in LineKind.values:
        raise Http404("No such kind of line.")
    return _line_form(request, piece, LineKind(kind), None)


@require_http_methods(["GET", "POST"])
def estimate_line_edit(request: HttpRequest, line_id: int) -> HttpResponse:
    """Changes what a line is made from, and works it out anew."""
    line = _line_or_404(line_id)
    return _line_form(request, line.estimate.piece, LineKind(line.kind), line)


def _line_form(request: HttpRequest, piece: Piece, kind: LineKind, line: EstimateLine | None) -> HttpResponse:
    initial = _first_told(kind, line)
    chosen = [*initial.get("materials", []), *initial.get("backers", [])]
    given = {name: value for name, value in initial.items() if value is not None}
    form = LineForm(request.POST or None, kind=kind, chosen=chosen, line=line, initial=given)
    rows = _rows(piece, kind, line) if kind in WITH_PARTS else []
    items: BaseFormSet | None = None
    if kind in WITH_PARTS:
        items = ItemFormSet(request.POST or None, initial=rows, prefix="parts", form_kwargs={"kind": kind})
    if request.method == "POST" and form.is_valid() and (items is None or items.is_valid()):
        done = _kept(request, form, items, piece=piece, line=line)
        if done is not None:
            return done
    bad_items = items is not None and items.is_bound and not items.is_valid()
    if bad_items and items is not None:
        for problem in items.non_form_errors():
            form.add_error(None, problem)
    status = refused_status(form)
    if bad_items and status == 200:
        status = 422
    here = request.get_full_path()
    return answer(
        request,
        "flips/estimates/line_form.html",
        {
            "piece": piece,
            "line": line,
            "kind": kind,
            "form": form,
            "items": items,
            "given_rows": [one for one in items.forms if not one.is_blank_row] if items is not None else [],
            "blank_rows": [one for one in items.forms if one.is_blank_row] if items is not None else [],
            "blank_open": kind == LineKind.GLUE
            or (
                items is not None and bad_items and any(one.errors for one in items.forms if one.is_blank_row)
            ),
            "what_parts": WHAT_PARTS.get(kind, ""),
            "new_material": f"{reverse('material_new')}?kind={MATERIAL_OF[kind].value}&then={here}"
            if kind in MATERIAL_OF
            else "",
            "ticked": line.cut_parts.filter(cut_at__isnull=False).count() if line is not None else 0,
        },
        status=status,
    )


def _kept(
    request: HttpRequest,
    form: LineForm,
    items: BaseFormSet | None,
    *,
    piece: Piece,
    line: EstimateLine | None,
) -> HttpResponse | None:
    typed = form.cleaned_data
    own_parts = (
        set(Part.objects.live().filter(piece=piece).values_list("pk", flat=True))
        if items is not None
        else set()
    )
    drafts = (
        [row.draft() for row in items.forms if row.cleaned_data.get("wanted")] if items is not None else []
    )
    for one in drafts:
        if one.part_id not in own_parts:
            one.part_id = None
    draft = Draft(
        kind=form.kind,
        words=typed["words"],
        materials=list(typed.get("materials") or []),
        backers=list(typed.get("backers") or []),
        items=drafts,
        told=form.told(),
    )
    try:
        # Before any transaction: a plan may take a second, and nobody should wait for the database meanwhile.
        worked = actions.work_out(draft, shop=current_shop(), line=line)
    except ValidationError as refused:
        form.add_error(None, refused)
        return None

    def keep() -> Done:
        kept = actions.keep_line(draft, worked, by=request.user, piece=piece, line=line)  # type: ignore[arg-type]
        return Done(
            kept.get_absolute_url(),
            "Worked out again." if line is not None else "Worked out.",
            "" if line is not None else undo_token("line kept", kept),
        )

    return once(request, form, keep)


@require_GET
def estimate_line(request: HttpRequest, line_id: int) -> HttpResponse:
    """One line: what it takes, what it costs, how it came about, and what is missing."""
    return _line_page(request, _line_or_404(line_id))


def _line_page(request: HttpRequest, line: EstimateLine, refused: PriceForm | None = None) -> HttpResponse:
    missing = [
        one for one in Stuff.objects.with_price().filter(pk__in=line.missing) if one.price_cents is None
    ]
    asked = []
    for material in missing:
        own = refused if refused is not None and refused.material_id == material.pk else None
        asked.append((material, own or PriceForm(auto_id=f"id_{material.pk}_%s")))
    return answer(
        request,
        "flips/estimates/line.html",
        {
            "piece": line.estimate.piece,
            "line": line,
            "icon": KIND_ICONS[LineKind(line.kind)],
            "asked": asked,
            "is_stale": bool(stale_lines([line])),
            "has_plan": line.layout is not None,
            "areas": line.result.get("areas", []),
            "items": list(line.items.all()),
            "is_sawn": line.sawn.live().exists(),
        },
        status=refused_status(refused) if refused is not None else 200,
    )


@require_POST
def estimate_price(request: HttpRequest, line_id: int, material_id: int) -> HttpResponse:
    """Notes a price that a line asked for, and works out anew whatever waited for it."""
    line = _line_or_404(line_id)
    material = get_object_or_404(Stuff, pk=material_id)
    form = PriceForm(request.POST, auto_id=f"id_{material.pk}_%s")
    form.material_id = material.pk
    if form.is_valid():
        typed = form.cleaned_data

        def note() -> Done:
            prices.see_price(material, cents=typed["price"], seen_on=typed["seen_on"])
            return Done(
                line.get_absolute_url(), f"{material.name} has a price, and the estimate is reckoned with it."
            )

        if done := once(request, form, note):
            own = EstimateLine.objects.live().filter(estimate=line.estimate_id)
            waiting = [
                row
                for row in own.select_related("estimate").prefetch_related("materials", "backers", "items")
                if material.pk in row.missing
            ]
            try:
                actions.reckon_again(waiting, by=request.user, shop=current_shop())  # type: ignore[arg-type]
            except ValidationError as refused:
                messages.warning(request, " ".join(refused.messages))
            return done
    return _line_page(request, line, form)


@require_POST
def estimate_line_void(request: HttpRequest, line_id: int) -> HttpResponse:
    """Takes a line out of the estimate."""
    line = _line_or_404(line_id)
    back = reverse("estimate", args=[line.estimate.piece_id])
    try:
        actions.void_line(line, by=request.user, reason=request.POST.get("reason", ""))  # type: ignore[arg-type]
    except ValidationError as refused:
        return refused_to(request, line.get_absolute_url(), refused)
    return go(request, Done(back, f"“{line}” is taken out.", undo_token("voided", line)))


@require_POST
def estimate_line_move(request: HttpRequest, line_id: int) -> HttpResponse:
    """One place up or down."""
    line = _line_or_404(line_id)
    actions.move_line(line, up=request.POST.get("way") == "up")
    return go(request, Done(reverse("estimate", args=[line.estimate.piece_id])))


@require_POST
def estimate_reckon(request: HttpRequest, piece_id: int) -> HttpResponse:
    """Works every line out anew with today's prices and what is on hand today."""
    piece = get_object_or_404(Piece, pk=piece_id)
    only = request.POST.get("line", "")
    rows = EstimateLine.objects.live().filter(estimate__piece=piece, estimate__voided_at__isnull=True)
    if only.isdigit():
        rows = rows.filter(pk=only)
    lines = list(rows.select_related("estimate").prefetch_related("materials", "backers", "items"))
    back = lines[0].get_absolute_url() if only.isdigit() and lines else reverse("estimate", args=[piece.pk])
    try:
        done = actions.reckon_again(lines, by=request.user, shop=current_shop())  # type: ignore[arg-type]
    except ValidationError as refused:
        return refused_to(request, back, refused)
    count = len(done)
    said = f"{count} line{'s' if count != 1 else ''} worked out anew with today's prices and stock."
    if count < len(lines):
        said += " Sawn plans stayed as they are."
    return go(request, Done(back, said))


@require_GET
def estimate_pdf(_request: HttpRequest, piece_id: int) -> HttpResponse:
    """The estimate on paper."""
    piece = get_object_or_404(Piece, pk=piece_id)
    get_object_or_404(Estimate.objects.live(), piece=piece)
    content = papers.estimate_pdf(piece, _own_lines(piece), shop=current_shop(), today=timezone.localdate())
    response = HttpResponse(content, content_type="application/pdf")
    response["Content-Disposition"] = (
        f'inline; filename="estimate-{slugify(piece.what)[:60] or piece.pk}.pdf"'
    )
    return response


urlpatterns = [
    path("pieces/<int:piece_id>/estimate/", estimate, name="estimate"),
    path("pieces/<int:piece_id>/estimate/add/<slug:kind>/", estimate_add, name="estimate_add"),
    path("pieces/<int:piece_id>/estimate/reckon/", estimate_reckon, name="estimate_reckon"),
    path("pieces/<int:piece_id>/estimate.pdf", estimate_pdf, name="estimate_pdf"),
    path("estimate-lines/<int:line_id>/", estimate_line, name="estimate_line"),
    path("estimate-lines/<int:line_id>/price/<int:material_id>/", estimate_price, name="estimate_price"),
    path("estimate-lines/<int:line_id>/edit/", estimate_line_edit, name="estimate_line_edit"),
    path("estimate-lines/<int:line_id>/void/", estimate_line_void, name="estimate_line_void"),
    path("estimate-lines/<int:line_id>/move/", estimate_line_move, name="estimate_line_move"),
]
