"""Closed years: nothing dated in them changes, by any road, until they are reopened with a note."""

from datetime import UTC, date, datetime

import pytest
from django.apps import apps
from django.core.exceptions import ValidationError
from django.db import IntegrityError, models, transaction
from django.utils import timezone

from flips.actions import hours, people, pieces, receipts, sales, stock, trips
from flips.actions.closing import close_year, reopen_year
from flips.actions.undo import take_back
from flips.models import ClosedYear, Lot, Purchase, Stage, StageChange, TimeEntry, Use, YearClose
from flips.models.closing import MONEY_DATES, NOT_DATED, closed_until, year_name
from flips.models.records import Cents, Voidable
from flips.models.review import Books, before_closing
from tests.makers import make_attempt, make_category, make_piece, make_time

TODAY = date(2026, 11, 25)
OLD, NEW = date(2025, 6, 1), date(2026, 2, 1)


@pytest.fixture
def closed(shop, owner, helper):
    """A shop with something of every kind in 2025, and that year closed."""
    people.add_rate(helper, hourly_cents=1500, from_on=date(2024, 12, 1), by=owner)
    piece = make_piece(by=owner, price_cents=5000, on=OLD, what="Sideboard")
    sold = make_piece(by=owner, price_cents=3000, on=OLD, what="Mirror", stage=Stage.READY)
    kept = make_piece(by=owner, price_cents=2000, on=OLD, what="Stool")
    pieces.move(kept, Stage.KEPT, by=owner, on=OLD)
    sale = sales.sell(
        by=owner,
        weights={sold: 1},
        price_cents=9000,
        sold_at=datetime(2025, 7, 1, 18, tzinfo=UTC),
        paid_on=date(2025, 7, 1),
    )
    receipt = receipts.new_receipt(by=owner, shop_name="Depot", bought_on=OLD, total_cents=4000)
    line = receipts.add_line(
        receipt,
        by=owner,
        destination="stock",
        text="Varnish",
        amount_cents=4000,
        lot={"name": "Varnish", "unit": "l", "quantity_millionths": 10**6},
    )
    slip = receipts.new_receipt(by=owner, shop_name="Landlord", bought_on=OLD, total_cents=300)
    receipts.add_line(
        slip, by=owner, destination="expense", text="Rent", amount_cents=300, category=make_category()
    )
    driven = trips.log_trip(
        by=owner, on=OLD, distance_millionths=10**7, unit="mi", purpose="fair", pieces=[piece]
    )
    taken = stock.take(by=owner, piece=piece, lot=line.lot, quantity_millionths=500_000, used_on=OLD)
    work = make_time(person=helper, piece=piece, minutes=60, now=datetime(2025, 6, 2, 18, tzinfo=UTC))
    close_year(date(2025, 1, 1), by=owner, today=TODAY, note="filed")
    for one in (piece, sold, kept, sale, receipt, line, work):
        one.refresh_from_db()
    return {
        "piece": piece, "sold": sold, "kept": kept, "sale": sale, "receipt": receipt, "slip": slip, "trip": driven, "line": line, "lot": line.lot,
        "use": taken.uses[0], "time": work, "purchase": Purchase.objects.get(shares__piece=piece),
    }  # fmt: skip


