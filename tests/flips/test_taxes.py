"""Tax schemes by date: what a sale holds for others, what slips give back, and that a change leaves what was before."""

from datetime import UTC, date, datetime
from fractions import Fraction

import pytest
from django.core.exceptions import ValidationError
from django.urls import reverse

from estimating.money import round_half_up
from flips.actions import pieces, receipts, sales, taxes
from flips.books import Collector, Kind, year_figures
from flips.models import ClosedYear, Lot, Sale, TaxScheme, YearClose
from flips.models.facts import figures_of, shop_facts
from flips.models.taxes import scheme_on
from tests.makers import make_category, make_piece

pytestmark = pytest.mark.django_db

MARCH = datetime(2026, 3, 10, 18, 0, tzinfo=UTC)
JULY = datetime(2026, 7, 10, 18, 0, tzinfo=UTC)


def scheme(owner, kind, rate=0, from_on=date(2026, 1, 1), **fields):
    return taxes.add_scheme(by=owner, from_on=from_on, scheme=kind, rate_thousandths=rate, **fields)


def sell(owner, piece, price=12000, at=MARCH, **fields):
    told = {"tax_cents": None, "tax_collector": "shop", "paid_on": at.date()}
    return sales.sell(by=owner, weights={piece: 1}, price_cents=price, sold_at=at, **(told | fields))


def year(shop):
    lines, _ = shop_facts(zone=shop.zone)
    return year_figures(lines, first=date(2026, 1, 1), end=date(2027, 1, 1))


@pytest.fixture
def piece(owner):
    return make_piece(by=owner, price_cents=5000, on=date(2026, 1, 5), stage="ready")


def test_sales_tax_lies_on_top_and_is_never_revenue(owner, shop, piece):
    scheme(owner, "sales_tax", 8875)
    sale = sell(owner, piece)

    # By hand: 8.875 % of 120.00 is 10.65.
    figures = year(shop)
    assert (sale.tax_cents, sale.tax_inside) == (1065, False)
    assert (figures.revenue, figures.tax_held_at_end) == (12000, 1065)


def test_delivery_is_taxed_where_the_scheme_says_so(owner, piece):
    scheme(owner, "sales_tax", 10000, on_delivery=True)

    assert sell(owner, piece, delivery_charged_cents=3000).tax_cents == 1500


def test_vat_is_taken_out_of_the_price(owner, shop, piece):
    scheme(owner, "vat", 20000, price_includes=True)
    sale = sell(owner, piece)

    # By hand: 120.00 with 20 % inside is 100.00 and 20.00.
    figures = figures_of([piece.pk], shop=shop)[piece.pk]
    assert sale.tax_cents == 2000
    assert (figures.revenue, figures.margin) == (10000, 5000)
    assert year(shop).tax_held_at_end == 2000
    assert year(shop).cash == 12000 - 5000


def test_vat_inside_price_and_delivery_leaves_both_net(owner, shop, piece):
    scheme(owner, "vat", 20000, price_includes=True, on_delivery=True)
    sell(owner, piece, delivery_charged_cents=2400)

    figures = year(shop)
    assert (figures.sales, figures.delivery_charged, figures.tax_held_at_end) == (10000, 2000, 2400)


def test_vat_on_the_margin_taxes_only_what_is_above_the_purchase_price(owner, shop, piece):
    scheme(owner, "vat_margin", 20000)
    sale = sell(owner, piece, price=11000)

    # By hand: margin 60.00 with 20 % inside is 50.00 and 10.00.
    assert sale.tax_cents == 1000
    assert figures_of([piece.pk], shop=shop)[piece.pk].margin == 11000 - 1000 - 5000


def test_no_tax_on_a_margin_below_nothing(owner, piece):
    scheme(owner, "vat_margin", 20000)

    assert sell(owner, piece, price=4000).tax_cents == 0


def test_each_piece_of_a_set_is_taxed_on_its_own_margin(owner, shop, piece):
    scheme(owner, "vat_margin", 20000)
    dear = make_piece(by=owner, what="Bureau", price_cents=9000, on=date(2026, 1, 6), stage="ready")
    sale = sales.sell(
        by=owner,
        weights={piece: 1, dear: 1},
        price_cents=16000,
        sold_at=MARCH,
        paid_on=date(2026, 3, 10),
        tax_cents=None,
        tax_collector="shop",
    )

    # 80.00 each: 30.00 above 50.00 holds 5.00; the other went below what it was bought for and holds nothing.
    figures = figures_of([piece.pk, dear.pk], shop=shop)
    assert sale.tax_cents == 500
    assert [figures[one.pk].revenue for one in (piece, dear)] == [7500, 8000]


