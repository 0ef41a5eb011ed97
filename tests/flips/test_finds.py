"""The ceiling of a find, which of several to take, what was learned, and a briefing."""

from datetime import UTC, date, datetime
from decimal import Decimal
from fractions import Fraction

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from flips.actions import finds, remedies, sales, stock
from flips.models import Estimate, EstimateLine, FeeRule, Piece, Purchase, Reckoning
from flips.models.finds import defaults_for, like_it
from flips.models.learning import learned, pace_of, plans_against_actual, record_of
from flips.survey_lists import kind_of
from tests.makers import (
    make_channel,
    make_fault,
    make_part,
    make_piece,
    make_remedy,
    make_time,
    make_tried,
)

NOW = datetime(2026, 3, 6, 18, tzinfo=UTC)


@pytest.fixture
def paid(shop):
    """A shop whose owner wants 18 an hour."""
    shop.wanted_hourly_cents = 1800
    shop.save()
    return shop


def sold(owner, price_cents, *, what="Pine dresser", kind="Dresser", minutes=120, channel=None, **costs):
    """A piece of that kind sold for a price after so many minutes."""
    piece = make_piece(by=owner, what=what, kind=kind, price_cents=3000)
    if minutes:
        make_time(person=owner, minutes=minutes, now=NOW, piece=piece)
    sales.sell(
        by=owner,
        weights={piece: 1},
        price_cents=price_cents,
        channel=channel,
        sold_at=NOW,
        paid_on=date(2026, 3, 6),
        **costs,
    )
    piece.refresh_from_db()
    return piece


def asked(client, **typed):
    return client.get(reverse("ceiling"), typed).content.decode()


# The ceiling


def test_the_last_cent_fits_and_one_more_does_not(paid, owner_client):
    # 250 less 2.5 h at 18 leaves 205: price, 18 % premium and 7.25 % tax on both have to fit into that.
    page = owner_client.get(
        reverse("ceiling"),
        {"kind": "dresser", "likely": "250", "minutes": "2.5 h", "premium": "18", "tax": "7.25"},
    )

    found = page.context["reckoned"].ceiling.likely

    def handed_over(price):
        """Premium and tax worked out beside the program, each rounded half up to the cent."""
        premium = (Decimal(price) * Decimal("0.18")).quantize(Decimal(1), rounding="ROUND_HALF_UP")
        tax = ((price + premium) * Decimal("0.0725")).quantize(Decimal(1), rounding="ROUND_HALF_UP")
        return price + premium + tax

    assert handed_over(found.ceiling) <= 20500 < handed_over(found.ceiling + 1)
    assert found.outlay.total == handed_over(found.ceiling)
    assert found.ceiling == 16198


def test_one_line_says_offer_or_walk(paid, owner_client):
    assert "Asking $90.00: offer up to $71.00 or walk." in asked(
        owner_client, kind="dresser", asking="90", likely="125", minutes="3h"
    )
    assert "Asking $70.00: take it. Up to $71.00 would do." in asked(
        owner_client, kind="dresser", asking="70", likely="125", minutes="3h"
    )
    assert "Asking $70.00: walk." in asked(
        owner_client, kind="dresser", asking="70", likely="50", minutes="3h"
    )


def test_what_stays_empty_comes_from_her_own_sold_pieces(paid, owner, owner_client):
    for price, minutes in ((20000, 300), (24000, 360), (30000, 600)):
        sold(owner, price, minutes=minutes)
    sold(owner, 90000, what="Walnut desk", kind="Desk", minutes=2000)

    page = owner_client.get(reverse("ceiling"), {"kind": "chest of drawers", "asking": "90"})

    found = page.context["reckoned"]
    assert (found.expected.low, found.expected.likely, found.expected.high) == (22000, 24000, 27000)
    assert found.minutes == 360
    assert found.ceiling.likely.ceiling == 24000 - 6 * 1800
    assert "the median of your 3 sold ones of this kind" in page.content.decode()


