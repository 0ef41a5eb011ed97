"""Wood and room: moisture and dew point, movement through the seasons, parts before gluing, rough figures for air."""

from __future__ import annotations

import re
from fractions import Fraction
from typing import Any

from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse
from django.urls import path
from django.views.decorators.http import require_GET

from finishes.cautions import CAUTIONS, rough_dilution_air, rough_purge_time
from finishes.measures import BadMeasure, Temperature, read_number
from finishes.wood import (
    DEW_MARGIN,
    FLAT,
    QUARTER,
    UnknownSpecies,
    check_before_gluing,
    check_dew,
    equilibrium_moisture,
    find_species,
    gap_to_leave,
    shipped_species,
)
from flips.access import open_to_helper
from flips.models import RoomReading
from flips.pages.answers import answer
from flips.pages.forms import LengthField, ReadField, TemperatureField, forms


class FigureField(ReadField):
    """A typed plain number ("7.5", "2 1/2") as an exact figure within bounds."""

    def __init__(self, *, least: int, most: int, **kwargs: Any) -> None:
        kwargs.setdefault("widget", forms.TextInput(attrs={"inputmode": "decimal", "autocomplete": "off"}))
        kwargs.setdefault("max_length", 20)
        super().__init__(**kwargs)
        self.least, self.most = least, most

    def to_python(self, value: Any) -> Fraction | None:  # type: ignore[override]
        text = (super().to_python(value) or "").replace("%", "").strip()
        if not text:
            return None
        try:
            number = read_number(text)
        except BadMeasure as bad:
            raise ValidationError(str(bad)) from bad
        if not self.least <= number <= self.most:
            raise ValidationError(f"Write a figure from {self.least} to {self.most}.")
        return number


def moisture_field(label: str, **kwargs: Any) -> FigureField:
    """The moisture of wood in percent."""
    field = FigureField(least=0, most=40, label=label, **kwargs)
    field.after = "%"  # type: ignore[attr-defined]
    return field


def humidity_field(label: str, **kwargs: Any) -> FigureField:
    """The humidity of air in percent."""
    field = FigureField(least=1, most=100, label=label, **kwargs)
    field.after = "%"  # type: ignore[attr-defined]
    return field


class AirForm(forms.Form):
    """The air of the room."""

    temperature = TemperatureField(label="Temperature of the air", max_length=20)
    humidity = humidity_field("Humidity")
    surface = TemperatureField(label="Temperature of the wood", max_length=20, required=False)

    def clean_temperature(self) -> Temperature:
        """Within what the formulas hold for."""
        return _in_reach(self.cleaned_data["temperature"])

    def clean_surface(self) -> Temperature | None:
        """Within what the formulas hold for."""
        warmth = self.cleaned_data["surface"]
        return None if warmth is None else _in_reach(warmth)


def _in_reach(warmth: Temperature) -> Temperature:
    if not -20 <= warmth.celsius <= 60:
        raise ValidationError("Known here only between -20 and 60 °C (-4 and 140 °F).")
    return warmth


class PanelForm(forms.Form):
    """A solid panel and the seasons it lives through."""

    width = LengthField(label="Width across the grain")
    species = forms.CharField(
        label="Wood", max_length=60, widget=forms.TextInput(attrs={"list": "species", "autocomplete": "off"})
    )
    cut = forms.ChoiceField(
        label="Cut",
        choices=[(FLAT, "Flat-sawn"), (QUARTER, "Quarter-sawn")],
        initial=FLAT,
        widget=forms.RadioSelect,
    )
    now = moisture_field("Moisture now", required=False)
    driest = moisture_field("In the driest season", required=False)
    wettest = moisture_field("In the wettest season", required=False)
    now_humidity = humidity_field("Air now", required=False)
    dry_humidity = humidity_field("Driest air", required=False)
    wet_humidity = humidity_field("Wettest air", required=False)
    temperature = TemperatureField(label="At a temperature of", max_length=20, required=False)

    FROM_AIR = {"now": "now_humidity", "driest": "dry_humidity", "wettest": "wet_humidity"}

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or self.cleaned_data
        warmth = cleaned.get("temperature") or Temperature(Fraction(21))
        for moisture, air in self.FROM_AIR.items():
            if cleaned.get(moisture) is not None or moisture in self.errors or air in self.errors:
                continue
            if cleaned.get(air) is None:
                self.add_error(moisture, "Write the moisture of the wood, or the humidity of the air below.")
            else:
                # A tenth is as fine as the table the formula comes from.
                found = equilibrium_moisture(_in_reach(warmth), float(cleaned[air]))
                cleaned[moisture] = Fraction(round(found * 10), 10)
        if cleaned.get("species"):
            try:
                cleaned["species"] = find_species(cleaned["species"])
            except UnknownSpecies as bad:
                self.add_error("species", str(bad))
        dry, wet = cleaned.get("driest"), cleaned.get("wettest")
        if dry is not None and wet is not None and dry > wet:
            self.add_error("wettest", "The wettest season is not drier than the driest.")
        return cleaned


