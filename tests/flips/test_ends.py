"""Ends of a piece without a sale: parts saved never above what it cost, the rest written off."""

from datetime import date

import pytest
from django.core.exceptions import ValidationError
from django.urls import reverse

from flips.actions import ends
from flips.actions.ends import Salvaged
from flips.actions.undo import take_back
from flips.books import year_figures
from flips.models import MILLION, Lot, Stage
from flips.models.facts import shop_facts
from tests.makers import make_piece

pytestmark = pytest.mark.django_db

DAY = date(2026, 3, 10)


def year(shop):
    lines, _ = shop_facts(zone=shop.zone)
    return year_figures(lines, first=date(2026, 1, 1), end=date(2027, 1, 1))


@pytest.fixture
def piece(owner):
    return make_piece(by=owner, price_cents=5000, on=date(2026, 1, 5), stage="in_work")


def salvaged(cents, name="Brass pulls"):
    return Salvaged(name, 4 * MILLION, cents)


def test_scrapping_writes_off_what_no_part_carries(owner, shop, piece):
    ends.end_piece(
        piece,
        Stage.SCRAPPED,
        by=owner,
        on=DAY,
        reason="Worm",
        salvage=[salvaged(1200), salvaged(300, "Oak boards")],
    )

    figures = year(shop)
    assert (figures.written_off, figures.closing_stock, figures.difference) == (3500, 1500, 0)


def test_parts_never_carry_more_than_the_piece_has_cost(owner, piece):
    with pytest.raises(ValidationError, match="no more"):
        ends.end_piece(
            piece,
            Stage.SCRAPPED,
            by=owner,
            on=DAY,
            reason="Worm",
            salvage=[salvaged(3000), salvaged(2001, "Boards")],
        )

    piece.refresh_from_db()
    assert piece.stage == Stage.IN_WORK
    assert not Lot.objects.exists()


@pytest.mark.parametrize(("stage", "figure"), [(Stage.KEPT, "kept"), (Stage.GIVEN_AWAY, "given_away")])
def test_kept_and_given_away_leave_at_basis_and_are_no_cost_of_sales(stage, figure, owner, shop, piece):
    ends.end_piece(piece, stage, by=owner, on=DAY)

    figures = year(shop)
    assert (getattr(figures, figure), figures.cost_of_sales, figures.profit) == (5000, 0, 0)
    assert figures.difference == 0


def test_a_kept_piece_gives_no_parts(owner, piece):
    with pytest.raises(ValidationError, match="Only a piece that is scrapped"):
        ends.end_piece(piece, Stage.KEPT, by=owner, on=DAY, salvage=[salvaged(1)])


def test_an_end_just_entered_takes_its_parts_back_too(owner, shop, piece):
    change = ends.end_piece(piece, Stage.SCRAPPED, by=owner, on=DAY, reason="Worm", salvage=[salvaged(1200)])
    take_back("ended", "flips.stagechange", str(change.pk), by=owner)

    piece.refresh_from_db()
    figures = year(shop)
    assert piece.stage == Stage.IN_WORK
    assert (figures.closing_stock, figures.written_off) == (5000, 0)


def test_the_page_scraps_a_piece_and_puts_its_parts_into_stock(owner, owner_client, piece):
    address = reverse("piece_end", args=[piece.pk])
    page = owner_client.get(address).content.decode()
    answer = owner_client.post(
        address,
        {
            "stage": "scrapped",
            "on": "2026-03-10",
            "reason": "Worm",
            "name_0": "Brass pulls",
            "quantity_0": "4",
            "worth_0": "12",
        },
    )

    lot = Lot.objects.get()
    assert "$50.00" in page
    assert answer.status_code == 302
    assert (lot.cost_cents, lot.quantity_millionths, lot.salvaged_from) == (1200, 4 * MILLION, piece)


def test_too_much_in_the_parts_comes_back_with_what_was_typed(owner_client, piece):
    answer = owner_client.post(
        reverse("piece_end", args=[piece.pk]),
        {
            "stage": "scrapped",
            "on": "2026-03-10",
            "reason": "Worm",
            "name_0": "Brass pulls",
            "worth_0": "50.01",
        },
    )

    assert answer.status_code == 422
    assert "Salvage carries no more" in answer.content.decode()
    assert "Brass pulls" in answer.content.decode()


def test_scrapping_asks_why(owner_client, piece):
    answer = owner_client.post(
        reverse("piece_end", args=[piece.pk]), {"stage": "scrapped", "on": "2026-03-10"}
    )

    assert answer.status_code == 422
    assert "Say why" in answer.content.decode()


def test_a_helper_ends_no_piece(helper_client, piece):
    assert helper_client.get(reverse("piece_end", args=[piece.pk])).status_code == 403
