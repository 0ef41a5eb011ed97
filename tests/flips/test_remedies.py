"""Faults and remedies: chances from the record, the board, trying a step, and what a failure leads to."""

from datetime import UTC, datetime, timedelta
from fractions import Fraction

import pytest
from django.core.exceptions import ValidationError
from django.db import IntegrityError, connection, transaction
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from estimating.pricing import Terms
from flips.actions import hours, remedies, stock
from flips.models import (
    Attempt,
    Fault,
    Outcome,
    Remedy,
    RemedyStep,
    Settled,
    SurveyAnswer,
    Technique,
    TimeEntry,
    Use,
)
from flips.models.forks import board_of, load, to_weigh_again
from flips.models.learning import TryBook
from flips.models.next_steps import next_steps
from flips.pages.answers import undo_token
from tests.flips.test_access import readable, refuse_money
from tests.makers import make_fault, make_part, make_piece, make_remedy, make_time, make_tried

NOW = datetime(2026, 3, 6, 18, tzinfo=UTC)
IRON, CLAMP, REPLACE = "Iron it down", "Glue and clamp it", "Lay new veneer"


@pytest.fixture
def radio(shop, owner):
    """A radio cabinet in the shop whose side has lifted."""
    return make_piece(
        by=owner, what="Walnut radio cabinet", kind="Radio cabinet", price_cents=6000, stage="in_work"
    )


@pytest.fixture
def side(radio):
    return make_part(piece=radio, name="Left side", material="veneered_board")


@pytest.fixture
def fault(radio, side):
    return make_fault(piece=radio, parts=[side], where="along the foot")


def board(fault, shop, **more):
    fault = Fault.objects.select_related("piece").with_parts().get(pk=fault.pk)
    shop.wanted_hourly_cents = more.pop("hourly", 2000)
    return board_of(fault, shop=shop, terms=more.pop("terms", Terms()), now=more.pop("now", NOW), **more)


def names(rows):
    return [row.remedy.name for row in rows]


# Chances from the record


def tried_on(owner, shop, material, outcomes, *, technique=IRON, kind="lifted_veneer"):
    """One piece for each outcome, with a part of that material on which the technique was tried."""
    for outcome in outcomes:
        piece = make_piece(by=owner, what="Pine dresser", price_cents=2000)
        part = make_part(piece=piece, name="Top", material=material)
        make_tried(make_remedy(make_fault(piece=piece, kind=kind, parts=[part]), technique), outcome)


def test_a_chance_counts_tries_on_the_same_material_and_fault(owner, shop):
    tried_on(owner, shop, "veneered_board", ["failed", "failed"])
    tried_on(owner, shop, "veneered_solid", ["worked"])
    tried_on(owner, shop, "veneered_board", ["worked"], kind="bubbles")

    found = TryBook.of_the_shop().chance(
        IRON, guess=Fraction(4, 5), material="veneered_board", fault="lifted_veneer"
    )

    # (0 worked + 4 x 0.8) / (2 tried + 4): the mean of a beta distribution after binomial tries.
    assert found.chance == Fraction(32, 10) / 6
    assert found.tries.count == 2
    assert found.is_guess


def test_a_try_that_says_no_fault_counts_for_every_fault(owner, shop):
    piece = make_piece(by=owner, price_cents=2000)
    part = make_part(piece=piece, material="solid")
    Attempt.objects.create(
        piece=piece, part=part, technique="  iron IT down ", outcome="worked", began_at=NOW, ended_at=NOW
    )

    assert TryBook.of_the_shop().tries(IRON, material="solid", fault="burn").worked == 1


def test_the_record_is_said_ahead_of_a_repeat(owner, shop):
    tried_on(owner, shop, "veneered_board", ["failed", "failed"])
    tried_on(owner, shop, "solid", ["worked"])

    book = TryBook.of_the_shop()

    assert book.on_material(IRON, "veneered_board") == "tried on veneered particle board: 0 of 2"
    assert book.elsewhere(IRON, "veneered_board") == "on other materials: 1 of 1"
    assert book.on_material(IRON, "mdf") == ""


def test_five_tries_are_no_guess_any_more_and_partly_counts_half(owner, shop):
    tried_on(owner, shop, "solid", ["worked", "worked", "worked", "partly", "failed"])

    found = TryBook.of_the_shop().chance(IRON, guess=Fraction(1, 2), material="solid", fault="lifted_veneer")

    assert found.chance == Fraction(3 + Fraction(1, 2) + 2) / 9
    assert not found.is_guess


