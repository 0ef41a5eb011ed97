"""The parts of a piece: the survey, their sizes, and taking the piece apart and putting it together."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from django.core.exceptions import ValidationError
from django.db.models import Count, Exists, OuterRef, Q
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import path, reverse
from django.utils import timezone
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from finishes.measures import BadMeasure, Length
from flips.access import open_to_helper
from flips.actions import parts
from flips.actions.photos import keep_photos
from flips.models import (
    Attempt,
    Dimension,
    Material,
    Part,
    Photo,
    Piece,
    Plan,
    Reading,
    Removal,
)
from flips.pages.answers import Done, answer, go, once, refusals_on, refused_status, undo_token
from flips.pages.forms import LengthField, MomentField, PhotosField, RecordForm, current_shop, forms
from flips.pages.on_piece import (
    PartField,
    asked_for,
    live_tree,
    may_strike,
    on_piece,
    photos_page,
    refuse_others,
    undo_for,
)
from flips.usual_parts import KINDS, kind_of, lines_of


def _tree(piece: Piece) -> list[Part]:
    off = Removal.objects.still_off().filter(part=OuterRef("pk"))
    tried = Count("attempts", filter=Q(attempts__voided_at__isnull=True), distinct=True)
    return piece.parts.live().annotate(is_off=Exists(off), tried=tried).in_tree_order()


class PartForm(forms.Form):
    """One part, as fast as it can be said: its name and how many."""

    name = forms.CharField(
        label="Part",
        max_length=80,
        widget=forms.TextInput(attrs={"autocomplete": "off", "enterkeyhint": "done", "list": "part-names"}),
    )
    count = forms.IntegerField(
        label="How many in all",
        min_value=1,
        max_value=999,
        initial=1,
        widget=forms.NumberInput(attrs={"inputmode": "numeric"}),
    )
    parent = PartField(label="Part of", blank="The piece itself")

    def __init__(self, *args: Any, tree: Sequence[Part], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["parent"].of(tree)  # type: ignore[attr-defined]


class FullPartForm(PartForm):
    """A part with all that can be said of it at once."""

    material = forms.ChoiceField(choices=Material.choices, initial=Material.UNKNOWN)
    species = forms.CharField(label="Wood or kind", max_length=60, required=False)
    condition = forms.CharField(label="Condition", max_length=200, required=False)
    plan = forms.ChoiceField(
        label="What to do with it", choices=Plan.choices, initial=Plan.UNDECIDED, widget=forms.RadioSelect
    )
    note = forms.CharField(
        label="Note",
        required=False,
        max_length=2000,
        widget=forms.Textarea(attrs={"rows": 3}),
        help_text="Everybody at the bench reads it.",
    )
    photos = PhotosField(label="Photos")


@require_http_methods(["GET", "POST"])
@open_to_helper
def part_tree(request: HttpRequest, piece_id: int) -> HttpResponse:
    """The tree of parts, with a line to add the next one."""
    piece = get_object_or_404(Piece.objects.live(), pk=piece_id)
    tree = _tree(piece)
    form = PartForm(request.POST or None, tree=tree, initial={"count": 1, "parent": asked_for(request, "in")})
    if "in" in request.GET or "next" in request.GET:
        form.fields["name"].widget.attrs["autofocus"] = True
    if request.method == "POST" and form.is_valid():
        typed = form.cleaned_data

        def add() -> Done:
            part = parts.add_part(by=request.user, piece=piece, **typed)  # type: ignore[arg-type]
            within = f"?in={part.parent_id}" if part.parent_id else "?next"
            return Done(
                f"{reverse('parts', args=[piece.pk])}{within}", f"{part} noted.", undo_token("made", part)
            )

        if done := once(request, form, add):
            return done
    context = on_piece(
        request,
        piece,
        "parts",
        parts=tree,
        form=form,
        names=_part_names(),
        total=sum(part.count for part in tree),
        undecided=sum(part.plan == Plan.UNDECIDED for part in tree),
        usual=kind_of(piece.kind, piece.what),
    )
    return answer(request, "flips/parts/parts.html", context, status=refused_status(form))


def _part_names() -> list[str]:
    rows = Part.objects.live().values("name").annotate(often=Count("pk")).order_by("-often", "name")[:60]
    return [row["name"] for row in rows]


@require_http_methods(["GET", "POST"])
@open_to_helper
def part_new(request: HttpRequest, piece_id: int) -> HttpResponse:
    """A part with all that is known of it."""
    piece = get_object_or_404(Piece.objects.live(), pk=piece_id)
    form = FullPartForm(
        request.POST or None,
        request.FILES or None,
        tree=live_tree(piece),
        initial={"parent": asked_for(request, "in")},
    )
    if request.method == "POST" and form.is_valid():
        typed = dict(form.cleaned_data)
        photos = typed.pop("photos")

        def add() -> Done:
            part = parts.add_part(by=request.user, piece=piece, **typed)  # type: ignore[arg-type]
            keep_photos(photos, by=request.user, piece=piece, part=part)  # type: ignore[arg-type]
            return Done(part.get_absolute_url(), f"{part} noted.", undo_token("made", part))

        if done := once(request, form, add):
            return done
    return answer(
        request,
        "flips/parts/new.html",
        on_piece(request, piece, "parts", form=form, names=_part_names()),
        status=refused_status(form),
    )


class UsualPartsForm(forms.Form):
    """The usual parts of a kind of furniture, to tick."""

    def __init__(self, *args: Any, kind: str, there: set[str], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.lines = lines_of(kind)
        self.there = there
        for line in self.lines:
            name = line.part.name
            noted = name.lower() in there
            self.fields[f"take_{line.number}"] = forms.BooleanField(
                label=f"{name} (noted already)" if noted else name, required=False, initial=not noted
            )
            self.fields[f"count_{line.number}"] = forms.IntegerField(
                label=f"How many of {name}",
                min_value=1,
                max_value=999,
                required=False,
                initial=line.part.count,
                widget=forms.NumberInput(attrs={"inputmode": "numeric", "class": "short"}),
            )

    def rows(self) -> list[tuple[int, Any, Any]]:
        """Each line's depth and its two fields."""
        return [
            (line.depth, self[f"take_{line.number}"], self[f"count_{line.number}"]) for line in self.lines
        ]

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or self.cleaned_data
        self.chosen: dict[int, int] = {}
        for line in self.lines:
            if cleaned.get(f"take_{line.number}"):
                self.chosen[line.number] = cleaned.get(f"count_{line.number}") or line.part.count
        if not self.chosen:
            self.add_error(None, "Tick at least one part.")
        return cleaned


