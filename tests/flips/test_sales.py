"""Sales, sets, fees, returns, and the margin they leave."""

from datetime import UTC, date, datetime

import pytest
from django.core.exceptions import ValidationError
from django.urls import reverse

from flips.actions import pieces, sales
from flips.actions.undo import take_back
from flips.models import Channel, FeeRule, Return, Sale, Stage
from flips.models.facts import figures_of

pytestmark = pytest.mark.django_db

SOLD_AT = datetime(2026, 3, 5, 18, 0, tzinfo=UTC)


def bought(owner, what="Oak dresser", cents=8000):
    piece = pieces.log_find(by=owner, what=what)
    pieces.buy(by=owner, weights={piece: 1}, price_cents=cents, bought_on=date(2026, 3, 1))
    piece.refresh_from_db()
    return piece


@pytest.fixture
def channel():
    made = Channel.objects.create(name="Local ads")
    FeeRule.objects.create(channel=made, from_on=date(2026, 1, 1), percent_hundredths=1000, fixed_cents=50)
    return made


def test_the_margin_is_revenue_less_selling_costs_less_basis(owner, shop, channel):
    piece = bought(owner)

    sales.sell(
        by=owner,
        weights={piece: 1},
        price_cents=20000,
        channel=channel,
        delivery_charged_cents=3000,
        delivery_paid_cents=2500,
        packing_cents=400,
        tax_cents=1650,
        tax_collector="shop",
        sold_at=SOLD_AT,
        paid_on=date(2026, 3, 5),
    )

    figures = figures_of([piece.pk], shop=shop)[piece.pk]
    # By hand: fee 10 % of 200.00 + 0.50 = 20.50; tax is not revenue.
    assert figures.revenue == 23000
    assert figures.selling_total == 2050 + 2500 + 400
    assert figures.margin == 23000 - 4950 - 8000


def test_a_fee_follows_the_rule_of_the_day(owner, channel):
    FeeRule.objects.create(channel=channel, from_on=date(2026, 7, 1), percent_hundredths=2000)

    june = sales.fee_of(channel, date(2026, 6, 30)).on(price=10000)
    july = sales.fee_of(channel, date(2026, 7, 1)).on(price=10000)

    assert (june, july) == (1050, 2000)


def test_a_set_is_split_to_the_cent_by_what_each_would_fetch(owner, shop):
    one, two, three = bought(owner, "Table"), bought(owner, "Chair"), bought(owner, "Stool")

    sale = sales.sell(
        by=owner,
        weights={one: 30000, two: 10000, three: 10000},
        price_cents=40001,
        packing_cents=1000,
        sold_at=SOLD_AT,
        paid_on=date(2026, 3, 5),
    )

    assert [share.price_cents for share in sale.shares.order_by("pk")] == [24001, 8000, 8000]
    figures = figures_of([one.pk, two.pk, three.pk], shop=shop)
    assert sum(figure.revenue for figure in figures.values()) == 40001
    assert sum(figure.selling_total for figure in figures.values()) == 1000


def test_a_sold_piece_cannot_be_sold_again(owner):
    piece = bought(owner)
    sales.sell(by=owner, weights={piece: 1}, price_cents=100, sold_at=SOLD_AT)
    piece.refresh_from_db()

    with pytest.raises(ValidationError, match="can't be sold"):
        sales.sell(by=owner, weights={piece: 1}, price_cents=100, sold_at=SOLD_AT)


def test_a_sale_just_entered_can_be_taken_back(owner):
    piece = bought(owner)
    sale = sales.sell(by=owner, weights={piece: 1}, price_cents=100, sold_at=SOLD_AT)

    take_back("sold", "flips.sale", str(sale.pk), by=owner)

    piece.refresh_from_db()
    sale.refresh_from_db()
    assert piece.stage == Stage.BOUGHT
    assert sale.is_void


def test_a_piece_that_comes_back_is_ready_at_its_basis_and_sells_again(owner, shop):
    piece = bought(owner)
    first = sales.sell(
        by=owner, weights={piece: 1}, price_cents=20000, sold_at=SOLD_AT, paid_on=date(2026, 3, 5)
    )

    sales.take_back(
        first.shares.get(),
        by=owner,
        refund_cents=20000,
        freight_cents=1500,
        reason="Too wide",
        returned_on=date(2026, 3, 20),
    )

    piece.refresh_from_db()
    figures = figures_of([piece.pk], shop=shop)[piece.pk]
    assert piece.stage == Stage.READY
    assert figures.basis == 8000
    sales.sell(
        by=owner,
        weights={piece: 1},
        price_cents=18000,
        sold_at=datetime(2026, 4, 2, 18, 0, tzinfo=UTC),
        paid_on=date(2026, 4, 2),
    )
    figures = figures_of([piece.pk], shop=shop)[piece.pk]
    assert figures.revenue == 18000
    assert figures.margin == 18000 - 1500 - 8000


