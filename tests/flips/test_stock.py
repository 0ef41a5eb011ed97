"""Lots and uses: amounts, costs to the cent, never below zero, and what a helper may see."""

import itertools
import random
import threading
from datetime import date, timedelta
from fractions import Fraction

import pytest
from django.core.exceptions import ValidationError
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from finishes.measures import Area, Length, Mass
from flips.actions import stock
from flips.actions.undo import take_back
from flips.amounts import BadAmount, by_area, by_tenths, by_weighing, take_from
from flips.books import lots as balances
from flips.books import year_figures
from flips.models import MILLION, Lot, Origin, Shop, StockKind, Use, UseKind
from flips.models.facts import figures_of, shop_facts
from flips.models.next_steps import next_steps
from flips.models.stock import costs_left, low_materials
from tests.makers import make_piece

DAY = date(2026, 3, 2)
NAMES = itertools.count()


def make_lot(by, *, name="Amber shellac", quantity=1, unit="l", cost=2000, on=DAY, kind="finish", **fields):
    return stock.add_lot(
        by=by,
        name=name,
        origin=fields.pop("origin", Origin.OPENING),
        cost_cents=cost,
        unit=unit,
        kind=kind,
        quantity_millionths=int(Fraction(quantity) * MILLION),
        came_on=on,
        **fields,
    )


def take(by, piece, lot, quantity, *, on=DAY, **fields):
    amount = None if quantity is None else int(Fraction(quantity) * MILLION)
    return stock.take(by=by, piece=piece, lot=lot, quantity_millionths=amount, used_on=on, **fields)


@pytest.fixture
def piece(owner):
    return make_piece(by=owner, price_cents=5000)


# Amounts


def test_weighing_is_exact_through_the_density():
    """174 g of a liquid of 0.87 g/ml are 200 ml: mass over density, the definition of density."""
    taken = by_weighing(before=Mass.parse("612 g"), after=Mass.parse("438 g"), unit="ml", density_g_per_l=870)
    assert taken == 200


def test_weighing_in_fluid_ounces_uses_the_us_one():
    """1 US fl oz = 29.5735295625 ml exactly (NIST SP 811, appendix B: 1 gal = 231 in3, a 128th of it)."""
    taken = by_weighing(before=Mass.of(1000, "g"), after=Mass.of(0, "g"), unit="fl oz", density_g_per_l=1000)
    assert taken == 1000 / Fraction("29.5735295625")


def test_what_is_counted_by_weight_needs_no_density():
    assert by_weighing(before=Mass.parse("2 kg"), after=Mass.parse("1.25 kg"), unit="g") == 750


@pytest.mark.parametrize(
    ("after", "unit", "density", "reason"),
    [
        ("700 g", "ml", 870, "nothing was taken"),
        ("500 g", "ml", None, "density"),
        ("500 g", "box", 870, "box"),
    ],
)
def test_weighing_says_why_it_can_not_tell(after, unit, density, reason):
    with pytest.raises(BadAmount, match=reason):
        by_weighing(before=Mass.parse("612 g"), after=Mass.parse(after), unit=unit, density_g_per_l=density)


def test_tenths_are_of_the_full_lot():
    assert by_tenths(Fraction("2.5"), 3) == Fraction("0.75")


def test_an_offcut_is_a_share_by_area_and_never_the_whole():
    whole = Length.inches(96).by(Length.inches(48))
    assert by_area(Length.inches(48).by(Length.inches(24)), whole) == Fraction(1, 4)
    with pytest.raises(BadAmount):
        by_area(whole, Area(whole.amount))


@given(st.lists(st.integers(0, 10**7), max_size=6), st.integers(1, 10**8))
def test_taking_in_turn_never_takes_more_than_is_there(left, wanted):
    picks, missing = take_from(list(enumerate(left)), wanted)
    assert all(0 < taken <= left[lot] for lot, taken in picks)
    assert abs(sum(taken for _, taken in picks) + missing - wanted) <= 10
    assert not missing or sum(left) < wanted