def test_what_was_set_aside_or_taken_out_is_no_try(owner, shop):
    tried_on(owner, shop, "solid", ["set_aside", "worked"])
    Attempt.objects.get(outcome="worked").void(by=owner, reason="on the wrong piece")

    assert TryBook.of_the_shop().tries(IRON).count == 0


def test_changing_a_guess_rewrites_no_history(owner, shop, fault):
    attempt = make_tried(make_remedy(fault, IRON, minutes=40, money_cents=150, level="likely"), "failed")
    step = attempt.step

    step.level, step.minutes, step.money_cents = "unlikely", 5, 0
    remedies.change_step(step, by=owner, technique=IRON, tags=[])
    technique = Technique.objects.get()
    technique.level = "unlikely"
    remedies.change_technique(technique, hazards=[])

    kept = Attempt.objects.get(pk=attempt.pk)
    assert (kept.chance_percent, kept.planned_minutes, kept.planned_cents) == (80, 40, 150)


def test_a_renamed_technique_keeps_its_record(owner, shop, fault):
    make_tried(make_remedy(fault, IRON), "failed")
    technique = Technique.objects.get()

    technique.name = "Iron it flat"
    remedies.change_technique(technique, hazards=[])

    assert TryBook.of_the_shop().tries("Iron it flat").failed == 1


def test_the_record_is_read_in_one_query(owner, shop, django_assert_num_queries):
    tried_on(owner, shop, "solid", ["worked", "failed", "partly"])

    with django_assert_num_queries(1):
        TryBook.of_the_shop()


# Techniques


def test_a_technique_is_known_by_its_name_whatever_the_capitals(owner, shop, fault):
    make_remedy(fault, "Iron it down")
    make_remedy(fault, " iron  IT down", name="Once more")

    assert Technique.objects.count() == 1


def test_a_new_technique_carries_the_cautions_its_name_speaks_of(owner, shop, fault):
    step = make_remedy(fault, "Strip the old paint and sand it").its_steps()[0]

    codes = {caution.code for caution in step.technique.cautions}

    assert {"lead", "stripper", "dust"} <= codes
    assert step.tag_words == ["Smells indoors", "Raises dust"]


def test_two_live_techniques_cannot_share_a_name(owner, shop):
    Technique.objects.create(name="Burn in wax")

    with pytest.raises(IntegrityError), transaction.atomic():
        Technique.objects.create(name="burn in WAX")


# Remedies and steps


def test_a_remedy_without_a_time_takes_the_last_one(owner, shop, radio, fault):
    other = make_fault(piece=radio, kind="bubbles")
    make_remedy(other, IRON, minutes=35, money_cents=120, level="doubtful")

    step = remedies.add_remedy(by=owner, fault=fault, technique=IRON).its_steps()[0]

    assert (step.minutes, step.money_cents, step.level, step.shares) == (35, 120, "doubtful", None)


def test_a_first_time_without_a_time_is_refused(owner, fault):
    with pytest.raises(ValidationError) as refused:
        remedies.add_remedy(by=owner, fault=fault, technique="Something new")

    assert "minutes" in refused.value.error_dict
    assert not Remedy.objects.exists()
    assert not Technique.objects.exists()


def test_the_same_technique_without_a_time_is_the_same_work(owner, fault, shop):
    veneer = make_remedy(
        fault, "Strip the top", name="New veneer", minutes=120, money_cents=900, level="almost-sure"
    )
    remedies.add_step(
        by=owner, remedy=veneer, technique=REPLACE, minutes=90, money_cents=3000, level="likely"
    )
    paint = remedies.add_remedy(by=owner, fault=fault, technique="Strip the top", name="Paint it")
    remedies.add_step(
        by=owner, remedy=paint, technique="Paint", minutes=60, money_cents=2000, level="almost-sure"
    )

    found = board(fault, shop)

    assert paint.its_steps()[0].root == veneer.its_steps()[0]
    # The strip is paid once: 49 always, then the veneer (60) where it worked, then paint (40) where the veneer failed.
    p = Fraction(95, 100)
    assert found.ranking.expected.spend == min(
        4900 + p * (6000 + Fraction(1, 5) * 4000), 4900 + p * (4000 + Fraction(1, 20) * 6000)
    )
    assert sum(share.average for share in found.shares) == found.ranking.expected.spend


