"""Counting the stock: can by can, what is missing or more, one closing, and taking it back."""

from datetime import date, timedelta
from fractions import Fraction

import pytest
from django.core.exceptions import ValidationError
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from flips.actions import counting, stock
from flips.actions.undo import CannotUndo, take_back
from flips.books import Method
from flips.models import MILLION, Count, CountLine, Lot, Origin, Shop, Use, UseKind
from flips.models.counting import stock_worth, to_count
from flips.models.facts import shop_facts
from flips.pages.counting import CountForm
from tests.makers import make_lot, make_piece

DAY = date(2026, 3, 2)
LATER = DAY + timedelta(days=30)


def lot_of(quantity, *, cost=1000, name="Amber shellac", unit="l", on=DAY, **fields):
    return make_lot(
        name, "finish", quantity=Fraction(quantity), cost_cents=cost, unit=unit, came_on=on, **fields
    )


def counted(count, lot, quantity, *, by):
    return counting.count_lot(count, lot, by=by, counted_millionths=int(Fraction(quantity) * MILLION))


def fresh(lot):
    return Lot.objects.with_left().get(pk=lot.pk)


@pytest.fixture
def piece(owner):
    return make_piece(by=owner, price_cents=5000, on=DAY)


@pytest.fixture
def count(owner):
    return counting.start_count(by=owner, on=LATER)


# Differences


def test_what_is_missing_leaves_stock_at_its_share_of_the_cost(owner, count):
    lot = lot_of(2)
    counted(count, lot, "1.5", by=owner)
    counting.close_count(count, by=owner)
    use = Use.objects.get()
    assert (use.kind, use.quantity, use.cost_cents, use.used_on) == (
        UseKind.SHRINKAGE,
        Fraction(1, 2),
        250,
        LATER,
    )
    assert (fresh(lot).left_millionths, fresh(lot).left_cents) == (1_500_000, 750)


def test_an_empty_can_leaves_with_its_last_cent(owner, piece, count):
    lot = lot_of("0.333333", cost=1001)
    stock.take(by=owner, piece=piece, lot=lot, quantity_millionths=111_111, used_on=DAY)
    counted(count, lot, 0, by=owner)
    counting.close_count(count, by=owner)
    assert sum(use.cost_cents for use in Use.objects.live()) == 1001
    assert fresh(lot).left_millionths == 0


def test_what_is_more_comes_in_at_no_cost_beside_the_lot(owner, piece, count):
    lot = lot_of(1, place="shelf A")
    stock.take(by=owner, piece=piece, lot=lot, quantity_millionths=800_000, used_on=DAY)
    counted(count, lot, "0.5", by=owner)
    counting.close_count(count, by=owner)
    found = Lot.objects.get(origin=Origin.FOUND)
    assert (found.name, found.unit, found.quantity, found.cost_cents, found.place, found.came_on) == (
        lot.name,
        lot.unit,
        Fraction(3, 10),
        0,
        "shelf A",
        LATER,
    )
    assert Use.objects.filter(kind=UseKind.SHRINKAGE).count() == 0


def test_what_reads_the_same_is_no_difference(owner, count):
    lot = lot_of("0.333333")
    line = counted(count, lot, "0.333", by=owner)
    assert line.difference_millionths == 0
    counting.close_count(count, by=owner)
    assert not Use.objects.exists()


def test_what_is_not_counted_stays_as_it_is(owner, count):
    left_alone, lot = lot_of(3, name="Beeswax"), lot_of(1)
    counted(count, lot, 1, by=owner)
    counting.close_count(count, by=owner)
    assert fresh(left_alone).left == 3


def test_shrinkage_at_the_moving_average(owner, count):
    """Two sheets at 10.00 and two at 30.00 average 20.00: (2 x 10 + 2 x 30) / 4; one missing costs that."""
    Shop.objects.update(stock_method="average")
    first = lot_of(2, cost=2000, unit="sheet", name="Veneer")
    lot_of(2, cost=6000, unit="sheet", name="Veneer")
    counted(count, first, 1, by=owner)
    counting.close_count(count, by=owner)
    assert Use.objects.get(kind=UseKind.SHRINKAGE).cost_cents == 2000


