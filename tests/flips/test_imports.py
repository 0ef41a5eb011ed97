"""Importing a table: previewed, carried out once, taken back as a whole."""

from datetime import date

import pytest
from django.core.exceptions import ValidationError
from django.core.files.uploadedfile import SimpleUploadedFile
from django.utils import timezone

from flips.actions import imports, pieces, stock
from flips.actions.closing import close_year
from flips.actions.imports import carry_out, match_columns, preview, start_import, take_back_import
from flips.models import (
    Channel,
    ExpenseCategory,
    Import,
    Lot,
    Piece,
    Purchase,
    Receipt,
    Sale,
    Stage,
    TimeEntry,
)
from flips.models.review import Books
from tests.makers import make_channel, make_piece, make_time

PIECES = b"""Item;Type;Date bought;Source;Cost;Date sold;Sold for;Fees;Platform;Hours;Status
Pine chest;chest;12.03.2024;Flea market;45,50;20.04.2024;180,00;18,00;Market hall;4,5;
Oak stool;stool;15.03.2024;Flea market;1.200,00;;;;;;ready
Broken row;stool;99.03.2024;x;abc;;;;;;
Cherry desk;desk;01.02.2023;Auction;80;;250,00;;;2:30;
"""


@pytest.fixture(autouse=True)
def clock(shop):
    with timezone.override(shop.zone):
        yield


def start(owner, data=PIECES, kind="pieces", **fields):
    return start_import(by=owner, kind=kind, file_name="table.csv", data=data, **fields)


def test_columns_dates_and_decimal_sign_are_guessed(owner):
    draft = start(owner)

    assert draft.columns == {
        "what": 0, "kind": 1, "bought_on": 2, "place": 3, "paid": 4, "sold_on": 5, "price": 6, "fee": 7, "channel": 8,
        "time": 9, "stage": 10,
    }  # fmt: skip
    assert (draft.day_first, draft.decimal_comma) == (True, True)


def test_the_preview_reads_every_row_and_stores_nothing(owner):
    read = preview(start(owner))

    assert [row.number for row in read.fine] == [2, 3, 5]
    assert read.fine[0].values["paid"] == 4550
    assert read.fine[0].values["time"] == 270
    assert read.fine[1].values["paid"] == 120000
    assert read.wrong[0].errors == [
        "Bought on: “99.03.2024” is no date I can read. Write it like 2025-03-31.",
        "Paid: “abc” is not an amount. Write it like 90.00.",
    ]
    assert "price counts as what you ask" in read.fine[2].notes[0]
    assert Piece.objects.count() == 0


def test_an_import_makes_pieces_sales_hours_and_channels(shop, owner):
    done = carry_out(start(owner), by=owner)

    assert done.rows_done == 3
    chest = Piece.objects.get(what="Pine chest")
    assert chest.stage == Stage.SOLD
    assert Sale.objects.get().paid_on == date(2024, 4, 20)
    assert Channel.objects.get().name == "Market hall"
    assert Piece.objects.get(what="Oak stool").stage == Stage.READY
    assert Piece.objects.get(what="Cherry desk").listed_cents == 25000
    books = Books.read(shop, today=date(2026, 1, 1))
    figures = books.figures(books.year(date(2024, 4, 20)))
    # 180.00 - 18.00 fee - 45.50 paid
    assert (figures.margin, figures.owner_minutes, figures.difference) == (11650, 270, 0)


def test_carrying_out_twice_changes_nothing(owner):
    draft = start(owner)
    carry_out(draft, by=owner)
    carry_out(draft, by=owner)

    assert Piece.objects.count() == 3


def test_the_same_rows_again_are_left_out_unless_wanted(owner):
    carry_out(start(owner), by=owner)
    again = start(owner)

    assert (len(preview(again).fine), len(preview(again).again)) == (0, 3)
    with pytest.raises(ValidationError, match="No row is left"):
        carry_out(again, by=owner)
    assert carry_out(again, by=owner, again_too=True).rows_done == 3


