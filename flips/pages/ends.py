"""The ends of a piece without a sale, guided: scrapped for parts, kept, given away."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import path
from django.utils import timezone
from django.views.decorators.http import require_http_methods

from flips.actions import ends
from flips.actions.ends import Salvaged
from flips.models import MILLION, Piece, Stage
from flips.models.facts import figures_of
from flips.pages.answers import Done, answer, go, once, refused_status, undo_token
from flips.pages.forms import DayField, MoneyField, QuantityField, current_shop, forms

ROWS = 6
ENDS = ((Stage.SCRAPPED, "Scrap it for parts"), (Stage.KEPT, "Keep it"), (Stage.GIVEN_AWAY, "Give it away"))


class EndForm(forms.Form):
    """How a piece ends, and what is saved from it."""

    stage = forms.ChoiceField(label="What becomes of it?", choices=ENDS, widget=forms.RadioSelect)
    on = DayField(label="On", initial=timezone.localdate)
    reason = forms.CharField(
        label="Why", max_length=200, required=False, help_text="Needed when it is scrapped."
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for place in range(ROWS):
            self.fields[f"name_{place}"] = forms.CharField(label="Part", max_length=120, required=False)
            self.fields[f"quantity_{place}"] = QuantityField(label="How many", required=False)
            self.fields[f"unit_{place}"] = forms.CharField(
                label="Counted in", max_length=20, required=False, initial="piece"
            )
            self.fields[f"worth_{place}"] = MoneyField(label="Carries of the cost", required=False)

    def rows(self) -> list[tuple[Any, ...]]:
        """The fields of each part that may be saved."""
        return [
            (place + 1, *(self[f"{name}_{place}"] for name in ("name", "quantity", "unit", "worth")))
            for place in range(ROWS)
        ]

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or self.cleaned_data
        self.salvage: list[Salvaged] = []
        for place in range(ROWS):
            name = (cleaned.get(f"name_{place}") or "").strip()
            worth, quantity = cleaned.get(f"worth_{place}"), cleaned.get(f"quantity_{place}")
            if not name and (worth or quantity):
                self.add_error(f"name_{place}", "Say what it is.")
            elif name:
                self.salvage.append(
                    Salvaged(name, quantity or MILLION, worth or 0, cleaned.get(f"unit_{place}") or "piece")
                )
        if cleaned.get("stage") == Stage.SCRAPPED and not cleaned.get("reason", "").strip():
            self.add_error("reason", "Say why.")
        if self.salvage and cleaned.get("stage") not in (None, Stage.SCRAPPED):
            self.add_error("stage", "Only a piece that is scrapped gives parts to the stock.")
        return cleaned


SAID = {
    Stage.SCRAPPED: "Scrapped; what no part carries is written off.",
    Stage.KEPT: "Kept: it left the stock at what it cost.",
    Stage.GIVEN_AWAY: "Given away: it left the stock at what it cost.",
}


@require_http_methods(["GET", "POST"])
def piece_end(request: HttpRequest, piece_id: int) -> HttpResponse:
    """Ends a piece without a sale."""
    shown = get_object_or_404(Piece.objects.live(), pk=piece_id)
    if not shown.is_owned:
        return go(
            request, Done(shown.get_absolute_url(), f"It is {shown.get_stage_display().lower()} already.")
        )
    form = EndForm(request.POST or None, initial={"stage": request.GET.get("as", Stage.SCRAPPED)})
    if form.is_valid():
        typed = form.cleaned_data

        def do() -> Done:
            change = ends.end_piece(
                shown,
                typed["stage"],
                by=request.user,  # type: ignore[arg-type]
                on=typed["on"],
                reason=typed["reason"],
                salvage=form.salvage,
            )
            return Done(shown.get_absolute_url(), SAID[Stage(change.stage)], undo_token("ended", change))

        if done := once(request, form, do):
            return done
    figures = figures_of([shown.pk], shop=current_shop()).get(shown.pk)
    return answer(
        request,
        "flips/pieces/end.html",
        {
            "piece": shown,
            "form": form,
            "figures": figures,
            "basis": figures.basis if figures else 0,
            "tab": "bench",
        },
        status=refused_status(form),
    )


urlpatterns = [path("pieces/<int:piece_id>/end/", piece_end, name="piece_end")]