def test_both_methods_show_what_the_stock_has_cost(owner, shop, piece):
    """Oldest first the used sheet cost 10.00, on average (10 + 30) / 2 = 20.00; 40.00 came in."""
    first = lot_of(1, cost=1000, unit="sheet", name="Veneer")
    lot_of(1, cost=3000, unit="sheet", name="Veneer")
    stock.take(by=owner, piece=piece, lot=first, quantity_millionths=MILLION, used_on=DAY)
    assert stock_worth(shop) == {Method.FIFO: 3000, Method.AVERAGE: 2000}


def test_the_missing_stands_in_the_shop_s_money_lines(owner, shop, count):
    counted(count, lot_of(2), 1, by=owner)
    counting.close_count(count, by=owner)
    lines, _ = shop_facts(zone=shop.zone)
    assert [(line.cents, line.on) for line in lines if line.kind.name == "SHRINKAGE"] == [(500, LATER)]


# The day of the count


def test_a_count_compares_with_the_books_of_its_own_day(owner, piece, count):
    """Counted on the last evening and closed after more was used: only what was missing that evening is missing."""
    lot = lot_of(2)
    stock.take(by=owner, piece=piece, lot=lot, quantity_millionths=500_000, used_on=LATER + timedelta(days=1))
    line = counted(count, lot, "1.5", by=owner)
    assert line.booked_millionths == 2_000_000
    counting.close_count(count, by=owner)
    assert fresh(lot).left == 1


def test_a_lot_that_came_in_later_is_not_on_the_sheet(owner, count):
    lot = lot_of(1, on=LATER + timedelta(days=1))
    assert lot not in to_count(count)
    with pytest.raises(ValidationError, match="came in after"):
        counted(count, lot, 1, by=owner)


def test_closing_asks_again_where_the_books_changed_since(owner, piece, count):
    lot = lot_of(2)
    counted(count, lot, "1.5", by=owner)
    stock.take(by=owner, piece=piece, lot=lot, quantity_millionths=250_000, used_on=LATER)
    with pytest.raises(ValidationError, match="changed since.*Amber shellac"):
        counting.close_count(count, by=owner)
    counted(count, lot, "1.5", by=owner)
    counting.close_count(count, by=owner)
    assert Use.objects.get(kind=UseKind.SHRINKAGE).quantity == Fraction(1, 4)


def test_closing_refuses_what_later_uses_have_taken_and_does_nothing_by_halves(owner, piece, count):
    other, lot = lot_of(1, name="Beeswax"), lot_of(2)
    stock.take(
        by=owner, piece=piece, lot=lot, quantity_millionths=1_500_000, used_on=LATER + timedelta(days=1)
    )
    counted(count, other, "0.5", by=owner)
    counted(count, lot, 1, by=owner)
    with pytest.raises(ValidationError, match="More of these was used"):
        counting.close_count(count, by=owner)
    assert not Use.objects.filter(kind=UseKind.SHRINKAGE).exists()
    assert Count.objects.get().is_open


def test_a_count_of_a_day_to_come_or_of_nothing_is_refused(owner, count):
    with pytest.raises(ValidationError):
        counting.start_count(by=owner, on=timezone.localdate() + timedelta(days=1))
    with pytest.raises(ValidationError, match="Nothing has been counted"):
        counting.close_count(count, by=owner)


# Taking it back