def test_a_change_in_july_leaves_june_as_it_was(owner, shop, piece):
    other = make_piece(by=owner, what="Chair", price_cents=1000, on=date(2026, 1, 6), stage="ready")
    scheme(owner, "sales_tax", 8000)
    june = sell(owner, piece, at=datetime(2026, 6, 30, 18, tzinfo=UTC))
    scheme(owner, "vat", 20000, from_on=date(2026, 7, 1), price_includes=True)
    july = sell(owner, other, at=JULY)

    june.refresh_from_db()
    assert (june.tax_cents, june.tax_inside) == (960, False)
    assert (july.tax_cents, july.tax_inside) == (2000, True)
    assert scheme_on(date(2026, 6, 30)).scheme == "sales_tax"


def test_without_a_scheme_nothing_is_taxed_by_itself(owner, piece):
    assert sell(owner, piece).tax_cents == 0


def test_what_a_marketplace_collects_is_listed_apart_and_not_held(owner, shop, piece):
    scheme(owner, "sales_tax", 8000)
    sell(owner, piece, tax_cents=960, tax_collector="marketplace")

    (period,) = year(shop).tax
    assert (period.collector, period.collected, period.held) == (Collector.MARKETPLACE, 960, 0)


def test_input_tax_is_reclaimed_and_out_of_the_basis(owner, shop):
    scheme(owner, "vat", 20000, price_includes=True)
    piece = pieces.log_find(by=owner, what="Desk")
    pieces.buy(by=owner, weights={piece: 1}, price_cents=5000, tax_cents=1000, bought_on=date(2026, 2, 1))
    piece.refresh_from_db()
    receipt = receipts.new_receipt(
        by=owner, shop_name="Hardware", bought_on=date(2026, 2, 2), total_cents=3600, tax_cents=600
    )
    receipts.add_line(receipt, by=owner, destination="piece", text="Hinges", amount_cents=1000, piece=piece)
    receipts.add_line(
        receipt,
        by=owner,
        destination="stock",
        text="Oil",
        amount_cents=1000,
        lot={"name": "Oil", "unit": "can", "quantity_millionths": 1_000_000},
    )
    receipts.add_line(
        receipt,
        by=owner,
        destination="expense",
        text="Paper",
        amount_cents=500,
        category=make_category(name="Office"),
    )
    receipts.add_line(receipt, by=owner, destination="private", text="Sweets", amount_cents=500)

    figures = year(shop)
    assert figures_of([piece.pk], shop=shop)[piece.pk].basis == 6000
    assert Lot.objects.get(name="Oil").cost_cents == 1000
    assert figures.expenses == {"Office": 500}
    # 10.00 on the desk, 2.00 + 2.00 + 1.00 of the slip; what is private is not reclaimed.
    assert figures.tax_held_at_end == -1500
    assert figures.cash == -(6000 + 3000)
    assert figures.difference == 0


def test_a_scheme_written_down_late_restates_the_slips_since_its_day(owner, shop):
    for day in (date(2026, 6, 30), date(2026, 7, 1)):
        receipt = receipts.new_receipt(
            by=owner, shop_name="Hardware", bought_on=day, total_cents=1200, tax_cents=200
        )
        receipts.add_line(
            receipt,
            by=owner,
            destination="stock",
            text="Oil",
            amount_cents=1000,
            lot={"name": f"Oil {day.month}", "unit": "can", "quantity_millionths": 1_000_000},
        )
    made = scheme(owner, "vat", 20000, from_on=date(2026, 7, 1), price_includes=True)

    assert [lot.cost_cents for lot in Lot.objects.order_by("came_on")] == [1200, 1000]
    taxes.void_scheme(made, by=owner, reason="not registered after all")
    assert [lot.cost_cents for lot in Lot.objects.order_by("came_on")] == [1200, 1200]