def test_taking_out_a_shared_step_leaves_the_work_to_the_other_remedy(owner, fault):
    first = make_remedy(fault, "Strip the top", name="New veneer", minutes=120, money_cents=900)
    other = remedies.add_remedy(by=owner, fault=fault, technique="Strip the top", name="Paint it")

    remedies.void_remedy(first, by=owner, reason="not mine")

    left = other.its_steps()[0]
    assert (left.shares, left.minutes, left.money_cents) == (None, 120, 900)


def test_two_remedies_of_a_fault_cannot_share_a_name(owner, fault):
    make_remedy(fault, IRON)

    with pytest.raises(ValidationError, match="remedy of that name"):
        make_remedy(fault, IRON.upper())


def test_remedies_that_would_wait_for_each_other_are_refused(owner, fault):
    one, other = make_remedy(fault, IRON), make_remedy(fault, CLAMP)
    remedies.link_remedy(one, needs_first=[other], spoils=[])

    with pytest.raises(ValidationError, match="wait for each other"):
        remedies.link_remedy(other, needs_first=[one], spoils=[])


def test_a_part_of_another_piece_is_refused(owner, radio):
    stranger = make_part(piece=make_piece(by=owner, what="Beech chair"))

    with pytest.raises(ValidationError, match="another piece"):
        make_fault(piece=radio, parts=[stranger])


# The board


def test_the_cheap_and_likely_remedy_comes_first(fault, shop):
    make_remedy(fault, REPLACE, minutes=240, money_cents=4800, level="almost-sure")
    make_remedy(fault, IRON, minutes=30, money_cents=100, level="likely")

    found = board(fault, shop)

    assert names(found.order) == [IRON, REPLACE]
    # 1 + 10 of time for the iron, and in one case of five 48 + 80 more.
    assert found.ranking.expected.spend == 1100 + Fraction(1, 5) * 12800
    assert found.ranking.exact


def test_the_record_changes_the_order(owner, fault, shop):
    make_remedy(fault, IRON, minutes=60, level="likely")
    make_remedy(fault, CLAMP, minutes=60, level="even")
    assert names(board(fault, shop).order) == [IRON, CLAMP]

    tried_on(owner, shop, "veneered_board", ["failed"] * 3)

    assert names(board(fault, shop).order) == [CLAMP, IRON]


def test_a_test_that_can_come_at_any_point_is_done_before_the_work(owner, fault, shop):
    veneer = make_remedy(
        fault, "Cut the new face", name="New veneer", minutes=180, money_cents=4000, level="likely"
    )
    remedies.add_step(
        by=owner,
        remedy=veneer,
        technique="See if the old face comes off",
        minutes=15,
        level="even",
        any_time=True,
    )

    found = board(fault, shop)

    assert found.next_step.name == "See if the old face comes off"


def test_steps_wait_for_the_one_before(owner, fault, shop):
    veneer = make_remedy(fault, "Strip it", name="New veneer", minutes=180, level="almost-sure")
    remedies.add_step(by=owner, remedy=veneer, technique=REPLACE, minutes=15, level="unlikely")

    assert board(fault, shop).next_step.name == "Strip it"


def test_what_spoils_another_is_tried_after_it(fault, shop):
    sand = make_remedy(fault, "Sand it", minutes=10, level="likely")
    wipe = make_remedy(fault, "Wipe it with alcohol", minutes=30, level="even")
    remedies.link_remedy(sand, needs_first=[], spoils=[wipe])

    assert names(board(fault, shop).order) == ["Wipe it with alcohol", "Sand it"]


def test_what_was_begun_makes_impossible_what_it_spoils(owner, fault, shop):
    sand = make_remedy(fault, "Sand it", minutes=10)
    wipe = make_remedy(fault, "Wipe it with alcohol", minutes=30)
    remedies.link_remedy(sand, needs_first=[], spoils=[wipe])
    make_tried(sand, "failed")

    found = board(fault, shop)

    assert names(found.spoiled) == ["Wipe it with alcohol"]
    assert found.order == []