def test_failed_attempts_are_the_reserve_and_not_the_hours(paid, owner):
    for failed in (60, 0):
        piece = make_piece(by=owner, what="Pine dresser", kind="Dresser", price_cents=3000)
        make_time(person=owner, minutes=200, now=NOW, piece=piece)
        if failed:
            make_tried(make_remedy(make_fault(piece=piece), "Iron it down"), "failed", minutes=failed)
        sales.sell(by=owner, weights={piece: 1}, price_cents=20000, sold_at=NOW)

    found = record_of("Dresser", shop=paid)

    # 60 failed minutes at 18 an hour over two pieces.
    assert (found.minutes, found.reserve_cents) == (200, 900)


def test_the_channels_rule_is_taken_off(paid, owner, owner_client):
    channel = make_channel(name="Market stall")
    FeeRule.objects.create(channel=channel, from_on=date(2020, 1, 1), percent_hundredths=1000, fixed_cents=50)

    page = owner_client.get(reverse("ceiling"), {"kind": "desk", "likely": "200", "channel": channel.pk})

    assert page.context["reckoned"].ceiling.likely.ceiling == 20000 - 2050
    assert "what Market stall keeps by today&#x27;s rule" in page.content.decode()


def test_the_three_lines_that_eat_most_open(paid, owner_client):
    page = asked(
        owner_client, kind="desk", likely="300", minutes="4h", materials="30", travel="12", reserve="50"
    )

    eats = page[page.index("What eats most") : page.index("All of it")]
    assert eats.count("<details>") == 4  # three lines, and the one of all lines begins
    assert eats.index("Your own hours") < eats.index("Reserve for failures") < eats.index("Materials")


def test_premium_and_tax_are_as_the_last_time_at_that_place(paid, owner):
    find = make_piece(by=owner, what="Pine dresser", kind="Dresser", place="Hall Street auction")
    bought = make_piece(by=owner, what="Ash desk", place="Hall Street auction", price_cents=10000)
    Purchase.objects.filter(shares__piece=bought).update(
        place="Hall Street auction", premium_cents=2000, tax_cents=750
    )

    found = defaults_for(kind="Dresser", piece=find, shop=paid)

    assert (found.premium.value, found.tax.value) == (2000, 625)


def test_the_faults_of_a_find_set_hours_and_reserve(paid, owner):
    find = make_piece(by=owner, what="Walnut radio cabinet", kind="Radio cabinet")
    fault = make_fault(piece=find)
    make_remedy(fault, "Iron it down", minutes=30, level="likely")
    make_remedy(fault, "Lay new veneer", minutes=240, money_cents=4000, level="almost-sure")
    remedies.answer_survey(by=owner, piece=find, answers={"lid": "no"})

    found = defaults_for(kind="Radio cabinet", piece=find, shop=paid)

    assert found.minutes.value == 30
    # One time in five the new veneer: 40 and 4 h at 18. What was not looked at comes on top.
    assert found.reserve.value > Fraction(1, 5) * (4000 + 4 * 1800)
    assert "not looked at" in found.reserve.why


def test_not_looked_counts_as_a_risk_that_looking_takes_away(paid, owner):
    find = make_piece(by=owner, what="Beech chair", kind="Chair")
    remedies.answer_survey(by=owner, piece=find, answers={"rocks": "no"})
    before = defaults_for(kind="Chair", piece=find, shop=paid)

    remedies.answer_survey(by=owner, piece=find, answers={"joints": "no", "cracks": "no", "seat": "no"})
    after = defaults_for(kind="Chair", piece=find, shop=paid)

    assert after.unseen == before.unseen - 3
    assert 0 < after.reserve.value < before.reserve.value


def test_a_yes_that_stops_the_work_is_said_beside_the_ceiling(paid, owner, owner_client):
    find = make_piece(
        by=owner, what="Painted dresser", kind="Dresser", asking_cents=9000, expected_cents=20000
    )
    remedies.answer_survey(by=owner, piece=find, answers={"live-insects": "yes"})

    assert "Keep it out of the shop" in asked(owner_client, piece=find.pk)


def test_without_a_price_it_asks_for_one(paid, owner_client):
    assert "Type what it may sell for." in asked(owner_client, kind="dresser", asking="90")


