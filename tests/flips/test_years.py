"""The shop's years from its records: against a second bookkeeper, by the shop's own clock, whatever day the year starts."""

from datetime import UTC, date, datetime, timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from flips.actions import pieces, sales, stock
from flips.actions.closing import close_year
from flips.actions.opening import bring_in_piece
from flips.books import Kind, Method, year_figures
from flips.models import ExpenseCategory, Piece, Stage
from flips.models.facts import figures_of, shop_facts
from flips.models.review import Books, review
from flips.papers.year_statement import ADDS_UP, COMPOSED, LABELS, cents_of, statement
from flips.schedule_c import LINES, USUAL_CATEGORIES
from tests.flips.shop_story import ShopStory
from tests.flips.test_books import figures_from, same_shape
from tests.makers import make_category, make_channel, make_piece, make_time
from tests.references import schedule_c

NEW_YEARS_EVE = date(2025, 12, 31)


def books_of(shop, today=date(2026, 11, 25)):
    return Books.read(shop, today=today)


def sell(piece, *, by, on, price_cents=20000, paid_on="same", **fields):
    fields.setdefault("sold_at", datetime.combine(on, datetime.min.time(), tzinfo=UTC) + timedelta(hours=18))
    return sales.sell(
        by=by,
        weights={piece: 1},
        price_cents=price_cents,
        paid_on=on if paid_on == "same" else paid_on,
        **fields,
    )


@pytest.mark.parametrize("method", ["fifo", "average"])
@pytest.mark.parametrize("seed", range(4))
def test_shops_played_through_the_actions_agree_with_a_second_bookkeeper(shop, owner, helper, method, seed):
    shop.stock_method = method
    shop.year_starts_month, shop.year_starts_day = [(1, 1), (4, 6), (7, 1), (2, 28)][seed]
    shop.save()
    story = ShopStory(f"{method} {seed}", shop=shop, owner=owner, helper=helper)
    books = books_of(shop)

    assert len(books.years) > 1
    for year in books.years:
        figures = books.figures(year)
        theirs = figures_from(story.ledger, first=year.first, end=year.end)
        ours = same_shape(figures)
        # The shop's own headings: tools under their usual name.
        ours["expenses"]["tools"] = figures.expenses.get("Tools", 0)
        assert ours == theirs
        assert (figures.difference, figures.offenders, figures.problems) == (0, (), ())


@pytest.mark.parametrize("method", list(Method))
def test_stored_costs_are_what_costing_everything_anew_gives(shop, owner, helper, method):
    shop.stock_method = "average" if method is Method.AVERAGE else "fifo"
    shop.save()
    ShopStory("anew", shop=shop, owner=owner, helper=helper)

    stored, _ = shop_facts(zone=shop.zone)
    anew, _ = shop_facts(zone=shop.zone, method=method)

    def costs(lines):
        return sorted((line.source, line.kind.value, line.cents) for line in lines if line.lot or line.into)

    assert costs(stored) == costs(anew)


def test_piece_pages_and_the_year_are_one_fold(shop, owner, helper):
    ShopStory("one fold", shop=shop, owner=owner, helper=helper)
    books = books_of(shop)

    one_by_one = figures_of(None, shop=shop)

    unpaid = {piece for piece, figures in one_by_one.items() if figures.price != books.pieces[piece].price}
    for piece, figures in books.pieces.items():
        assert figures.basis == one_by_one[piece].basis
        if piece not in unpaid:
            assert figures.margin == one_by_one[piece].margin


# Local dates


@pytest.mark.parametrize(
    ("zone", "utc"),
    [
        # Half past eleven in the evening of 31 December by the shop's clock, from -10 h to +13 h.
        ("Pacific/Honolulu", datetime(2026, 1, 1, 9, 30, tzinfo=UTC)),
        ("America/Chicago", datetime(2026, 1, 1, 5, 30, tzinfo=UTC)),
        ("UTC", datetime(2025, 12, 31, 23, 30, tzinfo=UTC)),
        ("Asia/Kolkata", datetime(2025, 12, 31, 18, 0, tzinfo=UTC)),
        ("Pacific/Auckland", datetime(2025, 12, 31, 10, 30, tzinfo=UTC)),
    ],
)
def test_late_work_on_the_last_evening_counts_in_the_old_year(shop, owner, zone, utc):
    shop.time_zone = zone
    shop.save()
    with timezone.override(shop.zone):
        piece = make_piece(by=owner, price_cents=5000, on=date(2025, 12, 1))
        make_time(person=owner, piece=piece, minutes=20, now=utc + timedelta(minutes=20))
    books = books_of(shop)

    assert books.figures(books.year(NEW_YEARS_EVE)).owner_minutes == 20
    assert books.figures(books.year(date(2026, 1, 1))).owner_minutes == 0