# Costs


@pytest.mark.django_db
def test_ten_tenths_use_up_the_can_to_the_cent(owner, piece):
    lot = make_lot(owner, quantity="0.333333", cost=1000)
    for _ in range(10):
        stock.take(by=owner, piece=piece, lot=lot, quantity_millionths=33_333, used_on=DAY, measured="tenths")
    uses = Use.objects.live().filter(lot=lot)
    assert sum(use.cost_cents for use in uses) == 1000
    assert Lot.objects.get(pk=lot.pk).left_millionths == 0


@pytest.mark.django_db
def test_a_use_costs_its_share_and_the_last_takes_the_rest(owner, piece):
    """1,000 cents over three thirds: 333 + 333 + 334 (design rule: the last use takes the remaining cents)."""
    lot = make_lot(owner, quantity=3, unit="sheet", cost=1000, kind="sheet")
    costs = [take(owner, piece, lot, 1).uses[0].pk for _ in range(3)]
    assert [Use.objects.get(pk=pk).cost_cents for pk in costs] == [333, 333, 334]


@pytest.mark.django_db
def test_voiding_an_earlier_use_costs_the_later_ones_anew(owner, piece):
    lot = make_lot(owner, quantity=3, unit="sheet", cost=1000, kind="sheet")
    first, _, last = (take(owner, piece, lot, 1).uses[0] for _ in range(3))
    stock.void_use(first, by=owner, reason="counted twice")
    assert Use.objects.get(pk=last.pk).cost_cents == 333
    assert Lot.objects.get(pk=lot.pk).left_cents == 334


@pytest.mark.django_db
def test_more_than_a_lot_holds_spills_over_to_the_next_oldest(owner, piece):
    old = make_lot(owner, quantity="0.4", cost=800, on=DAY)
    new = make_lot(owner, quantity=1, cost=3000, on=DAY + timedelta(1))
    taken = take(owner, piece, new, "0.6", on=DAY + timedelta(2))
    assert [(use.lot_id, use.quantity_millionths) for use in taken.uses] == [
        (old.pk, 400_000),
        (new.pk, 200_000),
    ]
    assert [Use.objects.get(pk=use.pk).cost_cents for use in taken.uses] == [800, 600]


@pytest.mark.django_db
def test_she_may_pick_a_newer_can_first(owner, piece):
    make_lot(owner, quantity="0.4", cost=800)
    new = make_lot(owner, quantity=1, cost=3000)
    assert [use.lot_id for use in take(owner, piece, new, "0.5", picked=True).uses] == [new.pk]


@pytest.mark.django_db
def test_what_no_lot_can_give_is_logged_to_be_fixed_later(owner, piece):
    lot = make_lot(owner, quantity="0.4", cost=800)
    taken = take(owner, piece, lot, 1)
    assert taken.to_fix.quantity_millionths == 600_000
    assert taken.to_fix.cost_cents == 0
    assert Lot.objects.get(pk=lot.pk).left_millionths == 0
    assert any(
        "Which lot was it?" in step.text for step in next_steps(owner=False, now=taken.to_fix.created_at)
    )


@pytest.mark.django_db
def test_a_lot_is_not_used_before_it_came_in(owner, piece):
    lot = make_lot(owner, on=DAY + timedelta(5))
    assert take(owner, piece, lot, "0.1", on=DAY).to_fix is not None


@pytest.mark.django_db
def test_naming_the_lot_later_gives_the_use_its_cost(owner, piece):
    use = stock.take_unknown(
        by=owner, piece=piece, material="Amber shellac", unit="l", quantity_millionths=500_000, used_on=DAY
    ).uses[0]
    lot = make_lot(owner, quantity=1, cost=2000)
    stock.correct(use, by=owner, lot=lot, quantity_millionths=500_000, used_on=DAY)
    use.refresh_from_db()
    assert (use.lot_id, use.cost_cents, use.material) == (lot.pk, 1000, "")


