"""Forms: the only place that understands typing. After ``is_valid()`` nobody handles strings."""

from __future__ import annotations

from datetime import UTC, date, datetime
from fractions import Fraction
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.db import models, transaction
from django.utils import timezone

from estimating.money import BadMoney, Currency, Money
from finishes.measures import BadMeasure, Length, Mass, Temperature, read_number, trim_decimal
from flips.house import current_shop
from flips.models import MILLION, Record, Units
from flips.pages.words import in_words


class ReadField(forms.CharField):
    """A text that is read into a figure; ``to_python`` is its only judge."""

    def run_validators(self, value: Any) -> None:
        """Nothing: the validators of a text would measure the figure it became."""

    def has_changed(self, initial: Any, data: Any) -> bool:
        """Whether another figure was typed; "12.50" and "12.5" are the same."""
        try:
            typed = self.to_python(data)
        except ValidationError:
            return True
        return getattr(typed, "amount", typed) != getattr(initial, "amount", initial)


class MoneyField(ReadField):
    """Typed money as whole minor units of the shop's currency; shows cents back as typed digits."""

    # The settings page reads amounts in the currency that is being chosen.
    currency: Currency | None = None

    def __init__(self, *, allow_zero: bool = True, **kwargs: Any) -> None:
        kwargs.setdefault("widget", forms.TextInput(attrs={"inputmode": "decimal", "autocomplete": "off"}))
        super().__init__(**kwargs)
        self.allow_zero = allow_zero

    @property
    def before(self) -> str:
        """The currency's sign, which the field's template shows before the input."""
        return (self.currency or current_shop().currency).sign

    def prepare_value(self, value: Any) -> Any:
        if isinstance(value, int) and not isinstance(value, bool):
            return Money(value, self.currency or current_shop().currency).typed
        return value

    def to_python(self, value: Any) -> int | None:  # type: ignore[override]
        text = super().to_python(value)
        if not text:
            return None
        try:
            cents = Money.parse(text, self.currency or current_shop().currency).cents
        except BadMoney as bad:
            raise ValidationError(str(bad)) from bad
        if cents == 0 and not self.allow_zero:
            raise ValidationError("Write an amount above zero.")
        return cents


class LengthField(ReadField):
    """A typed length as ``Length`` with its text; a bare number counts in the shop's unit."""

    units: Units | None = None

    def __init__(self, *, allow_zero: bool = False, **kwargs: Any) -> None:
        kwargs.setdefault("widget", forms.TextInput(attrs={"autocomplete": "off", "enterkeyhint": "next"}))
        kwargs.setdefault("max_length", 60)
        super().__init__(**kwargs)
        self.allow_zero = allow_zero

    def prepare_value(self, value: Any) -> Any:
        if isinstance(value, int) and not isinstance(value, bool):
            value = Length(value)
        if isinstance(value, Length):
            return value.written(self.units or current_shop().units)
        return value

    def to_python(self, value: Any) -> Length | None:  # type: ignore[override]
        if isinstance(value, Length):
            return value
        text = super().to_python(value)
        if not text:
            return None
        try:
            units = self.units or current_shop().units
            length = Length.parse(text, "in" if units == Units.IMPERIAL else "mm")
        except BadMeasure as bad:
            raise ValidationError(str(bad)) from bad
        if not length and not self.allow_zero:
            raise ValidationError("Write a length above zero.")
        return length


class MassField(ReadField):
    """A typed weight as ``Mass``; a bare number counts in grams, or in ounces in an imperial shop."""

    def to_python(self, value: Any) -> Mass | None:  # type: ignore[override]
        text = super().to_python(value)
        if not text:
            return None
        unit = "oz" if current_shop().units == Units.IMPERIAL else "g"
        try:
            return Mass.parse(text, unit)
        except BadMeasure as bad:
            raise ValidationError(str(bad)) from bad

    def prepare_value(self, value: Any) -> Any:
        return value.text or value.shown(current_shop().units) if isinstance(value, Mass) else value