@pytest.mark.parametrize("start", [(4, 6), (7, 1), (2, 28), (1, 1)])
def test_a_sale_of_the_last_day_and_one_of_the_first_fall_in_two_years(shop, owner, start):
    shop.year_starts_month, shop.year_starts_day = start
    shop.save()
    first_day = date(2025, *start)
    for on in (first_day - timedelta(days=1), first_day):
        piece = make_piece(by=owner, price_cents=1000, on=date(2024, 10, 1), stage=Stage.READY)
        sell(piece, by=owner, on=on, price_cents=7000)
    books = books_of(shop)
    old, new = books.year(first_day - timedelta(days=1)), books.year(first_day)

    assert old.end == new.first == first_day
    assert books.figures(old).revenue == books.figures(new).revenue == 7000


def test_the_29th_of_february_is_in_a_year(shop, owner):
    shop.year_starts_month, shop.year_starts_day = 2, 28
    shop.save()
    piece = make_piece(by=owner, price_cents=1000, on=date(2024, 2, 29), stage=Stage.READY)
    sell(piece, by=owner, on=date(2024, 2, 29))
    books = books_of(shop)
    year = books.year(date(2024, 2, 29))

    assert (year.first, year.end) == (date(2024, 2, 28), date(2025, 2, 28))
    assert (books.figures(year).revenue, books.figures(year).difference) == (20000, 0)


def test_a_sale_counts_in_the_year_it_was_paid(shop, owner):
    piece = make_piece(by=owner, price_cents=1000, on=date(2025, 10, 1), stage=Stage.READY)
    sale = sell(piece, by=owner, on=NEW_YEARS_EVE, paid_on=None)
    assert books_of(shop).figures(books_of(shop).year(NEW_YEARS_EVE)).revenue == 0

    sales.change_sale(sale, paid_on=date(2026, 1, 4))
    books = books_of(shop)

    assert books.figures(books.year(NEW_YEARS_EVE)).closing_stock == 1000
    assert books.figures(books.year(date(2026, 1, 4))).revenue == 20000


def test_a_piece_sold_given_back_and_never_paid_leaves_no_trace_but_the_freight(shop, owner):
    piece = make_piece(by=owner, price_cents=1000, on=date(2025, 10, 1), stage=Stage.READY)
    sale = sell(piece, by=owner, on=date(2025, 11, 1), paid_on=None)
    sales.take_back(
        sale.shares.get(),
        by=owner,
        refund_cents=0,
        freight_cents=700,
        returned_on=date(2025, 11, 9),
        reason="no",
    )
    books = books_of(shop)
    figures = books.figures(books.year(NEW_YEARS_EVE))

    assert (figures.problems, figures.revenue, figures.selling_total, figures.closing_stock) == (
        (),
        0,
        700,
        1000,
    )


def test_kept_in_one_year_and_sold_in_the_next_leaves_the_first_as_it_was(shop, owner):
    piece = make_piece(by=owner, price_cents=4000, on=date(2024, 5, 1))
    pieces.move(piece, Stage.KEPT, by=owner, on=date(2024, 8, 1))
    before = books_of(shop).figures(books_of(shop).year(date(2024, 8, 1)))

    piece.refresh_from_db()
    pieces.move(piece, Stage.READY, by=owner, on=date(2025, 2, 1))
    piece.refresh_from_db()
    sell(piece, by=owner, on=date(2025, 3, 1))
    books = books_of(shop)

    assert (
        books.figures(books.year(date(2024, 8, 1))).by_the_door == before.by_the_door == before.kept == 4000
    )
    later = books.figures(books.year(date(2025, 3, 1)))
    assert (later.kept, later.cost_of_sales, later.difference) == (-4000, 4000, 0)
    assert [line.kind for line in later.lines if not line.cents] == [Kind.RETURNED]