@pytest.mark.django_db
def test_naming_too_small_a_lot_leaves_the_rest_to_fix(owner, piece):
    use = stock.take_unknown(
        by=owner, piece=piece, material="Amber shellac", unit="l", quantity_millionths=500_000, used_on=DAY
    ).uses[0]
    lot = make_lot(owner, quantity="0.2", cost=2000)
    taken = stock.correct(use, by=owner, lot=lot, quantity_millionths=500_000, used_on=DAY)
    assert [use.quantity_millionths for use in taken.uses] == [200_000, 300_000]
    assert taken.uses[1].is_to_fix


@pytest.mark.django_db
def test_correcting_a_quantity_moves_cost_and_stock(owner, piece):
    lot = make_lot(owner)
    use = take(owner, piece, lot, "0.5").uses[0]
    stock.correct(use, by=owner, lot=lot, quantity_millionths=250_000, used_on=DAY)
    use.refresh_from_db()
    assert use.cost_cents == 500
    assert Lot.objects.get(pk=lot.pk).left == Fraction(3, 4)


@pytest.mark.django_db
def test_all_that_was_left_takes_one_can_and_its_last_cent(owner, piece):
    lot = make_lot(owner, quantity=1, cost=1001)
    take(owner, piece, lot, "1/3")
    rest = take(owner, piece, lot, None, measured="rest").uses[0]
    rest.refresh_from_db()
    assert rest.cost_cents == 1001 - 334
    with pytest.raises(ValidationError, match="Nothing is left"):
        take(owner, piece, lot, None)


@pytest.mark.django_db
def test_a_dried_out_can_is_written_off_with_a_reason(owner, piece):
    lot = make_lot(owner, quantity=1, cost=2000)
    take(owner, piece, lot, "0.75")
    use = stock.write_off(lot, by=owner, reason="dried out")
    use.refresh_from_db()
    assert (use.kind, use.cost_cents, use.piece) == (UseKind.WRITTEN_OFF, 500, None)
    with pytest.raises(ValidationError):
        stock.write_off(make_lot(owner), by=owner, reason=" ")


@pytest.mark.django_db
def test_correcting_a_lot_s_cost_costs_its_uses_anew(owner, piece):
    lot = make_lot(owner, cost=2000)
    use = take(owner, piece, lot, "0.5").uses[0]
    stock.change_lot(lot, cost_cents=3001)
    use.refresh_from_db()
    assert use.cost_cents == 1501
    assert Lot.objects.get(pk=lot.pk).left_cents == 1500


@pytest.mark.django_db
def test_a_lot_can_not_be_made_smaller_than_what_was_used_or_later_than_its_use(owner, piece):
    lot = make_lot(owner)
    take(owner, piece, lot, "0.5")
    with pytest.raises(ValidationError, match=r"0\.5 l of it has been used"):
        stock.change_lot(lot, quantity_millionths=400_000)
    with pytest.raises(ValidationError, match="used on 2 Mar 2026 already"):
        stock.change_lot(lot, came_on=DAY + timedelta(1))


@pytest.mark.django_db
def test_a_used_lot_is_not_voided_and_says_where_it_went(owner, piece):
    lot = make_lot(owner)
    use = take(owner, piece, lot, "0.5").uses[0]
    with pytest.raises(ValidationError, match=r"0\.5 l of “Amber shellac” has been used for “Oak dresser”"):
        stock.void_lot(lot, by=owner, reason="twice")
    stock.void_use(use, by=owner, reason="wrong")
    stock.void_lot(lot, by=owner, reason="twice")
    assert Lot.objects.get(pk=lot.pk).is_void


@pytest.mark.django_db
def test_found_stock_costs_nothing_and_salvage_no_more_than_its_piece(owner, piece):
    with pytest.raises(ValidationError, match="found cost nothing"):
        make_lot(owner, origin=Origin.FOUND, cost=5)
    with pytest.raises(ValidationError, match="more than the piece has cost"):
        make_lot(owner, origin=Origin.SALVAGE, salvaged_from=piece, cost=5001)
    lot = make_lot(owner, name="Brass pulls", origin=Origin.SALVAGE, salvaged_from=piece, cost=2000)
    assert figures_of([piece.pk], shop=Shop.current())[piece.pk].basis == 3000
    assert lot.cost_cents == 2000