class TemperatureField(ReadField):
    """A typed temperature; a bare number counts in °F in an imperial shop, else in °C."""

    def to_python(self, value: Any) -> Temperature | None:  # type: ignore[override]
        text = super().to_python(value)
        if not text:
            return None
        try:
            return Temperature.parse(text, "F" if current_shop().units == Units.IMPERIAL else "C")
        except BadMeasure as bad:
            raise ValidationError(str(bad)) from bad

    def prepare_value(self, value: Any) -> Any:
        return value.text or value.shown(current_shop().units) if isinstance(value, Temperature) else value


class QuantityField(ReadField):
    """A typed quantity ("2 1/2", "0,75") as whole millionths of its unit."""

    def __init__(self, *, allow_zero: bool = False, **kwargs: Any) -> None:
        kwargs.setdefault("widget", forms.TextInput(attrs={"inputmode": "decimal", "autocomplete": "off"}))
        super().__init__(**kwargs)
        self.allow_zero = allow_zero

    def prepare_value(self, value: Any) -> Any:
        if isinstance(value, int) and not isinstance(value, bool):
            return trim_decimal(Fraction(value, MILLION), 6)
        return value

    def to_python(self, value: Any) -> int | None:  # type: ignore[override]
        text = super().to_python(value)
        if not text:
            return None
        try:
            number = read_number(text)
        except BadMeasure as bad:
            raise ValidationError(str(bad)) from bad
        if number > 1_000_000:
            raise ValidationError("That is more than this program reckons with.")
        millionths = (2 * number.numerator * MILLION + number.denominator) // (2 * number.denominator)
        if millionths == 0 and not self.allow_zero:
            raise ValidationError("Write a quantity above zero.")
        return millionths


class PercentField(ReadField):
    """A typed percentage as whole hundredths of a percent: "12.5" is 1250."""

    def __init__(self, *, most: int = 100, **kwargs: Any) -> None:
        kwargs.setdefault("widget", forms.TextInput(attrs={"inputmode": "decimal", "autocomplete": "off"}))
        super().__init__(**kwargs)
        self.most = most

    def prepare_value(self, value: Any) -> Any:
        if isinstance(value, int) and not isinstance(value, bool):
            return trim_decimal(Fraction(value, 100), 2)
        return value

    def to_python(self, value: Any) -> int | None:  # type: ignore[override]
        text = (super().to_python(value) or "").replace("%", "").strip()
        if not text:
            return None
        try:
            hundredths = read_number(text) * 100
        except BadMeasure as bad:
            raise ValidationError(str(bad)) from bad
        if hundredths.denominator != 1:
            raise ValidationError("Two decimals at most.")
        if hundredths > self.most * 100:
            raise ValidationError(f"{self.most} percent at most.")
        return int(hundredths)


class MinutesField(ReadField):
    """Typed time as whole minutes: "90", "1:30", "1 h 30", "1.5 h", "45 min"."""

    def __init__(self, **kwargs: Any) -> None:
        kwargs.setdefault("widget", forms.TextInput(attrs={"inputmode": "text", "autocomplete": "off"}))
        super().__init__(**kwargs)

    def prepare_value(self, value: Any) -> Any:
        if isinstance(value, int) and not isinstance(value, bool):
            return f"{value // 60}:{value % 60:02d}" if value >= 60 else str(value)
        return value

    def to_python(self, value: Any) -> int | None:  # type: ignore[override]
        text = super().to_python(value)
        return read_minutes(text) if text else None