def test_a_cost_after_the_sale_restates_the_piece_and_is_flagged(shop, owner, owner_client):
    piece = make_piece(by=owner, price_cents=4000, on=date(2025, 5, 1), stage=Stage.READY)
    sell(piece, by=owner, on=date(2025, 6, 1))
    from flips.actions.receipts import add_line, new_receipt

    late = new_receipt(by=owner, shop_name="Van hire", bought_on=date(2026, 2, 1), total_cents=1500)
    add_line(late, by=owner, destination="transport", text="Van", amount_cents=1500, piece=piece)
    books = books_of(shop)

    assert books.figures(books.year(date(2025, 6, 1))).margin == 16000
    assert books.figures(books.year(date(2026, 2, 1))).late_costs == 1500
    assert figures_of([piece.pk], shop=shop)[piece.pk].margin == 14500
    assert "costs that came after the sale" in owner_client.get("/money/years/2026-01-01/").content.decode()


# The review


@pytest.fixture
def told(shop, owner, helper):
    shop.wanted_hourly_cents = 2000
    shop.save()
    return ShopStory("told", shop=shop, owner=owner, helper=helper, days=90)


def test_every_figure_is_the_sum_of_its_lines(shop, told):
    books = books_of(shop)
    from flips.models.sources import traces_of

    for year in books.years:
        figures = books.figures(year)
        names = [
            name
            for name in LABELS
            if name not in ("stock_at_start", "closing_stock") and "minutes" not in name
        ]
        names += [f"expenses/{name}" for name in figures.expenses]
        names += [f"selling_costs/{name}" for name in figures.selling_costs]
        for name in names:
            traces = traces_of(books, year, figures, name)
            assert sum(trace.cents for trace in traces) == cents_of(figures, name), name
        for name in ADDS_UP:
            shown = {
                "goods_available": figures.cost_of_goods["40"],
                "goods_gone": figures.cost_of_goods["42"],
            }
            shown["withdrawn_purchases"] = figures.cost_of_goods["36"]
            shown["lost"] = figures.written_off + figures.shrinkage + figures.used_otherwise
            assert cents_of(figures, name) == shown.get(name, getattr(figures, name, None)), name


def test_every_row_of_the_statement_leads_to_a_figure(shop, told):
    books = books_of(shop)
    read = review(books, books.present)

    for section in statement(read, shop=shop):
        for row in section.rows:
            if row.figure:
                assert row.figure in LABELS or row.figure in COMPOSED or "/" in row.figure


def test_tables_by_kind_place_and_channel_add_up_to_the_year(shop, told):
    books = books_of(shop)
    for year in books.years:
        read = review(books, year)
        for groups in (read.by_kind, read.by_place, read.by_channel):
            assert sum(group.revenue for group in groups) == read.figures.revenue
            assert sum(group.selling_costs for group in groups) == read.figures.selling_total
            assert sum(group.cost_of_sales for group in groups) == read.figures.cost_of_sales
            assert sum(group.margin for group in groups) == read.figures.margin
            assert sum(group.minutes for group in groups) == read.figures.owner_minutes
        assert sum(month.revenue for month in read.months) == read.figures.revenue
        assert sum(month.margin for month in read.months) == read.figures.margin
        assert sum(month.expenses for month in read.months) == read.figures.expenses_total
        by_line = sum(cents for _, cents in read.by_line)
        assert by_line == read.figures.expenses_total + read.figures.selling_total


def test_closing_stock_of_a_year_is_opening_stock_of_the_next(shop, told):
    books = books_of(shop)
    figures = [books.figures(year) for year in books.years]

    # Line 41 of a year equals line 35 of the next (instructions for Schedule C, 2025, secondary text).
    for one, following in zip(figures, figures[1:], strict=False):
        assert one.cost_of_goods["41"] == following.cost_of_goods["35"] - following.brought_in


def test_schedule_c_lines_mean_what_the_form_says():
    assert schedule_c.LINES.items() <= LINES.items()
    assert set(USUAL_CATEGORIES.values()) <= set(LINES)


def test_her_own_chart_wins_over_the_usual_line(shop, told):
    ExpenseCategory.objects.filter(name="rent").update(tax_line="4400 Premises")
    make_category(name="Packing", tax_line="4711 Cartons")
    books = books_of(shop)
    lines = {
        row.name: row.line_words
        for year in books.years
        for row in [*review(books, year).expenses, *review(books, year).selling]
    }

    assert lines["rent"] == "4400 Premises"
    assert lines["packing"] == "4711 Cartons"
    assert lines["marketplace fees"] == "10 Commissions and fees"