@require_http_methods(["GET", "POST"])
@open_to_helper
def parts_usual(request: HttpRequest, piece_id: int) -> HttpResponse:
    """Notes many parts at once from a list of what such furniture usually has."""
    piece = get_object_or_404(Piece.objects.live(), pk=piece_id)
    asked = request.GET.get("kind", "")
    kind = asked if asked in KINDS else kind_of(piece.kind, piece.what) or "Dresser"
    there = {name.lower() for name in piece.parts.live().values_list("name", flat=True)}
    form = UsualPartsForm(request.POST or None, kind=kind, there=there)
    if request.method == "POST" and form.is_valid():

        def add() -> Done:
            made = parts.add_usual_parts(
                by=request.user,  # type: ignore[arg-type]
                piece=piece,
                chosen=form.chosen,
                lines=form.lines,
            )
            return Done(
                reverse("parts", args=[piece.pk]),
                f"{len(made)} part{'' if len(made) == 1 else 's'} noted.",
                undo_token("usual parts", made[0]),
            )

        if done := once(request, form, add):
            return done
    # The chosen one first: the row of tabs is longer than a phone is wide.
    kinds = [
        {"url": f"?kind={name}", "text": name, "current": name == kind}
        for name in sorted(KINDS, key=lambda name: name != kind)
    ]
    return answer(
        request,
        "flips/parts/usual.html",
        on_piece(request, piece, "parts", form=form, kinds=kinds, kind=kind),
        status=refused_status(form),
    )


