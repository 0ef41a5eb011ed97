"""What people type, read into exact figures; and the second of two people at one record."""

from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import pytest
from django import forms
from django.core.exceptions import ValidationError
from django.http import QueryDict
from django.utils import timezone
from hypothesis import given
from hypothesis import strategies as st

from estimating.money import currency
from finishes.measures import Length
from flips.house import current_shop
from flips.models import Channel, Piece, Shop
from flips.pages.forms import (
    DayField,
    LengthField,
    MassField,
    MinutesField,
    MomentField,
    MoneyField,
    PercentField,
    QuantityField,
    RecordForm,
    TemperatureField,
    read_minutes,
)
from tests.makers import make_channel, make_piece, make_shop


def test_every_field_takes_nothing_for_nothing_unless_it_is_needed(shop):
    for kind in (
        MoneyField,
        LengthField,
        MassField,
        TemperatureField,
        QuantityField,
        MinutesField,
        PercentField,
    ):
        assert kind(required=False).clean("  ") is None
        with pytest.raises(ValidationError, match="required"):
            kind().clean("")


# Money


@pytest.mark.parametrize(
    ("code", "typed", "cents"),
    [
        ("USD", "12", 1200),
        ("USD", "$1,234.50", 123450),
        ("USD", "0", 0),
        ("EUR", "1.234,50 €", 123450),
        ("JPY", "1500", 1500),
        ("KWD", "1.250", 1250),
    ],
)
def test_money_is_read_in_the_shops_currency(db, code, typed, cents):
    make_shop(currency_code=code)

    assert MoneyField().clean(typed) == cents


@pytest.mark.parametrize("typed", ["abc", "-2", "1.234.5", "12.345", "9" * 30, "1e9", "NaN", "∞"])
def test_money_refuses_nonsense_with_a_reason(shop, typed):
    with pytest.raises(ValidationError) as refused:
        MoneyField().clean(typed)
    assert len(str(refused.value.message)) > 10


def test_zero_can_be_ruled_out(shop):
    with pytest.raises(ValidationError, match="above zero"):
        MoneyField(allow_zero=False).clean("0.00")


def test_cents_are_shown_as_typed_digits_and_text_is_kept(shop):
    field = MoneyField()

    assert field.prepare_value(123450) == "1234.50"
    assert field.prepare_value("12,5o") == "12,5o"
    assert not field.has_changed(1250, "12.50")
    assert field.has_changed(1250, "12.51")


DOLLARS, INCHES = currency("USD"), "imperial"


def reads_back(field, figure):
    """Whether a field reads what it shows as the same figure."""
    field.currency, field.units = DOLLARS, INCHES
    return field.clean(field.prepare_value(figure)) == figure


@given(st.integers(0, 10**14))
def test_shown_money_reads_back(cents):
    assert reads_back(MoneyField(), cents)


@given(st.integers(1, 10**12))
def test_a_shown_quantity_reads_back(millionths):
    assert reads_back(QuantityField(), millionths)


@given(st.integers(1, 2880))
def test_shown_minutes_read_back(minutes):
    assert reads_back(MinutesField(), minutes)


@given(st.integers(0, 10_000))
def test_a_shown_percentage_reads_back(hundredths):
    assert reads_back(PercentField(), hundredths)


@given(st.integers(1, 64 * 1200))
def test_every_sixty_fourth_of_an_inch_reads_back(sixty_fourths):
    assert reads_back(LengthField(), Length(sixty_fourths * 396_875))


# Lengths and other measures


@pytest.mark.parametrize(
    ("units", "typed", "nm"),
    [
        ("imperial", "18 3/4", 476_250_000),
        ("imperial", '23-15/32"', 596_106_250),
        ("imperial", "5'2\"", 1_574_800_000),
        ("imperial", "46,2 cm", 462_000_000),
        ("imperial", "½", 12_700_000),
        ("metric", "600", 600_000_000),
        ("metric", "1.2 m", 1_200_000_000),
        ("metric", "½ in", 12_700_000),
    ],
)
def test_a_bare_length_counts_in_the_shops_unit(db, units, typed, nm):
    # 1 in = 25.4 mm exactly: NIST Special Publication 811, appendix B.
    make_shop(units=units)

    length = LengthField().clean(typed)

    assert (length.nm, length.text) == (nm, typed)


