"""The papers of a piece, read back from the PDF."""

import io
from datetime import UTC, date, datetime

import pytest
from django.urls import reverse
from pypdf import PdfReader

from estimating.papers.margin import Entry, MarginSheet, Section, margin_statement
from flips.actions import pieces, sales
from flips.models.facts import figures_of

pytestmark = pytest.mark.django_db


def text_of(content):
    return "\n".join(page.extract_text() for page in PdfReader(io.BytesIO(content)).pages)


@pytest.fixture
def sold(owner):
    piece = pieces.log_find(by=owner, what="Oak dresser", asking_cents=9000)
    pieces.buy(
        by=owner,
        weights={piece: 1},
        price_cents=8000,
        tax_cents=660,
        bought_on=date(2026, 3, 1),
        place="Barn sale",
    )
    piece.refresh_from_db()
    sales.sell(
        by=owner,
        weights={piece: 1},
        price_cents=25000,
        packing_cents=1234,
        sold_at=datetime(2026, 3, 9, 15, 0, tzinfo=UTC),
        paid_on=date(2026, 3, 9),
    )
    piece.refresh_from_db()
    return piece


def test_the_margin_statement_says_what_the_page_says(owner_client, sold, shop):
    figures = figures_of([sold.pk], shop=shop)[sold.pk]

    paper = text_of(owner_client.get(reverse("margin_pdf", args=[sold.pk])).content)
    page = owner_client.get(sold.get_absolute_url()).content.decode()

    assert figures.margin == 25000 - 1234 - 8660
    for amount in ("$151.06", "$86.60", "$250.00"):
        assert amount in paper
        assert amount in page
    assert "Barn sale" in paper


def test_the_sale_sheet_tells_the_buyer_no_cost(owner_client, sold):
    content = owner_client.get(reverse("sale_sheet_pdf", args=[sold.pk])).content
    read = PdfReader(io.BytesIO(content))

    told = text_of(content) + " ".join(str(value) for value in (read.metadata or {}).values())
    for secret in ("80.00", "86.60", "151.06", "12.34", "Barn sale", "argin"):
        assert secret not in told
    assert "Oak dresser" in told


def test_a_long_statement_repeats_its_heading_on_page_two():
    rows = [Entry("1 Mar 2026", f"Thing {number}", "", "$1.00") for number in range(90)]
    sheet = MarginSheet(
        shop="Shop",
        piece="Wardrobe",
        printed_on="9 Mar 2026",
        facts=[],
        pictures=[],
        sections=[Section("Parts bought", rows, "$90.00")],
        attempts=[],
        attempts_total=("0 min", "$0.00"),
        hours=[],
        figures=[("Basis", "$90.00", True)],
    )

    pages = PdfReader(io.BytesIO(margin_statement(sheet, size="letter"))).pages

    assert len(pages) > 1
    assert "Remark" in pages[0].extract_text()
    assert "Remark" in pages[1].extract_text()
    assert f"Page 2 of {len(pages)}" in pages[1].extract_text()


# ISO 216 and US Letter in points: 210 x 297 mm and 8.5 x 11 in at 72 to the inch (arithmetic).
@pytest.mark.parametrize(("paper", "points"), [("letter", (612, 792)), ("a4", (595.276, 841.89))])
def test_papers_are_the_size_the_shop_prints_on(owner_client, sold, shop, paper, points):
    shop.paper = paper
    shop.save()

    box = (
        PdfReader(io.BytesIO(owner_client.get(reverse("margin_pdf", args=[sold.pk])).content))
        .pages[0]
        .mediabox
    )

    assert (float(box.width), float(box.height)) == pytest.approx(points, abs=0.01)


@pytest.mark.parametrize("name", ["Ölmühle – Schrank ½", "中文柜子", "<b>bold</b> & co", "x" * 120])
def test_any_name_can_be_printed(owner_client, owner, name):
    piece = pieces.log_find(by=owner, what=name)

    assert owner_client.get(reverse("margin_pdf", args=[piece.pk])).content.startswith(b"%PDF")
    assert owner_client.get(reverse("sale_sheet_pdf", args=[piece.pk])).content.startswith(b"%PDF")