@dataclass(frozen=True)
class ReadingRow:
    """A reading as typed, and in the shop's unit where that says something new."""

    reading: Reading
    typed: str
    in_shop_unit: str


@dataclass(frozen=True)
class SizeRow:
    """One dimension: least, most and the spread between, in the shop's unit, and every reading behind them."""

    label: str
    least: str
    most: str
    spread: str
    varies: bool
    readings: list[ReadingRow]


def size_rows(part: Part) -> list[SizeRow]:
    """The sizes of a part as its page shows them."""
    units = current_shop().units
    rows = []
    for size in part.sizes():
        readings = []
        for reading in size.readings:
            shown = Length(reading.length_nm).shown(units)
            said = shown.strip('"≈ ') == reading.length_text.strip().strip('"').strip()
            equals = shown if shown.startswith("≈") else f"= {shown}"
            readings.append(ReadingRow(reading, reading.length_text, "" if said else equals))
        rows.append(
            SizeRow(
                size.dimension.label,
                Length(size.least.nm).shown(units),
                Length(size.most.nm).shown(units),
                _spread(size.spread, units),
                size.varies,
                readings,
            )
        )
    return rows


def _spread(spread: Length, units: str) -> str:
    """A spread too small for the shop's fractions is said in millimetres, never as nothing."""
    shown = spread.shown(units)
    return spread.in_mm(3) if spread and re.fullmatch(r"≈ 0(?:\"| mm)", shown) else shown


_POINT_FIRST = re.compile(
    r"^(?P<where>[^\d.,;:@()¼½¾⅐-⅞-][^\d.,;:@()¼½¾⅐-⅞]*?)\s+(?P<value>[-.,]?[\d¼½¾⅐-⅞].*)$"
)
_POINT_LAST = re.compile(r"^(?P<value>.+?)\s*(?:@\s*(?P<at>.+)|\(\s*(?P<bracket>[^()]+?)\s*\))$")


def read_readings(text: str, unit: str) -> list[tuple[str, Length]]:
    """Readings as people list them: "18 3/4; left: 18 11/16; 18 3/4 @ right", each point by name if it has one.

    They are parted by semicolons or lines; a bare number counts in ``unit``. Raises ValidationError with every reason.
    """
    found: list[tuple[str, Length]] = []
    wrong: list[str] = []
    for piece in re.split(r"[;\n]", text):
        item = piece.strip()
        if not item:
            continue
        where, value = "", item
        if ":" in item:
            where, _, value = item.rpartition(":")
        elif last := _POINT_LAST.match(item):
            where, value = last["at"] or last["bracket"], last["value"]
        elif first := _POINT_FIRST.match(item):
            where, value = first["where"], first["value"]
        where = where.strip()
        if len(where) > 60:
            wrong.append(f"“{where[:20]}…” is too long for the name of a point.")
            continue
        try:
            length = Length.parse(value.strip(), unit)
        except BadMeasure as bad:
            wrong.append(str(bad) if item in str(bad) else f"“{item}”: {bad}")
            continue
        if not length:
            wrong.append(f"“{item}”: a reading is more than zero.")
        else:
            found.append((where, length))
    if wrong:
        raise ValidationError(wrong)
    if len(found) > 50:
        raise ValidationError("Fifty readings at a time, please.")
    return found


class ReadingsField(forms.CharField):
    """Several readings in one line, as (point, length) pairs."""

    def to_python(self, value: Any) -> list[tuple[str, Length]]:  # type: ignore[override]
        text = super().to_python(value)
        return read_readings(text, current_shop().length_unit) if text else []


class ReadingsForm(forms.Form):
    """Readings of one dimension, as many as were taken."""

    dimension = forms.ChoiceField(
        label="What did you measure?",
        choices=Dimension.choices,
        initial=Dimension.LENGTH,
        widget=forms.RadioSelect,
    )
    typed = ReadingsField(
        label="Readings",
        max_length=1000,
        help_text="All of them, parted by semicolons: 18 3/4; 18 11/16; 18 3/4. "
        "Name the point if it matters: left: 18 3/4; right: 18 11/16.",
        widget=forms.TextInput(
            attrs={"autocomplete": "off", "enterkeyhint": "done", "autocapitalize": "none"}
        ),
    )


