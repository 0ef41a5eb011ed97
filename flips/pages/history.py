"""What changed on a record: who, when, and each value before and after, in words."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, cast

from django.apps import apps
from django.core.exceptions import ValidationError
from django.core.paginator import Paginator
from django.db import models
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import path
from django.views.decorators.http import require_GET

from flips.models import Shop
from flips.pages.answers import answer
from flips.pages.forms import current_shop
from flips.pages.words import in_words, label_of

# Every record with a page of its changes, and the rows told along with it: (model, its column that points here).
HISTORIES: dict[str, tuple[tuple[str, str], ...]] = {
    "attempt": (),
    "channel": (("feerule", "channel"),),
    "comparable": (),
    "count": (("countline", "count"),),
    "expensecategory": (),
    "feerule": (),
    "helperrate": (),
    "logentry": (),
    "lot": (),
    "mileagerate": (),
    "part": (("reading", "part"),),
    "payment": (("depositend", "payment"),),
    "photo": (),
    "piece": (("purchaseshare", "piece"), ("saleshare", "piece")),
    "purchase": (("purchaseshare", "purchase"),),
    "receipt": (("receiptline", "receipt"),),
    "receiptline": (("lineshare", "line"),),
    "removal": (),
    "return": (),
    "sale": (("saleshare", "sale"),),
    "shop": (),
    "taxpayment": (),
    "taxscheme": (),
    "timeentry": (),
    "trip": (),
    "use": (),
}
# What every record keeps for the program's own sake, and what voiding says in words instead.
NOT_TOLD = {
    "id", "version", "created_at", "created_by", "voided_at", "voided_by", "void_reason", "only", "unnamed",
    "thumb", "screen", "full", "digest", "fingerprint", "width", "height", "typed",
}  # fmt: skip
ON_A_PAGE = 40


@dataclass(frozen=True)
class Change:
    """One value before and after, in words."""

    label: str
    before: str
    after: str


@dataclass
class Entry:
    """One saving of one row."""

    at: datetime
    who: str
    said: str
    icon: str
    about: str = ""
    reason: str = ""
    changes: Sequence[Change] = ()
    values: Sequence[tuple[str, str]] = ()


@dataclass
class _Step:
    """A stored state of a row and the one before it."""

    row: Any
    before: Any = None
    changed: list[models.Field] = field(default_factory=list)


def _told(model: type[models.Model]) -> list[models.Field]:
    columns = {column.name for column in model._meta.concrete_fields}
    return [
        column
        for column in model._meta.concrete_fields
        # A measure's typed text says the same as its column.
        if column.name not in NOT_TOLD
        and not (column.name.endswith("_text") and column.name[:-5] + "_nm" in columns)
    ]


def _pointed_to(column: models.ForeignKey) -> type[models.Model]:
    return cast(type[models.Model], column.related_model)


def _steps(model: type[models.Model], rows: Iterable[Any]) -> list[_Step]:
    """The stored states in the order they came, each with the one before it of the same row."""
    steps: list[_Step] = []
    last: dict[Any, Any] = {}
    told = _told(model)
    for row in rows:
        before = last.get(row.pk_of_record)
        changed = [
            one for one in told if before is None or getattr(row, one.attname) != getattr(before, one.attname)
        ]
        steps.append(_Step(row, before, changed))
        last[row.pk_of_record] = row
    return steps


def _stored(model: type[models.Model], **where: Any) -> list[_Step]:
    kept = model.history.filter(**where).select_related("history_user")  # type: ignore[attr-defined]
    rows = list(
        kept.annotate(pk_of_record=models.F(model._meta.pk.attname)).order_by("history_date", "history_id")
    )
    return _steps(model, rows)


def _names(steps: Sequence[tuple[type[models.Model], _Step]]) -> dict[type[models.Model], dict[Any, str]]:
    """What every row pointed to is called: one query a kind of row, however many there are."""
    wanted: dict[type[models.Model], set[Any]] = {}
    for model, step in steps:
        for column in _told(model):
            if isinstance(column, models.ForeignKey):
                ids = {getattr(row, column.attname) for row in (step.row, step.before) if row is not None}
                wanted.setdefault(_pointed_to(column), set()).update(ids - {None})
    return {
        model: {pk: str(row) for pk, row in model._default_manager.in_bulk(list(ids)).items()}
        for model, ids in wanted.items()
    }


def _entry(
    model: type[models.Model],
    step: _Step,
    *,
    shop: Shop,
    names: dict[type[models.Model], dict[Any, str]],
    about: str,
) -> Entry | None:
    """A saving in words; None when nothing that is told changed."""

    def words(column: models.Field, row: Any) -> str:
        called = names.get(_pointed_to(column)) if isinstance(column, models.ForeignKey) else None
        return in_words(column, getattr(row, column.attname), shop=shop, names=called)

    row, before = step.row, step.before
    who = str(row.history_user or "The program")
    entry = Entry(at=row.history_date, who=who, said="Changed", icon="pencil", about=about)
    if before is None:
        entry.said, entry.icon = "Made", "plus"
        values = [(label_of(column), words(column, row)) for column in _told(model)]
        entry.values = [(label, value) for label, value in values if value not in ("nothing", "no")]
        return entry
    if getattr(row, "voided_at", None) and not getattr(before, "voided_at", None):
        entry.said, entry.icon, entry.reason = "Voided", "ban", row.void_reason
    elif getattr(before, "voided_at", None) and not getattr(row, "voided_at", None):
        entry.said, entry.icon = "Counts again", "undo-2"
    elif not step.changed:
        return None
    entry.changes = [
        Change(label_of(column), words(column, before), words(column, row)) for column in step.changed
    ]
    return entry


@require_GET
def history(request: HttpRequest, model_name: str, pk: str) -> HttpResponse:
    """Everything that was changed on one record and on the rows that belong to it, the latest first."""
    if model_name not in HISTORIES:
        raise Http404("Nothing is kept under that name.")
    model = apps.get_model("flips", model_name)
    try:
        record = get_object_or_404(model, pk=model._meta.pk.to_python(pk))
    except (ValidationError, OverflowError):
        raise Http404("Nothing is kept under that number.") from None
    steps: list[tuple[type[models.Model], _Step]] = [
        (model, step) for step in _stored(model, **{model._meta.pk.attname: record.pk})
    ]
    for child_name, column in HISTORIES[model_name]:
        child = apps.get_model("flips", child_name)
        steps += [(child, step) for step in _stored(child, **{f"{column}_id": record.pk})]
    steps.sort(key=lambda pair: pair[1].row.history_date, reverse=True)
    shop, names = current_shop(), _names(steps)
    entries = [
        entry
        for kind, step in steps
        if (entry := _entry(kind, step, shop=shop, names=names, about=_about(kind, step, names, record)))
    ]
    page = Paginator(entries, ON_A_PAGE).get_page(request.GET.get("page"))
    place = getattr(record, "get_absolute_url", None)
    return answer(
        request,
        "flips/history/history.html",
        {"record": record, "page": page, "back": place() if place else "", "tab": "more"},
    )


def _about(
    model: type[models.Model],
    step: _Step,
    names: dict[type[models.Model], dict[Any, str]],
    record: models.Model,
) -> str:
    """Which of the rows that belong to the record an entry is about; empty for the record itself."""
    if isinstance(record, model):
        return ""
    kind = str(model._meta.verbose_name).capitalize()
    called = getattr(step.row, "text", "")
    for column in _told(model):
        if called or not isinstance(column, models.ForeignKey) or isinstance(record, _pointed_to(column)):
            continue
        called = names.get(_pointed_to(column), {}).get(getattr(step.row, column.attname), "")
    return f"{kind}: {called}" if called else kind


urlpatterns = [path("history/<slug:model_name>/<str:pk>/", history, name="history")]