# Every way to change something dated in the closed year.
ROADS = {
    "edit a purchase": lambda closed, owner, helper: pieces.change_purchase(
        closed["purchase"], price_cents=1
    ),
    "void a purchase": lambda closed, owner, helper: pieces.void_purchase(
        closed["purchase"], by=owner, reason="x"
    ),
    "move a purchase out": lambda closed, owner, helper: pieces.change_purchase(
        closed["purchase"], bought_on=NEW
    ),
    "buy on an old day": lambda closed, owner, helper: make_piece(by=owner, price_cents=1, on=OLD),
    "edit a sale": lambda closed, owner, helper: sales.change_sale(closed["sale"], price_cents=1),
    "unpay a sale": lambda closed, owner, helper: sales.change_sale(closed["sale"], paid_on=None),
    "void a sale": lambda closed, owner, helper: sales.void_sale(closed["sale"], by=owner, reason="x"),
    "pay a sale on an old day": lambda closed, owner, helper: sales.sell(
        by=owner, weights={closed["piece"]: 1}, price_cents=1, paid_on=OLD
    ),
    "give back on an old day": lambda closed, owner, helper: sales.take_back(
        closed["sale"].shares.get(), by=owner, refund_cents=1, returned_on=date(2025, 8, 1), reason="x"
    ),
    "edit a receipt": lambda closed, owner, helper: receipts.change_receipt(closed["receipt"], bought_on=NEW),
    "void a receipt": lambda closed, owner, helper: receipts.void_receipt(
        closed["slip"], by=owner, reason="x"
    ),
    "a receipt on an old day": lambda closed, owner, helper: receipts.new_receipt(
        by=owner, shop_name="Late", bought_on=OLD, total_cents=100
    ),
    "edit a receipt line": lambda closed, owner, helper: receipts.change_line(
        closed["line"], by=owner, text="Varnish", amount_cents=3999, taxed=True
    ),
    "a line on an old receipt": lambda closed, owner, helper: receipts.add_line(
        closed["receipt"],
        by=owner,
        destination="expense",
        text="x",
        amount_cents=1,
        category=make_category(),
    ),
    "edit a lot": lambda closed, owner, helper: stock.change_lot(
        closed["lot"], quantity_millionths=2 * 10**6
    ),
    "a lot on an old day": lambda closed, owner, helper: stock.add_lot(
        by=owner,
        name="Wax",
        origin="opening",
        cost_cents=5,
        quantity_millionths=10**6,
        unit="l",
        came_on=OLD,
    ),
    "void a use": lambda closed, owner, helper: stock.void_use(closed["use"], by=owner, reason="x"),
    "use on an old day": lambda closed, owner, helper: stock.take(
        by=owner,
        piece=closed["piece"],
        lot=closed["lot"],
        quantity_millionths=1,
        used_on=date(2025, 9, 1),
    ),
    "write off on an old day": lambda closed, owner, helper: stock.write_off(
        closed["lot"], by=owner, reason="x", on=date(2025, 9, 1)
    ),
    "work on an old day": lambda closed, owner, helper: make_time(
        person=owner, piece=closed["piece"], now=datetime(2025, 9, 1, 18, tzinfo=UTC)
    ),
    "void hours": lambda closed, owner, helper: closed["time"].void(by=owner, reason="x"),
    "edit hours": lambda closed, owner, helper: _longer(closed["time"]),
    "a rate from before": lambda closed, owner, helper: people.add_rate(
        helper, hourly_cents=1, from_on=date(2025, 1, 1), by=owner
    ),
    "void a rate": lambda closed, owner, helper: helper.rates.live().get().void(by=owner, reason="x"),
    "end on an old day": lambda closed, owner, helper: pieces.move(
        closed["piece"], Stage.GIVEN_AWAY, by=owner, on=OLD
    ),
    "take an end back": lambda closed, owner, helper: take_back(
        "moved", "flips.stagechange", str(closed["kept"].stage_changes.last().pk), by=owner
    ),
    "back on an old day": lambda closed, owner, helper: pieces.move(
        closed["kept"], Stage.READY, by=owner, on=date(2025, 9, 1)
    ),
    "other pieces of a trip": lambda closed, owner, helper: closed["trip"].pieces.set([closed["sold"]]),
    "other trips of a piece": lambda closed, owner, helper: closed["sold"].trips.add(closed["trip"]),
    "edit a trip": lambda closed, owner, helper: trips.change_trip(
        closed["trip"], pieces=[], distance_millionths=1
    ),
    "change many at once": lambda closed, owner, helper: Use.objects.update(cost_cents=0),
    "make many at once": lambda closed, owner, helper: Lot.objects.bulk_create(
        [Lot(came_on=OLD, name="x", cost_cents=1)]
    ),
    "remove many at once": lambda closed, owner, helper: TimeEntry.objects.all().delete(),
    "remove one": lambda closed, owner, helper: closed["time"].delete(),
}


def _longer(entry):
    entry.minutes += 1
    hours.change_time(entry, now=timezone.now())


@pytest.mark.parametrize("road", ROADS)
def test_no_road_leads_into_a_closed_year(shop, closed, owner, helper, road):
    before = Books.read(shop, today=TODAY).lines

    with pytest.raises(ClosedYear), transaction.atomic():
        ROADS[road](closed, owner, helper)

    assert Books.read(shop, today=TODAY).lines == before


