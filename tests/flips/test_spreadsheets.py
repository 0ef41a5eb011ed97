"""Tables as people's spreadsheets save them."""

import contextlib
from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from flips.spreadsheets import (
    BadTable,
    guess_columns,
    guess_day_first,
    guess_decimal_comma,
    read_day,
    read_table,
    with_point,
)

TEXT = "Piece;Bought on;Paid\r\nChaise à bras;12.03.2024;45,50\r\nStühle, zwei;1.4.2024;80\r\n"


@pytest.mark.parametrize(
    "encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "latin-1", "cp1252"]
)
def test_any_usual_encoding_is_read(encoding):
    table = read_table(TEXT.encode(encoding))

    assert table.heads == ("Piece", "Bought on", "Paid")
    assert table.rows == (("Chaise à bras", "12.03.2024", "45,50"), ("Stühle, zwei", "1.4.2024", "80"))
    assert table.numbers == (2, 3)


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
def test_any_usual_delimiter_is_found(delimiter):
    text = delimiter.join(["a", "b", "c"]) + "\n" + delimiter.join(['"x, y; z"', "1", "2"])

    assert read_table(text.encode()).rows == (("x, y; z", "1", "2"),)


def test_a_named_delimiter_is_obeyed():
    assert read_table(b"sep=;\r\na;b\r\n1,2;3\r\n").rows == (("1,2", "3"),)


def test_a_cell_may_hold_line_breaks_and_rows_keep_their_line():
    table = read_table(b'a,b\n"one\ntwo",1\n,\nx,2\n')

    assert table.rows == (("one two", "1"), ("x", "2"))
    assert table.numbers == (2, 5)


def test_short_rows_are_filled_and_empty_ones_left_out():
    assert read_table(b"a,b,c\n1\n\n ,, \n1,2,3\n").rows == (("1", "", ""), ("1", "2", "3"))


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"", "empty"),
        (b"  \n ", "empty"),
        (b"PK\x03\x04 rest", "Save it as CSV"),
        (b"%PDF-1.7", "no table"),
        (b"a,b\n", "line of headings and rows"),
        (b"a\n" + b"x\n" * 501, "500 at a time"),
        (b",".join([b"x"] * 61) + b"\n" + b",".join([b"1"] * 61), "60 at most"),
        (b"a,b\n" + b"1,2\n" * 700_000, "2 MB"),
    ],
)
def test_what_is_no_table_is_told(data, said):
    with pytest.raises(BadTable, match=said):
        read_table(data)


@given(st.binary(max_size=400))
def test_no_file_crashes_the_reader(data):
    with contextlib.suppress(BadTable):
        table = read_table(data)

        assert all(len(row) == len(table.heads) for row in table.rows)


@pytest.mark.parametrize(
    ("cell", "day_first", "day"),
    [
        ("2025-03-04", False, date(2025, 3, 4)),
        ("2025-03-04 13:45:00", False, date(2025, 3, 4)),
        ("2025-03-04T13:45", True, date(2025, 3, 4)),
        ("3/4/2025", False, date(2025, 3, 4)),
        ("3/4/2025", True, date(2025, 4, 3)),
        ("3/4/2025 1:45 PM", False, date(2025, 3, 4)),
        ("04.03.2025", True, date(2025, 3, 4)),
        ("4-3-25", True, date(2025, 3, 4)),
        ("3/4/99", False, date(1999, 3, 4)),
        ("20250304", False, date(2025, 3, 4)),
        ("4 Mar 2025", False, date(2025, 3, 4)),
        ("4-Mar-2025", False, date(2025, 3, 4)),
        ("March 4, 2025", False, date(2025, 3, 4)),
        ("29/2/2024", True, date(2024, 2, 29)),
    ],
)
def test_dates_as_spreadsheets_write_them(cell, day_first, day):
    assert read_day(cell, day_first=day_first) == day


@pytest.mark.parametrize(
    "cell", ["", "soon", "29/2/2025", "13/13/2025", "2025-00-10", "1/2/3", "45000", "0001-01-01"]
)
def test_what_is_no_date_is_told(cell):
    with pytest.raises(ValueError, match=r"no date|year"):
        read_day(cell, day_first=True)


@given(st.dates(date(1970, 1, 1), date(2069, 12, 31)), st.booleans())
def test_dates_come_back_as_they_were_written(day, day_first):
    for written in (
        day.isoformat(),
        day.strftime("%d/%m/%Y" if day_first else "%m/%d/%Y"),
        day.strftime("%d %b %Y"),
    ):
        assert read_day(written, day_first=day_first) == day


def test_the_order_of_a_date_shows_in_the_column():
    assert guess_day_first(["3/4/2025", "25/4/2025"]) is True
    assert guess_day_first(["3/4/2025", "4/25/2025"]) is False
    assert guess_day_first(["3.4.2025"]) is True
    assert guess_day_first(["3/4/2025", "2025-01-31"]) is None


def test_the_decimal_sign_shows_in_the_column():
    assert guess_decimal_comma(["1.234,50", "80"]) is True
    assert guess_decimal_comma(["1,234.50", "1,000"]) is False
    assert guess_decimal_comma(["1,000", "80"]) is None
    assert guess_decimal_comma(["12,5", "12.5"]) is None


@pytest.mark.parametrize(
    ("cell", "comma", "read"),
    [
        ("1.234", True, "1234"),
        ("1.234,50", True, "1234.50"),
        ("1'234.50", False, "1234.50"),
        ("1,234", False, "1234"),
        ("12,50", None, "12,50"),
    ],
)
def test_amounts_are_turned_to_a_point(cell, comma, read):
    assert with_point(cell, decimal_comma=comma) == read


def test_columns_are_found_by_their_headings():
    found = guess_columns(
        ["Item name", "Purchase date", "Cost", "Sale price", "Sold"],
        [
            ("what", ("item", "piece")),
            ("bought_on", ("purchase date", "date")),
            ("paid", ("cost", "price")),
            ("sold_on", ("sold",)),
            ("price", ("sale price", "price")),
        ],
    )

    assert found == {"what": 0, "bought_on": 1, "paid": 2, "sold_on": 4, "price": 3}