def test_a_wrong_amount_is_said_and_kept(paid, owner_client):
    response = owner_client.get(reverse("ceiling"), {"kind": "dresser", "asking": "ninety"})

    assert response.status_code == 422
    assert 'value="ninety"' in response.content.decode()


def test_the_fragment_is_the_answer_alone(paid, owner_client):
    page = owner_client.get(
        reverse("ceiling"), {"kind": "desk", "likely": "200"}, headers={"HX-Request": "true"}
    ).content.decode()

    assert page.lstrip().startswith('<div id="answer"')


def test_a_reckoning_is_kept_with_the_find(paid, owner_client):
    typed = {"kind": "dresser", "asking": "90", "likely": "250", "minutes": "3h", "premium": "10"}

    owner_client.post(reverse("ceiling_keep"), typed)
    owner_client.post(reverse("ceiling_keep"), {**typed, "piece": Piece.objects.get().pk, "asking": "80"})

    piece = Piece.objects.get()
    assert (piece.what, piece.asking_cents, piece.expected_cents) == ("dresser", 8000, 25000)
    first, last = Reckoning.objects.order_by("pk")
    assert (first.asking_cents, last.asking_cents, last.minutes, last.premium_hundredths) == (
        9000,
        8000,
        180,
        1000,
    )


def test_the_ceiling_is_the_owners_alone(shop, helper_client):
    assert helper_client.get(reverse("ceiling"), {"kind": "desk", "likely": "200"}).status_code == 403


def test_the_ceiling_asks_the_same_for_one_sold_piece_and_for_many(paid, owner, owner_client):
    sold(owner, 20000)
    with CaptureQueriesContext(connection) as few:
        asked(owner_client, kind="dresser")
    for price in (21000, 22000, 23000):
        sold(owner, price)

    with CaptureQueriesContext(connection) as many:
        asked(owner_client, kind="dresser")

    assert len(many) == len(few)


# Which of these


def test_the_best_haul_within_cash_room_and_hours(paid, owner, owner_client):
    rows = {}
    for what, cash, gain, minutes in (("A", 6000, 9000, 300), ("B", 5000, 6000, 120), ("C", 5000, 5500, 120)):
        piece = make_piece(by=owner, what=what, kind="Dresser", asking_cents=cash)
        finds.keep_reckoning(
            by=owner,
            piece=piece,
            asking_cents=cash,
            low_cents=1,
            likely_cents=2,
            high_cents=3,
            minutes=minutes,
            left_cents=cash + gain,
            ceiling_cents=cash + gain,
        )
        rows[what] = piece
    room = {f"room_{piece.pk}": 4 for piece in rows.values()}

    page = owner_client.get(reverse("which_finds"), {"cash": "100", "room": "10", "minutes": "6h", **room})

    # A and B would gain most but cost 110: B and C fit.
    assert {one.what for one, _ in page.context["take"]} == {"B", "C"}
    assert page.context["haul"].exact


def test_a_lower_price_brings_a_find_in(paid, owner, owner_client):
    piece = make_piece(by=owner, what="A", kind="Dresser", asking_cents=9000, expected_cents=20000)

    page = owner_client.get(reverse("which_finds"), {"cash": "60", f"cash_{piece.pk}": "60"})

    ((taken, gain),) = page.context["take"]
    assert (taken, gain) == (piece, 14000)


def test_choosing_asks_the_same_for_two_finds_and_for_ten(paid, owner, owner_client):
    for number in range(2):
        make_piece(by=owner, what=f"Find {number}", asking_cents=1000, expected_cents=9000)
    with CaptureQueriesContext(connection) as few:
        owner_client.get(reverse("which_finds"), {"cash": "100"})
    for number in range(8):
        make_piece(by=owner, what=f"More {number}", asking_cents=1000, expected_cents=9000)

    with CaptureQueriesContext(connection) as many:
        owner_client.get(reverse("which_finds"), {"cash": "100"})

    assert len(many) == len(few)


# What was learned