# Moving average


@pytest.mark.django_db
def test_averaged_lots_of_one_material_cost_their_average(owner, piece):
    """2 at 1,000 and 2 at 3,000: each costs 1,000 on average after the second came in; moving average by its definition."""
    Shop.objects.update(stock_method="average")
    first = make_lot(owner, quantity=2, unit="sheet", cost=1000)
    second = make_lot(owner, quantity=2, unit="sheet", cost=3000, on=DAY + timedelta(2))
    early = take(owner, piece, first, 1, on=DAY + timedelta(1)).uses[0]
    late = take(owner, piece, first, 1, on=DAY + timedelta(3)).uses[0]
    early.refresh_from_db()
    late.refresh_from_db()
    assert (early.cost_cents, late.cost_cents) == (500, 1167)
    lots = list(Lot.objects.live().with_left().order_by("pk"))
    assert sum(costs_left(lots, shop=Shop.current()).values()) == 4000 - 500 - 1167
    assert costs_left(lots, shop=Shop.current())[second.pk] == 2333


@pytest.mark.django_db
def test_averaged_costs_show_no_overdrawn_lot_in_the_year(owner, piece):
    Shop.objects.update(stock_method="average")
    dear = make_lot(owner, quantity=1, unit="sheet", cost=3000)
    make_lot(owner, quantity=1, unit="sheet", cost=1000)
    take(owner, piece, dear, 1)
    lines, hours = shop_facts(zone=Shop.current().zone)
    year = year_figures(lines, first=date(2026, 1, 1), end=date(2027, 1, 1), hours=hours)
    assert not year.problems
    assert not year.offenders
    assert balances(lines)["Amber shellac\x1fsheet"].left == 2000


# Offcuts


@pytest.mark.django_db
def test_an_offcut_takes_its_share_of_the_cost_by_area(owner, piece):
    """A quarter of a 60.00 sheet by area carries 15.00."""
    sheet = make_lot(
        owner, name="Birch ply", quantity=1, unit="sheet", cost=6000, kind="sheet",
        length_nm=Length.inches(96).nm, width_nm=Length.inches(48).nm,
    )  # fmt: skip
    whole = take(owner, piece, sheet, 1).uses[0]
    offcut = stock.keep_offcut(
        sheet, by=owner, length=Length.inches(48), width=Length.inches(24), out_of=whole, on=DAY
    )
    whole.refresh_from_db()
    assert (offcut.cost_cents, whole.cost_cents, offcut.kind) == (1500, 4500, StockKind.OFFCUT)
    later = take(owner, piece, offcut, None, on=DAY).uses[0]
    later.refresh_from_db()
    assert later.cost_cents == 1500
    stock.change_lot(sheet, cost_cents=8000)
    later.refresh_from_db()
    assert later.cost_cents == 2000


@pytest.mark.django_db
def test_voiding_an_offcut_puts_it_back_unless_it_was_used(owner, piece):
    sheet = make_lot(
        owner, name="Birch ply", quantity=2, unit="sheet", cost=6000, kind="sheet",
        length_nm=Length.mm(2440).nm, width_nm=Length.mm(1220).nm,
    )  # fmt: skip
    offcut = stock.keep_offcut(sheet, by=owner, length=Length.mm(1220), width=Length.mm(1220), on=DAY)
    use = take(owner, piece, offcut, 1).uses[0]
    with pytest.raises(ValidationError, match="has been used"):
        stock.void_lot(offcut, by=owner, reason="mistake")
    stock.void_use(use, by=owner, reason="mistake")
    stock.void_lot(offcut, by=owner, reason="mistake")
    assert Lot.objects.get(pk=sheet.pk).left_cents == 6000