class GluingForm(forms.Form):
    """Moisture of the parts of one glue-up, as typed."""

    parts = forms.CharField(
        label="Parts and their moisture",
        max_length=1000,
        widget=forms.Textarea(attrs={"rows": 4, "placeholder": "left side 7.5\nright side 8"}),
        help_text="One part a line: its name, then the percent your meter shows.",
    )

    def clean_parts(self) -> dict[str, Fraction]:
        """Percent by part."""
        found: dict[str, Fraction] = {}
        for line in self.cleaned_data["parts"].splitlines():
            if not line.strip():
                continue
            read = re.fullmatch(r"\s*(.*?)[\s:=]+(\d+(?:[.,]\d+)?)\s*%?\s*", line)
            if not read or not read[1]:
                raise ValidationError(f"“{line.strip()[:40]}”: write a name and a percentage, like top 7.5.")
            percent = Fraction(read[2].replace(",", "."))
            if percent > 200:
                raise ValidationError(f"{read[1]}: the moisture of wood runs from 0 to 200 %.")
            if read[1] in found:
                raise ValidationError(f"“{read[1]}” is there twice.")
            found[read[1]] = percent
        if not found:
            raise ValidationError("Write at least one part.")
        return found


@require_GET
@open_to_helper
def wood_room(request: HttpRequest) -> HttpResponse:
    """Three small reckonings: the air, a panel, parts before gluing; nothing is stored."""
    asked = request.GET.get("about", "")
    last = RoomReading.objects.live().filter(humidity_percent__isnull=False).first()
    first = {"temperature": last.temperature_text, "humidity": last.humidity_percent} if last else {}
    air = AirForm(request.GET if asked == "air" else None, initial=first)
    panel = PanelForm(request.GET if asked == "panel" else None)
    gluing = GluingForm(request.GET if asked == "gluing" else None)
    context: dict[str, Any] = {
        "air": air,
        "panel": panel,
        "gluing": gluing,
        "species": shipped_species(),
        "margin": DEW_MARGIN,
        "tab": "more",
    }
    if air.is_bound and air.is_valid():
        typed = air.cleaned_data
        humidity = float(typed["humidity"])
        context["air_found"] = {
            "emc": round(equilibrium_moisture(typed["temperature"], humidity), 1),
            "dew": check_dew(
                surface=typed["surface"] or typed["temperature"],
                air=typed["temperature"],
                humidity_percent=humidity,
            ),
            "measured": typed["surface"] is not None,
        }
    if panel.is_bound and panel.is_valid():
        typed = panel.cleaned_data
        context["gap"] = gap_to_leave(
            typed["width"],
            typed["species"],
            cut=typed["cut"],
            now_percent=typed["now"],
            driest_percent=typed["driest"],
            wettest_percent=typed["wettest"],
        )
        context["panel_typed"] = typed
    if gluing.is_bound and gluing.is_valid():
        context["glued"] = check_before_gluing(gluing.cleaned_data["parts"])
    refused = any(form.is_bound and form.errors for form in (air, panel, gluing))
    return answer(request, "finishes/wood.html", context, status=422 if refused else 200)


@require_GET
@open_to_helper
def species(request: HttpRequest) -> HttpResponse:
    """Every species with how much it moves, and where each figure is from."""
    rows = [(one, one.coefficient(FLAT), one.coefficient(QUARTER)) for one in shipped_species()]
    return answer(request, "finishes/species.html", {"rows": rows, "tab": "more"})


class DilutionForm(forms.Form):
    """What evaporates, and the limit of its vapour."""

    specific_gravity = FigureField(least=0, most=5, label="Specific gravity of the liquid")
    molar_mass = FigureField(least=1, most=1000, label="Molar mass, g/mol")
    pints_per_minute = FigureField(least=0, most=100, label="US pints evaporating a minute")
    limit_ppm = FigureField(least=0, most=100_000, label="Limit from the safety data sheet, ppm")
    mixing_factor = FigureField(
        least=1,
        most=10,
        label="Mixing factor",
        help_text="1 is perfect mixing and never met; 3 to 10 is usual.",
    )


class PurgeForm(forms.Form):
    """A room to be aired out."""

    room_ft3 = FigureField(least=1, most=1_000_000, label="Room, ft³")
    effective_cfm = FigureField(least=1, most=1_000_000, label="Fresh air that really mixes in, ft³ a minute")
    from_ppm = FigureField(least=0, most=1_000_000, label="Vapour now, ppm")
    to_ppm = FigureField(least=0, most=1_000_000, label="Wanted, ppm")


@require_GET
@open_to_helper
def rough_air(request: HttpRequest) -> HttpResponse:
    """Rough guides for choosing a fan; never a proof that air is safe."""
    asked = request.GET.get("about", "")
    dilution = DilutionForm(request.GET if asked == "dilution" else None)
    purge = PurgeForm(request.GET if asked == "purge" else None)
    context: dict[str, Any] = {"dilution": dilution, "purge": purge, "tab": "more"}
    for form, reckon, name in (
        (dilution, rough_dilution_air, "air"),
        (purge, rough_purge_time, "time"),
    ):
        if form.is_bound and form.is_valid():
            try:
                context[name] = reckon(**{key: float(value) for key, value in form.cleaned_data.items()})
            except ValueError as bad:
                form.add_error(None, str(bad))
    context["cautions"] = (CAUTIONS["solvent vapour"], CAUTIONS["flammable"])
    refused = any(form.is_bound and form.errors for form in (dilution, purge))
    return answer(request, "finishes/rough_air.html", context, status=422 if refused else 200)


urlpatterns = [
    path("wood/", wood_room, name="wood_room"),
    path("wood/species/", species, name="species"),
    path("wood/air/", rough_air, name="rough_air"),
]
