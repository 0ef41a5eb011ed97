"""The accountant's pack, read back out of the zip: its rows add up to the screen, and no cell is a formula."""

import csv
import io
import zipfile
from collections import defaultdict
from datetime import date
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from flips.actions import receipts
from flips.models import Photo
from flips.models.review import Books, review
from flips.papers.pack import BYTE_ORDER_MARK, safe_cell, table, write_pack
from flips.papers.year_statement import statement
from tests.flips.shop_story import ShopStory
from tests.flips.test_years import slip  # noqa: F401
from tests.makers import make_category, make_piece, make_shop


def rows_of(pack, name):
    text = pack.read(name).decode("utf-8")
    assert text.startswith(BYTE_ORDER_MARK)
    assert "\r\n" in text
    return list(csv.DictReader(io.StringIO(text.removeprefix(BYTE_ORDER_MARK))))


def total(rows, column):
    return sum((Decimal(row[column]) for row in rows if row[column]), Decimal(0))


@pytest.fixture
def books(shop, owner, helper):
    ShopStory("pack", shop=shop, owner=owner, helper=helper, days=90)
    return Books.read(shop, today=date(2026, 11, 25))


def dollars(cents):
    return Decimal(cents).scaleb(-2)


def test_sums_of_rows_equal_the_screen(shop, books):
    for year in books.years:
        figures = books.figures(year)
        pack = zipfile.ZipFile(write_pack(books, year, shop=shop))

        journal = rows_of(pack, "journal.csv")
        assert total(journal, "Debit") == total(journal, "Credit")
        balance = defaultdict(Decimal)
        for row in journal:
            balance[row["Account"]] += Decimal(row["Debit"] or 0) - Decimal(row["Credit"] or 0)
        income = ("Sales", "Delivery charged", "Tips", "Refunds")
        assert -sum(balance[name] for name in income) == dollars(figures.revenue)
        assert balance["Cost of sales"] == dollars(figures.cost_of_sales)
        assert balance["Money"] == dollars(figures.cash)
        expenses = sum(cents for name, cents in balance.items() if name.startswith("Expense: "))
        assert expenses == dollars(figures.expenses_total)

        trial = rows_of(pack, "trial balance.csv")
        assert total(trial, "Debit") == total(trial, "Credit")
        pieces = rows_of(pack, "pieces.csv")
        assert total(pieces, "Margin") == dollars(figures.margin)
        assert total(pieces, "Your minutes") == figures.owner_minutes
        assert total(rows_of(pack, "stock at the end.csv"), "Cost") == dollars(figures.closing_stock)
        spent = [row for row in rows_of(pack, "expenses.csv") if row["Group"] == "expense"]
        assert total(spent, "Amount") == dollars(figures.expenses_total)
        tax = [row for row in rows_of(pack, "tax by month.csv") if row["Collected by"] == "shop"]
        assert total(tax, "Collected") == dollars(
            sum(one.collected for one in figures.tax if one.collector == "shop")
        )
        assert total(rows_of(pack, "hours.csv"), "Minutes") == figures.owner_minutes + figures.helper_minutes


def test_every_figure_of_the_review_is_in_the_pack_as_it_is_on_the_screen(shop, books):
    year = books.years[1]
    pack = zipfile.ZipFile(write_pack(books, year, shop=shop))

    written = [(row["Section"], row["Figure"], row["Amount"]) for row in rows_of(pack, "figures.csv")]

    assert written == [
        (section.title, row.label, "" if row.cents is None else f"{dollars(row.cents):.2f}")
        for section in statement(review(books, year), shop=shop)
        for row in section.rows
    ]


def test_slips_are_named_by_date_and_shop_and_named_by_their_lines(shop, owner, slip):  # noqa: F811
    books = Books.read(shop, today=date(2026, 1, 1))

    pack = zipfile.ZipFile(write_pack(books, books.year(date(2025, 3, 4)), shop=shop))

    assert [name for name in pack.namelist() if name.startswith("slips/")] == [
        "slips/2025-03-04-corner-hardware-1.jpg"
    ]
    assert pack.read("slips/2025-03-04-corner-hardware-1.jpg")[:2] == b"\xff\xd8"
    assert {row["Slip"] for row in rows_of(pack, "lines.csv")} == {"slips/2025-03-04-corner-hardware-1.jpg"}
    assert pack.testzip() is None


