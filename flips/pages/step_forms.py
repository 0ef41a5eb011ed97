"""The form of one finishing step, times as people type them, and errors shown where something was typed."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import timedelta
from typing import Any

from django.core.exceptions import ValidationError

from finishes.models import ShopShelf, StepRow
from finishes.products import Product
from finishes.recipes import ACTION_WORDS, time_words
from finishes.schedule_json import read_duration
from finishes.schedules import ACTION_OF_ROLE, APPLYING
from flips.pages.forms import ReadField, forms

ROLE_WORDS = {
    "film": "Clear films",
    "soak": "Oils",
    "colour": "Stains",
    "paint": "Paints",
    "primer": "Primers",
    "wax": "Waxes",
    "filler": "Grain fillers",
    "bleach": "Bleaches",
    "stripper": "Strippers",
}


@contextmanager
def typed_into(**fields: str) -> Iterator[None]:
    """Names the form's field instead of the column in what the records refuse: ``wait_minutes="wait"``."""
    try:
        yield
    except ValidationError as refused:
        if not hasattr(refused, "error_dict"):
            raise
        raise ValidationError(
            {fields.get(name, name): errors for name, errors in refused.error_dict.items()}
        ) from refused


class SpanField(ReadField):
    """A typed time ("24 h", "2 days", "1 h 30 min") as whole minutes."""

    def __init__(self, **kwargs: Any) -> None:
        kwargs.setdefault("widget", forms.TextInput(attrs={"autocomplete": "off", "placeholder": "24 h"}))
        kwargs.setdefault("max_length", 30)
        super().__init__(**kwargs)

    def prepare_value(self, value: Any) -> Any:
        if isinstance(value, int) and not isinstance(value, bool):
            return time_words(value)
        return value

    def to_python(self, value: Any) -> int | None:  # type: ignore[override]
        text = super().to_python(value)
        if not text:
            return None
        try:
            span: timedelta = read_duration(text)
        except ValueError as bad:
            raise ValidationError(str(bad)) from bad
        return round(span.total_seconds() / 60)


def product_choices(shelf: ShopShelf) -> list[Any]:
    """The shop's cans first, then the generic types by what they are for."""
    cans = [(f"own-{can.pk}", can.name) for can in shelf.cans if can.pk in shelf.own and not can.retired]
    groups = [
        (title, [(f"type-{p.name}", p.name) for p in shelf.shipped.values() if p.role == role])
        for role, title in ROLE_WORDS.items()
    ]
    return [("", "No product"), *([("On your shelf", cans)] if cans else []), *groups]


def product_key(row: StepRow) -> str:
    """A step's product as its choice is called."""
    return f"own-{row.own_id}" if row.own_id else f"type-{row.shipped}" if row.shipped else ""


def chosen_product(key: str, shelf: ShopShelf) -> tuple[Product | None, dict[str, Any]]:
    """The product of a choice, and the columns that name it."""
    if key.startswith("own-") and key[4:].isdigit():
        return shelf.own.get(int(key[4:])), {"own_id": int(key[4:]), "shipped": ""}
    name = key.removeprefix("type-")
    return shelf.shipped.get(name), {"own_id": None, "shipped": name}


AS_USED = [("", "As the product is used"), *ACTION_WORDS.items()]
STEP_COLUMNS = {
    "wait_minutes": "wait",
    "until_minutes": "until",
    "work_minutes": "work",
    "shipped": "product",
    "own": "product",
}


class StepForm(forms.Form):
    """One step; where only a product is chosen, it is used as such a product is used."""

    action = forms.ChoiceField(label="What to do", choices=AS_USED, required=False)
    product = forms.ChoiceField(label="With what", required=False)
    remark = forms.CharField(
        label="Paper, pad, tool",
        max_length=60,
        required=False,
        widget=forms.TextInput(attrs={"placeholder": "220 paper", "autocomplete": "off"}),
    )
    wait = SpanField(
        label="Wait after it", required=False, help_text="Leave empty: as long as the product needs."
    )
    until = SpanField(label="Next step at the latest after", required=False)
    work = SpanField(label="Bench time", required=False)
    hands = forms.IntegerField(label="Pairs of hands", min_value=1, max_value=20, required=False, initial=1)
    at = forms.ChoiceField(label="Where in the order", required=False)

    def __init__(
        self, *args: Any, shelf: ShopShelf, titles: Sequence[str] = (), first: int = 0, **kwargs: Any
    ) -> None:
        super().__init__(*args, **kwargs)
        self.shelf = shelf
        self.fields["product"].choices = product_choices(shelf)  # type: ignore[attr-defined]
        self.fields["work"].widget.attrs["placeholder"] = "30 min"
        self.fields["until"].widget.attrs["placeholder"] = "48 h"
        if titles:
            places = [(str(n), f"Before {n + 1}. {title}") for n, title in enumerate(titles) if n >= first]
            self.fields["at"].choices = [("", "At the end"), *places]  # type: ignore[attr-defined]
        else:
            del self.fields["at"]

    @classmethod
    def of(cls, row: StepRow) -> dict[str, Any]:
        """The initial values of an existing step."""
        return {
            "action": row.action,
            "product": product_key(row),
            "remark": row.remark,
            "wait": row.wait_minutes,
            "until": row.until_minutes,
            "work": row.work_minutes,
            "hands": row.hands,
        }

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or self.cleaned_data
        product, _ = chosen_product(cleaned.get("product") or "", self.shelf)
        if not cleaned.get("action"):
            if product is None:
                self.add_error("action", "Say what to do, or choose a product.")
            else:
                cleaned["action"] = ACTION_OF_ROLE[product.role]
        return cleaned

    @property
    def columns(self) -> dict[str, Any]:
        """The step's columns."""
        typed = self.cleaned_data
        _, named = chosen_product(typed["product"] or "", self.shelf)
        # Sandpaper has no can: a product left chosen beside "sand" would only confuse the list.
        if typed["action"] not in APPLYING:
            named = {"own_id": None, "shipped": ""}
        return named | {
            "action": typed["action"],
            "remark": typed["remark"],
            "wait_minutes": typed["wait"],
            "until_minutes": typed["until"],
            "work_minutes": typed["work"],
            "hands": typed["hands"] or 1,
        }

    @property
    def place(self) -> int | None:
        """Before which step it goes; None for the end."""
        at = self.cleaned_data.get("at")
        return int(at) if at else None


def surface_choices(shelf: ShopShelf) -> list[Any]:
    """What a finish may go on: bare wood and old surfaces, then every family that may lie there already."""
    from finishes.products import SURFACES

    families: Mapping[str, None] = dict.fromkeys(product.family for product in shelf.shipped.values())
    return [
        *((surface, surface.capitalize()) for surface in SURFACES),
        ("A finish that is known", [(family, family.capitalize()) for family in families]),
    ]
