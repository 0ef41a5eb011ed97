"""Trips: the rate of the day, rounding by the year, shares of pieces, and one drive claimed both ways."""

from datetime import date
from decimal import Decimal
from fractions import Fraction

import pytest
from django.core.exceptions import ValidationError
from django.urls import reverse

from estimating.money import round_half_up
from flips.actions import receipts, trips
from flips.actions.undo import take_back
from flips.books import year_figures
from flips.mileage import IRS_RATES
from flips.models import ClosedYear, MileageRate, Trip, YearClose
from flips.models.facts import figures_of, shop_facts
from flips.models.trips import claimed_twice, posted_trips, rate_for, worth
from tests.makers import make_category, make_piece
from tests.references.mileage import CASES, RATES

pytestmark = pytest.mark.django_db


def drive(owner, on=date(2026, 3, 2), miles="10", **fields):
    return trips.log_trip(
        by=owner,
        on=on,
        distance_millionths=int(Fraction(miles) * 1_000_000),
        unit="mi",
        purpose="Estate sale",
        **fields,
    )


@pytest.fixture
def rates(owner):
    trips.add_irs_rates(by=owner)


def test_the_rates_are_those_published():
    assert [(first.isoformat(), Decimal(rate) / 1_000_000) for first, rate, _ in IRS_RATES] == [
        (first, Decimal(cents)) for first, cents in RATES
    ]


@pytest.mark.parametrize(("case", "driven", "exact", "rounded"), CASES)
def test_trips_come_to_the_worked_amounts(case, driven, exact, rounded, owner, rates):
    known = list(MileageRate.objects.live())
    total = sum(
        worth(Fraction(miles), "mi", rate=rate_for(date.fromisoformat(day), known)) for day, miles in driven
    )

    assert total == Fraction(exact) * 100
    assert round_half_up(total) == int(Decimal(rounded) * 100)


def test_the_trips_of_a_year_add_up_to_their_exact_total_rounded_once(owner, rates):
    for _ in range(7):
        drive(owner, miles="1.1")

    # 7 trips of 1.1 miles at 72.5 cents are 558.25 cents; each rounded by itself would make 560.
    assert sum(one.cents for one in posted_trips()) == 558


def test_years_are_rounded_apart(owner, rates):
    drive(owner, on=date(2025, 12, 31), miles="12.9")
    drive(owner, on=date(2026, 1, 1), miles="12.9")

    # 9.03 at 70 cents; 9.3525 at 72.5 cents.
    assert [one.cents for one in posted_trips()] == [903, 935]


def test_a_trip_is_an_expense_of_the_year_and_no_cost_of_its_pieces(owner, shop, rates):
    one, two = make_piece(by=owner, price_cents=5000), make_piece(by=owner, what="Chair", price_cents=3000)
    drive(owner, miles="20", pieces=[one, two])

    lines, _ = shop_facts(zone=shop.zone)
    year = year_figures(lines, first=date(2026, 1, 1), end=date(2027, 1, 1))
    figures = figures_of([one.pk], shop=shop)[one.pk]
    assert year.expenses == {"trips": 1450}
    assert (figures.trips, figures.basis) == (725, 5000)
    assert year.difference == 0


def test_kilometres_take_a_rate_a_mile_by_the_exact_mile(owner, rates):
    trip = trips.log_trip(
        by=owner, on=date(2026, 3, 2), distance_millionths=160_934_400, unit="km", purpose="Far auction"
    )

    # 160.9344 km are 100 miles exactly (yard and pound agreement of 1959).
    assert posted_trips()[0].cents == 7250
    assert trip.distance_words == "160.93 km"


def test_the_odometer_gives_the_distance(owner):
    trip = trips.log_trip(
        by=owner,
        on=date(2026, 3, 2),
        distance_millionths=None,
        odometer_from_millionths=48_210_300_000,
        odometer_to_millionths=48_228_700_000,
        unit="mi",
        purpose="Auction",
    )

    assert trip.distance == Fraction("18.4")