def test_a_refund_with_tax_inside_gives_both_back_once(owner, shop, piece):
    scheme(owner, "vat", 20000, price_includes=True)
    sale = sell(owner, piece)
    sales.take_back(
        sale.shares.get(),
        by=owner,
        refund_cents=12000,
        tax_refund_cents=2000,
        reason="Too wide",
        returned_on=date(2026, 3, 20),
    )

    figures = year(shop)
    assert (figures.revenue, figures.tax_held_at_end, figures.cash) == (0, 0, -5000)
    assert figures.difference == 0


def test_tax_paid_over_and_refunded_leaves_the_shops_hands(owner, shop, piece):
    scheme(owner, "sales_tax", 8000)
    sell(owner, piece)
    taxes.pay_over(by=owner, cents=1000, on=date(2026, 4, 20), period="First quarter")
    taxes.pay_over(by=owner, cents=40, on=date(2026, 5, 2), refunded=True)

    figures = year(shop)
    assert figures.tax_held_at_end == 0
    assert figures.cash == 12960 - 5000 - 1000 + 40


def test_emptying_the_tax_of_a_sale_works_it_out_anew(owner, piece):
    scheme(owner, "sales_tax", 8000)
    sale = sell(owner, piece, tax_cents=1)
    sales.change_sale(Sale.objects.get(pk=sale.pk), tax_cents=None)

    sale.refresh_from_db()
    assert sale.tax_cents == 960


@pytest.mark.parametrize("rate", [5000, 8875, 20000, 25500])
@pytest.mark.parametrize("price", [1, 99, 12345, 999_999])
def test_net_and_tax_always_make_the_price(owner, shop, piece, rate, price):
    scheme(owner, "vat", rate, price_includes=True)
    sale = sell(owner, piece, price=price)

    net = figures_of([piece.pk], shop=shop)[piece.pk].price
    assert net + sale.tax_cents == price
    assert sale.tax_cents == round_half_up(Fraction(price * rate, 100_000 + rate))


def test_a_scheme_of_a_closed_year_stands(owner):
    YearClose.objects.create(first=date(2025, 1, 1), end=date(2026, 1, 1), closed_by=owner)

    with pytest.raises(ClosedYear):
        scheme(owner, "sales_tax", 8000, from_on=date(2025, 7, 1))


def test_one_scheme_a_day(owner):
    scheme(owner, "sales_tax", 8000)

    with pytest.raises(ValidationError, match="already"):
        scheme(owner, "vat", 20000)


def test_the_page_takes_a_scheme_and_lists_what_is_held(owner, owner_client, shop, piece):
    owner_client.post(reverse("taxes"), {"scheme": "sales_tax", "from_on": "2026-01-01", "rate": "8.875 %"})
    sell(owner, piece)

    page = owner_client.get(reverse("taxes"), {"every": "1"}).content.decode()
    assert TaxScheme.objects.get().rate_thousandths == 8875
    assert "$10.65" in page
    assert "licensed adviser" in page


def test_a_scheme_without_its_rate_is_refused_in_its_form(owner_client):
    page = owner_client.post(reverse("taxes"), {"scheme": "vat", "from_on": "2026-01-01", "rate": ""})

    assert page.status_code == 422
    assert "Write the rate" in page.content.decode()


def test_the_sale_form_works_the_tax_out_and_an_offer_shows_it(owner, owner_client, piece):
    scheme(owner, "vat_margin", 20000)
    offer = owner_client.get(reverse("offer", args=[piece.pk]), {"price": "110"}).content.decode()
    owner_client.post(
        reverse("sell", args=[piece.pk]),
        {"price": "110", "tax_collector": "shop", "sold_at": "2026-03-10T12:00", "paid_on": "2026-03-10"},
    )

    assert "Tax inside the price" in offer
    assert "$10.00" in offer
    assert Sale.objects.get().tax_cents == 1000


def test_tax_paid_over_is_kept_and_corrected_through_its_pages(owner, owner_client, shop):
    owner_client.post(reverse("tax_payment_new"), {"cents": "10.65", "on": "2026-04-20", "period": "Q1"})
    lines, _ = shop_facts(zone=shop.zone)
    (line,) = [line for line in lines if line.kind is Kind.TAX_PAID_OVER]

    assert line.cents == 1065
    assert owner_client.get(reverse("tax_payment", args=[line.source[1]])).status_code == 200


def test_a_helper_sees_no_tax(helper_client):
    assert helper_client.get(reverse("taxes")).status_code == 403
