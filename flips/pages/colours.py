"""Colour match: mark the old wood, the scraps and a reference in a photo; the nearest scrap, and the eye's pick."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from django.core.exceptions import PermissionDenied, ValidationError
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import path, reverse
from django.views.decorators.http import require_http_methods, require_POST

from finishes.colour import CANNOT_TELL, Lab, Near, hints, in_words, nearest
from finishes.models import FinishSchedule, Sample
from flips.access import open_to_helper
from flips.actions import colours as actions
from flips.models import ColourMark, ColourMatch, Piece
from flips.models.finishing import FULL_SIDE, MarkKind, ReferenceKind
from flips.pages.answers import Done, answer, go, once, refusals_on, refused_status, undo_token
from flips.pages.forms import PercentField, PhotosField, RecordForm, forms
from flips.pages.pieces import sections

# ---- matches of a piece ------------------------------------------------------------------------------------


class MatchForm(forms.Form):
    """A photo to be marked."""

    photo = PhotosField(label="Photo of the old wood, the scraps and something grey or white", required=True)
    about = forms.CharField(
        label="What is to be matched",
        max_length=80,
        required=False,
        widget=forms.TextInput(attrs={"placeholder": "Left side, under the top", "autocomplete": "off"}),
    )


@require_http_methods(["GET", "POST"])
@open_to_helper
def colours(request: HttpRequest, piece_id: int) -> HttpResponse:
    """The colour matches of a piece, and a new one."""
    piece = get_object_or_404(Piece.objects.live(), pk=piece_id)
    form = MatchForm(request.POST or None, request.FILES or None)
    if request.method == "POST" and form.is_valid():

        def keep() -> Done:
            match = actions.new_match(
                piece,
                by=request.user,  # type: ignore[arg-type]
                photo=form.cleaned_data["photo"][0],
                about=form.cleaned_data["about"],
            )
            return Done(match.get_absolute_url(), "Now mark what is where.", undo_token("made", match))

        if done := once(request, form, keep):
            return done
    matches = ColourMatch.objects.live().filter(piece=piece).select_related("photo").prefetch_related("marks")
    return answer(
        request,
        "flips/colour/list.html",
        {
            "piece": piece,
            "tabs": sections(piece, "piece_finish", owner=request.user.is_owner),  # type: ignore[union-attr]
            "form": form,
            "matches": [(match, _chosen(match)) for match in matches],
            "tab": "bench",
        },
        status=refused_status(form),
    )


def _chosen(match: ColourMatch) -> str:
    """What came of a match, in a few words."""
    scraps = [one for one in match.marks.all() if one.kind == MarkKind.SCRAP]
    if match.pick:
        return f"{match.pick}, by eye"
    if scraps and scraps[0].difference_hundredths is not None:
        return f"{scraps[0].name}, {in_words(scraps[0].difference_hundredths / 100)}"
    return "not marked yet"


# ---- marking -----------------------------------------------------------------------------------------------

ROWS = 12
USUAL_HALF = 250
# A tenth of a percent is two or three pixels: no finger is finer.
FINEST = 10
# What each row of the form is for.
KINDS = [MarkKind.TARGET, MarkKind.REFERENCE, *([MarkKind.SCRAP] * (ROWS - 2))]


class PatchForm(forms.Form):
    """One patch by numbers; places are percent of the photo's width and height, measured from the top left."""

    kind = forms.ChoiceField(label="What it is", choices=MarkKind.choices)
    name = forms.CharField(
        label="Name", max_length=40, required=False, widget=forms.TextInput(attrs={"autocomplete": "off"})
    )
    x = PercentField(label="Across", required=False)
    y = PercentField(label="Down", required=False)
    half = PercentField(label="Size", required=False)

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or self.cleaned_data
        if (cleaned.get("x") is None) != (cleaned.get("y") is None) and not self.errors:
            self.add_error("x", "Write both, across and down; or neither to leave the patch out.")
        return cleaned

    @property
    def marked(self) -> actions.Marked | None:
        """The patch, or None where nothing was marked."""
        typed = self.cleaned_data
        if typed.get("x") is None:
            return None
        kind = MarkKind(typed["kind"])
        half = max(FINEST, min(typed["half"] or USUAL_HALF, FULL_SIDE // 2))
        x, y, half = (round(value / FINEST) * FINEST for value in (typed["x"], typed["y"], half))
        return actions.Marked(kind, typed["name"].strip() or kind.label, x, y, half)


class MarksForm(forms.Form):
    """Every patch of a photo, and what the reference is."""

    reference = forms.ChoiceField(
        label="The reference is",
        choices=ReferenceKind.choices,
        initial=ReferenceKind.UNKNOWN,
        widget=forms.RadioSelect,
        help_text="A grey card is best, plain white paper does.",
    )

    def __init__(self, data: Any = None, *, match: ColourMatch, marks: Sequence[ColourMark]) -> None:
        super().__init__(data, initial={"reference": match.reference})
        left = {kind: [one for one in marks if one.kind == kind] for kind in MarkKind}
        count = max(ROWS, len(marks) + 2)
        kinds = [*KINDS, *([MarkKind.SCRAP] * (count - ROWS))]
        self.patches = []
        scraps = 0
        for number, kind in enumerate(kinds):
            scraps += kind == MarkKind.SCRAP
            name = {MarkKind.TARGET: "Old wood", MarkKind.REFERENCE: "Reference"}.get(kind, f"Scrap {scraps}")
            first: dict[str, Any] = {"kind": kind, "name": name, "half": USUAL_HALF}
            if left[kind]:
                one = left[kind].pop(0)
                first = {"kind": one.kind, "name": one.name, "x": one.x, "y": one.y, "half": one.half}
            self.patches.append(PatchForm(data, prefix=f"p{number}", initial=first))
        # A second reference takes the place of an unused scrap.
        for one in [mark for rest in left.values() for mark in rest]:
            free = next((p for p in reversed(self.patches) if p.initial.get("x") is None), None)
            if free is not None:
                free.initial = {"kind": one.kind, "name": one.name, "x": one.x, "y": one.y, "half": one.half}

    def is_valid(self) -> bool:
        """Whether the reference and every patch can be read."""
        return all([super().is_valid(), *(patch.is_valid() for patch in self.patches)])

    @property
    def marked(self) -> list[actions.Marked]:
        """The patches that were marked."""
        found: list[actions.Marked] = []
        for patch in self.patches:
            one = patch.marked
            if one is None:
                continue
            # Nobody calls two grey cards by different names; scraps that share one are asked about instead.
            same = sum(1 for other in found if other.kind == one.kind and other.name.startswith(one.name))
            if same and one.kind == MarkKind.REFERENCE:
                one = replace(one, name=f"{one.name} {same + 1}"[:40])
            found.append(one)
        return found


@dataclass(frozen=True)
class Scrap:
    """One scrap beside the old wood, in words."""

    mark: ColourMark
    words: str
    hints: tuple[str, ...]
    is_pick: bool
    is_best: bool

    @property
    def difference(self) -> str:
        """The CIEDE2000 difference to a tenth."""
        return f"{(self.mark.difference_hundredths or 0) / 100:.1f}"


def scraps_of(match: ColourMatch, marks: Sequence[ColourMark]) -> list[Scrap]:
    """The scraps, nearest first; what was measured is stored, so nothing is reckoned anew."""
    target = next((one.lab for one in marks if one.kind == MarkKind.TARGET), None)
    rows = [one for one in marks if one.kind == MarkKind.SCRAP and one.difference_hundredths is not None]
    return [
        Scrap(
            one,
            in_words((one.difference_hundredths or 0) / 100),
            hints(one.lab, target) if one.lab and target else (),
            one.name == match.pick,
            one.level_with_best,
        )
        for one in rows
    ]


def nearest_samples(target: Lab, *, most: int = 5) -> list[tuple[Sample, Near]]:
    """Kept sample boards nearest to a colour."""
    rows = {
        f"{row.name} ({row.pk})": row
        for row in Sample.objects.in_use().filter(lightness_hundredths__isnull=False).select_related("recipe")
    }
    labs: Mapping[str, Lab] = {key: row.lab for key, row in rows.items() if row.lab}
    return [(rows[near.name], near) for near in nearest(target, labs)[:most]]


def _match(match_id: int) -> ColourMatch:
    rows = ColourMatch.objects.live().select_related("piece", "photo")
    return get_object_or_404(rows, pk=match_id)


@require_http_methods(["GET", "POST"])
@open_to_helper
def colour(request: HttpRequest, match_id: int) -> HttpResponse:
    """One photo: its marks by finger, keys or numbers, the ranking, its warnings, and the eye's pick."""
    match = _match(match_id)
    marks = list(match.marks.select_related("sample"))
    form = MarksForm(request.POST or None, match=match, marks=marks)
    if request.method == "POST" and form.is_valid():
        try:
            patches = actions.measure(match, form.marked)
        except ValidationError as refused:
            form.add_error(None, refused)
        else:
            with refusals_on(form):
                actions.mark(match, patches, reference=form.cleaned_data["reference"])
        if not form.errors:
            return go(request, Done(f"{match.get_absolute_url()}#ranking", "Measured."))
    target = next((one.lab for one in marks if one.kind == MarkKind.TARGET), None)
    wrong = bool(form.errors) or (form.is_bound and any(patch.errors for patch in form.patches))
    return answer(
        request,
        "flips/colour/match.html",
        {
            "match": match,
            "piece": match.piece,
            "form": form,
            "scraps": scraps_of(match, marks),
            "target": next((one for one in marks if one.kind == MarkKind.TARGET), None),
            "by_figure": next((one for one in marks if one.kind == MarkKind.SCRAP), None),
            "samples": nearest_samples(target) if target else [],
            "comparable": match.reference != ReferenceKind.UNKNOWN,
            "cannot_tell": CANNOT_TELL,
            "frame": _frame(match, form),
            "patch_errors": wrong,
            "tab": "bench",
        },
        status=422 if wrong else 200,
    )


GRID = 10


def _frame(match: ColourMatch, form: MarksForm) -> dict[str, Any]:
    """The photo as a drawing: its size in units of a ten thousandth of the width, grid and marks."""
    high = FULL_SIDE * match.photo.height // max(match.photo.width, 1)
    boxes = []
    for number, patch in enumerate(form.patches):
        x, y, half = (patch[name].value() for name in ("x", "y", "half"))
        numbers = [_hundredths(value) for value in (x, y, half)]
        x_at, y_at, half_of = numbers[0], numbers[1], numbers[2] or USUAL_HALF
        placed = x_at is not None and y_at is not None
        boxes.append(
            {
                "number": number,
                "name": patch["name"].value(),
                "placed": placed,
                "left": (x_at or 0) - half_of,
                "top": (y_at or 0) * high // FULL_SIDE - half_of,
                "side": 2 * half_of,
                "label_y": max(300, (y_at or 0) * high // FULL_SIDE - half_of - 80),
            }
        )
    return {
        "high": high,
        "boxes": boxes,
        "across": [(n * 10, n * FULL_SIDE // GRID) for n in range(1, GRID)],
        "down": [(n * 10, n * high // GRID) for n in range(1, GRID)],
    }


def _hundredths(value: Any) -> int | None:
    """A typed or stored percentage as hundredths, None where it can't be read."""
    if isinstance(value, int):
        return value
    try:
        return PercentField(required=False).to_python(value)
    except ValidationError:
        return None


@require_POST
@open_to_helper
def colour_pick(request: HttpRequest, match_id: int) -> HttpResponse:
    """Records what the eye picks; it wins over the figure, and both are kept."""
    match = _match(match_id)
    name = request.POST.get("pick", "").replace("\x00", "")[:40]
    note = request.POST.get("note", "").replace("\x00", "").strip()[:200]
    back = f"{match.get_absolute_url()}#ranking"
    try:
        actions.pick(match, name=name, note=note)
    except ValidationError as refused:
        return go(request, Done(back, " ".join(refused.messages)))
    return go(request, Done(back, f"Your eye picks {name}." if name else "No pick."))


@require_POST
@open_to_helper
def colour_void(request: HttpRequest, match_id: int) -> HttpResponse:
    """Takes a match away; helpers only their own."""
    match = _match(match_id)
    if not request.user.is_owner and match.created_by_id != request.user.pk:  # type: ignore[union-attr]
        raise PermissionDenied("You can take back only what you entered yourself.")
    match.void(by=request.user, reason=request.POST.get("reason", ""))  # type: ignore[arg-type]
    back = reverse("colours", args=[match.piece_id])
    return go(request, Done(back, "Match taken away.", undo_token("voided", match)))


# ---- sample boards -----------------------------------------------------------------------------------------


class SampleForm(forms.Form):
    """A new sample board."""

    name = forms.CharField(label="What is written on the board", max_length=80)
    wood = forms.CharField(
        label="Wood", max_length=60, required=False, widget=forms.TextInput(attrs={"list": "woods"})
    )
    recipe = forms.ModelChoiceField(
        queryset=FinishSchedule.objects.in_use(), label="Recipe", required=False, empty_label="None of these"
    )
    how = forms.CharField(
        label="What is on it, if no recipe says so",
        max_length=200,
        required=False,
        widget=forms.TextInput(attrs={"placeholder": "Oil stain half strength, shellac"}),
    )
    note = forms.CharField(label="Note", max_length=200, required=False)


class SampleEditForm(RecordForm):
    """Corrects a sample board."""

    class Meta:
        model = Sample
        fields = ["name", "wood", "recipe", "how", "note", "retired"]
        widgets = {"wood": forms.TextInput(attrs={"list": "woods"})}


@require_http_methods(["GET", "POST"])
@open_to_helper
def samples(request: HttpRequest) -> HttpResponse:
    """Sample boards, searched by name, wood and recipe; a new one, with the colour of a scrap if it comes from one."""
    asked = request.GET.get("scrap", "")
    scrap = None
    if asked.isdigit() and len(asked) < 12:
        rows = ColourMark.objects.filter(kind=MarkKind.SCRAP, lightness_hundredths__isnull=False)
        scrap = rows.filter(match__voided_at__isnull=True).select_related("match").filter(pk=asked).first()
    form = SampleForm(request.POST or None, initial={"name": scrap.name} if scrap else {})
    if request.method == "POST" and form.is_valid():

        def keep() -> Done:
            sample = actions.keep_sample(by=request.user, scrap=scrap, **form.cleaned_data)  # type: ignore[arg-type]
            return Done(
                scrap.match.get_absolute_url() if scrap else reverse("samples"), f"“{sample}” is kept."
            )

        if done := once(request, form, keep):
            return done
    words = request.GET.get("q", "").replace("\x00", "").strip()[:80]
    found = Sample.objects.in_use().select_related("recipe").matching(words)
    page = Paginator(found, 30).get_page(request.GET.get("page"))
    return answer(
        request,
        "finishes/samples.html",
        {
            "page_obj": page,
            "words": words,
            "form": form,
            "scrap": scrap,
            "woods": _woods(),
            "tab": "more",
        },
        status=refused_status(form),
    )


def _woods() -> list[str]:
    rows = Sample.objects.in_use().exclude(wood="").order_by("wood")
    return list(rows.values_list("wood", flat=True).distinct()[:60])


@require_http_methods(["GET", "POST"])
@open_to_helper
def sample(request: HttpRequest, sample_id: int) -> HttpResponse:
    """One sample board: corrected or put away."""
    shown = get_object_or_404(Sample.objects.select_related("recipe"), pk=sample_id)
    form = SampleEditForm(request.POST or None, instance=shown)
    if request.method == "POST" and form.is_valid():
        with refusals_on(form):
            form.save()
        if not form.errors:
            return go(request, Done(reverse("samples"), "Saved."))
    return answer(
        request,
        "finishes/sample.html",
        {
            "sample": shown,
            "form": form,
            "woods": _woods(),
            "marks": shown.marks.filter(match__voided_at__isnull=True).select_related("match__piece"),
            "tab": "more",
        },
        status=refused_status(form),
    )


urlpatterns = [
    path("pieces/<int:piece_id>/colours/", colours, name="colours"),
    path("colours/<int:match_id>/", colour, name="colour"),
    path("colours/<int:match_id>/pick/", colour_pick, name="colour_pick"),
    path("colours/<int:match_id>/void/", colour_void, name="colour_void"),
    path("samples/", samples, name="samples"),
    path("samples/<int:sample_id>/", sample, name="sample"),
]