@pytest.mark.django_db
def test_offcuts_without_cost_leave_it_on_the_use(owner, piece):
    Shop.objects.update(offcuts_carry_cost=False)
    sheet = make_lot(
        owner, name="Birch ply", quantity=1, unit="sheet", cost=6000, kind="sheet",
        length_nm=Length.mm(2440).nm, width_nm=Length.mm(1220).nm,
    )  # fmt: skip
    whole = take(owner, piece, sheet, 1).uses[0]
    offcut = stock.keep_offcut(sheet, by=owner, length=Length.mm(500), width=Length.mm(500), on=DAY)
    whole.refresh_from_db()
    assert (offcut.cost_cents, whole.cost_cents) == (0, 6000)


# Whole histories


class OnPaper:
    """An independent reckoning of oldest-lot-first costs: every lot by hand, from the list of its live uses."""

    def __init__(self):
        self.lots = {}

    def costs(self):
        found = {}
        for cost, quantity, uses in self.lots.values():
            taken = money = 0
            for (_, number), amount in sorted(uses.items()):
                taken += amount
                cents = int(Fraction(cost * amount, quantity) + Fraction(1, 2))
                cents = cost - money if taken == quantity else min(cents, cost - money)
                money += cents
                found[number] = cents
        return found


@pytest.mark.django_db
@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.integers(0, 2**32))
def test_any_history_of_lots_uses_and_voids_agrees_with_paper(owner, piece, seed):
    """Used + left = cost, to the cent, in any order of work; against a reckoning that shares no code with ours."""
    dice, name = random.Random(seed), f"Varnish {next(NAMES)}"
    paper, uses = OnPaper(), {}
    for _ in range(dice.randint(5, 25)):
        choice = dice.random()
        on = DAY + timedelta(dice.randint(3, 60))
        lots = list(Lot.objects.live().filter(name=name))
        if choice < 0.25 or not lots:
            quantity, cost = dice.randint(1, 400) * 10_000, dice.randint(0, 9999)
            lot = make_lot(owner, name=name, quantity=Fraction(quantity, MILLION), cost=cost)
            paper.lots[lot.pk] = (cost, quantity, {})
        elif choice < 0.75:
            taken = take(
                owner,
                piece,
                dice.choice(lots),
                Fraction(dice.randint(1, 150), 100),
                on=on,
                picked=dice.random() < 0.5,
            )
            for use in taken.uses:
                if use.lot_id:
                    uses[use.pk] = use
                    paper.lots[use.lot_id][2][(on, use.pk)] = use.quantity_millionths
        elif choice < 0.9 and uses:
            use = uses.pop(dice.choice(list(uses)))
            stock.void_use(use, by=owner, reason="by chance")
            del paper.lots[use.lot_id][2][(use.used_on, use.pk)]
        else:
            lot = dice.choice(lots)
            cost = dice.randint(0, 9999)
            stock.change_lot(lot, cost_cents=cost)
            paper.lots[lot.pk] = (cost, *paper.lots[lot.pk][1:])
    rows = Use.objects.live().filter(lot__name=name)
    assert {use.pk: use.cost_cents for use in rows} == paper.costs()
    for lot in Lot.objects.live().with_left().filter(name=name):
        assert lot.left_millionths >= 0
        assert lot.used_cents + lot.left_cents == lot.cost_cents
        assert (lot.left_cents == 0) or lot.left_millionths > 0


@pytest.mark.django_db
def test_the_books_hold_what_the_lots_hold(owner, piece):
    sheet = make_lot(
        owner, name="Birch ply", quantity=3, unit="sheet", cost=10_001, kind="sheet",
        length_nm=Length.mm(2440).nm, width_nm=Length.mm(1220).nm,
    )  # fmt: skip
    take(owner, piece, sheet, 1)
    stock.keep_offcut(sheet, by=owner, length=Length.mm(700), width=Length.mm(300), on=DAY)
    gone = take(owner, piece, sheet, "0.2").uses[0]
    stock.void_use(gone, by=owner, reason="mistake")
    stock.write_off(sheet, by=owner, reason="warped", quantity_millionths=500_000)
    lines, hours = shop_facts(zone=Shop.current().zone)
    held = balances(lines)
    for lot in Lot.objects.live().with_left():
        assert held[lot.pk].left == lot.left_cents
    year = year_figures(lines, first=date(2026, 1, 1), end=date(2027, 1, 1), hours=hours)
    assert not year.problems
    assert not year.offenders