def test_a_lost_photo_is_told_and_spoils_nothing(shop, owner, slip):  # noqa: F811
    photo = Photo.objects.get()
    photo.full.storage.delete(photo.full.name)
    books = Books.read(shop, today=date(2026, 1, 1))

    pack = zipfile.ZipFile(write_pack(books, books.year(date(2025, 3, 4)), shop=shop))

    assert "2025-03-04-corner-hardware-1.jpg" in pack.read("READ ME.txt").decode()


@pytest.mark.parametrize(
    ("cell", "written"),
    [
        # Cells that spreadsheets take for formulas: the signs of the OWASP page on CSV injection, from memory.
        ("=1+1", "'=1+1"),
        ("+49 30 1234", "'+49 30 1234"),
        ("-2 drawers", "'-2 drawers"),
        ("@home", "'@home"),
        ("\tindented", "'\tindented"),
        ("\rreturned", "'\rreturned"),
        (" =1+1", "' =1+1"),
        # True numbers stay numbers.
        (Decimal("-12.50"), "-12.50"),
        (-3, "-3"),
        (Decimal("1E+3"), "1000"),
        (date(2025, 1, 2), "2025-01-02"),
        (None, ""),
        ("Oak - and more", "Oak - and more"),
    ],
)
def test_text_that_could_be_a_formula_is_neutralised(cell, written):
    assert safe_cell(cell) == written


@given(
    st.lists(
        st.text(alphabet=st.characters(exclude_characters="\x00", exclude_categories=["Cs"])), min_size=1
    )
)
def test_no_text_in_a_table_begins_like_a_formula(cells):
    text = table(["x"], [[cell] for cell in cells]).decode()
    for row in csv.reader(io.StringIO(text.removeprefix(BYTE_ORDER_MARK), newline="")):
        assert not row or not row[0].startswith(("=", "+", "-", "@", "\t", "\r", "\n"))


@pytest.mark.parametrize(
    # Minor units by ISO 4217 (Unicode CLDR, read through Babel 2.18).
    ("code", "cents", "written"),
    [("JPY", 1234, "1234"), ("USD", 1234, "12.34"), ("KWD", 1234, "1.234")],
)
def test_amounts_have_the_decimals_of_their_currency(db, code, cents, written):
    shop = make_shop(currency_code=code)
    piece = make_piece(price_cents=cents, on=date(2025, 5, 1))
    receipt = receipts.new_receipt(
        by=piece.created_by, shop_name="=evil()", bought_on=date(2025, 5, 1), total_cents=cents
    )
    receipts.add_line(
        receipt, by=piece.created_by, destination="expense", text="=1+1", amount_cents=cents, category=make_category(name="@rent")
    )  # fmt: skip
    books = Books.read(shop, today=date(2025, 12, 1))

    pack = zipfile.ZipFile(write_pack(books, books.present, shop=shop))

    lines = rows_of(pack, "lines.csv")
    assert {row["Amount"] for row in lines} == {written}
    assert "'=1+1" in {row["Note"] for row in lines}
    assert [row["Category"] for row in rows_of(pack, "expenses.csv")] == ["'@rent"]
    assert written in [row["Amount"] for row in rows_of(pack, "figures.csv")]


def test_the_review_prints_with_its_heading_and_the_same_figures(shop, books, tmp_path):
    import subprocess

    from flips.papers.year_pdf import review_pdf

    year = books.years[1]
    file = tmp_path / "review.pdf"
    file.write_bytes(review_pdf(review(books, year), shop=shop, today=books.today))
    text = subprocess.run(
        ["pdftotext", "-layout", str(file), "-"], capture_output=True, text=True, check=True
    ).stdout
    figures = books.figures(year)

    for cents in (figures.revenue, figures.cost_of_sales, figures.by_the_shelf, figures.closing_stock):
        assert f"${abs(dollars(cents)):,.2f}" in text
    assert f"Year review {year}" in text
    assert "Page 2 of" in text