def test_the_same_row_twice_in_one_file_is_meant_twice(owner):
    data = b"what,bought on,paid\nchair,2024-01-01,5\nchair,2024-01-01,5\n"

    assert carry_out(start(owner, data), by=owner).rows_done == 2


def test_taking_back_takes_just_that_import(shop, owner):
    mine = make_piece(by=owner, price_cents=700, on=date(2024, 1, 1))
    before = Books.read(shop, today=date(2026, 1, 1)).lines
    done = carry_out(start(owner), by=owner)

    take_back_import(done, by=owner, reason="wrong file")

    assert Books.read(shop, today=date(2026, 1, 1)).lines == before
    assert [piece.pk for piece in Piece.objects.live()] == [mine.pk]
    assert not TimeEntry.objects.live().exists()
    assert len(preview(start(owner)).fine) == 3


def test_taking_back_is_refused_as_a_whole_where_work_went_on(owner):
    done = carry_out(start(owner), by=owner)
    stool = Piece.objects.get(what="Oak stool")
    make_time(person=owner, piece=stool, minutes=15)

    with pytest.raises(ValidationError, match=r"Line 3, Oak stool: Hours have been entered on it since"):
        take_back_import(done, by=owner, reason="wrong file")

    assert Sale.objects.live().count() == 1
    assert Piece.objects.live().count() == 3


def test_what_was_bought_before_the_books_comes_in_as_opening_stock(shop, owner):
    draft = start(owner, begins_on=date(2024, 3, 14))
    read = preview(draft)
    assert read.wrong[0].number == 4

    carry_out(draft, by=owner)

    assert Purchase.objects.get(shares__piece__what="Cherry desk").opening
    books = Books.read(shop, today=date(2026, 1, 1))
    figures = books.figures(books.years[0])
    # 80.00 for the desk and 45.50 for the chest, both bought before 14 March; the stool is bought.
    assert (books.years[0].first, figures.brought_in, figures.bought) == (date(2024, 1, 1), 12550, 120000)


def test_bought_and_sold_before_the_books_is_no_row_of_theirs(owner):
    read = preview(start(owner, begins_on=date(2024, 6, 1)))

    assert "bought and sold before these books begin" in read.wrong[0].errors[0]


def test_columns_can_be_matched_by_hand(owner):
    draft = start(owner, b"A,B,C\nchair,2024-01-01,5\n")
    assert preview(draft).missing == ["What it is", "Bought on", "Paid"]
    with pytest.raises(ValidationError, match="Say which column is"):
        carry_out(draft, by=owner)

    match_columns(
        draft,
        columns={"what": 0, "bought_on": 1, "paid": 2},
        day_first=False,
        decimal_comma=None,
        begins_on=None,
    )
    draft.refresh_from_db()

    assert carry_out(draft, by=owner).rows_done == 1
    with pytest.raises(ValidationError, match="carried out already"):
        match_columns(draft, columns={}, day_first=False, decimal_comma=None, begins_on=None)


def test_two_fields_cannot_be_one_column(owner):
    with pytest.raises(ValidationError, match="name the same column"):
        match_columns(
            start(owner), columns={"what": 0, "kind": 0}, day_first=False, decimal_comma=None, begins_on=None
        )


@pytest.mark.parametrize(
    ("row", "said"),
    [
        ("chair,2024-01-01,5,2023-01-01,9,", "sold before it was bought"),
        ("chair,2024-01-01,5,2024-02-01,,", "both the day and the price"),
        ("chair,2024-01-01,-5,,,", "can't be negative"),
        ("chair,2099-01-01,5,,,", "still to come"),
        (",2024-01-01,5,,,", "What it is is missing"),
        ("chair,2024-01-01,5,,,lost", "is none of"),
        ("chair,2024-01-01,5,,9,sold", "not on which day"),
        ("x" * 121 + ",2024-01-01,5,,,", "120 letters"),
    ],
)
def test_every_mistake_is_told_with_its_row(owner, row, said):
    read = preview(start(owner, f"what,bought on,paid,sold on,sold for,status\n{row}\n".encode()))

    assert said in " ".join(read.wrong[0].errors)