def test_giving_up_is_weighed_when_its_price_is_known(fault, shop):
    make_remedy(fault, REPLACE, minutes=600, money_cents=9000, level="doubtful")
    fault.fixed_cents, fault.as_is_cents = 30000, 25000
    fault.save()

    found = board(fault, shop)

    # Carrying on is worth 250 + 0.3 x 50 - 290 at best, so it is not tried; selling as is leaves 250.
    assert found.fork.best.name == "sell as is"
    assert found.fork.best.net == 25000
    assert [(row.remedy.name, reason) for row, reason in found.left_out] == [
        (REPLACE, "too dear for its chance: giving up costs less")
    ]


def test_a_board_without_a_price_of_giving_up_tries_everything(fault, shop):
    make_remedy(fault, REPLACE, minutes=600, money_cents=9000, level="doubtful")

    found = board(fault, shop)

    assert found.fork is None
    assert names(found.order) == [REPLACE]


def test_a_ruled_out_remedy_is_not_weighed(fault, shop):
    remedy = make_remedy(fault, IRON)
    remedies.rule_out(remedy, reason="the face is too thin")

    found = board(fault, shop)

    assert found.ranking is None
    assert names(found.ruled_out) == [IRON]


def test_a_wish_is_priced(fault, shop):
    make_remedy(fault, "Wipe it with alcohol", minutes=15, level="almost-sure", tags=["smells"])
    make_remedy(fault, "Rub it out", minutes=60, money_cents=300, level="almost-sure", days=1)

    found = board(fault, shop, wishes=["smells"])

    (wish,) = [one for one in found.wishes if one.ticked]
    assert wish.price.ruled_out == ("Wipe it with alcohol",)
    # 20 + 3 against 5 + 0.05 x 23, in cents.
    assert wish.price.extra_cost == 2300 - (500 + Fraction(1, 20) * 2300)
    assert wish.price.extra_days == 1 - Fraction(1, 20)


def test_the_board_asks_the_same_however_many_remedies_there_are(owner, fault, shop):
    make_tried(make_remedy(fault, "First"), "failed")
    with CaptureQueriesContext(
        connection,
    ) as few:
        board(fault, shop)
    for number in range(9):
        remedy = make_remedy(fault, f"Way {number}")
        remedies.add_step(by=owner, remedy=remedy, technique=f"Step {number}", minutes=5)

    with CaptureQueriesContext(connection) as many:
        board(fault, shop)

    assert len(many) == len(few)


def test_ten_remedies_are_weighed_at_once(fault, shop):
    for number in range(10):
        make_remedy(fault, f"Way {number}", minutes=10 + 7 * number, level="even")

    found = board(fault, shop)

    assert len(found.order) == 10
    assert found.ranking.exact


# Her own order


def test_her_order_is_set_beside_the_best(owner, fault, shop):
    cheap = make_remedy(fault, IRON, minutes=30, level="likely")
    dear = make_remedy(fault, REPLACE, minutes=300, level="likely")

    remedies.put_in_order(fault, [dear.pk, cheap.pk])
    found = board(fault, shop)

    assert names(found.own) == [REPLACE, IRON]
    # Best: 10 + 0.2 x 100; hers: 100 + 0.2 x 10; so 72 more, in cents.
    assert found.ranking.saves_over_own == 7200


def test_going_back_to_the_recommended_order(owner, fault, shop):
    one, other = make_remedy(fault, IRON), make_remedy(fault, CLAMP)
    remedies.put_in_order(fault, [other.pk, one.pk])

    remedies.drop_own_order(fault)

    assert board(fault, shop).ranking.own is None


def test_an_order_with_a_remedy_of_another_fault_is_refused(owner, radio, fault):
    stranger = make_remedy(make_fault(piece=radio, kind="burn"), IRON)

    with pytest.raises(ValidationError, match="changed meanwhile"):
        remedies.put_in_order(fault, [stranger.pk])


# Trying and failing


def test_a_step_is_begun_with_one_tap(owner, owner_client, fault, side):
    remedy = make_remedy(fault, IRON, minutes=40, money_cents=150, level="likely")

    owner_client.post(reverse("step_try", args=[remedy.its_steps()[0].pk]))

    attempt = Attempt.objects.get()
    assert (attempt.part, attempt.technique, attempt.remedy) == (side, IRON, remedy)
    assert (attempt.planned_minutes, attempt.planned_cents, attempt.chance_percent) == (40, 150, 80)
    assert TimeEntry.objects.running().get().attempt == attempt


