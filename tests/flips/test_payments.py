"""Deposits, balances and tips: whose money it is, when the sale counts, and what a year sees of it."""

from datetime import UTC, date, datetime

import pytest
from django.core.exceptions import ValidationError
from django.urls import reverse

from flips.actions import payments, sales
from flips.actions.undo import take_back
from flips.books import year_figures
from flips.models import Payment, Sale
from flips.models.facts import figures_of, shop_facts
from flips.models.payments import account_of
from tests.makers import make_channel, make_piece

pytestmark = pytest.mark.django_db

SOLD_AT = datetime(2026, 3, 10, 18, 0, tzinfo=UTC)


def year(shop, number=2026):
    lines, _ = shop_facts(zone=shop.zone)
    return year_figures(lines, first=date(number, 1, 1), end=date(number + 1, 1, 1))


@pytest.fixture
def piece(owner):
    return make_piece(by=owner, price_cents=8000, on=date(2026, 1, 5), stage="ready")


@pytest.fixture
def deposit(owner, piece):
    return payments.take_deposit(piece, by=owner, cents=5000, on=date(2026, 2, 1), buyer="Mr Lind")


def sell(owner, *pieces, **fields):
    told = {"price_cents": 20000, "sold_at": SOLD_AT}
    return sales.sell(by=owner, weights=dict.fromkeys(pieces, 1), **(told | fields))


def test_a_deposit_is_held_and_no_revenue(owner, shop, deposit):
    figures = year(shop)

    assert (figures.revenue, figures.deposits_at_end, figures.cash) == (0, 5000, -3000)


def test_a_deposit_is_set_against_the_sale_which_counts_when_paid_in_full(owner, shop, piece, deposit):
    sale = sell(owner, piece)
    assert (account_of(sale).to_come, sale.paid_on) == (15000, None)

    payments.pay(sale, by=owner, cents=10000, on=date(2026, 3, 12))
    payments.pay(sale, by=owner, cents=5000, on=date(2026, 4, 1))

    sale.refresh_from_db()
    figures = year(shop)
    assert sale.paid_on == date(2026, 4, 1)
    assert (figures.revenue, figures.deposits_at_end, figures.cash) == (20000, 0, 12000)
    assert figures.difference == 0
    assert figures.problems == ()


def test_money_of_december_for_a_sale_paid_in_january_counts_in_january(owner, shop):
    piece = make_piece(by=owner, price_cents=8000, on=date(2025, 11, 5), stage="ready")
    payments.take_deposit(piece, by=owner, cents=5000, on=date(2025, 12, 20))
    sale = sell(owner, piece, sold_at=datetime(2025, 12, 30, 18, tzinfo=UTC))
    payments.pay(sale, by=owner, cents=15000, on=date(2026, 1, 3))

    before, after = year(shop, 2025), year(shop, 2026)
    assert (before.revenue, before.deposits_at_end, before.cash) == (0, 5000, -3000)
    assert (after.revenue, after.deposits_at_end, after.cash) == (20000, 0, 15000)
    assert (before.difference, after.difference) == (0, 0)


def test_a_typed_day_of_payment_brings_in_the_rest(owner, piece, deposit):
    sale = sell(owner, piece, paid_on=date(2026, 3, 10))

    sale.refresh_from_db()
    assert sale.paid_on == date(2026, 3, 10)
    assert [one.cents for one in Payment.objects.towards(sale)] == [5000, 15000]


def test_a_sale_without_payments_keeps_its_typed_day(owner, shop, piece):
    sale = sell(owner, piece, paid_on=date(2026, 3, 10))

    assert not Payment.objects.exists()
    assert year(shop).revenue == sale.price_cents


def test_a_set_takes_in_the_deposits_of_its_pieces(owner, shop, piece, deposit):
    other = make_piece(by=owner, what="Chair", price_cents=1000, on=date(2026, 1, 6), stage="ready")
    sale = sell(owner, piece, other, paid_on=date(2026, 3, 10))

    assert account_of(sale).paid == 20000
    assert year(shop).deposits_at_end == 0


def test_delivery_and_tax_on_top_are_due_too(owner, piece):
    sale = sell(owner, piece, delivery_charged_cents=3000, tax_cents=1650, tax_collector="shop")

    assert account_of(sale).due == 24650


def test_tax_a_marketplace_collects_is_not_due_to_her(owner, piece):
    sale = sell(owner, piece, tax_cents=1650, tax_collector="marketplace")

    assert account_of(sale).due == 20000


def test_more_than_is_due_is_refused(owner, piece):
    sale = sell(owner, piece)

    with pytest.raises(ValidationError, match="as a tip"):
        payments.pay(sale, by=owner, cents=20001)


def test_a_payout_net_of_the_fee_settles_the_sale(owner, shop, piece):
    sale = sell(owner, piece, channel=make_channel(), fee_cents=2000)
    payments.pay(sale, by=owner, cents=18000, on=date(2026, 3, 12), settles=True)

    sale.refresh_from_db()
    assert sale.paid_on == date(2026, 3, 12)
    assert year(shop).cash == 18000 - 8000


