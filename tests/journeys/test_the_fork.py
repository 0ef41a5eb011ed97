"""At the fork on a phone: a fault with four remedies, a failure, and the most to pay from the store aisle."""

import pytest
from django.urls import reverse

from flips.actions import remedies
from flips.models import Attempt, Fault, Remedy
from tests.makers import PASSWORD, make_owner, make_piece, make_shop

pytestmark = pytest.mark.django_db(transaction=True)

FOUR = (
    ("Plane the edges", "1:30", "0", "Even"),
    ("New bottoms from plywood", "2h", "38", "Almost sure"),
    ("Wax the runners", "20", "3", "Doubtful"),
    ("Flip the bottoms over", "45", "0", "Even"),
)


@pytest.fixture
def sideboard(page, live_server):
    """A sideboard in the shop, and its owner logged in on a phone."""
    make_shop(wanted_hourly_cents=1800)
    piece = make_piece(by=make_owner(username="vera"), what="Oak sideboard", kind="Cabinet", price_cents=9000)
    page.set_default_timeout(10_000)
    page.goto(f"{live_server.url}/log-in/")
    page.locator("input[name=username]").fill("vera")
    page.locator("input[type=password]").fill(PASSWORD)
    page.locator("input[type=password]").press("Enter")
    page.get_by_role("heading", name="Bench").wait_for()
    return piece


def send(page, name):
    with page.expect_navigation():
        page.get_by_role("button", name=name, exact=True).first.click()


def add_remedy(page, technique, minutes, money, chance):
    page.get_by_label("What would you do?").fill(technique)
    page.locator("#remedy-form").get_by_label("Time").fill(minutes)
    page.locator("#remedy-form").get_by_label("Money").fill(money)
    page.locator("#remedy-form label", has_text=chance).click()
    send(page, "Add this remedy")


def test_a_fault_with_four_remedies_says_what_to_try_first(page, live_server, sideboard):
    page.goto(live_server.url + reverse("fault_new", args=[sideboard.pk]))
    page.get_by_label("What is wrong?").select_option("Swollen")
    page.get_by_label("Where").fill("drawer bottoms")
    send(page, "Save the fault")
    for row in FOUR:
        add_remedy(page, *row)

    assert Remedy.objects.count() == 4
    first = page.locator("section", has=page.get_by_role("heading", name="Do this first")).inner_text()
    assert "Flip the bottoms over" in first
    assert "98 of 100" in first or "99 of 100" in first
    assert page.evaluate("document.documentElement.scrollWidth") == 390

    page.get_by_role("button", name="Try Flip the bottoms over later").click()
    page.get_by_text("Your order costs $0.45 more on average").wait_for()


def test_a_failure_leads_back_to_the_board_with_what_is_left(page, live_server, sideboard):
    fault = remedies.add_fault(by=sideboard.created_by, piece=sideboard, kind="swollen", as_is_cents=20000)
    for technique, minutes in (("Wax the runners", 20), ("Plane the edges", 90)):
        remedies.add_remedy(
            by=sideboard.created_by, fault=fault, technique=technique, minutes=minutes, level="likely"
        )
    Fault.objects.update(fixed_cents=30000)
    page.goto(live_server.url + fault.get_absolute_url())
    send(page, "Begin: Wax the runners")
    page.get_by_role("link", name="Failed", exact=True).click()
    page.get_by_label("Why?").fill("It still binds")
    send(page, "Save and weigh again")

    page.get_by_text("That did not work: weigh again before the next try.").wait_for()
    page.get_by_text("Carry on: it leaves $53.00 more from now on than to sell as is.").wait_for()
    assert Attempt.objects.get().why == "It still binds"


def test_the_most_to_pay_answers_while_it_is_typed(page, live_server, sideboard):
    page.goto(live_server.url + reverse("ceiling"))
    page.get_by_label("What is it?").fill("dresser")
    page.get_by_label("Asking").fill("90")
    page.get_by_label("What it may sell for").fill("125")
    page.get_by_text("Hours, materials, travel, premium").click()
    page.get_by_label("Your hours").fill("3h")

    page.get_by_text("Asking $90.00: offer up to $71.00 or walk.").wait_for()


def test_the_most_to_pay_works_without_scripts(browser, live_server, sideboard, page):
    quiet = browser.new_context(java_script_enabled=False, storage_state=page.context.storage_state())
    try:
        bare = quiet.new_page()
        bare.goto(live_server.url + reverse("ceiling"))
        bare.get_by_label("What is it?").fill("dresser")
        bare.get_by_label("Asking").fill("90")
        bare.get_by_label("What it may sell for").fill("125")
        bare.get_by_role("button", name="Work it out").click()

        bare.get_by_text("Asking $90.00: take it. Up to $125.00 would do.").wait_for()
    finally:
        quiet.close()