@pytest.mark.parametrize(
    ("start", "end", "typed", "said"),
    [
        (100, None, None, "both readings"),
        (100, 90, None, "gone back"),
        (100, 120, 30, "odometer says otherwise"),
        (None, None, None, "Write the distance"),
    ],
)
def test_an_odometer_that_does_not_fit_is_refused(start, end, typed, said, owner):
    def millionths(number):
        return None if number is None else number * 1_000_000

    with pytest.raises(ValidationError, match=said):
        trips.log_trip(
            by=owner,
            on=date(2026, 3, 2),
            distance_millionths=millionths(typed),
            odometer_from_millionths=millionths(start),
            odometer_to_millionths=millionths(end),
            unit="mi",
            purpose="Auction",
        )


def test_a_trip_before_any_rate_is_worth_nothing_and_says_so(owner, owner_client):
    drive(owner)

    assert posted_trips()[0].rate is None
    assert "no rate for that day" in owner_client.get(reverse("trips")).content.decode()


def test_fuel_on_the_day_of_a_trip_is_warned_about(owner, owner_client, rates):
    receipt = receipts.new_receipt(
        by=owner, shop_name="Corner station", bought_on=date(2026, 3, 2), total_cents=4000
    )
    receipts.add_line(
        receipt, by=owner, destination="expense", text="Diesel", amount_cents=4000, category=make_category()
    )
    trip = drive(owner)

    assert [line.text for line in claimed_twice([trip.on])[trip.on]] == ["Diesel"]
    assert "Claimed twice?" in owner_client.get(trip.get_absolute_url()).content.decode()


def test_sandpaper_on_the_day_of_a_trip_is_no_second_claim(owner, rates):
    receipt = receipts.new_receipt(
        by=owner, shop_name="Hardware", bought_on=date(2026, 3, 2), total_cents=900
    )
    receipts.add_line(
        receipt, by=owner, destination="expense", text="Sandpaper", amount_cents=900, category=make_category()
    )

    assert claimed_twice([date(2026, 3, 2)]) == {}


def test_a_trip_is_kept_through_its_page_and_taken_back(owner, owner_client, rates):
    piece = make_piece(by=owner, price_cents=5000)
    response = owner_client.post(
        reverse("trips"),
        {
            "on": "2026-03-02",
            "purpose": "Estate sale",
            "distance": "18.4",
            "unit": "mi",
            "pieces": [piece.pk],
        },
    )
    trip = Trip.objects.get()

    assert response.status_code == 302
    assert (trip.distance_millionths, list(trip.pieces.all())) == (18_400_000, [piece])
    take_back("made", "flips.trip", str(trip.pk), by=owner)
    assert posted_trips() == []


def test_a_trip_without_a_distance_keeps_what_was_typed(owner_client):
    page = owner_client.post(reverse("trips"), {"on": "2026-03-02", "purpose": "Estate sale", "unit": "mi"})

    assert page.status_code == 422
    assert "Write the distance" in page.content.decode()
    assert "Estate sale" in page.content.decode()


def test_a_rate_is_typed_in_the_shops_money_and_edited(owner, owner_client):
    owner_client.post(
        reverse("mileage_rates"),
        {"from_on": "2026-01-01", "rate_millionths": "0.725", "unit": "mi", "source": "Notice"},
    )
    rate = MileageRate.objects.get()
    page = owner_client.get(reverse("mileage_rates")).content.decode()

    assert rate.cents == Fraction("72.5")
    assert "$0.725 a mi" in page


def test_a_closed_year_refuses_a_trip_and_a_rate_that_moves_it(owner, rates):
    drive(owner, on=date(2025, 5, 1))
    YearClose.objects.create(first=date(2025, 1, 1), end=date(2026, 1, 1), closed_by=owner)

    with pytest.raises(ClosedYear):
        drive(owner, on=date(2025, 6, 1))
    with pytest.raises(ClosedYear):
        trips.add_rate(
            by=owner, from_on=date(2025, 4, 1), rate_millionths=1, unit="mi", source="A slip of the pen"
        )
    assert drive(owner, on=date(2026, 1, 1)).pk


def test_a_helper_sees_no_trips(helper_client):
    assert helper_client.get(reverse("trips")).status_code == 403