def test_less_than_the_payout_does_not_settle_it(owner, piece):
    sale = sell(owner, piece, fee_cents=2000)

    with pytest.raises(ValidationError, match="fee is missing"):
        payments.pay(sale, by=owner, cents=17999, settles=True)


def test_a_deposit_given_back_leaves_nothing(owner, shop, deposit):
    payments.end_deposit(deposit, by=owner, given_back_cents=5000, on=date(2026, 2, 9))

    figures = year(shop)
    assert (figures.deposits_at_end, figures.other_income, figures.cash) == (0, 0, -8000)


def test_what_is_kept_of_a_deposit_is_other_income(owner, shop, deposit):
    payments.end_deposit(deposit, by=owner, given_back_cents=2000, on=date(2026, 2, 9))

    figures = year(shop)
    assert (figures.deposits_at_end, figures.other_income, figures.revenue) == (0, 3000, 0)


def test_a_deposit_ends_once(owner, deposit):
    payments.end_deposit(deposit, by=owner, given_back_cents=5000)

    with pytest.raises(ValidationError, match="already"):
        payments.end_deposit(deposit, by=owner, given_back_cents=5000)


def test_a_tip_is_revenue_of_its_pieces_to_the_cent(owner, shop, piece):
    other = make_piece(by=owner, what="Chair", price_cents=1000, on=date(2026, 1, 6), stage="ready")
    sale = sell(owner, piece, other, paid_on=date(2026, 3, 10))
    payments.take_tip(sale, by=owner, cents=501, on=date(2026, 3, 11))

    figures = figures_of([piece.pk, other.pk], shop=shop)
    assert sorted(one.tips for one in figures.values()) == [250, 251]
    assert year(shop).revenue == 20501


def test_voiding_the_sale_holds_the_deposit_again(owner, shop, piece, deposit):
    sale = sell(owner, piece, paid_on=date(2026, 3, 10))
    sales.void_sale(sale, by=owner, reason="fell through")

    assert list(Payment.objects.held()) == [deposit]
    assert (year(shop).deposits_at_end, year(shop).revenue) == (5000, 0)


def test_voiding_the_last_payment_leaves_the_sale_unpaid(owner, piece):
    sale = sell(owner, piece)
    paid = payments.pay(sale, by=owner, cents=20000)
    payments.void_payment(paid, by=owner, reason="bounced")

    sale.refresh_from_db()
    assert sale.paid_on is None


def test_a_lower_price_than_was_paid_is_refused(owner, piece, deposit):
    sale = sell(owner, piece, paid_on=date(2026, 3, 10))

    with pytest.raises(ValidationError, match="More has been paid"):
        sales.change_sale(Sale.objects.get(pk=sale.pk), price_cents=19000)


def test_a_deposit_is_taken_sold_and_tipped_through_the_pages(owner, owner_client, piece):
    owner_client.post(
        reverse("deposit_new", args=[piece.pk]),
        {"cents": "50", "on": "2026-02-01", "method": "cash", "buyer": "Ms Roe"},
    )
    sell_page = owner_client.get(reverse("sell", args=[piece.pk])).content.decode()
    owner_client.post(
        reverse("sell", args=[piece.pk]),
        {"price": "200", "tax_collector": "nobody", "sold_at": "2026-03-10T12:00", "use_deposits": "on"},
    )
    sale = Sale.objects.get()
    owner_client.post(
        reverse("payment_new", args=[sale.pk]),
        {"kind": "balance", "cents": "150", "on": "2026-03-20", "method": "transfer"},
    )
    owner_client.post(
        reverse("payment_new", args=[sale.pk]),
        {"kind": "tip", "cents": "10", "on": "2026-03-20", "method": "cash"},
    )

    sale.refresh_from_db()
    page = owner_client.get(sale.get_absolute_url()).content.decode()
    assert "Deposit of" in sell_page
    assert sale.paid_on == date(2026, 3, 20)
    assert "$10.00" in page
    assert owner_client.get(reverse("payments")).status_code == 200


def test_a_payment_just_entered_can_be_taken_back(owner, deposit):
    take_back("paid", "flips.payment", str(deposit.pk), by=owner)

    assert not Payment.objects.held().exists()


def test_a_deposit_is_given_back_through_its_page(owner, owner_client, deposit):
    answer = owner_client.post(
        reverse("payment_end", args=[deposit.pk]), {"given_back": "50", "on": "2026-02-09"}
    )

    assert answer.status_code == 302
    assert "Given back on" in owner_client.get(deposit.get_absolute_url()).content.decode()


def test_a_deposit_dated_before_it_came_is_refused_in_its_form(owner_client, deposit):
    answer = owner_client.post(
        reverse("payment_end", args=[deposit.pk]), {"given_back": "50", "on": "2026-01-09"}
    )

    assert answer.status_code == 422
    assert "before it came in" in answer.content.decode()


def test_a_helper_sees_no_payment(helper_client, deposit):
    for name, args in (("payments", []), ("payment", [deposit.pk]), ("deposit_new", [deposit.piece_id])):
        assert helper_client.get(reverse(name, args=args)).status_code == 403