def test_undoing_the_closing_restores_quantities_and_costs(owner, piece, count):
    missing, more = lot_of(2), lot_of(1, name="Beeswax")
    counted(count, missing, 1, by=owner)
    counted(count, more, 2, by=owner)
    counting.close_count(count, by=owner)
    take_back("count_closed", "flips.count", str(count.pk), by=owner)
    assert (fresh(missing).left, fresh(missing).left_cents, fresh(more).left) == (2, 1000, 1)
    assert not Lot.objects.live().filter(origin=Origin.FOUND).exists()
    assert CountLine.objects.filter(counted_millionths__isnull=False).count() == 2
    counting.close_count(count, by=owner)
    assert fresh(missing).left == 1


def test_a_closing_whose_find_was_used_stays(owner, piece, count):
    lot = lot_of(1)
    counted(count, lot, 2, by=owner)
    counting.close_count(count, by=owner)
    found = Lot.objects.get(origin=Origin.FOUND)
    stock.take(by=owner, piece=piece, lot=found, picked=True, quantity_millionths=1000, used_on=LATER)
    with pytest.raises(CannotUndo, match="has been used"):
        take_back("count_closed", "flips.count", str(count.pk), by=owner)
    assert Count.objects.get().is_closed


def test_a_closed_count_is_reopened_before_it_is_taken_out(owner, count):
    lot = lot_of(1)
    counted(count, lot, 0, by=owner)
    counting.close_count(count, by=owner)
    with pytest.raises(ValidationError, match="Reopen"):
        counting.void_count(count, by=owner, reason="wrong shelf")
    with pytest.raises(ValidationError, match="closed"):
        counted(count, lot, 1, by=owner)
    counting.reopen_count(count, by=owner, reason="wrong shelf")
    counting.void_count(count, by=owner, reason="wrong shelf")
    assert fresh(lot).left == 1


# The pages


def weigh(lot, **typed):
    form = CountForm(typed, lot=lot, line=None)
    return form.amount if form.is_valid() else form.errors


def test_weighing_finds_what_is_there_from_the_full_or_the_empty_can(shop, owner):
    """0.87 g/ml: 870 g more than the empty can are 1 l; 435 g less than the full 2 l can leave 1.5 l (density = m / V)."""
    lot = lot_of(2, density_g_per_l=870)
    assert weigh(lot, now="1070 g", empty="200 g") == 1_000_000
    assert weigh(lot, now="1505 g", full="1940 g") == 1_500_000
    assert weigh(lot, now="1940 g", full="1940 g") == 2_000_000
    assert weigh(lot, now="200 g", empty="200 g") == 0


@pytest.mark.parametrize(
    ("typed", "field"),
    [
        ({"now": "500 g"}, "full"),
        ({"now": "2 kg", "full": "1 kg"}, "now"),
        ({"now": "10 g", "full": "9 kg"}, "now"),
        ({"now": "100 g", "empty": "200 g"}, "now"),
        ({"quantity": "1", "tenths": "5"}, "__all__"),
        ({}, "quantity"),
        ({"quantity": "-1"}, "quantity"),
        ({"quantity": "some"}, "quantity"),
    ],
)
def test_an_amount_that_can_not_be_is_refused_at_its_field(shop, owner, typed, field):
    assert field in weigh(lot_of(2, density_g_per_l=870), **typed)


def test_a_weight_without_a_density_asks_for_it(shop, owner):
    assert "density" in weigh(lot_of(2), now="500 g", empty="200 g")


def test_the_walk_goes_from_can_to_can_and_ends_at_the_count(owner_client, owner, count):
    first, second = lot_of(1, place="A"), lot_of(1, name="Beeswax", place="B")
    url = reverse("count_lot", args=[count.pk, first.pk])
    answer = owner_client.post(url, {"tenths": "5", "line_version": "0"})
    assert answer.url == reverse("count_lot", args=[count.pk, second.pk])
    answer = owner_client.post(reverse("count_as_booked", args=[count.pk, second.pk]))
    assert answer.url == count.get_absolute_url()
    answer = owner_client.post(reverse("count_close", args=[count.pk]), follow=True)
    assert "0.5 l missing" in answer.content.decode()
    assert fresh(first).left == Fraction(1, 2)