def test_what_was_learned_counts_tries_time_and_lost_cash(paid, owner):
    for outcome, minutes in (("failed", 50), ("worked", 30), ("partly", 40)):
        piece = make_piece(by=owner, what="Pine dresser", price_cents=2000)
        part = make_part(piece=piece, material="veneered_board")
        attempt = make_tried(
            make_remedy(make_fault(piece=piece, parts=[part]), "Iron it down"), outcome, minutes=minutes
        )
        lot = stock.add_lot(
            by=owner,
            name="Hide glue",
            origin="bought",
            cost_cents=700,
            quantity_millionths=1_000_000,
            unit="jar",
        )
        stock.take(by=owner, piece=piece, lot=lot, attempt=attempt, picked=True)

    (row,) = learned(shop=paid)

    assert (row.tries.count, row.tries.worked, row.tries.partly) == (3, 1, 1)
    assert (row.median_minutes, row.lost_cents) == (40, 700)
    assert (row.material, row.fault) == ("Veneered particle board", "Lifted veneer")


def test_it_is_narrowed_by_material_and_fault(paid, owner, owner_client):
    for material in ("solid", "veneered_board"):
        piece = make_piece(by=owner, what="Pine dresser", price_cents=2000)
        part = make_part(piece=piece, material=material)
        make_tried(make_remedy(make_fault(piece=piece, parts=[part]), f"Mend {material}"), "failed")

    page = owner_client.get(reverse("learned"), {"material": "solid"}).content.decode()

    assert "Mend solid" in page
    assert "Mend veneered_board" not in page


def test_learning_asks_the_same_however_much_was_tried(paid, owner):
    def one_more(number):
        piece = make_piece(by=owner, what="Pine dresser", price_cents=2000)
        make_tried(make_remedy(make_fault(piece=piece), f"Way {number}"), "failed", minutes=10)

    one_more(1)
    with CaptureQueriesContext(connection) as few:
        learned(shop=paid)
    for number in range(5):
        one_more(10 + number)

    with CaptureQueriesContext(connection) as many:
        learned(shop=paid)

    assert len(many) == len(few)


def reckoned(owner, piece, **figures):
    told = {"low_cents": 1, "likely_cents": 20000, "high_cents": 30000, "left_cents": 1, "ceiling_cents": 1}
    return finds.keep_reckoning(by=owner, piece=piece, **(told | figures))


def test_plans_stand_beside_what_became_of_them(paid, owner):
    piece = make_piece(by=owner, what="Pine dresser", kind="Dresser")
    reckoned(owner, piece, minutes=120, materials_cents=1000)
    piece = sold_after(owner, piece, minutes=180, price_cents=18000)

    (row,) = plans_against_actual(shop=paid)

    assert (row.kind, row.pieces, row.planned_minutes, row.minutes) == ("Dresser", 1, 120, 180)
    assert (row.planned_price, row.price) == (20000, 18000)
    assert row.hours_factor == Fraction(3, 2)


def sold_after(owner, piece, *, minutes, price_cents):
    from flips.actions import pieces

    pieces.buy(by=owner, weights={piece: 1}, price_cents=3000, bought_on=date(2026, 3, 2))
    piece.refresh_from_db()
    make_time(person=owner, minutes=minutes, now=NOW, piece=piece)
    sales.sell(by=owner, weights={piece: 1}, price_cents=price_cents, sold_at=NOW)
    return piece


def an_estimate(owner, piece):
    """An estimate of 90 minutes and 40 of cost."""
    estimate = Estimate.objects.create(piece=piece, created_by=owner)
    hours = EstimateLine.objects.create(
        estimate=estimate,
        kind="hours",
        words="Veneer work",
        low_minutes=60,
        likely_minutes=90,
        high_minutes=120,
    )
    cost = EstimateLine.objects.create(
        estimate=estimate,
        kind="veneer",
        words="Walnut face",
        low_cents=3000,
        likely_cents=4000,
        high_cents=5000,
    )
    return hours, cost