def _part(part_id: int) -> Part:
    return get_object_or_404(
        Part.objects.select_related("piece", "parent").prefetch_related("readings"), pk=part_id
    )


def _part_page(request: HttpRequest, part: Part, form: ReadingsForm | None = None) -> HttpResponse:
    form = form or ReadingsForm(initial={"dimension": _last_dimension(part)})
    photos = list(Photo.objects.live().filter(part=part).without_money())
    context = on_piece(
        request,
        part.piece,
        "parts",
        part=part,
        sizes=size_rows(part),
        form=form,
        photos=photos,
        subparts=part.subparts.live(),
        attempts=Attempt.objects.live().filter(part=part).newest_first()[:20],
        removals=part.removals.live().order_by("-order")[:10],
        plans=[(plan, part.plan == plan) for plan in Plan],
        may_strike=may_strike(request, part),
    )
    return answer(request, "flips/parts/part.html", context, status=refused_status(form))


def _last_dimension(part: Part) -> str:
    live = [reading for reading in part.readings.all() if not reading.is_void]
    return live[-1].dimension if live else Dimension.LENGTH


@require_GET
@open_to_helper
def part(request: HttpRequest, part_id: int) -> HttpResponse:
    """One part: what it is, what it measures at which points, and what was done to it."""
    return _part_page(request, _part(part_id))


@require_http_methods(["GET", "POST"])
@open_to_helper
def readings_add(request: HttpRequest, part_id: int) -> HttpResponse:
    """Adds readings to a part."""
    shown = _part(part_id)
    if request.method == "GET":
        return _part_page(request, shown)
    form = ReadingsForm(request.POST)
    if shown.is_void:
        raise Http404
    if form.is_valid():
        typed = form.cleaned_data

        def add() -> Done:
            kept = parts.add_readings(
                shown,
                by=request.user,  # type: ignore[arg-type]
                dimension=typed["dimension"],
                readings=typed["typed"],
            )
            return Done(
                f"{shown.get_absolute_url()}#sizes",
                f"{len(kept)} reading{'' if len(kept) == 1 else 's'} kept.",
                undo_token("readings", kept[0]),
            )

        if done := once(request, form, add):
            return done
    return _part_page(request, shown, form)


class ReadingForm(RecordForm):
    """Corrects one reading."""

    instance: Reading

    length = LengthField(label="Reading")

    class Meta:
        model = Reading
        fields = ["dimension", "where"]
        widgets = {"dimension": forms.RadioSelect}
        labels = {"dimension": "What was measured", "where": "At which point"}

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.initial["length"] = self.instance.length

    def save(self, commit: bool = True) -> Any:
        length = self.cleaned_data["length"]
        self.instance.length_nm, self.instance.length_text = length.nm, length.text
        return super().save(commit)


@require_http_methods(["GET", "POST"])
@open_to_helper
def reading(request: HttpRequest, reading_id: int) -> HttpResponse:
    """Corrects one reading, or strikes it."""
    shown = get_object_or_404(Reading.objects.live().select_related("part__piece"), pk=reading_id)
    form = ReadingForm(request.POST or None, instance=shown)
    if request.method == "POST" and form.is_valid():
        with refusals_on(form):
            form.save()
        if not form.errors:
            return go(request, Done(f"{shown.part.get_absolute_url()}#sizes", "Reading corrected."))
    return answer(
        request,
        "flips/parts/reading.html",
        on_piece(
            request,
            shown.part.piece,
            "parts",
            part=shown.part,
            reading=shown,
            form=form,
            may_strike=may_strike(request, shown),
        ),
        status=refused_status(form),
    )


@require_POST
@open_to_helper
def reading_void(request: HttpRequest, reading_id: int) -> HttpResponse:
    """Strikes one reading; the others stay."""
    shown = get_object_or_404(Reading.objects.select_related("part"), pk=reading_id)
    refuse_others(request, shown)
    shown.void(by=request.user, reason=request.POST.get("reason", "")[:200])  # type: ignore[arg-type]
    return go(
        request,
        Done(f"{shown.part.get_absolute_url()}#sizes", "Reading struck.", undo_for(request, "voided", shown)),
    )