def read_minutes(text: str) -> int:
    """Minutes as people write them. Raises ValidationError."""
    import re

    cleaned = text.strip().lower().replace(",", ".")
    wrong = ValidationError("Write minutes like 45, or hours like 1:30 or 1.5 h.")
    if clock := re.fullmatch(r"([0-9]{1,3}):([0-5][0-9])", cleaned):
        minutes = Fraction(int(clock[1]) * 60 + int(clock[2]))
    elif both := re.fullmatch(
        r"([0-9]{1,3})\s*h(?:ours?|rs?)?\s*([0-5]?[0-9])\s*(?:m|min|minutes)?", cleaned
    ):
        minutes = Fraction(int(both[1]) * 60 + int(both[2]))
    elif hours := re.fullmatch(r"([0-9]{0,3}(?:\.[0-9]{1,3})?)\s*h(?:ours?|rs?)?", cleaned):
        if not hours[1] or hours[1] == ".":
            raise wrong
        minutes = Fraction(hours[1]) * 60
    elif plain := re.fullmatch(r"([0-9]{1,5})\s*(?:m|min|minutes?)?", cleaned):
        minutes = Fraction(int(plain[1]))
    else:
        raise wrong
    whole = int((2 * minutes.numerator + minutes.denominator) // (2 * minutes.denominator))
    if whole == 0:
        raise ValidationError("Write at least one minute.")
    if whole > 2880:
        raise ValidationError("That is more than two days: split it.")
    return whole


class DayInput(forms.DateInput):
    """A date picker that always speaks ISO 8601, as the browser wants it."""

    input_type = "date"

    def __init__(self, attrs: dict[str, Any] | None = None) -> None:
        super().__init__(attrs=attrs, format="%Y-%m-%d")


class DayField(forms.DateField):
    """A local date between 1970 and ten years ahead."""

    widget = DayInput

    def clean(self, value: Any) -> date | None:
        day = super().clean(value)
        if day is not None and not (1970 <= day.year <= timezone.localdate().year + 10):
            raise ValidationError("Check the year of that date.")
        return day


class MomentInput(forms.DateTimeInput):
    """A date and time picker in the shop's own clock."""

    input_type = "datetime-local"

    def __init__(self, attrs: dict[str, Any] | None = None) -> None:
        super().__init__(attrs=attrs, format="%Y-%m-%dT%H:%M")


class MomentField(forms.DateTimeField):
    """A date and time in the shop's zone, as an instant."""

    widget = MomentInput

    def __init__(self, **kwargs: Any) -> None:
        kwargs.setdefault(
            "input_formats", ["%Y-%m-%dT%H:%M", "%Y-%m-%dT%H:%M:%S", "%Y-%m-%d %H:%M", "%Y-%m-%d"]
        )
        super().__init__(**kwargs)

    def to_python(self, value: Any) -> datetime | None:
        try:
            return super().to_python(value)
        except ValidationError as refused:
            if refused.code != "ambiguous_timezone" or not refused.params:
                raise
            # When the clocks go back an hour comes twice: the first one is meant. When they go forward it never comes.
            naive, zone = refused.params["datetime"], refused.params["current_timezone"]
            first = naive.replace(tzinfo=zone, fold=0)
            if first.astimezone(UTC).astimezone(zone).replace(tzinfo=None) != naive:
                raise ValidationError(
                    "The clocks went forward that night and skipped that time. Write a time before or after."
                ) from refused
            return first

    def clean(self, value: Any) -> datetime | None:
        moment = super().clean(value)
        if moment is not None and not (1970 <= moment.year <= timezone.localdate().year + 10):
            raise ValidationError("Check the year of that date.")
        return moment


class ManyFilesInput(forms.ClearableFileInput):
    """A file input that takes several."""

    allow_multiple_selected = True


class PhotosField(forms.FileField):
    """Photos as they come from a phone, read, turned upright and stripped of their notes (a list of PreparedPhoto)."""

    widget = ManyFilesInput
    most = 20

    def __init__(self, *, camera: bool = False, **kwargs: Any) -> None:
        attrs = {"accept": "image/jpeg,image/png,image/webp,image/heic,image/heif,image/*", "multiple": True}
        if camera:
            attrs |= {"capture": "environment"}
        kwargs.setdefault("widget", ManyFilesInput(attrs=attrs))
        kwargs.setdefault("required", False)
        super().__init__(**kwargs)

    def clean(self, data: Any, initial: Any = None) -> list[Any]:  # noqa: ARG002
        from flips.photos import BadPhoto, read_photo

        files = [file for file in (data if isinstance(data, list | tuple) else [data]) if file]
        if self.required and not files:
            raise ValidationError("Add a photo.")
        if len(files) > self.most:
            raise ValidationError(f"{self.most} photos at a time, please.")
        ready, reasons = [], []
        for file in files:
            try:
                ready.append(read_photo(file))
            except BadPhoto as bad:
                reasons.append(f"{file.name}: {bad}")
        if reasons:
            raise ValidationError(reasons)
        return ready


class RecordForm(forms.ModelForm):
    """Edits a record; notices when somebody else changed it meanwhile, and shows both values.

    The page carries the version it showed (``form.version`` in the form). When the row has moved on, each field
    that differs says what it is now; sending again then overwrites, knowingly. Fields are named after their columns,
    or without the ending: "price" for "price_cents".
    """

    version = forms.IntegerField(widget=forms.HiddenInput, required=False)
    instance: Record

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.initial.setdefault("version", self.instance.version)
        self.changed_meanwhile = False

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or self.cleaned_data
        if self.instance.pk is None:
            return cleaned
        now = type(self.instance)._default_manager.get(pk=self.instance.pk)
        # A form that does not say what it showed may not overwrite anything silently either.
        if now.version == cleaned.get("version"):
            return cleaned
        self._say_what_changed(now, cleaned)
        shown_again = self.data.copy()  # type: ignore[attr-defined]
        shown_again[self.add_prefix("version")] = str(now.version)
        self.data = shown_again
        return cleaned

    def _say_what_changed(self, now: Record, cleaned: dict[str, Any]) -> None:
        self.changed_meanwhile = True
        last = now.history.select_related("history_user").first()
        who = str(getattr(last, "history_user", None) or "Somebody")
        columns = {field.name: field for field in now._meta.concrete_fields}
        for name in self.fields:
            column = _column_of(now, name)
            if name == "version" or column is None or name not in cleaned:
                continue
            current, typed = getattr(now, column), cleaned[name]
            if current != getattr(typed, "amount", typed):
                shown = in_words(columns[column], current, shop=current_shop())
                self.add_error(name, f"{who} made this “{shown}” meanwhile.")
        self.add_error(
            None, f"{who} changed this while you were writing. Yours is kept below; save again to make it so."
        )

    def hold(self) -> None:
        """Locks the row until the end of the transaction; raises ValidationError if it has moved on since it was read."""
        if self.instance.pk is None:
            return
        rows = type(self.instance)._default_manager.select_for_update()
        if rows.values_list("version", flat=True).get(pk=self.instance.pk) != self.instance.version:
            self.changed_meanwhile = True
            raise ValidationError("Somebody changed this at the same moment. Save again to make yours so.")

    def save(self, commit: bool = True) -> Any:
        """Saves unless somebody else just did (ValidationError); call it inside ``refusals_on``."""
        if commit:
            with transaction.atomic():
                self.hold()
                return super().save()
        return super().save(commit=False)


def _column_of(record: models.Model, name: str) -> str | None:
    columns = {field.name for field in record._meta.concrete_fields}
    return next((name + end for end in ("", "_cents", "_nm", "_hundredths") if name + end in columns), None)


def initial_today() -> date:
    """Today in the shop's zone."""
    return timezone.localdate()


def choices_with_blank(choices: type[models.TextChoices], blank: str) -> list[tuple[str, str]]:
    """Choices with a first one that says nothing was chosen."""
    return [("", blank), *choices.choices]
