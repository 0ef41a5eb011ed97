"""The pricing page: floors exact to the cent, targets met, like pieces, and a plan that ends at the floor."""

from datetime import UTC, date, datetime

import pytest
from django.urls import reverse

from flips.actions import pricing as prices
from flips.actions import sales
from flips.models import Comparable, FeeRule
from flips.models.comparables import own_sales
from flips.pages.pricing import PricingForm, pricing_context
from tests.makers import make_channel, make_piece, make_time

pytestmark = pytest.mark.django_db


@pytest.fixture
def piece(owner, shop):
    shop.wanted_hourly_cents = 2000
    shop.save()
    made = make_piece(
        by=owner, price_cents=8000, on=date(2026, 1, 5), stage="ready", kind="Dresser", expected_cents=30000
    )
    make_time(person=owner, piece=made, minutes=180)
    return made


@pytest.fixture
def channel():
    made = make_channel(name="Local ads")
    FeeRule.objects.create(
        channel=made, from_on=date(2026, 1, 1), percent_hundredths=1250, fixed_cents=50, minimum_cents=300
    )
    return made


def worked_out(piece, shop, **typed):
    form = PricingForm({"price": "", **typed})
    return pricing_context(piece, form, shop)


def test_break_even_leaves_nothing_and_one_cent_less_is_a_loss(piece, shop, channel):
    row = worked_out(piece, shop, channel=channel.pk)["rows"][0]

    # By hand: 92.00 less 12.5 % (11.50) less 0.50 is 80.00.
    assert row.price == 9200
    assert (row.sale.margin, row.less.margin < 0) == (0, True)


def test_a_share_of_running_costs_makes_a_third_floor(piece, shop):
    rows = worked_out(piece, shop, running="25")["rows"]

    # By hand: 80.00; 80.00 + 25.00; 105.00 + 3 h at 20.00.
    assert [row.price for row in rows[:3]] == [8000, 10500, 16500]


@pytest.mark.parametrize("percent", ["10", "40", "62.5"])
def test_the_price_for_a_margin_meets_it_and_a_cent_less_does_not(piece, shop, channel, percent):
    row = worked_out(piece, shop, channel=channel.pk, percent=percent)["rows"][-1]

    assert row.sale.percent >= float(percent) > row.less.percent


def test_the_price_for_a_pay_an_hour_meets_it(piece, shop):
    row = worked_out(piece, shop, hourly="35")["rows"][-1]

    assert (row.price, row.sale.hourly_cents) == (8000 + 3 * 3500, 3500)


def test_the_plan_ends_at_the_chosen_floor_and_waiting_costs_grow(piece, shop):
    plan = worked_out(
        piece, shop, price="300", every_days="14", drop="10", holding="0.50", floor="own", floor_price="200"
    )["plan"]

    steps = [step for _, step in plan]
    assert [step.price for step in steps] == [30000, 27000, 24300, 21900, 20000]
    assert [step.held for step in steps] == [0, 700, 1400, 2100, 2800]


def test_a_fee_that_takes_all_leaves_no_floor(piece, shop):
    greedy = make_channel()
    FeeRule.objects.create(channel=greedy, from_on=date(2026, 1, 1), percent_hundredths=10000)
    found = worked_out(piece, shop, channel=greedy.pk, price="300", every_days="14", drop="10")

    assert found["rows"][0].price is None
    assert found["no_floor"]


def test_the_page_opens_with_prices_and_asks_one(piece, owner_client):
    page = owner_client.get(reverse("pricing", args=[piece.pk])).content.decode()
    owner_client.post(reverse("price_ask", args=[piece.pk]), {"price": "289"})

    piece.refresh_from_db()
    assert "You lose money below" in page
    assert "$80.00" in page
    assert piece.listed_cents == 28900


def test_the_live_fragment_holds_only_the_prices(piece, owner_client):
    page = owner_client.get(
        reverse("pricing", args=[piece.pk]), {"price": "200"}, HTTP_HX_REQUEST="true"
    ).content.decode()

    assert "<html" not in page
    assert 'id="prices"' in page


def test_what_cannot_be_read_is_said(piece, owner_client):
    page = owner_client.get(reverse("pricing", args=[piece.pk]), {"price": "two hundred"})

    assert page.status_code == 200
    assert "is not an amount" in page.content.decode()


def test_like_pieces_show_asked_got_and_days(owner, piece):
    sold = make_piece(
        by=owner, what="Pine dresser", price_cents=4000, on=date(2026, 1, 5), stage="ready", kind="dresser"
    )
    prices.ask(sold, 15000)
    sales.sell(
        by=owner,
        weights={sold: 1},
        price_cents=13000,
        sold_at=datetime(2026, 1, 25, 18, tzinfo=UTC),
        paid_on=date(2026, 1, 25),
    )

    (one,) = own_sales("Dresser", but=piece)
    assert (one.asked, one.got, one.days) == (15000, 13000, 20)


def test_a_noted_price_shows_on_the_page_of_a_like_piece(piece, owner_client):
    owner_client.post(
        reverse("comparables"),
        {"what": "Oak dresser, brass", "kind": "Dresser", "price_cents": "420", "seen_on": "2026-03-01"},
    )

    assert Comparable.objects.get().price_cents == 42000
    assert "Oak dresser, brass" in owner_client.get(reverse("pricing", args=[piece.pk])).content.decode()


@pytest.mark.parametrize(
    ("floor", "said"), [("lose", "Yes"), ("pay", "No")], ids=["above break-even", "below own pay"]
)
def test_an_offer_is_judged_by_the_floor_she_chose(piece, owner_client, floor, said):
    page = owner_client.get(
        reverse("offer", args=[piece.pk]), {"price": "100", "floor": floor}
    ).content.decode()

    assert f"<strong>{said}</strong>" in page


def test_a_floor_of_her_own_needs_its_amount(piece, owner_client):
    page = owner_client.get(
        reverse("offer", args=[piece.pk]), {"price": "100", "floor": "own"}
    ).content.decode()

    assert "Write your floor" in page


def test_a_helper_sees_no_prices(helper_client, piece):
    for name, args in (("pricing", [piece.pk]), ("comparables", [])):
        assert helper_client.get(reverse(name, args=args)).status_code == 403