class PartEditForm(RecordForm):
    """What is known of a part, and which part it belongs to."""

    instance: Part

    parent = PartField(label="Part of", blank="The piece itself")

    class Meta:
        model = Part
        fields = ["name", "count", "parent", "material", "species", "condition", "plan", "note"]
        widgets = {
            "count": forms.NumberInput(attrs={"inputmode": "numeric"}),
            "plan": forms.RadioSelect,
            "note": forms.Textarea(attrs={"rows": 3}),
        }
        labels = {"count": "How many in all"}
        help_texts = {"note": "Everybody at the bench reads it."}


@require_http_methods(["GET", "POST"])
@open_to_helper
def part_edit(request: HttpRequest, part_id: int) -> HttpResponse:
    """Corrects a part, or moves it into another one."""
    shown = get_object_or_404(Part.objects.live().select_related("piece", "parent"), pk=part_id)
    tree = live_tree(shown.piece)
    form = PartEditForm(request.POST or None, instance=shown)
    above = next((one for one in tree if one.pk == shown.parent_id), None) or shown.parent
    form.fields["parent"].of([one for one in tree if one.pk != shown.pk], besides=above)  # type: ignore[attr-defined]
    if request.method == "POST" and form.is_valid():
        with refusals_on(form):
            form.hold()
            parts.change_part(shown)
        if not form.errors:
            return go(request, Done(shown.get_absolute_url(), "Part saved."))
    return answer(
        request,
        "flips/parts/edit.html",
        on_piece(request, shown.piece, "parts", part=shown, form=form),
        status=refused_status(form),
    )


@require_POST
@open_to_helper
def part_plan(request: HttpRequest, part_id: int) -> HttpResponse:
    """Says with one tap whether a part is kept, mended or replaced."""
    shown = get_object_or_404(Part.objects.live().select_related("piece", "parent"), pk=part_id)
    plan = request.POST.get("plan", "")
    if plan not in Plan.values:
        raise Http404
    shown.plan = plan
    parts.change_part(shown)
    return go(request, Done(shown.get_absolute_url(), f"{shown.name}: {Plan(plan).label.lower()}."))


@require_POST
@open_to_helper
def part_void(request: HttpRequest, part_id: int) -> HttpResponse:
    """Takes a part out with a reason, and its sub-parts with it."""
    shown = get_object_or_404(Part.objects.live().select_related("piece"), pk=part_id)
    refuse_others(request, shown)
    form = forms.Form(request.POST)
    if form.is_valid():
        with refusals_on(form):
            count = parts.void_part(shown, by=request.user, reason=request.POST.get("reason", "")[:200])  # type: ignore[arg-type]
    if form.errors:
        said = " ".join(str(error) for error in form.non_field_errors())
        return go(request, Done(shown.get_absolute_url(), said))
    said = (
        f"“{shown.name}” is taken out."
        if count == 1
        else f"“{shown.name}” and {count - 1} sub-parts are taken out."
    )
    return go(
        request, Done(reverse("parts", args=[shown.piece_id]), said, undo_for(request, "part voided", shown))
    )


@require_http_methods(["GET", "POST"])
@open_to_helper
def part_photos(request: HttpRequest, part_id: int) -> HttpResponse:
    """Adds photos of one part."""
    shown = get_object_or_404(Part.objects.live().select_related("piece"), pk=part_id)
    return photos_page(request, shown, shown.piece, part=shown)


# Taking apart and putting together