def test_rows_of_a_closed_year_are_left_out(owner):
    make_piece(by=owner, price_cents=700, on=date(2023, 1, 1))
    close_year(date(2023, 1, 1), by=owner, today=date(2026, 1, 1))

    read = preview(start(owner, b"what,bought on,paid\nchair,2023-05-01,5\nstool,2024-05-01,5\n"))

    assert read.wrong[0].errors == ["2023-05-01 is in a closed year."]
    assert [row.text for row in read.fine] == ["stool"]


def test_stock_hours_and_expenses_come_in_too(shop, owner):
    make_piece(by=owner, price_cents=700, what="Settle", on=date(2024, 1, 1))
    stock_table = b"Material,Qty,Unit,Value\nVarnish,0.5,l,12.40\n"
    hours_table = b"Date,Hours,Project,Task\n2024-02-01,1.5,settle,sanding\n2024-02-02,2:30,,sweeping\n2024-02-03,1,Sofa,x\n"
    spent = b"Date,Description,Total,Category,Vendor,Sales tax\n2024-02-01,Rent,500,Rent,Landlord,\n2024-02-02,Cups,10.80,Small supplies,Depot,0.80\n"
    carry_out(start(owner, stock_table, "stock", begins_on=date(2024, 1, 1)), by=owner)
    read = preview(start(owner, hours_table, "hours"))
    assert "no piece called “Sofa”" in read.wrong[0].errors[0]
    carry_out(start(owner, hours_table, "hours"), by=owner)
    done = carry_out(start(owner, spent, "expenses"), by=owner)
    books = Books.read(shop, today=date(2026, 1, 1))
    figures = books.figures(books.year(date(2024, 2, 1)))

    assert (figures.brought_in, figures.owner_minutes) == (1240, 240)
    assert figures.expenses == {"Rent": 50000, "Small supplies": 1080}
    assert set(ExpenseCategory.objects.values_list("name", flat=True)) == {"Rent", "Small supplies"}
    take_back_import(done, by=owner, reason="x")
    assert not Receipt.objects.live().exists()


def test_stock_that_was_used_is_not_taken_back(owner):
    piece = make_piece(by=owner, price_cents=700, on=date(2024, 1, 1))
    done = carry_out(start(owner, b"Material,Qty,Value\nVarnish,1,12\n", "stock"), by=owner)
    stock.take(by=owner, piece=piece, lot=Lot.objects.get(), quantity_millionths=1)

    with pytest.raises(ValidationError, match="Varnish"):
        take_back_import(done, by=owner, reason="x")


@pytest.mark.parametrize(
    ("text", "as_hours", "minutes"),
    [
        ("1.5", True, 90),
        ("1,5", True, 90),
        ("90", False, 90),
        ("1:30", True, 90),
        ("1 h 30", False, 90),
        ("90 min", True, 90),
        ("200 h", False, 12000),
    ],
)
def test_time_as_people_write_it(text, as_hours, minutes):
    assert imports.read_time(text, hours=as_hours) == minutes


def test_long_hours_are_kept_in_parts(owner):
    carry_out(start(owner, b"Date,Hours\n2024-02-01,100\n", "hours"), by=owner)

    assert sorted(TimeEntry.objects.values_list("minutes", flat=True)) == [240, 2880, 2880]


