"""What the pages below a piece share: who may strike what, choosing parts and other rows, photos, and kept seconds."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from django.core.exceptions import PermissionDenied
from django.http import HttpRequest, HttpResponse
from django.utils import timezone

from flips.actions.photos import keep_photos
from flips.models import Moment, Part, Piece, Voidable
from flips.pages.answers import Done, answer, once, refused_status, undo_token
from flips.pages.forms import PhotosField, RecordForm, forms
from flips.pages.pieces import sections


def may_strike(request: HttpRequest, record: Voidable) -> bool:
    """Whether the person looking may take a record out: an owner any, a helper only what they entered."""
    return request.user.is_owner or record.created_by_id == request.user.pk  # type: ignore[union-attr]


def refuse_others(request: HttpRequest, record: Voidable) -> None:
    """Turns a helper away from somebody else's entry."""
    if not may_strike(request, record):
        raise PermissionDenied("Only who entered it, or the owner.")


def undo_for(request: HttpRequest, verb: str, record: Voidable) -> str:
    """The undo, where the person looking may take it back at all."""
    return undo_token(verb, record) if may_strike(request, record) else ""


def indented(part: Part) -> str:
    """A part's name in a list of choices, set in by its depth."""
    return "\u2003" * part.depth + str(part)


class PartField(forms.ChoiceField):
    """One of the parts of a piece, or none; ``of`` says which piece."""

    def __init__(self, *, blank: str = "No part in particular", **kwargs: Any) -> None:
        self.blank = blank
        self.by_id: dict[str, Part] = {}
        kwargs.setdefault("required", False)
        super().__init__(**kwargs)

    def of(self, rows: Sequence[Part], *, besides: Part | None = None) -> None:
        """Offers ``rows`` in their order; ``besides`` is one that is out of use but chosen here."""
        offered = [*rows, *([besides] if besides is not None and besides not in rows else [])]
        self.by_id = {str(part.pk): part for part in offered}
        self.choices = [("", self.blank), *((pk, indented(part)) for pk, part in self.by_id.items())]

    def clean(self, value: Any) -> Part | None:
        return self.by_id.get(super().clean(value))

    def prepare_value(self, value: Any) -> Any:
        return value.pk if isinstance(value, Part) else value


class PartsField(forms.MultipleChoiceField):
    """Some of the parts of a piece."""

    def __init__(self, **kwargs: Any) -> None:
        self.by_id: dict[str, Part] = {}
        kwargs.setdefault("required", False)
        kwargs.setdefault("widget", forms.CheckboxSelectMultiple)
        super().__init__(**kwargs)

    def of(self, rows: Sequence[Part], *, besides: Sequence[Part] = ()) -> None:
        """Offers ``rows`` in their order, and those ``besides`` that are chosen already."""
        offered = [*rows, *(part for part in besides if part not in rows)]
        self.by_id = {str(part.pk): part for part in offered}
        self.choices = [(pk, str(part)) for pk, part in self.by_id.items()]

    def clean(self, value: Any) -> list[Part]:
        return [self.by_id[pk] for pk in super().clean(value)]

    def prepare_value(self, value: Any) -> Any:
        if isinstance(value, list | tuple):
            return [one.pk if isinstance(one, Part) else one for one in value]
        return value


def live_tree(piece: Piece) -> list[Part]:
    """The live parts of a piece in tree order; one query for them and one for their readings."""
    return piece.parts.live().in_tree_order()


def on_piece(request: HttpRequest, piece: Piece, current: str, **more: Any) -> dict[str, Any]:
    """What every page below a piece shows: the piece and its tabs."""
    tabs = sections(piece, current, owner=request.user.is_owner)  # type: ignore[union-attr]
    return {"piece": piece, "tabs": tabs, "tab": "bench", **more}


def asked_for(request: HttpRequest, name: str) -> int | None:
    """An id in the query string; None when there is none."""
    value = request.GET.get(name, "")
    return int(value) if value.isascii() and value.isdigit() and len(value) < 16 else None


class PhotosOfForm(forms.Form):
    """Photos for a part or an attempt."""

    photos = PhotosField(label="Photos", required=True)
    moment = forms.ChoiceField(
        label="Taken",
        choices=[choice for choice in Moment.choices if choice[0] != Moment.SLIP],
        initial=Moment.DURING,
        widget=forms.RadioSelect,
    )


def photos_page(request: HttpRequest, of: Any, piece: Piece, **belongs_to: Any) -> HttpResponse:
    """The form for photos of something on a piece, and keeping them."""
    form = PhotosOfForm(request.POST or None, request.FILES or None)
    if request.method == "POST" and form.is_valid():

        def keep() -> Done:
            kept = keep_photos(
                form.cleaned_data["photos"],
                by=request.user,  # type: ignore[arg-type]
                piece=piece,
                moment=form.cleaned_data["moment"],
                **belongs_to,
            )
            return Done(of.get_absolute_url(), f"{len(kept)} photo{'s' if len(kept) > 1 else ''} kept.")

        if done := once(request, form, keep):
            return done
    return answer(
        request,
        "flips/parts/photos.html",
        on_piece(request, piece, "parts", of=of, form=form),
        status=refused_status(form),
    )


class ChoiceOf(forms.ChoiceField):
    """One of some rows, or none; ``of`` says which."""

    def __init__(self, *, blank: str, **kwargs: Any) -> None:
        self.blank = blank
        self.by_id: dict[str, Any] = {}
        kwargs.setdefault("required", False)
        super().__init__(**kwargs)

    def of(self, rows: Sequence[Any], *, besides: Any = None) -> None:
        """Offers ``rows`` in their order; ``besides`` is one that is chosen already."""
        offered = [*rows, *([besides] if besides is not None and besides not in rows else [])]
        self.by_id = {str(row.pk): row for row in offered}
        self.choices = [("", self.blank), *((pk, str(row)) for pk, row in self.by_id.items())]

    def clean(self, value: Any) -> Any:
        return self.by_id.get(super().clean(value))

    def prepare_value(self, value: Any) -> Any:
        return value.pk if hasattr(value, "pk") else value


def keep_seconds(form: RecordForm, cleaned: dict[str, Any], *names: str) -> None:
    """A time that was not touched keeps its seconds, which the field does not show, and its side of a clock change."""
    if form.instance.pk is None:
        return
    before = type(form.instance)._default_manager.filter(pk=form.instance.pk).values(*names).first() or {}
    for name in names:
        typed, old = cleaned.get(name), before.get(name)
        if typed is None or old is None or name not in form.fields:
            continue
        local = [
            timezone.localtime(moment).replace(second=0, microsecond=0, tzinfo=None)
            for moment in (typed, old)
        ]
        if local[0] == local[1]:
            cleaned[name] = old


def said_of(form: forms.Form) -> str:
    """Every refusal on a form in one line, for a page that has no place for them."""
    return " ".join(str(error) for errors in form.errors.values() for error in errors)