def test_what_touches_no_figure_may_change(closed, owner):
    closed["purchase"].note = "the seller had two more"
    closed["purchase"].save()
    closed["lot"].place, closed["lot"].opened_on = "top shelf", NEW
    closed["lot"].save()
    attempt = make_attempt(piece=closed["piece"])
    closed["time"].attempt, closed["time"].note = attempt, "sanding"
    closed["time"].save()
    closed["piece"].note = "a scratch"
    closed["piece"].save()


def test_life_goes_on_in_the_open_year(shop, closed, owner):
    back = sales.take_back(
        closed["sale"].shares.get(), by=owner, refund_cents=9000, returned_on=NEW, reason="a door sticks"
    )
    stock.take(by=owner, piece=closed["piece"], lot=closed["lot"], used_on=NEW)
    pieces.move(closed["kept"], Stage.READY, by=owner, on=NEW)
    closed["sold"].refresh_from_db()
    sales.sell(by=owner, weights={closed["sold"]: 1}, price_cents=8000, paid_on=NEW, sold_at=timezone.now())
    books = Books.read(shop, today=TODAY)

    assert back.share.returned
    assert [year.is_closed for year in books.years] == [True, False]
    figures = books.figures(books.years[0])
    assert figures.revenue == 9000
    assert (books.figures(books.years[1]).difference, figures.difference) == (0, 0)


def test_the_refusal_offers_the_open_year_and_the_reopening(closed, owner_client):
    response = owner_client.post(
        f"/purchases/{closed['purchase'].pk}/",
        {
            "version": closed["purchase"].version, "price_cents": "1", "premium_cents": "0", "tax_cents": "0",
            "transport_cents": "0", "bought_on": "2025-06-01", "place": "", "paid_with": "cash", "note": "",
        },
    )  # fmt: skip

    assert response.status_code == 422
    page = response.content.decode()
    assert "Date it 1 Jan 2026 or later" in page
    assert "/money/years/2025-06-01/" in page


def test_a_refusal_no_page_caught_is_told_where_she_was(closed, owner, owner_client):
    entry = make_time(person=owner, minutes=5)
    TimeEntry.objects.filter(pk=entry.pk).update(note="x")
    before = closed["time"].version

    response = owner_client.post(f"/hours/{closed['time'].pk}/void/", {"reason": "wrong"}, follow=True)

    closed["time"].refresh_from_db()
    assert closed["time"].version == before
    assert "is in a closed year" in response.content.decode()


def test_a_voided_record_of_a_closed_year_stays_void(shop, owner):
    entry = make_time(person=owner, minutes=50, now=datetime(2025, 6, 2, 18, tzinfo=UTC))
    entry.void(by=owner, reason="wrong")
    make_piece(by=owner, price_cents=100, on=OLD)
    close_year(date(2025, 1, 1), by=owner, today=TODAY)

    with pytest.raises(ClosedYear):
        entry.restore()


def test_years_close_in_order_and_only_when_over(shop, owner):
    make_piece(by=owner, price_cents=100, on=date(2024, 5, 1))
    make_piece(by=owner, price_cents=100, on=date(2025, 5, 1))
    with pytest.raises(ValidationError, match="Earlier years are still open"):
        close_year(date(2025, 1, 1), by=owner, today=TODAY)
    with pytest.raises(ValidationError, match="not over yet"):
        close_year(date(2026, 1, 1), by=owner, today=TODAY)

    close_year(date(2024, 1, 1), by=owner, today=TODAY)
    close_year(date(2025, 1, 1), by=owner, today=TODAY)

    assert closed_until() == date(2026, 1, 1)
    with pytest.raises(ValidationError, match="closed already"):
        close_year(date(2025, 1, 1), by=owner, today=TODAY)


def test_years_reopen_the_latest_first_with_a_note(shop, owner):
    make_piece(by=owner, price_cents=100, on=date(2024, 5, 1))
    first = close_year(date(2024, 1, 1), by=owner, today=TODAY)
    second = close_year(date(2025, 1, 1), by=owner, today=TODAY)
    with pytest.raises(ValidationError, match="reopen that year first"):
        reopen_year(first, by=owner, note="a late slip")
    with pytest.raises(ValidationError, match="Say why"):
        reopen_year(second, by=owner, note="  ")

    reopen_year(second, by=owner, note="a late slip")
    reopen_year(first, by=owner, note="a late slip")

    assert closed_until() is None
    make_piece(by=owner, price_cents=100, on=date(2024, 6, 1))
    assert close_year(date(2024, 1, 1), by=owner, today=TODAY).figures["closing_stock"] == 200