def test_no_more_can_be_given_back_than_was_paid(owner):
    piece = bought(owner)
    sale = sales.sell(by=owner, weights={piece: 1}, price_cents=20000, sold_at=SOLD_AT)
    share = sale.shares.get()
    sales.take_back(
        share, by=owner, refund_cents=15000, goods_back=False, reason="Scratch", returned_on=date(2026, 3, 6)
    )

    with pytest.raises(ValidationError, match="more than was paid"):
        sales.take_back(
            share, by=owner, refund_cents=5001, goods_back=False, reason="More", returned_on=date(2026, 3, 7)
        )


def test_voiding_a_return_sells_the_piece_again(owner, shop):
    piece = bought(owner)
    sale = sales.sell(
        by=owner, weights={piece: 1}, price_cents=20000, sold_at=SOLD_AT, paid_on=date(2026, 3, 5)
    )
    given = sales.take_back(
        sale.shares.get(), by=owner, refund_cents=20000, reason="Mistake", returned_on=date(2026, 3, 6)
    )

    sales.void_return(given, by=owner, reason="Entered twice")

    piece.refresh_from_db()
    assert piece.stage == Stage.SOLD
    assert figures_of([piece.pk], shop=shop)[piece.pk].revenue == 20000


def test_a_sale_with_a_return_is_not_voided(owner_client, owner):
    piece = bought(owner)
    sale = sales.sell(by=owner, weights={piece: 1}, price_cents=20000, sold_at=SOLD_AT)
    sales.take_back(
        sale.shares.get(),
        by=owner,
        refund_cents=100,
        goods_back=False,
        reason="Scratch",
        returned_on=date(2026, 3, 6),
    )

    answer = owner_client.post(reverse("sale_void", args=[sale.pk]), {"reason": "x"}, follow=True)

    assert "void that first" in answer.content.decode()
    sale.refresh_from_db()
    assert not sale.is_void


def test_selling_through_the_page(owner_client, owner, channel):
    piece = bought(owner)

    answer = owner_client.post(
        reverse("sell", args=[piece.pk]),
        {
            "price": "199.50",
            "channel": channel.pk,
            "tax": "16.46",
            "tax_collector": "marketplace",
            "sold_at": "2026-03-05T18:00",
            "paid_on": "2026-03-06",
        },
    )

    sale = Sale.objects.get()
    assert answer.status_code == 302
    assert (sale.price_cents, sale.fee_cents, sale.tax_collector) == (19950, 2045, "marketplace")


def test_sales_tax_needs_its_collector(owner_client, owner):
    piece = bought(owner)

    answer = owner_client.post(
        reverse("sell", args=[piece.pk]),
        {"price": "199.50", "tax": "16.46", "tax_collector": "nobody", "sold_at": "2026-03-05T18:00"},
    )

    assert answer.status_code == 422
    assert "Say who collected the sales tax." in answer.content.decode()
    assert not Sale.objects.exists()


def test_an_offer_shows_margin_and_break_even_while_it_is_typed(owner_client, owner, channel):
    piece = bought(owner)

    page = owner_client.get(
        reverse("offer", args=[piece.pk]),
        {"price": "90", "channel": channel.pk},
        headers={"HX-Request": "true"},
    ).content.decode()

    # By hand: 90 - 9.50 - 80 = 0.50; break-even p with p - round(p/10) - 0.50 >= 80.00 is 89.44.
    assert "$0.50" in page
    assert "$89.44" in page
    assert "<html" not in page


def test_an_offer_of_nonsense_says_why(owner_client, owner):
    piece = bought(owner)

    page = owner_client.get(reverse("offer", args=[piece.pk]), {"price": "lots"}).content.decode()

    assert "not an amount" in page


def test_the_helper_sells_nothing_and_sees_no_sale(helper_client, owner):
    piece = bought(owner)
    sale = sales.sell(by=owner, weights={piece: 1}, price_cents=20000, sold_at=SOLD_AT)

    for address in [
        reverse("sell", args=[piece.pk]),
        reverse("offer", args=[piece.pk]),
        sale.get_absolute_url(),
        reverse("sales"),
        reverse("margin_pdf", args=[piece.pk]),
        reverse("sale_sheet_pdf", args=[piece.pk]),
    ]:
        assert helper_client.get(address).status_code == 403, address


def test_correcting_a_sale_through_its_page_works_the_fee_out_anew(owner_client, owner, channel):
    piece = bought(owner)
    sale = sales.sell(by=owner, weights={piece: 1}, price_cents=20000, channel=channel, sold_at=SOLD_AT)

    answer = owner_client.post(
        sale.get_absolute_url(),
        {
            "price_cents": "100.00",
            "channel": channel.pk,
            "delivery_charged_cents": "0",
            "delivery_paid_cents": "0",
            "packing_cents": "0",
            "tax_cents": "0",
            "tax_collector": "nobody",
            "fee_cents": "",
            "sold_at": "2026-03-05T18:00",
            "paid_on": "",
            "version": sale.version,
        },
    )

    sale.refresh_from_db()
    assert answer.status_code == 302
    assert (sale.price_cents, sale.fee_cents) == (10000, 1050)
    assert sale.shares.get().price_cents == 10000
    assert not Return.objects.exists()