def test_an_estimate_is_the_plan_where_there_is_one(paid, owner):
    piece = make_piece(by=owner, what="Pine dresser", kind="Dresser", expected_cents=21000)
    an_estimate(owner, piece)
    sold_after(owner, piece, minutes=180, price_cents=18000)

    (row,) = plans_against_actual(shop=paid)

    assert (row.planned_minutes, row.minutes) == (90, 180)
    assert (row.planned_cents, row.planned_price, row.price) == (4000, 21000, 18000)


def test_the_ceiling_begins_with_the_estimate_of_the_find(paid, owner):
    find = make_piece(by=owner, what="Pine dresser", kind="Dresser")
    an_estimate(owner, find)

    found = defaults_for(kind="Dresser", piece=find, shop=paid)

    assert (found.minutes.value, found.materials.value) == (90, 4000)


def test_a_step_takes_money_and_time_from_an_estimate(owner, owner_client, shop):
    piece = make_piece(by=owner, what="Pine dresser", price_cents=2000)
    hours, cost = an_estimate(owner, piece)
    step = make_remedy(make_fault(piece=piece), "Lay new veneer", minutes=5).its_steps()[0]

    for line in (hours, cost):
        owner_client.post(reverse("step_from_estimate", args=[step.pk]), {"line": line.pk})

    step.refresh_from_db()
    assert (step.minutes, step.money_cents) == (90, 4000)


def test_three_tries_move_the_next_plan(paid, owner):
    for number in range(3):
        piece = make_piece(by=owner, what="Pine dresser", kind="Dresser", price_cents=2000)
        make_tried(make_remedy(make_fault(piece=piece), f"Way {number}", minutes=40), "worked", minutes=60)
        if number == 1:
            assert pace_of("Dresser", shop=paid).factor == 1

    assert pace_of("Dresser", shop=paid).factor == Fraction(3, 2)


# A briefing


def test_a_briefing_names_the_pieces_most_like_it(paid, owner, owner_client):
    like = sold(owner, 20000, what="Pine dresser with lifted top")
    make_tried(
        make_remedy(
            make_fault(piece=make_piece(by=owner, what="Oak dresser", kind="Dresser", price_cents=1)),
            "Iron it",
        ),
        "failed",
    )
    sold(owner, 20000, what="Beech chair", kind="Chair")
    find = make_piece(by=owner, what="Pine dresser", kind="Dresser")
    make_fault(piece=find)

    found = like_it(find, shop=paid)
    page = owner_client.get(reverse("briefing", args=[find.pk])).content.decode()

    # The oak one shares kind, fault and "dresser"; the pine one kind and two words.
    assert [one.piece.what for one in found] == ["Oak dresser", like.what]
    assert "Iron it" in page[page.index("Test first") : page.index("Pieces most like it")]
    assert "Beech chair" not in page


def test_a_briefing_says_what_was_underestimated(paid, owner, owner_client):
    piece = make_piece(by=owner, what="Pine dresser", kind="Dresser")
    reckoned(owner, piece, minutes=120)
    sold_after(owner, piece, minutes=180, price_cents=18000)
    find = make_piece(by=owner, what="Oak dresser", kind="Dresser")

    page = owner_client.get(reverse("briefing", args=[find.pk])).content.decode()

    assert "Hours: 2 h 00 reckoned, 3 h 00 taken" in page
    assert "Price: $200.00 expected, $180.00 fetched" in page


@pytest.mark.parametrize(
    ("words", "kind"),
    [
        ("Walnut radio cabinet", "Radio cabinet"),
        ("Wing chair", "Upholstered"),
        ("Dresser with mirror", "Dresser"),
        ("Gilt mirror", "Mirror"),
        ("Four beech chairs", "Chair"),
        ("Sideboard", "Cabinet"),
        ("Weather vane", "Anything else"),
    ],
)
def test_the_list_fits_what_was_typed(words, kind):
    assert kind_of("", words) == kind


def test_the_find_page_leads_to_the_ceiling(owner, owner_client, shop):
    find = make_piece(by=owner, what="Oak dresser", asking_cents=9000)

    page = owner_client.get(find.get_absolute_url()).content.decode()

    assert f"{reverse('ceiling')}?piece={find.pk}" in page