@pytest.mark.parametrize("typed", ["18 3/0", "-2", "abc", "0", "1/2/3", "5'14\"", "9" * 70])
def test_a_length_refuses_nonsense_with_a_reason(shop, typed):
    with pytest.raises(ValidationError) as refused:
        LengthField().clean(typed)
    assert str(refused.value.message)


def test_a_length_shows_what_was_typed_or_else_the_shops_unit(shop):
    assert LengthField().prepare_value(Length.parse("46,2 cm", "in")) == "46,2 cm"
    assert LengthField().prepare_value(3_175_000) == '1/8"'


def test_weights_and_temperatures_count_in_the_shops_units(db):
    make_shop(units="imperial")
    assert MassField().clean("16") == MassField().clean("1 lb")
    assert TemperatureField().clean("68") == TemperatureField().clean("20 °C")

    Shop.objects.update(units="metric")
    assert MassField().clean("1000") == MassField().clean("1 kg")
    assert TemperatureField().clean("20") == TemperatureField().clean("68 °F")


@pytest.mark.parametrize(("typed", "millionths"), [("2 1/2", 2_500_000), ("0,75", 750_000), ("1/3", 333_333)])
def test_a_quantity_is_whole_millionths(shop, typed, millionths):
    assert QuantityField().clean(typed) == millionths


@pytest.mark.parametrize("typed", ["-1", "0", "1/0", "two", "1000001", "0.0000001"])
def test_a_quantity_refuses_nonsense(shop, typed):
    with pytest.raises(ValidationError):
        QuantityField().clean(typed)


@pytest.mark.parametrize(
    ("typed", "hundredths"), [("12.5", 1250), ("12,5 %", 1250), ("0", 0), ("100", 10_000), ("7 1/4", 725)]
)
def test_a_percentage_is_whole_hundredths(shop, typed, hundredths):
    assert PercentField().clean(typed) == hundredths


@pytest.mark.parametrize(
    ("typed", "reason"), [("100.01", "at most"), ("12.345", "Two decimals"), ("-1", "negative"), ("a", "a")]
)
def test_a_percentage_refuses_nonsense(shop, typed, reason):
    with pytest.raises(ValidationError, match=reason):
        PercentField().clean(typed)


# Time


@pytest.mark.parametrize(
    ("typed", "minutes"),
    [
        ("45", 45),
        ("45 min", 45),
        ("1:30", 90),
        ("0:05", 5),
        ("1 h 30", 90),
        ("1h30m", 90),
        ("1.5 h", 90),
        ("1,5 h", 90),
        ("2 hours", 120),
        (".25h", 15),
        ("48:00", 2880),
    ],
)
def test_minutes_are_read_as_people_write_them(typed, minutes):
    assert read_minutes(typed) == minutes


@pytest.mark.parametrize("typed", ["0", "h", ". h", "1:60", "1 h 75", "1.5", "-30", "48:01", "ten", "99999"])
def test_minutes_refuse_nonsense_with_a_reason(typed):
    with pytest.raises(ValidationError) as refused:
        read_minutes(typed)
    assert str(refused.value.message)


@pytest.mark.parametrize("typed", ["1969-12-31", "2226-01-01", "2026-02-30", "soon"])
def test_a_day_must_be_one(shop, typed):
    with pytest.raises(ValidationError):
        DayField().clean(typed)


def test_a_day_and_a_moment_are_read_in_the_shops_clock(shop):
    with timezone.override(ZoneInfo("America/Chicago")):
        assert DayField().clean("2026-03-02") == date(2026, 3, 2)
        # Chicago is six hours behind UTC in winter and five in summer (IANA time zone database).
        assert MomentField().clean("2026-01-15T18:30") == datetime(2026, 1, 16, 0, 30, tzinfo=UTC)
        assert MomentField().clean("2026-07-15T18:30") == datetime(2026, 7, 15, 23, 30, tzinfo=UTC)