def test_a_timer_on_another_piece_is_left_running(owner, owner_client, fault):
    other = make_piece(by=owner, what="Beech chair", price_cents=100)
    hours.start_timer(by=owner, piece=other, now=timezone.now())
    step = make_remedy(fault, IRON).its_steps()[0]

    owner_client.post(reverse("step_try", args=[step.pk]))

    assert TimeEntry.objects.running().get().piece == other
    assert Attempt.objects.get().step == step


def test_the_same_step_is_not_begun_twice(owner, fault):
    step = make_remedy(fault, IRON).its_steps()[0]
    remedies.try_step(step, by=owner, now=NOW, timer=False)

    with pytest.raises(ValidationError, match="under way already"):
        remedies.try_step(step, by=owner, now=NOW, timer=False)


def test_a_find_is_bought_before_it_is_worked_on(owner, shop):
    find = make_piece(by=owner, what="Ash wardrobe")
    step = make_remedy(make_fault(piece=find), IRON).its_steps()[0]

    with pytest.raises(ValidationError, match="buy it first"):
        remedies.try_step(step, by=owner, now=NOW)


def test_a_failure_asks_why(owner, fault):
    attempt = remedies.try_step(make_remedy(fault, IRON).its_steps()[0], by=owner, now=NOW, timer=False)

    with pytest.raises(ValidationError) as refused:
        remedies.end_attempt(attempt, by=owner, now=NOW, outcome="failed")

    assert "why" in refused.value.error_dict


def test_saying_how_it_went_stops_its_timer(owner, fault):
    attempt = remedies.try_step(make_remedy(fault, IRON).its_steps()[0], by=owner, now=NOW)

    remedies.end_attempt(
        attempt, by=owner, now=NOW + timedelta(minutes=25), outcome="failed", why="It blistered"
    )

    assert attempt.time_entries.get().minutes == 25


def test_after_a_failure_the_board_reorders_with_future_money_only(owner, fault, shop):
    iron = make_remedy(fault, IRON, minutes=30, level="likely")
    make_remedy(fault, CLAMP, minutes=60, money_cents=500, level="even")
    fault.fixed_cents, fault.as_is_cents = 30000, 12000
    fault.save()
    before = board(fault, shop)

    make_tried(iron, "failed", minutes=95)
    after = board(fault, shop)

    assert names(before.order) == [IRON, CLAMP]
    assert names(after.order) == [CLAMP]
    assert names(after.tried) == [IRON]
    assert after.ask.startswith("That did not work")
    # From now on: 120 as it is, 0.5 x 180 to be gained for 25 of work and glue. The 95 minutes are in neither.
    assert {option.name: option.net for option in after.fork.options} == {
        "carry on": 12000 + Fraction(1, 2) * 18000 - 2500,
        "sell as is": 12000,
    }
    assert after.sunk_minutes == 95


def test_what_is_sunk_changes_no_figure(owner, fault, shop):
    iron = make_remedy(fault, IRON, minutes=30, level="likely")
    make_remedy(fault, CLAMP, minutes=60, level="even")
    attempt = make_tried(iron, "failed")
    before = board(fault, shop)

    make_time(person=owner, minutes=600, now=NOW, piece=fault.piece, attempt=attempt)
    lot = stock.add_lot(
        by=owner,
        name="Hide glue",
        origin="bought",
        cost_cents=2000,
        quantity_millionths=1_000_000,
        unit="jar",
    )
    stock.take(by=owner, piece=fault.piece, lot=lot, attempt=attempt)
    after = board(fault, shop)

    assert after.ranking.expected == before.ranking.expected
    assert (after.sunk_minutes, after.sunk_cents) == (600, 2000)


def test_the_last_step_that_works_closes_the_fault(owner, fault):
    remedy = make_remedy(fault, IRON)
    remedies.add_step(by=owner, remedy=remedy, technique="Scrape off the glue", minutes=10)

    make_tried(remedy, "worked")
    assert Fault.objects.get().settled == Settled.OPEN
    attempt = remedies.try_step(remedy.its_steps()[1], by=owner, now=NOW, timer=False)
    remedies.end_attempt(attempt, by=owner, now=NOW, outcome="worked")

    assert Fault.objects.get().settled == Settled.FIXED


def test_what_worked_partly_is_hers_to_judge(owner, fault, shop):
    make_tried(make_remedy(fault, IRON), "partly")

    found = board(fault, shop)

    assert found.fault.is_open
    assert found.worked.partly


