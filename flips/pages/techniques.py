"""Techniques with their cautions and record, and what this shop has learned."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import path, reverse
from django.views.decorators.http import require_GET, require_http_methods

from estimating.chances import FEW_TRIES, GUESS_TRIES, LEVELS
from finishes.cautions import CAUTIONS
from finishes.measures import trim_decimal
from flips.access import open_to_helper
from flips.actions import remedies
from flips.models import FaultKind, Material, Technique
from flips.models.learning import learned, plans_against_actual
from flips.pages.answers import Done, answer, go, refusals_on, refused_status
from flips.pages.forms import RecordForm, choices_with_blank, current_shop, forms
from flips.pages.remedies import LEVEL_CHOICES


class FilterForm(forms.Form):
    """Which material and fault to look at."""

    material = forms.ChoiceField(
        label="Material", choices=choices_with_blank(Material, "Every material"), required=False
    )
    fault = forms.ChoiceField(
        label="Fault", choices=choices_with_blank(FaultKind, "Every fault"), required=False
    )


@require_GET
def what_was_learned(request: HttpRequest) -> HttpResponse:
    """Techniques by material and fault with their record, and plans against what became of them."""
    shop = current_shop()
    form = FilterForm(request.GET or None)
    chosen = form.cleaned_data if form.is_bound and form.is_valid() else {}
    against = [
        (row, trim_decimal(row.hours_factor, 2) if row.hours_factor is not None else "")
        for row in plans_against_actual(shop=shop)
    ]
    return answer(
        request,
        "flips/remedies/learned.html",
        {
            "form": form,
            "rows": learned(shop=shop, material=chosen.get("material", ""), fault=chosen.get("fault", "")),
            "against": against,
            "few": FEW_TRIES,
            "guess_tries": GUESS_TRIES,
            "tab": "more",
        },
    )


@require_GET
@open_to_helper
def techniques(request: HttpRequest) -> HttpResponse:
    """Every technique the shop knows, with its cautions."""
    rows = list(Technique.objects.live())
    return answer(request, "flips/remedies/techniques.html", {"rows": rows, "tab": "more"})


class TechniqueForm(RecordForm):
    """Corrects a technique: its name, the shop's guess, its cautions."""

    hazards = forms.MultipleChoiceField(
        label="Cautions that go with it",
        choices=[(code, one.title) for code, one in CAUTIONS.items()],
        required=False,
        widget=forms.CheckboxSelectMultiple,
        help_text="Those its name speaks of are always shown.",
    )

    instance: Technique

    class Meta:
        model = Technique
        fields = ["name", "level", "note"]
        widgets = {"level": forms.RadioSelect, "note": forms.Textarea(attrs={"rows": 3})}
        labels = {"level": "How often it works, by your guess"}
        help_texts = {
            "level": f"Your guess counts as {GUESS_TRIES} tries beside those on record. Changing it changes no record."
        }

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["level"].choices = LEVEL_CHOICES  # type: ignore[attr-defined]
        self.initial["hazards"] = self.instance.hazards


@require_http_methods(["GET", "POST"])
def technique(request: HttpRequest, technique_id: int) -> HttpResponse:
    """One technique: what to be careful of, how it went by material and fault, and the guess."""
    shown = get_object_or_404(Technique.objects.live(), pk=technique_id)
    form = TechniqueForm(request.POST or None, instance=shown)
    if request.method == "POST" and form.is_valid():
        with refusals_on(form):
            form.hold()
            remedies.change_technique(shown, hazards=form.cleaned_data["hazards"])
        if not form.errors:
            return go(request, Done(reverse("techniques"), f"“{shown}” saved."))
    name = Technique.objects.values_list("name", flat=True).get(pk=shown.pk)
    rows = [row for row in learned(shop=current_shop()) if row.technique.lower() == name.lower()]
    return answer(
        request,
        "flips/remedies/technique.html",
        {"technique": shown, "form": form, "rows": rows, "levels": LEVELS, "tab": "more"},
        status=refused_status(form),
    )


urlpatterns = [
    path("learned/", what_was_learned, name="learned"),
    path("techniques/", techniques, name="techniques"),
    path("techniques/<int:technique_id>/", technique, name="technique"),
]