def test_the_fee_follows_the_rule_where_the_table_has_none(owner):
    from flips.actions.selling_rules import add_fee_rule

    channel = make_channel(name="Market hall")
    add_fee_rule(channel, from_on=date(2020, 1, 1), by=owner, percent_hundredths=1000)
    data = b"what,bought on,paid,sold on,sold for,channel\nchair,2024-01-01,5,2024-02-01,200,market hall\n"
    carry_out(start(owner, data), by=owner)

    assert Sale.objects.get().fee_cents == 2000
    assert Channel.objects.count() == 1


# Pages


def upload(client, data=PIECES, **fields):
    return client.post(
        "/money/imports/",
        {"kind": "pieces", "file": SimpleUploadedFile("table.csv", data), "begins_on": ""} | fields,
    )


def test_from_the_file_to_the_books_and_back(owner_client):
    response = upload(owner_client)
    address = response.headers["Location"]
    page = owner_client.get(address).content.decode()
    assert "Import 3 rows" in page
    assert "Line 4: " in page

    owner_client.post(f"{address}do/")
    owner_client.post(f"{address}do/")
    assert Piece.objects.live().count() == 3
    page = owner_client.get(address).content.decode()
    assert "Take this import back" in page
    owner_client.post(f"{address}void/", {"reason": "wrong file"})

    assert Piece.objects.live().count() == 0
    assert Import.objects.get().void_reason == "wrong file"


def test_a_file_that_is_no_table_keeps_the_form(owner_client):
    response = upload(owner_client, b"PK\x03\x04")

    assert response.status_code == 422
    assert "Save it as CSV first" in response.content.decode()


def test_the_undo_right_after_takes_it_back(owner_client, owner):
    address = upload(owner_client).headers["Location"]
    page = owner_client.post(f"{address}do/", follow=True).content.decode()
    token = page.split('name="token" value="')[1].split('"')[0]

    owner_client.post("/undo/", {"token": token})

    assert Piece.objects.live().count() == 0


def test_imports_and_openings_are_the_owners(helper_client, owner_client):
    address = upload(owner_client).headers["Location"]

    for page in (
        address,
        "/money/imports/",
        "/money/opening/",
        "/money/opening/piece/",
        "/money/opening/stock/",
        "/money/opening/hours/",
    ):
        assert helper_client.get(page).status_code == 403
        assert owner_client.get(page).status_code == 200
    assert helper_client.post(f"{address}do/").status_code == 403
    assert Piece.objects.count() == 0


def test_opening_forms_bring_things_in(shop, owner, owner_client):
    owner_client.post(
        "/money/opening/piece/",
        {"what": "Settle", "basis": "80", "on": "2025-01-01", "stage": "listed", "time": "12:30"},
    )
    owner_client.post(
        "/money/opening/stock/",
        {
            "name": "Varnish",
            "quantity": "0.5",
            "unit": "l",
            "cost": "12",
            "on": "2025-01-01",
            "kind": "finish",
        },
    )
    owner_client.post("/money/opening/hours/", {"person": owner.pk, "time": "3", "on": "2025-01-01"})
    books = Books.read(shop, today=date(2026, 1, 1))
    figures = books.figures(books.year(date(2025, 1, 1)))

    assert (figures.opening_stock, figures.bought, figures.owner_minutes) == (9200, 0, 930)
    assert "Settle" in owner_client.get("/money/opening/").content.decode()


def test_opening_forms_say_what_is_wrong_and_keep_the_rest(owner_client):
    response = owner_client.post(
        "/money/opening/piece/", {"what": "Settle", "basis": "x", "on": "", "stage": "bought"}
    )

    assert response.status_code == 422
    assert 'value="Settle"' in response.content.decode()


def test_a_voided_purchase_of_an_import_is_no_hindrance(owner):
    done = carry_out(start(owner, b"what,bought on,paid\nchair,2024-01-01,5\n"), by=owner)
    pieces.void_purchase(Purchase.objects.get(), by=owner, reason="never happened")

    take_back_import(done, by=owner, reason="x")

    assert Piece.objects.live().count() == 0