def test_a_closing_keeps_its_figures_and_the_review_tells_when_they_move(shop, closed, owner_client):
    close = YearClose.objects.get()
    assert close.figures["revenue"] == 9000
    assert "Changed since it was closed" not in owner_client.get("/money/years/2025-01-01/").content.decode()

    close.figures["revenue"] = 9001
    close.save()

    assert "Changed since it was closed" in owner_client.get("/money/years/2025-01-01/").content.decode()


def test_closing_and_reopening_on_the_page(shop, owner, owner_client):
    make_piece(by=owner, price_cents=100, on=date(2025, 5, 1))
    assert owner_client.get("/money/years/2025-01-01/close/").status_code == 200

    owner_client.post("/money/years/2025-01-01/close/", {"note": "filed in March"})
    assert YearClose.objects.shut().get().note == "filed in March"
    assert owner_client.post("/money/years/2025-01-01/reopen/", {"note": ""}).status_code == 422
    owner_client.post("/money/years/2025-01-01/reopen/", {"note": "a late slip"})

    assert not YearClose.objects.shut().exists()


def test_before_closing_she_is_told_what_is_left_open(shop, owner):
    piece = make_piece(by=owner, price_cents=100, on=date(2025, 5, 1), stage=Stage.READY)
    sales.sell(
        by=owner, weights={piece: 1}, price_cents=9, sold_at=datetime(2025, 7, 1, tzinfo=UTC), paid_on=None
    )
    receipts.new_receipt(by=owner, shop_name="Depot", bought_on=OLD)
    hours.TimeEntry.objects.create(person=owner, started_at=datetime(2025, 7, 1, tzinfo=UTC))
    books = Books.read(shop, today=TODAY)
    year = books.year(OLD)

    todo = {one.text.split(":")[0]: one.stops for one in before_closing(books, year, books.figures(year))}

    assert todo == {
        "Timers of that year still running": True,
        "Receipts without lines": False,
        "Sales not paid yet": False,
    }


def test_the_way_of_costing_is_fixed_while_a_year_is_closed(shop, closed):
    shop.stock_method = "average"
    with pytest.raises(ValidationError, match="way of costing"):
        shop.save()


def test_the_clock_may_not_carry_hours_over_a_closed_border(shop, owner):
    make_time(person=owner, minutes=20, now=datetime(2026, 1, 1, 5, 30, tzinfo=UTC))
    close_year(date(2025, 1, 1), by=owner, today=TODAY)

    shop.time_zone = "America/Denver"
    shop.save()
    shop.time_zone = "Pacific/Auckland"
    with pytest.raises(ValidationError, match="would change years"):
        shop.save()


def test_every_record_with_money_says_when_it_counts():
    """A new record with amounts must name its dates for the guard, or say why it has none."""
    for model in apps.get_app_config("flips").get_models():
        if model.__name__.startswith("Historical") or not issubclass(model, Voidable):
            continue
        has_money = any(isinstance(column, Cents) for column in model._meta.concrete_fields)
        if has_money:
            name = model._meta.model_name
            assert name in MONEY_DATES or name in NOT_DATED, f"{model.__name__}: see flips/models/closing.py"


def test_the_guard_knows_its_records():
    for name, rule in MONEY_DATES.items():
        columns = {column.name for column in apps.get_model("flips", name)._meta.concrete_fields}
        assert rule.free <= columns, name
        assert not rule.column or rule.column in columns, name
        assert not any(
            isinstance(apps.get_model("flips", name)._meta.get_field(column), Cents | models.DateField)
            for column in rule.free - {"opened_on"}
        ), name


def test_a_year_has_days(db):
    with pytest.raises(IntegrityError):
        YearClose.objects.create(first=NEW, end=NEW)


def test_years_are_called_as_people_call_them():
    assert year_name(date(2025, 1, 1), date(2026, 1, 1)) == "2025"
    assert year_name(date(2025, 4, 6), date(2026, 4, 6)) == "6 Apr 2025 to 5 Apr 2026"


def test_stages_that_move_no_money_are_free(closed, owner):
    change = StageChange(piece=closed["piece"], stage=Stage.IN_WORK, on=OLD, created_by=owner)
    change.save()

    assert change.pk