def test_a_passed_step_costs_nothing_more(owner, fault, shop):
    remedy = make_remedy(fault, "Strip it", name="New veneer", minutes=120, level="almost-sure")
    remedies.add_step(by=owner, remedy=remedy, technique=REPLACE, minutes=60, level="likely")
    make_tried(remedy, "worked")

    found = board(fault, shop)

    assert found.ranking.expected.spend == 2000
    assert found.next_step.name == REPLACE


def test_a_failed_remedy_can_be_tried_again(owner, fault, shop):
    remedy = make_remedy(fault, IRON)
    make_tried(remedy, "failed")

    make_tried(remedy, "worked", now=NOW + timedelta(days=1))

    assert load(fault)[0].state == "passed"
    assert Fault.objects.get().settled == Settled.FIXED


def test_an_undone_try_stands_open_again(owner, fault):
    attempt = make_tried(make_remedy(fault, IRON), "failed")

    attempt.void(by=owner, reason="on the wrong piece")

    assert load(fault)[0].state == "open"


def test_planned_material_is_taken_with_one_tap(owner, owner_client, fault):
    stock.add_lot(
        by=owner,
        name="Hide glue",
        origin="bought",
        cost_cents=2000,
        quantity_millionths=2_000_000,
        unit="jar",
    )
    step = make_remedy(fault, IRON, materials=[("Hide glue", 500_000, "jar")]).its_steps()[0]
    attempt = remedies.try_step(step, by=owner, now=timezone.now(), timer=False)

    owner_client.post(reverse("take_planned", args=[attempt.pk, step.materials.get().pk]))

    use = Use.objects.get()
    assert (use.attempt, use.cost_cents) == (attempt, 500)


def test_planned_material_that_is_not_in_stock_waits_for_its_lot(owner, fault):
    step = make_remedy(fault, IRON, materials=[("Fish glue", 500_000, "jar")]).its_steps()[0]
    attempt = remedies.try_step(step, by=owner, now=timezone.now(), timer=False)

    taken = remedies.take_planned(step.materials.get(), attempt=attempt, by=owner)

    assert taken.to_fix.material == "Fish glue"


# It asks by itself


def test_a_failure_is_put_before_the_owner(owner, fault):
    make_tried(make_remedy(fault, IRON), "failed")

    steps = next_steps(owner=True, now=NOW)

    assert any(step.text == "What now? Lifted veneer" for step in steps)
    assert not any(step.text.startswith("What now?") for step in next_steps(owner=False, now=NOW))


def test_the_next_try_answers_the_question(owner, fault):
    make_tried(make_remedy(fault, IRON), "failed")
    step = make_remedy(fault, CLAMP).its_steps()[0]

    remedies.try_step(step, by=owner, now=NOW + timedelta(hours=1), timer=False)

    assert to_weigh_again(NOW + timedelta(hours=1)) == []


@pytest.mark.parametrize(("minutes", "asks"), [(60, False), (61, True)], ids=["at 1.5 times", "past it"])
def test_it_asks_when_the_hours_pass_one_and_a_half_times_the_plan(owner, fault, shop, minutes, asks):
    attempt = remedies.try_step(
        make_remedy(fault, IRON, minutes=40).its_steps()[0], by=owner, now=NOW, timer=False
    )
    make_time(person=owner, minutes=minutes, now=NOW + timedelta(hours=2), piece=fault.piece, attempt=attempt)

    assert bool(to_weigh_again(NOW + timedelta(hours=2))) is asks
    assert bool(board(fault, shop, now=NOW + timedelta(hours=2)).ask) is asks


def test_a_running_timer_counts_too(owner, fault):
    remedies.try_step(make_remedy(fault, IRON, minutes=40).its_steps()[0], by=owner, now=NOW)

    assert to_weigh_again(NOW + timedelta(minutes=55)) == []
    assert len(to_weigh_again(NOW + timedelta(minutes=65))) == 1


def test_asking_takes_the_same_queries_for_one_fault_and_for_many(
    owner, shop, radio, django_assert_num_queries
):
    for kind in ("burn", "rust", "dents"):
        make_tried(make_remedy(make_fault(piece=radio, kind=kind), f"Mend {kind}"), "failed")

    with django_assert_num_queries(2):
        assert len(to_weigh_again(NOW)) == 3


# The survey