# Two at once


@pytest.mark.django_db(transaction=True)
def test_two_uses_at_once_never_take_more_than_there_is(owner, piece):
    lot = make_lot(owner, quantity=1)
    ready = threading.Barrier(2)

    def use_it():
        try:
            ready.wait(10)
            take(owner, piece, lot, "0.7")
        finally:
            connection.close()

    threads = [threading.Thread(target=use_it) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(30)
    rows = Use.objects.live()
    assert sum(use.quantity_millionths for use in rows.filter(lot=lot)) == MILLION
    assert sum(use.quantity_millionths for use in rows.filter(lot=None)) == 400_000
    assert sum(use.cost_cents for use in rows) == 2000


# Undo


@pytest.mark.django_db
def test_undo_takes_back_every_part_of_a_use(owner, piece):
    old, new = make_lot(owner, quantity="0.4"), make_lot(owner, quantity="0.4")
    taken = take(owner, piece, new, 1)
    assert len(taken.uses) == 3
    take_back("used", "flips.use", str(taken.uses[1].pk), by=owner)
    assert not Use.objects.live().exists()
    assert Lot.objects.get(pk=old.pk).left_cents == old.cost_cents


@pytest.mark.django_db
def test_a_voided_use_comes_back_only_while_there_is_enough(owner, piece):
    lot = make_lot(owner)
    use = take(owner, piece, lot, "0.6").uses[0]
    stock.void_use(use, by=owner, reason="mistake")
    take(owner, piece, lot, "0.6")
    with pytest.raises(ValidationError, match="used or voided since"):
        stock.restore_use(use)


# Low


@pytest.mark.django_db
def test_a_material_is_low_by_all_its_lots_together(owner, piece):
    lot = make_lot(owner, low_millionths=500_000)
    other = make_lot(owner, quantity="0.4", on=DAY + timedelta(1))
    take(owner, piece, lot, "0.8", on=DAY + timedelta(1))
    assert not low_materials()
    take(owner, piece, other, "0.2", on=DAY + timedelta(1))
    assert [(one.lot.name, one.left_millionths) for one in low_materials()] == [("Amber shellac", 400_000)]


# Pages


def _use_url(piece, lot):
    return f"{reverse('use_new', args=[piece.pk])}?lot={lot.pk}"


def test_a_helper_logs_a_use_by_tenths_and_sees_no_money(helper_client, owner, piece):
    lot = make_lot(owner, quantity=1, cost=4321)
    chosen = helper_client.get(reverse("use_new", args=[piece.pk]))
    assert f"?lot={lot.pk}" in chosen.content.decode()
    answer = helper_client.post(_use_url(piece, lot), {"tenths": "3", "used_on": "2026-03-04"}, follow=True)
    use = Use.objects.get()
    assert (use.quantity_millionths, use.measured, use.cost_cents) == (300_000, "tenths", 1296)
    pages = [
        reverse("stock"),
        lot.get_absolute_url(),
        reverse("piece_uses", args=[piece.pk]),
        use.get_absolute_url(),
    ]
    for text in [answer.content.decode(), *(helper_client.get(page).content.decode() for page in pages)]:
        assert "$" not in text
        assert "43.21" not in text
        assert "12.96" not in text


def test_weighing_through_the_page_uses_the_density(owner_client, owner, piece):
    lot = make_lot(owner, quantity=1000, unit="ml", density_g_per_l=870)
    owner_client.post(
        _use_url(piece, lot),
        {"tenths": "", "before": "612 g", "after": "438 g", "density": "0.87", "used_on": "2026-03-04"},
    )
    use = Use.objects.get()
    assert (use.quantity, use.measured, use.measured_text) == (200, "weighed", "612 g → 438 g")


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ({}, "Say how much you used."),
        ({"quantity": "1", "tenths": "3"}, "in one way only"),
        ({"before": "612 g"}, "Write what it weighs now."),
        ({"before": "612 g", "after": "700 g"}, "nothing was taken"),
        ({"quantity": "-1"}, '<ul class="errorlist"'),
        ({"quantity": "0"}, "above zero"),
    ],
)
def test_an_amount_that_makes_no_sense_is_refused_with_a_reason(owner_client, owner, piece, typed, said):
    lot = make_lot(owner, quantity=1000, unit="ml", density_g_per_l=870)
    answer = owner_client.post(_use_url(piece, lot), {"used_on": "2026-03-04", **typed})
    assert answer.status_code == 422
    assert said in answer.content.decode()
    assert not Use.objects.exists()