def test_without_hours_there_is_a_dash(shop, owner, owner_client):
    piece = make_piece(by=owner, price_cents=1000, on=date(2025, 5, 1), stage=Stage.READY)
    sell(piece, by=owner, on=date(2025, 6, 1))
    books = books_of(shop)
    figures = books.figures(books.year(date(2025, 6, 1)))

    assert (figures.hourly, figures.pay_an_hour) == (None, None)
    page = owner_client.get("/money/years/2025-01-01/figures/hourly/").content.decode()
    assert "–" in page


def test_money_asleep_counts_from_the_day_it_came_back(shop, owner):
    piece = make_piece(by=owner, price_cents=1000, on=date(2025, 1, 5), what="Sleeper", stage=Stage.READY)
    again = make_piece(by=owner, price_cents=500, on=date(2025, 1, 5), what="Came back", stage=Stage.READY)
    sale = sell(again, by=owner, on=date(2025, 2, 1))
    sales.take_back(sale.shares.get(), by=owner, refund_cents=0, returned_on=date(2025, 12, 1), reason="no")
    books = books_of(shop, today=date(2026, 1, 10))

    asleep = review(books, books.year(date(2025, 1, 5))).asleep

    assert [(row.text, row.days, row.cents) for row in asleep] == [(piece.what, 360, 1000)]


def test_a_change_of_the_tax_year_makes_a_short_year_and_leaves_closed_ones(shop, owner):
    make_piece(by=owner, price_cents=1000, on=date(2024, 5, 1))
    close_year(date(2024, 1, 1), by=owner, today=date(2026, 11, 25))
    shop.year_starts_month = 4
    shop.save()

    years = [(year.first, year.end) for year in books_of(shop).years]

    assert years[:3] == [
        (date(2024, 1, 1), date(2025, 1, 1)),
        (date(2025, 1, 1), date(2025, 4, 1)),
        (date(2025, 4, 1), date(2026, 4, 1)),
    ]


def test_both_ways_of_costing_are_shown(shop, owner):
    piece = make_piece(by=owner, price_cents=1000, on=date(2025, 1, 1))
    for cost in (1000, 3000):
        lot = stock.add_lot(
            by=owner, name="Varnish", unit="l", origin="opening", cost_cents=cost, quantity_millionths=10**6,
            came_on=date(2025, 1, 2),
        )  # fmt: skip
    del lot
    oldest = stock.Lot.objects.order_by("pk").first()
    stock.take(by=owner, piece=piece, lot=oldest, quantity_millionths=10**6, used_on=date(2025, 2, 1))
    books = books_of(shop)
    read = review(books, books.year(date(2025, 2, 1)))

    # Oldest first leaves the dear one; the average leaves half of both.
    assert read.figures.stock_at_end == {("lot", oldest.pk + 1): 3000, ("piece", piece.pk): 2000}
    assert sum(cents for (what, _), cents in read.other_way.stock_at_end.items() if what == "lot") == 2000


# Pages


def test_from_any_figure_to_the_photo_of_its_slip_in_three_taps(shop, owner, owner_client, slip):
    page = owner_client.get("/money/years/2025-01-01/").content.decode()
    assert "/money/years/2025-01-01/figures/materials/" in page

    lines = owner_client.get("/money/years/2025-01-01/figures/materials/").content.decode()

    assert f"/photos/{slip.pk}/" in lines
    assert f"/receipts/{slip.receipt_id}/" in lines or f"/stock/{slip.receipt.lines.get().lot_id}/" in lines


@pytest.fixture
def slip(shop, owner):
    import io

    from django.core.files.uploadedfile import SimpleUploadedFile
    from PIL import Image

    from flips.actions.receipts import add_line, new_receipt
    from flips.photos import read_photo

    out = io.BytesIO()
    Image.new("RGB", (80, 120), "white").save(out, "JPEG")
    photo = read_photo(SimpleUploadedFile("slip.jpg", out.getvalue(), "image/jpeg"))
    receipt = new_receipt(
        by=owner, shop_name="Corner Hardware", bought_on=date(2025, 3, 4), total_cents=2500, photos=[photo]
    )
    add_line(
        receipt, by=owner, destination="stock", text="Varnish", amount_cents=2500,
        lot={"name": "Varnish", "unit": "l", "quantity_millionths": 10**6},
    )  # fmt: skip
    return receipt.photos.get()