class TakeOffForm(forms.Form):
    """The next part taken off, and where its fasteners are."""

    part = PartField(label="What comes off?", blank="Choose a part")
    new_part = forms.CharField(
        label="Or a part not listed yet",
        max_length=80,
        required=False,
        widget=forms.TextInput(attrs={"autocomplete": "off"}),
    )
    fasteners = forms.CharField(
        label="Fasteners",
        max_length=120,
        required=False,
        help_text="What they are: slotted wood screws, 1 1/4 in.",
        widget=forms.TextInput(attrs={"list": "fasteners", "autocomplete": "off"}),
    )
    count_out = forms.IntegerField(
        label="How many out",
        min_value=0,
        max_value=9999,
        required=False,
        widget=forms.NumberInput(attrs={"inputmode": "numeric"}),
    )
    bag = forms.CharField(
        label="Bag label",
        max_length=60,
        required=False,
        widget=forms.TextInput(attrs={"autocomplete": "off"}),
    )
    note = forms.CharField(
        label="Note", max_length=200, required=False, help_text="What to mind when it goes back."
    )
    photos = PhotosField(label="Photos")

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or self.cleaned_data
        if (
            cleaned.get("part") is None
            and not cleaned.get("new_part", "").strip()
            and "part" not in self.errors
        ):
            self.add_error("part", "Say which part came off.")
        return cleaned


@require_http_methods(["GET", "POST"])
@open_to_helper
def taking_apart(request: HttpRequest, piece_id: int) -> HttpResponse:
    """Taking apart in order; the putting-together list is the reverse, with what is missing."""
    piece = get_object_or_404(Piece.objects.live(), pk=piece_id)
    removals = list(
        piece.removals.live()
        .select_related("part", "created_by")
        .prefetch_related("photos")
        .order_by("order")
    )
    off = {row.part_id for row in removals if row.back_at is None}
    number = parts.next_order(piece)
    form = TakeOffForm(request.POST or None, request.FILES or None, initial={"bag": str(number)})
    form.fields["part"].of([one for one in live_tree(piece) if one.pk not in off])  # type: ignore[attr-defined]
    if request.method == "POST" and form.is_valid():
        typed = dict(form.cleaned_data)
        typed["count_out"] = typed["count_out"] or 0

        def take() -> Done:
            removal = parts.take_off(by=request.user, piece=piece, at=timezone.now(), **typed)  # type: ignore[arg-type]
            return Done(
                reverse("taking_apart", args=[piece.pk]),
                f"Number {removal.order}: {removal.part.name} is off.",
                undo_token("made", removal),
            )

        if done := once(request, form, take):
            return done
    for row in removals:
        row.shown_photos = [photo for photo in row.photos.all() if not photo.is_void]  # type: ignore[attr-defined]
    to_put_back = [row for row in reversed(removals) if row.back_at is None]
    back = [row for row in removals if row.back_at is not None]
    return answer(
        request,
        "flips/parts/taking_apart.html",
        on_piece(
            request,
            piece,
            "taking_apart",
            form=form,
            number=number,
            to_put_back=to_put_back,
            back=back,
            removals=removals,
            out=sum(row.count_out for row in to_put_back),
            missing=sum(row.missing for row in back),
            short=[row for row in back if row.missing],
            fasteners=_fasteners(),
        ),
        status=refused_status(form),
    )


def _fasteners() -> list[str]:
    rows = (
        Removal.objects.live()
        .exclude(fasteners="")
        .values("fasteners")
        .annotate(often=Count("pk"))
        .order_by("-often", "fasteners")[:30]
    )
    return [row["fasteners"] for row in rows]


def _removal(removal_id: int) -> Removal:
    return get_object_or_404(Removal.objects.live().select_related("part", "piece"), pk=removal_id)


class PutBackForm(forms.Form):
    """How many fasteners went back with a part."""

    count_back = forms.IntegerField(
        min_value=0,
        max_value=9999,
        error_messages={"required": "Say how many fasteners went back.", "invalid": "Write a whole number."},
    )


@require_POST
@open_to_helper
def put_back(request: HttpRequest, removal_id: int) -> HttpResponse:
    """Notes that a part is back on, and with how many of its fasteners."""
    shown = _removal(removal_id)
    there = reverse("taking_apart", args=[shown.piece_id])
    form = PutBackForm(request.POST)
    if not form.is_valid():
        said = " ".join(str(error) for errors in form.errors.values() for error in errors)
        return go(request, Done(there, f"{shown.part.name} is not put back yet. {said}"))
    removal = parts.put_back(shown, at=timezone.now(), count_back=form.cleaned_data["count_back"])
    said = f"{shown.part.name} is back on."
    if removal.missing:
        said = f"{shown.part.name} is back on, {removal.missing} of {removal.count_out} fasteners missing."
    return go(request, Done(there, said, undo_for(request, "put back", removal)))