def test_a_use_sent_twice_is_stored_once(owner_client, owner, piece):
    lot = make_lot(owner)
    sent = {"quantity": "0.2", "used_on": "2026-03-04", "sent_id": "0b0f2f76-2a5e-4c39-9f5e-0d9b2cf3f5aa"}
    first, second = (owner_client.post(_use_url(piece, lot), sent) for _ in range(2))
    assert first.url == second.url
    assert Use.objects.count() == 1


def test_material_that_is_not_in_stock_is_logged_and_fixed_on_its_page(helper_client, owner, piece):
    helper_client.post(
        reverse("use_new", args=[piece.pk]),
        {"material": "Hide glue", "quantity": "150", "unit": "g", "used_on": "2026-03-04"},
    )
    use = Use.objects.get()
    assert use.is_to_fix
    lot = make_lot(owner, name="Hide glue", quantity=500, unit="g", cost=1000)
    page = helper_client.get(use.get_absolute_url()).content.decode()
    assert "Hide glue, 2 Mar 2026: 500 g left" in page
    helper_client.post(
        use.get_absolute_url(),
        {"lot": lot.pk, "quantity_millionths": "150", "used_on": "2026-03-04", "version": use.version},
    )
    use.refresh_from_db()
    assert (use.lot_id, use.cost_cents) == (lot.pk, 300)


def test_a_helper_corrects_and_voids_only_their_own_uses(helper_client, owner, piece):
    use = take(owner, piece, make_lot(owner), "0.2").uses[0]
    assert helper_client.post(use.get_absolute_url(), {"quantity_millionths": "1"}).status_code == 403
    assert helper_client.post(reverse("use_void", args=[use.pk]), {"reason": "no"}).status_code == 403
    assert not Use.objects.get(pk=use.pk).is_void


def test_lots_and_money_are_the_owner_s_alone(helper_client, owner):
    lot = make_lot(owner)
    for name, args in [
        ("lot_new", []),
        ("lot_edit", [lot.pk]),
        ("lot_void", [lot.pk]),
        ("lot_write_off", [lot.pk]),
    ]:
        assert helper_client.post(reverse(name, args=args)).status_code == 403


def test_a_lot_bought_without_a_slip_makes_its_receipt(owner_client, shop):
    owner_client.post(
        reverse("lot_new"),
        {
            "name": "Oak boards", "quantity_millionths": "4", "unit": "board", "origin": "bought",
            "cost_cents": "38", "came_on": "2026-03-04", "paid_with": "cash", "shop_name": "Sawmill",
        },
    )  # fmt: skip
    lot = Lot.objects.get()
    assert (lot.cost_cents, lot.receipt_line.receipt.total_cents, lot.receipt_line.receipt.adds_up) == (
        3800,
        3800,
        True,
    )
    lines, _ = shop_facts(zone=Shop.current().zone)
    assert sum(line.cents for line in lines) == 3800