def test_an_hour_that_the_clock_skips_is_refused_kindly(shop):
    # 8 March 2026, 02:30 does not exist in Chicago: clocks go from 02:00 to 03:00 (IANA time zone database).
    with timezone.override(ZoneInfo("America/Chicago")), pytest.raises(ValidationError):
        MomentField().clean("2026-03-08T02:30")


# Two people, one record


class ChannelForm(RecordForm):
    class Meta:
        model = Channel
        fields = ["name", "retired"]


class PieceForm(RecordForm):
    asking = MoneyField(required=False)

    class Meta:
        model = Piece
        fields = ["what"]


def sent(**typed):
    query = QueryDict(mutable=True)
    query.update(typed)
    return query


def test_an_edit_carries_the_version_it_showed(shop):
    channel = make_channel(name="Fairs")

    assert ChannelForm(instance=channel)["version"].value() == 1
    form = ChannelForm(sent(name="Fairs and malls", version="1"), instance=channel)
    assert form.is_valid()
    form.save()
    assert (channel.version, Channel.objects.get().name) == (2, "Fairs and malls")


def test_the_second_is_told_and_shown_both_values(shop, owner):
    channel = make_channel(name="Fairs")
    ChannelForm(sent(name="County fairs", version="1"), instance=Channel.objects.get()).save()

    form = ChannelForm(sent(name="Flea markets", version="1"), instance=channel)

    assert not form.is_valid()
    assert form.changed_meanwhile
    assert "County fairs" in form.errors["name"][0]
    assert form["name"].value() == "Flea markets"
    assert form["version"].value() == "2"
    assert Channel.objects.get().name == "County fairs"


def test_sending_again_overwrites_knowingly_and_the_history_keeps_both(shop):
    make_channel(name="Fairs")
    ChannelForm(sent(name="County fairs", version="1"), instance=Channel.objects.get()).save()

    again = ChannelForm(sent(name="Flea markets", version="2"), instance=Channel.objects.get())

    assert again.is_valid()
    again.save()
    assert [row.name for row in Channel.objects.get().history.all()] == [
        "Flea markets",
        "County fairs",
        "Fairs",
    ]


@pytest.mark.parametrize("version", ["", "x", "0", "99"])
def test_an_edit_that_does_not_say_what_it_saw_overwrites_nothing(shop, version):
    make_channel(name="Fairs")

    form = ChannelForm(sent(name="Flea markets", version=version), instance=Channel.objects.get())

    assert not form.is_valid()
    assert Channel.objects.get().name == "Fairs"


def test_what_the_other_changed_is_said_in_words_also_for_renamed_columns(shop, owner):
    piece = make_piece(by=owner, asking_cents=9000)
    Piece.objects.get().save()
    changed = Piece.objects.get()
    changed.asking_cents = 7500
    changed.save()

    form = PieceForm(sent(what=piece.what, asking="80", version="1"), instance=piece)

    assert not form.is_valid()
    assert "made this “$75.00” meanwhile" in form.errors["asking"][0]
    assert "what" not in form.errors


def test_a_change_between_reading_and_saving_is_noticed(shop):
    make_channel(name="Fairs")
    form = ChannelForm(sent(name="Flea markets", version="1"), instance=Channel.objects.get())
    assert form.is_valid()
    other = Channel.objects.get()
    other.name = "County fairs"
    other.save()

    with pytest.raises(ValidationError, match="at the same moment"):
        form.save()
    assert Channel.objects.get().name == "County fairs"


def test_a_form_of_forty_lines_asks_for_the_shop_once(owner_client, django_assert_num_queries, monkeypatch):
    from flips.house import ShopMiddleware

    class Lines(forms.Form):
        def __init__(self, data):
            super().__init__(data)
            for place in range(40):
                self.fields[f"line{place}"] = MoneyField()

    def view(request):
        form = Lines({f"line{place}": "12.50" for place in range(40)})
        assert form.is_valid()
        assert current_shop() is request.shop
        return None

    from django.test import RequestFactory

    with django_assert_num_queries(1):
        ShopMiddleware(view)(RequestFactory().get("/"))