PAGES = [
    "/money/",
    "/money/years/",
    "/money/how/",
    "/money/years/2025-01-01/",
    "/money/years/2025-01-01/review.pdf",
    "/money/years/2025-01-01/pack/",
    "/money/years/2025-01-01/pack.zip",
    "/money/years/2025-01-01/close/",
    "/money/opening/",
    "/money/opening/piece/",
    "/money/imports/",
    *(f"/money/years/2025-01-01/figures/{name}/" for name in [*LABELS, *COMPOSED, "tax", "expenses/rent"]),
]


def test_pages_of_the_books_open_for_the_owner_only(told, owner_client, helper_client, client):
    for address in PAGES:
        assert owner_client.get(address).status_code == 200, address
        assert helper_client.get(address).status_code == 403, address
        assert client.get(address).status_code == 302, address


def test_a_figure_nobody_knows_is_not_found(told, owner_client):
    for figure in (
        "nonsense",
        "expenses",
        "selling_costs/",
        "__class__",
        "lines",
        "journal",
        "pieces",
        "behind",
    ):
        assert owner_client.get(f"/money/years/2025-01-01/figures/{figure}/").status_code == 404
    assert owner_client.get("/money/years/2025-13-45/").status_code == 404
    assert owner_client.get("/money/years/1999-01-01/").status_code == 404


@pytest.mark.parametrize(
    "address",
    ["/money/", "/money/years/", "/money/years/2025-01-01/", "/money/years/2025-01-01/figures/revenue/"],
)
def test_pages_ask_the_same_number_of_questions_for_few_rows_and_many(
    shop, owner, helper, owner_client, address
):
    channel = make_channel()

    def sold(number):
        piece = make_piece(
            by=owner, price_cents=1000, on=date(2025, 5, 1), kind=f"kind {number}", stage=Stage.READY
        )
        sell(piece, by=owner, on=date(2025, 6, 1), channel=channel)

    for number in range(2):
        sold(number)
    owner_client.get(address)
    with CaptureQueriesContext(
        connection,
    ) as few:
        owner_client.get(address)
    for number in range(12):
        sold(number)
    with CaptureQueriesContext(connection) as many:
        owner_client.get(address)

    assert len(many) == len(few)


def test_a_piece_from_before_is_stock_and_not_bought(shop, owner):
    with timezone.override(shop.zone):
        bring_in_piece(by=owner, what="Old settle", basis_cents=8000, on=date(2025, 1, 1), stage=Stage.LISTED)
    books = books_of(shop)
    figures = books.figures(books.year(date(2025, 1, 1)))

    assert (figures.opening_stock, figures.bought, figures.closing_stock, figures.difference) == (
        8000,
        0,
        8000,
        0,
    )
    assert Piece.objects.get().stage == Stage.LISTED


def test_each_figure_of_a_piece_opens_its_lines(shop, owner, owner_client):
    piece = make_piece(by=owner, price_cents=1000, on=date(2025, 5, 1), stage=Stage.READY)
    sell(piece, by=owner, on=date(2025, 6, 1))
    for figure in (
        "paid_in",
        "basis",
        "margin",
        "revenue",
        "hourly",
        "after_wages",
        "owner_minutes",
        "selling_total",
    ):
        assert owner_client.get(f"/pieces/{piece.pk}/figures/{figure}/").status_code == 200
    assert owner_client.get(f"/pieces/{piece.pk}/figures/nonsense/").status_code == 404


def test_years_of_other_lines_do_not_move_a_year(shop, told):
    books = books_of(shop)
    year = books.years[1]

    alone = year_figures(
        [line for line in books.lines if line.on < year.end],
        first=year.first,
        end=year.end,
        hours=books.hours,
    )

    assert alone.profit == books.figures(year).profit