def test_answers_are_changed_and_never_doubled(owner, radio):
    remedies.answer_survey(by=owner, piece=radio, answers={"unsafe-wiring": "yes", "lid": "no"})
    remedies.answer_survey(by=owner, piece=radio, answers={"unsafe-wiring": "no", "lid": "no"})

    rows = SurveyAnswer.objects.live()
    assert {row.question: row.answer for row in rows} == {"unsafe-wiring": "no", "lid": "no"}


def test_a_stop_item_says_what_to_do(owner_client, radio):
    owner_client.post(reverse("survey", args=[radio.pk]), {"unsafe-wiring": "yes"})

    page = owner_client.get(reverse("faults", args=[radio.pk])).content.decode()

    assert "Do not plug it in." in page
    assert "not looked at" in page


# Pages


def test_the_board_says_what_to_try_first_and_what_her_order_costs(owner, owner_client, shop, fault):
    type(shop).objects.update(wanted_hourly_cents=2000)
    cheap = make_remedy(fault, IRON, minutes=30, level="likely")
    dear = make_remedy(fault, REPLACE, minutes=300, level="likely")
    remedies.put_in_order(fault, [dear.pk, cheap.pk])

    page = owner_client.get(fault.get_absolute_url()).content.decode()

    assert "Do this first" in page
    assert "Your order costs $72.00 more on average, because “Lay new veneer” takes $100.00" in page
    assert "Hot tools burn and start fires" in page


def test_a_remedy_is_added_from_the_board(owner_client, fault):
    owner_client.post(
        reverse("remedy_new", args=[fault.pk]),
        {"technique": IRON, "minutes": "1:30", "money_cents": "12.50", "level": "likely"},
    )

    step = RemedyStep.objects.get()
    assert (step.minutes, step.money_cents, step.level) == (90, 1250, "likely")


def test_a_refused_remedy_loses_nothing_typed(owner_client, fault):
    response = owner_client.post(
        reverse("remedy_new", args=[fault.pk]), {"technique": IRON, "minutes": "soon", "money_cents": "12.50"}
    )

    assert response.status_code == 422
    page = response.content.decode()
    assert 'value="12.50"' in page
    assert 'value="soon"' in page


def test_her_order_is_one_press_away(owner_client, fault):
    one, other = make_remedy(fault, IRON), make_remedy(fault, CLAMP)

    owner_client.post(
        reverse("fault_order", args=[fault.pk]), {"order": f"{one.pk},{other.pk}", "move": one.pk, "by": "1"}
    )

    assert list(Remedy.objects.live().in_order()) == [other, one]


def test_how_it_went_is_asked_and_kept(owner_client, owner, fault):
    attempt = remedies.try_step(
        make_remedy(fault, IRON).its_steps()[0], by=owner, now=timezone.now(), timer=False
    )
    address = reverse("went", args=[attempt.pk])

    refused = owner_client.post(address, {"outcome": "failed"})
    kept = owner_client.post(
        address, {"outcome": "failed", "why": "It blistered", "left_usable": "the face", "again": "no"}
    )

    assert refused.status_code == 422
    assert kept.headers["Location"] == fault.get_absolute_url()
    attempt.refresh_from_db()
    assert (attempt.outcome, attempt.why, attempt.left_usable, attempt.again) == (
        Outcome.FAILED,
        "It blistered",
        "the face",
        "no",
    )


def test_before_a_step_the_record_and_the_glue_up_are_shown(owner, owner_client, shop, fault):
    tried_on(owner, shop, "veneered_board", ["failed", "failed"], technique=CLAMP)
    step = make_remedy(fault, CLAMP, least_millicelsius=10_000).its_steps()[0]

    page = owner_client.get(
        reverse("step_before", args=[step.pk]),
        {
            "room": "45 F",
            "adhesive": "yellow PVA",
            "length": "24",
            "width": "12",
            "clamps": "4",
            "force": "300",
        },
    ).content.decode()

    assert "Tried on veneered particle board: 0 of 2" in page
    assert "It came up again" in page
    # 4 x 300 lbf on 288 square inches: 4.17 psi.
    assert "Will not: 4.2 psi reached" in page
    assert "45 F" in page


def test_planned_stock_is_checked_before_a_step(owner, owner_client, fault):
    step = make_remedy(fault, IRON, materials=[("Hide glue", 500_000, "jar")]).its_steps()[0]

    page = owner_client.get(reverse("step_before", args=[step.pk])).content.decode()

    assert "0.5 jar Hide glue planned, and there is none of that name in stock." in page