class RemovalForm(RecordForm):
    """Corrects a line of the taking apart."""

    instance: Removal

    photos = PhotosField(label="More photos")
    off_at = MomentField(label="Taken off")

    class Meta:
        model = Removal
        fields = ["fasteners", "count_out", "count_back", "bag", "note", "off_at"]
        widgets = {
            name: forms.NumberInput(attrs={"inputmode": "numeric"}) for name in ("count_out", "count_back")
        }
        labels = {"count_out": "How many came out", "count_back": "How many went back", "bag": "Bag label"}

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if self.instance.back_at is None:
            del self.fields["count_back"]
        else:
            self.fields["count_back"].required = True


@require_http_methods(["GET", "POST"])
@open_to_helper
def removal(request: HttpRequest, removal_id: int) -> HttpResponse:
    """Corrects one line of the taking apart."""
    shown = _removal(removal_id)
    form = RemovalForm(request.POST or None, request.FILES or None, instance=shown)
    if request.method == "POST" and form.is_valid():
        with refusals_on(form):
            form.hold()
            parts.change_removal(shown, by=request.user, photos=form.cleaned_data["photos"])  # type: ignore[arg-type]
        if not form.errors:
            return go(request, Done(reverse("taking_apart", args=[shown.piece_id]), "Corrected."))
    return answer(
        request,
        "flips/parts/removal.html",
        on_piece(
            request,
            shown.piece,
            "taking_apart",
            removal=shown,
            form=form,
            photos=list(shown.photos.live()),
            may_strike=may_strike(request, shown),
        ),
        status=refused_status(form),
    )


@require_POST
@open_to_helper
def removal_off_again(request: HttpRequest, removal_id: int) -> HttpResponse:
    """Takes back that a part was put back."""
    shown = _removal(removal_id)
    form = forms.Form(request.POST)
    if form.is_valid():
        with refusals_on(form):
            parts.off_again(shown)
    said = " ".join(str(error) for error in form.non_field_errors()) or f"{shown.part.name} is off again."
    return go(request, Done(reverse("taking_apart", args=[shown.piece_id]), said))


@require_POST
@open_to_helper
def removal_void(request: HttpRequest, removal_id: int) -> HttpResponse:
    """Strikes a line of the taking apart noted by mistake."""
    shown = _removal(removal_id)
    refuse_others(request, shown)
    shown.void(by=request.user, reason=request.POST.get("reason", "")[:200])  # type: ignore[arg-type]
    return go(
        request,
        Done(
            reverse("taking_apart", args=[shown.piece_id]),
            f"Number {shown.order} is struck.",
            undo_for(request, "removal struck", shown),
        ),
    )


urlpatterns = [
    path("pieces/<int:piece_id>/parts/", part_tree, name="parts"),
    path("pieces/<int:piece_id>/parts/new/", part_new, name="part_new"),
    path("pieces/<int:piece_id>/parts/usual/", parts_usual, name="parts_usual"),
    path("pieces/<int:piece_id>/apart/", taking_apart, name="taking_apart"),
    path("parts/<int:part_id>/", part, name="part"),
    path("parts/<int:part_id>/edit/", part_edit, name="part_edit"),
    path("parts/<int:part_id>/plan/", part_plan, name="part_plan"),
    path("parts/<int:part_id>/void/", part_void, name="part_void"),
    path("parts/<int:part_id>/photos/", part_photos, name="part_photos"),
    path("parts/<int:part_id>/readings/", readings_add, name="readings_add"),
    path("readings/<int:reading_id>/", reading, name="reading"),
    path("readings/<int:reading_id>/void/", reading_void, name="reading_void"),
    path("removals/<int:removal_id>/", removal, name="removal"),
    path("removals/<int:removal_id>/back/", put_back, name="put_back"),
    path("removals/<int:removal_id>/off/", removal_off_again, name="removal_off_again"),
    path("removals/<int:removal_id>/void/", removal_void, name="removal_void"),
]