def test_closing_twice_or_sending_twice_counts_once(owner_client, owner, count):
    lot = lot_of(2)
    counted(count, lot, 1, by=owner)
    sent = {"sent_id": "5f0a3f0e-6f0b-4c36-9a53-2d6f6d4b0a11"}
    for _ in range(2):
        owner_client.post(reverse("count_close", args=[count.pk]), sent)
    owner_client.post(reverse("count_close", args=[count.pk]))
    assert Use.objects.count() == 1


def test_two_people_counting_one_can_are_told(owner_client, helper, count):
    lot = lot_of(2)
    counted(count, lot, 1, by=helper)
    url = reverse("count_lot", args=[count.pk, lot.pk])
    answer = owner_client.post(url, {"quantity": "1.5", "line_version": "0"})
    page = answer.content.decode()
    assert (answer.status_code, "Somebody counted it meanwhile: 1 l" in page) == (409, True)
    assert 'value="1.5"' in page
    version = CountLine.objects.get().version
    assert f'name="line_version" value="{version}"' in page
    owner_client.post(url, {"quantity": "1.5", "line_version": str(version)})
    assert CountLine.objects.get().counted_millionths == 1_500_000


def test_a_used_up_can_that_turns_up_is_found_by_search(owner_client, owner, piece, count):
    lot = lot_of(1)
    stock.take(by=owner, piece=piece, lot=lot, quantity_millionths=None, used_on=DAY)
    assert "Amber shellac" not in owner_client.get(count.get_absolute_url()).content.decode()
    page = owner_client.get(count.get_absolute_url(), {"q": "amber"}).content.decode()
    assert reverse("count_lot", args=[count.pk, lot.pk]) in page


def test_a_count_taken_out_of_a_lot_leaves_it_alone(owner_client, owner, count):
    lot = lot_of(1)
    counted(count, lot, 0, by=owner)
    owner_client.post(reverse("count_not", args=[count.pk, lot.pk]))
    with pytest.raises(ValidationError, match="Nothing has been counted"):
        counting.close_count(count, by=owner)


def test_a_helper_counts_but_neither_closes_nor_sees_money(helper_client, owner, count):
    lot = lot_of(2, cost=123_456)
    other = lot_of(1, name="Beeswax")
    counted(count, other, "0.5", by=owner)
    url = reverse("count_lot", args=[count.pk, lot.pk])
    assert helper_client.post(url, {"quantity": "1", "line_version": "0"}).status_code == 302
    for name in ("count_close", "count_reopen", "count_void"):
        assert helper_client.post(reverse(name, args=[count.pk])).status_code == 403
    counting.close_count(count, by=owner)
    for page in (reverse("counts"), count.get_absolute_url(), reverse("stock")):
        text = helper_client.get(page).content.decode()
        assert "617.28" not in text
        assert "$" not in text


def test_the_owner_sees_both_methods_and_the_history(owner_client, owner, count):
    counted(count, lot_of(2), 1, by=owner)
    page = owner_client.get(count.get_absolute_url()).content.decode()
    assert "Oldest lot first" in page
    assert "Moving average" in page
    assert owner_client.get(reverse("history", args=["count", count.pk])).status_code == 200


@pytest.mark.parametrize("name", ["counts", "count", "count_lot"])
def test_queries_do_not_grow_with_rows(owner_client, owner, count, name):
    def fill(rows):
        for number in range(rows):
            lot = lot_of(2, name=f"Wax {number % 5}", place=f"shelf {number % 3}")
            counted(count, lot, number % 3, by=owner)
            counting.start_count(by=owner, on=DAY)

    def queries():
        args = {"counts": [], "count": [count.pk]}.get(name, [count.pk, Lot.objects.first().pk])
        with CaptureQueriesContext(connection) as asked:
            assert owner_client.get(reverse(name, args=args)).status_code == 200
        return len(asked)

    fill(3)
    queries()
    few = queries()
    fill(15)
    assert queries() <= few