def test_the_edit_page_tells_when_the_lot_was_changed_meanwhile(owner_client, owner):
    lot = make_lot(owner)
    version = lot.version
    stock.change_lot(lot, place="shelf A")
    typed = {
        "name": lot.name, "quantity_millionths": "1", "unit": "l", "kind": "finish", "cost_cents": "20",
        "came_on": "2026-03-02", "place": "shelf B", "version": version,
    }  # fmt: skip
    answer = owner_client.post(reverse("lot_edit", args=[lot.pk]), typed)
    assert answer.status_code == 409
    assert "shelf A" in answer.content.decode()
    assert Lot.objects.get(pk=lot.pk).place == "shelf A"


def test_a_write_off_through_the_page_can_be_undone(owner_client, owner):
    lot = make_lot(owner)
    owner_client.post(reverse("lot_write_off", args=[lot.pk]), {"reason": "dried out", "on": "2026-03-05"})
    use = Use.objects.get()
    assert use.cost_cents == 2000
    take_back("used", "flips.use", str(use.pk), by=owner)
    assert Lot.objects.get(pk=lot.pk).left_cents == 2000


@pytest.mark.parametrize("page", ["stock", "use_new", "piece_uses", "lot", "uses_to_fix"])
def test_queries_do_not_grow_with_rows(owner_client, owner, piece, page):
    def fill(count):
        for number in range(count):
            lot = make_lot(owner, name=f"Material {number % 7}")
            take(owner, piece, lot, "0.1")
            stock.take_unknown(by=owner, piece=piece, material="?", quantity_millionths=1, used_on=DAY)

    def count():
        url = {
            "stock": reverse("stock"),
            "uses_to_fix": reverse("uses_to_fix"),
            "lot": Lot.objects.first().get_absolute_url(),
        }.get(page) or reverse(page, args=[piece.pk])
        with CaptureQueriesContext(
            connection,
        ) as asked:
            assert owner_client.get(url).status_code == 200
        return len(asked)

    fill(3)
    count()
    few = count()
    fill(20)
    assert count() <= few


def test_choosing_the_other_way_of_costing_costs_every_use_anew(owner_client, owner, piece):
    first = make_lot(owner, quantity=1, unit="sheet", cost=1000)
    make_lot(owner, quantity=1, unit="sheet", cost=3000)
    use = take(owner, piece, first, 1).uses[0]
    page = owner_client.get(reverse("settings")).context["form"]
    typed = {name: page[name].value() for name in page.fields if page[name].value() is not None}
    answer = owner_client.post(reverse("settings"), {**typed, "stock_method": "average"})
    assert answer.status_code == 302
    use.refresh_from_db()
    assert use.cost_cents == 2000


@pytest.mark.django_db
@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.integers(0, 2**32))
def test_averaged_lots_hold_together_what_was_paid_less_what_was_used(owner, piece, seed):
    Shop.objects.update(stock_method="average")
    dice, name = random.Random(seed), f"Veneer {next(NAMES)}"
    for _ in range(dice.randint(2, 5)):
        day = DAY + timedelta(dice.randint(0, 20))
        make_lot(
            owner, name=name, quantity=dice.randint(1, 9), unit="sheet", cost=dice.randint(0, 9999), on=day
        )
    for _ in range(dice.randint(1, 12)):
        lot = dice.choice(list(Lot.objects.live().filter(name=name)))
        day = DAY + timedelta(dice.randint(0, 60))
        taken = take(owner, piece, lot, Fraction(dice.randint(1, 400), 100), on=day)
        if dice.random() < 0.3:
            stock.void_use(taken.uses[0], by=owner, reason="by chance")
    lots = list(Lot.objects.live().with_left().filter(name=name))
    left = costs_left(lots, shop=Shop.current())
    used = sum(use.cost_cents for use in Use.objects.live().filter(lot__name=name))
    assert sum(left.values()) + used == sum(lot.cost_cents for lot in lots)
    assert all(cents >= 0 for cents in left.values())
    assert all(left[lot.pk] == 0 for lot in lots if not lot.left_millionths)
