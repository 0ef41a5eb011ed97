"""Every component on one page, with invented content, to look at in both modes and all widths."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime, timedelta
from types import SimpleNamespace

from django import forms
from django.conf import settings
from django.contrib import messages
from django.core.paginator import Paginator
from django.http import Http404, HttpRequest, HttpResponse
from django.urls import path
from django.utils import timezone
from django.views.decorators.http import require_http_methods

from flips.models import Outcome, Stage
from flips.pages.answers import answer
from flips.pages.forms import PhotosField


class Sample(forms.Form):
    """One field of each kind."""

    what = forms.CharField(label="What is it", max_length=120)
    price = forms.CharField(
        label="Asking price", required=False, widget=forms.TextInput(attrs={"inputmode": "decimal"})
    )
    length = forms.CharField(label="Length", required=False, help_text="Write inches like 23 5/8, or 60 cm.")
    seen_on = forms.DateField(label="Seen on", required=False, widget=forms.DateInput(attrs={"type": "date"}))
    condition = forms.ChoiceField(
        label="What becomes of it",
        choices=[("keep", "Keep"), ("mend", "Mend"), ("replace", "Replace")],
        widget=forms.RadioSelect,
        required=False,
    )
    faults = forms.MultipleChoiceField(
        label="Faults",
        choices=[("veneer", "Veneer lifts"), ("joint", "Loose joint"), ("ring", "Water ring")],
        widget=forms.CheckboxSelectMultiple,
        required=False,
    )
    where = forms.ChoiceField(
        label="Where", choices=[("", "Somewhere else"), ("yard", "Yard sale")], required=False
    )
    photos = PhotosField(label="Photos")
    note = forms.CharField(label="Note", required=False, widget=forms.Textarea(attrs={"rows": 3}))
    later = forms.BooleanField(label="Remind me of it", required=False)


@dataclass(frozen=True)
class SampleTimer:
    """A running timer that belongs to nothing."""

    started_at: datetime
    pk: int = 0
    piece: str = ""
    attempt: str = ""
    extra: dict[str, str] = field(default_factory=dict)


FIGURES = [
    {"label": "Margin", "cents": 18450, "note": "41.0 % of revenue", "main": True},
    {"label": "Paid", "cents": 8000},
    {"label": "Materials", "cents": 5235},
    {"label": "Paid help", "cents": 3000},
    {"label": "Failed attempts", "cents": 1120, "note": "1 h 40"},
    {"label": "In it so far", "cents": 17355},
    {"label": "Hours", "text": "19 h 05"},
    {"label": "After wages", "cents": -20150},
]


@require_http_methods(["GET", "POST"])
def look(request: HttpRequest) -> HttpResponse:
    """The gallery; only where nothing real is at stake."""
    if not (settings.DEBUG or settings.DEMO):
        raise Http404
    now = timezone.now()
    form = Sample(request.POST or None, request.FILES or None)
    if request.method == "POST" and form.is_valid():
        form.add_error("length", "“23 5/0” divides by zero. Write inches like 23 5/8.")
    if "toast" in request.GET:
        messages.success(request, "Log entry saved.", extra_tags="an-invented-token")
        messages.error(request, "The slip could not be read.")
    return answer(
        request,
        "flips/look/gallery.html",
        {
            "form": form,
            "figures": FIGURES,
            "stages": Stage.choices,
            "outcomes": Outcome.choices,
            "pairs": [
                ("Kind", "Chest of drawers"),
                ("Where", "Barn sale on the county road"),
                ("Seen", "3 May 2025"),
            ],
            "tabs": [
                {"url": "#a", "text": "Timeline", "current": True},
                {"url": "#b", "text": "Parts", "count": 14},
                {"url": "#c", "text": "Attempts", "count": 3},
                {"url": "#d", "text": "Photos"},
                {"url": "#e", "text": "Money"},
            ],
            "options": [("worked", "Worked"), ("partly", "Partly worked"), ("failed", "Failed")],
            "page": Paginator(range(100), 20).page(2),
            "timer": SampleTimer(now - timedelta(hours=1, minutes=12)),
            "pictures": [SimpleNamespace(caption="Before"), SimpleNamespace(caption="")],
            "now_at": now,
            "rows": [
                {"what": "Shellac, dewaxed", "left": "0.6 of 1 qt", "cents": 1180},
                {"what": "Plywood 1/2 in", "left": "1 sheet and an offcut", "cents": 6420},
            ],
        },
        status=422 if form.errors else 200,
    )


urlpatterns = [path("look/", look, name="look")]