def test_a_helper_reads_faults_and_steps_without_money(owner, helper, helper_client, fault):
    fault.as_is_cents, fault.note = 23456, "Bought it for $ 12.34"
    fault.save()
    remedy = make_remedy(fault, IRON, money_cents=1357, materials=[("Hide glue", 500_000, "jar")])
    make_remedy(fault, CLAMP, money_cents=2468)
    make_tried(remedy, "failed")
    step = Remedy.objects.get(name=CLAMP).its_steps()[0]
    remedies.try_step(step, by=helper, now=timezone.now())

    addresses = [
        fault.get_absolute_url(),
        *(reverse(name, args=[fault.piece_id]) for name in ("faults", "fault_new", "survey")),
        reverse("fault_edit", args=[fault.pk]),
        reverse("step_before", args=[step.pk]),
        reverse("went", args=[Attempt.objects.get(outcome="open").pk]),
        reverse("techniques"),
    ]
    pages = {address: helper_client.get(address) for address in addresses}

    for address, response in pages.items():
        assert response.status_code == 200, address
        refuse_money(address, readable(response.content.decode()))
    shown = pages[addresses[0]].content.decode()
    assert IRON in shown
    assert "How did it go?" in shown


def test_a_helper_begins_a_step_and_says_how_it_went(helper_client, fault):
    step = make_remedy(fault, IRON).its_steps()[0]

    helper_client.post(reverse("step_try", args=[step.pk]))
    attempt = Attempt.objects.get()
    helper_client.post(reverse("went", args=[attempt.pk]), {"outcome": "worked"})

    assert Fault.objects.get().settled == Settled.FIXED


@pytest.mark.parametrize("name", ["remedy", "remedy_void", "remedy_rule_out", "step_new"])
def test_a_helper_changes_no_remedy(helper_client, fault, name):
    remedy = make_remedy(fault, IRON)

    assert helper_client.post(reverse(name, args=[remedy.pk]), {"reason": "x"}).status_code == 403


def test_a_tried_fault_is_not_taken_out(owner, owner_client, fault):
    make_tried(make_remedy(fault, IRON), "failed")

    owner_client.post(reverse("fault_void", args=[fault.pk]), {"reason": "by mistake"})

    assert not Fault.objects.get().is_void


def test_a_fault_is_left_as_it_is_and_opened_again(owner_client, fault):
    address = reverse("fault_settle", args=[fault.pk])

    owner_client.post(address, {"how": "left"})
    assert Fault.objects.get().settled == Settled.LEFT
    owner_client.post(address, {"how": "open"})

    assert Fault.objects.get().settled_on is None


def test_parting_out_leads_to_the_end_of_the_piece(owner_client, fault):
    response = owner_client.post(reverse("fault_settle", args=[fault.pk]), {"how": "parted"})

    assert response.headers["Location"] == reverse("piece_move", args=[fault.piece_id]) + "?to=scrapped"


def test_the_list_of_faults_asks_the_same_for_one_and_for_many(owner, owner_client, radio, fault):
    make_remedy(fault, IRON)
    address = reverse("faults", args=[radio.pk])
    with CaptureQueriesContext(connection) as few:
        owner_client.get(address)
    for kind in ("burn", "rust", "dents"):
        make_remedy(make_fault(piece=radio, kind=kind), f"Mend {kind}")

    with CaptureQueriesContext(connection) as many:
        owner_client.get(address)

    assert len(many) == len(few)


def test_the_story_of_a_piece_tells_its_faults(owner_client, fault):
    remedies.settle(fault, "fixed", on=NOW.date())

    page = owner_client.get(fault.piece.get_absolute_url()).content.decode()

    assert "Fault noted: Lifted veneer: along the foot" in page
    assert "Lifted veneer: along the foot: put right" in page


def test_a_helper_takes_back_a_fault_just_noted(helper, helper_client, radio):
    helper_client.post(reverse("fault_new", args=[radio.pk]), {"kind": "burn", "severity": "slight"})
    fault = Fault.objects.get()

    helper_client.post(reverse("undo"), {"token": undo_token("made", fault)})

    assert Fault.objects.get().is_void


def test_a_settled_fault_has_its_day(fault):
    with pytest.raises(IntegrityError), transaction.atomic():
        Fault.objects.filter(pk=fault.pk).update(settled="fixed")