def test_the_demo_shop_closes_its_years_with_nothing_left_over(db, client):
    """The invented shop, entered through its own actions, closes year after year and its pack adds up."""
    import zipfile
    from io import BytesIO

    from flips.demo.story import ZONE, tell
    from flips.models import Person, YearClose
    from tests.flips.conftest import BY_PASSWORD

    with timezone.override(ZONE):
        shop = tell(today=timezone.localdate())
        books = Books.read(shop, today=timezone.localdate())
    client.force_login(Person.objects.get(username="owner"), backend=BY_PASSWORD)
    over = [year for year in books.years if year.is_over(books.today)]

    for year in over:
        response = client.post(f"/money/years/{year.first}/close/", {"note": ""})
        assert response.status_code == 302, response.content.decode()
    assert [close.figures["difference"] for close in YearClose.objects.shut()] == [0] * len(over)
    assert len(over) >= 2
    for year in over:
        pack = zipfile.ZipFile(
            BytesIO(b"".join(client.get(f"/money/years/{year.first}/pack.zip").streaming_content))
        )
        assert "review.pdf" in pack.namelist()
        assert f"{year}" in client.get(f"/money/years/{year.first}/").content.decode()


def test_every_cell_of_the_tables_is_the_sum_of_its_lines(shop, told):
    from flips.models.sources import part_of

    books = books_of(shop)
    cells = 0
    for year in books.years:
        read = review(books, year)

        def shown(figure, key="", value="", *, year=year, read=read):
            part = part_of(books, year, read.figures, figure=figure, key=key, value=value)
            if part.spells is not None:
                return sum(spell.minutes for spell in part.spells)
            return sum(trace.cents for trace in part.traces)

        for key, groups in (("kind", read.by_kind), ("place", read.by_place), ("channel", read.by_channel)):
            for group in groups:
                assert shown("revenue", key, group.name) == group.revenue
                assert shown("selling_total", key, group.name) == group.selling_costs
                assert shown("cost_of_sales", key, group.name) == group.cost_of_sales
                assert shown("margin", key, group.name) == group.margin
                assert shown("owner_minutes", key, group.name) == group.minutes
                cells += 1
        for month in read.months:
            assert shown("revenue", "month", month.first.isoformat()) == month.revenue
            assert shown("margin", "month", month.first.isoformat()) == month.margin
            assert shown("expenses_total", "month", month.first.isoformat()) == month.expenses
        for row in read.techniques:
            assert shown("attempts", "technique", row.name) == row.cents
            assert shown("attempt_minutes", "technique", row.name) == row.minutes
            assert shown("failed_attempts", "technique", row.name) == row.failed_cents
            assert shown("failed_minutes", "technique", row.name) == row.failed_minutes
        for words, cents in read.by_line:
            assert shown(f"form/{words or 'No line yet'}") == cents
        for trips in read.trips:
            assert shown(trips.figure) == trips.cents
    assert cells


def test_every_link_of_the_review_to_a_figure_opens(shop, told, owner_client):
    import html
    import re

    page = owner_client.get("/money/years/2025-01-01/").content.decode()
    links = {html.unescape(link) for link in re.findall(r'href="(/money/years/[^"]*/figures/[^"]*)"', page)}

    assert "This is no tax advice" in page
    assert any("?kind=" in link for link in links)
    assert any("/figures/form/" in link for link in links)
    for link in links:
        assert owner_client.get(link).status_code == 200, link


@pytest.mark.parametrize(
    "address",
    [
        "revenue/?kind=nonsense",
        "nonsense/?month=2025-01-01",
        "revenue/?month=2025-01-02",
        "revenue/?month=x",
        "attempts/?technique=nonsense",
        "attempts/",
        "form/nonsense/",
        "trips/99-mi/",
        "revenue/?month=2025-01-01&kind=No+kind+given",
    ],
)
def test_a_part_nobody_knows_is_not_found(told, owner_client, address):
    assert owner_client.get(f"/money/years/2025-01-01/figures/{address}").status_code == 404


def test_a_part_asks_the_same_number_of_questions_for_few_lines_and_many(shop, owner, owner_client):
    address = "/money/years/2025-01-01/figures/margin/?kind=chest"

    def sold():
        piece = make_piece(by=owner, price_cents=1000, on=date(2025, 5, 1), kind="chest", stage=Stage.READY)
        sell(piece, by=owner, on=date(2025, 6, 1))

    sold()
    owner_client.get(address)
    with CaptureQueriesContext(connection) as few:
        assert owner_client.get(address).status_code == 200
    for _ in range(6):
        sold()
    with CaptureQueriesContext(connection) as many:
        owner_client.get(address)

    assert len(many) == len(few)
