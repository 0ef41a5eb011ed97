"""Who may open what: every route that exists, for everybody, and no money anywhere on a helper's page."""

import re
from datetime import timedelta
from html.parser import HTMLParser
from io import BytesIO
from urllib.parse import urljoin, urlsplit

import pytest
from django.core.management import call_command, get_commands
from django.http import HttpResponse
from django.urls import get_resolver, path, reverse
from django.utils import timezone
from pypdf import PdfReader

from flips.access import Audience, audience_of, open_to_all, open_to_helper
from flips.actions import sales
from flips.models import (
    Attempt,
    LogEntry,
    Lot,
    Part,
    Person,
    Photo,
    Piece,
    Receipt,
    ReceiptLine,
    Role,
    TimeEntry,
    Use,
)
from flips.urls import urlpatterns as shop_urls
from tests.flips.conftest import signed_in
from tests.makers import make_category, make_channel, make_helper, make_piece

# Opening a page to helpers or to everybody is a decision: it is written here as well as on the view.
OPEN_TO_ALL = {"calendar_feed", "log_in", "log_out", "manifest", "offline", "setup", "worker"}
OPEN_TO_HELPERS = {
    "add_minutes",
    "attempt",
    "attempt_edit",
    "attempt_new",
    "attempt_outcome",
    "attempt_photos",
    "attempt_void",
    "attempts",
    "bench",
    "care_pdf",
    "cautions",
    "colour",
    "colour_pick",
    "colour_void",
    "colours",
    "count",
    "count_as_booked",
    "count_lot",
    "count_not",
    "counts",
    "cut_plans",
    "cut_saw",
    "cut_sheet_pdf",
    "cut_tick",
    "cutting",
    "day_plan",
    "fault",
    "fault_edit",
    "fault_new",
    "faults",
    "hours",
    "log",
    "log_entry",
    "log_void",
    "lot",
    "more",
    "offcut_new",
    "offline_token",
    "own_can",
    "part",
    "part_edit",
    "part_new",
    "part_photos",
    "part_plan",
    "part_void",
    "parts",
    "parts_usual",
    "password",
    "photo",
    "photo_file",
    "photo_void",
    "photos_add",
    "piece",
    "piece_finish",
    "piece_schedule",
    "piece_schedule_new",
    "piece_schedule_void",
    "piece_uses",
    "pieces",
    "product",
    "products",
    "put_back",
    "reading",
    "reading_void",
    "readings_add",
    "recipe",
    "recipe_right",
    "recipe_step",
    "recipe_step_move",
    "recipe_step_new",
    "recipe_step_remove",
    "recipes",
    "removal",
    "removal_off_again",
    "removal_void",
    "room",
    "room_void",
    "rough_air",
    "sample",
    "samples",
    "schedule_keep",
    "schedule_right",
    "schedule_step",
    "schedule_step_move",
    "schedule_step_new",
    "schedule_step_remove",
    "shop_timer_start",
    "species",
    "step_before",
    "step_tick",
    "step_try",
    "step_untick",
    "stock",
    "survey",
    "take_planned",
    "taking_apart",
    "techniques",
    "time_entry",
    "time_new",
    "time_void",
    "timer_start",
    "timer_stop",
    "undo",
    "use",
    "use_new",
    "use_void",
    "uses_to_fix",
    "went",
    "wood_room",
}

# What may stand in an address; the first that a route's converter takes is used.
SAMPLES = ("1", "x", "2026-01-01", "00000000-0000-4000-8000-000000000000", "2026", "12")


def sample_of(pattern):
    """A part of an address that the pattern matches."""
    text = str(pattern)
    for name, converter in pattern.converters.items():
        sample = next(one for one in SAMPLES if re.fullmatch(converter.regex, one))
        text = re.sub(rf"<(?:\w+:)?{name}>", sample, text)
    return text


def routes(patterns=None, prefix=""):
    """Every route of the program as (name, an address on it, its view)."""
    for one in get_resolver().url_patterns if patterns is None else patterns:
        address = prefix + sample_of(one.pattern)
        if hasattr(one, "url_patterns"):
            yield from routes(one.url_patterns, address)
        else:
            yield one.name, f"/{address}", one.callback


ROUTES = sorted(routes(), key=lambda route: str(route[0]))


def for_whom(audience):
    return [(name, address) for name, address, view in ROUTES if audience_of(view) is audience]


def test_every_route_has_a_name_of_its_own():
    names = [name for name, _, _ in ROUTES]

    assert None not in names
    assert len(names) == len(set(names))


def test_only_the_pages_named_here_are_open():
    assert {name for name, _ in for_whom(Audience.ALL)} == OPEN_TO_ALL
    opened = {name for name, _ in for_whom(Audience.HELPER)}
    new, gone = sorted(opened - OPEN_TO_HELPERS), sorted(OPEN_TO_HELPERS - opened)
    assert not new, f"open to helpers, and not named above: {new}"
    assert not gone, f"named above, and not open to helpers: {gone}"


@pytest.mark.parametrize("method", ["get", "post", "head", "put", "delete", "options"])
def test_a_stranger_is_sent_to_the_log_in_from_every_closed_route(client, shop, method):
    for name, address in for_whom(Audience.OWNER) + for_whom(Audience.HELPER):
        response = getattr(client, method)(address)

        assert response.status_code == 302, (name, address)
        assert response.headers["Location"].startswith("/log-in/"), (name, address)
        assert response.content == b"", (name, address)


def test_a_strangers_fragment_is_refused_and_leads_to_the_log_in(client, shop):
    for name, address in for_whom(Audience.OWNER) + for_whom(Audience.HELPER):
        response = client.get(address, headers={"HX-Request": "true"})

        assert response.status_code == 401, name
        assert response.headers["HX-Redirect"].startswith("/log-in/"), name


@pytest.mark.parametrize("method", ["get", "post", "head", "put", "delete", "options"])
def test_a_helper_is_refused_on_every_route_of_the_owner(helper_client, method):
    for name, address in for_whom(Audience.OWNER):
        response = getattr(helper_client, method)(address)

        assert response.status_code == 403, (name, address)
        assert method == "head" or "Only the owner sees this" in response.content.decode(), name


def test_a_helper_is_refused_fragments_too(helper_client):
    for name, address in for_whom(Audience.OWNER):
        assert helper_client.get(address, headers={"HX-Request": "true"}).status_code == 403, name


def test_an_owner_who_became_a_helper_is_refused_at_once(owner, owner_client):
    Person.objects.filter(pk=owner.pk).update(role=Role.HELPER)

    assert owner_client.get(reverse("settings")).status_code == 403


def test_who_may_not_log_in_any_more_is_a_stranger(owner, owner_client):
    Person.objects.filter(pk=owner.pk).update(is_active=False)

    assert owner_client.get(reverse("settings")).status_code == 302


# A page that forgets its mark


def unmarked(request):
    return HttpResponse("the margin is 1")


@open_to_helper
def marked(request):
    return HttpResponse("work")


@open_to_all
def public(request):
    return HttpResponse("hello")


class Views:
    """What `path` takes besides functions."""

    audience = "all"

    def __call__(self, request):
        return HttpResponse("the margin is 1")


urlpatterns = [
    *shop_urls,
    path("unmarked/", unmarked, name="unmarked"),
    path("marked/", marked, name="marked"),
    path("public/", public, name="public"),
    path("odd/", Views(), name="odd"),
]


@pytest.mark.urls(__name__)
def test_a_page_without_a_mark_is_the_owners_alone(client, owner_client, helper_client):
    assert client.get("/unmarked/").status_code == 302
    assert helper_client.get("/unmarked/").status_code == 403
    assert owner_client.get("/unmarked/").status_code == 200


@pytest.mark.urls(__name__)
def test_marked_pages_open_as_far_as_marked(client, helper_client):
    assert client.get("/marked/").status_code == 302
    assert helper_client.get("/marked/").status_code == 200
    assert client.get("/public/").status_code == 200


@pytest.mark.urls(__name__)
def test_a_mark_that_is_no_audience_opens_nothing(client, helper_client):
    assert client.get("/odd/").status_code == 302
    assert helper_client.get("/odd/").status_code == 403


# What a helper reads


MONEY = re.compile(r"[$€£¥₹₩]|\bUSD\b|(?<![\d.])\d{1,3}(?:,\d{3})*\.\d{2}(?![\d.])|_cents\b")
UNITS = {"l", "ml", "gal", "qt", "fl oz", "oz", "lb", "kg", "g", "m", "mm", "cm", "ft", "in", "h"}


def without_quantities(text):
    """A page without "0.25 l", which looks like an amount and is none."""
    units = UNITS | set(Lot.objects.values_list("unit", flat=True))
    named = "|".join(sorted(map(re.escape, units), key=len, reverse=True))
    text = re.sub(r'<input[^>]* name="[^"]*(?:quantity|millionths|tenths|mass)[^"]*"[^>]*>', "", text)
    return re.sub(rf"\d[\d.]*(?: of \d[\d.]*)?\s?(?:{named})\b", "", text)


class Links(HTMLParser):
    """The addresses that a page leads to by a plain link, an image or a fragment."""

    def __init__(self, text):
        super().__init__()
        self.found = set()
        self.feed(text)

    def handle_starttag(self, tag, attributes):
        for name, value in attributes:
            if (tag, name) in {("a", "href"), ("img", "src")} or name == "hx-get":
                self.found.add(value or "")


def readable(html):
    """A page without its drawings, whose coordinates look like amounts."""
    return re.sub(r"<svg.*?</svg>", "", html, flags=re.S)


def text_of(response):
    """What can be read of an answer; nothing of a picture."""
    kind = response.headers.get("Content-Type", "")
    if kind == "application/pdf":
        paper = PdfReader(BytesIO(b"".join(response)))
        return "\n".join([*(page.extract_text() for page in paper.pages), str(paper.metadata)])
    if response.streaming or not re.search(r"html|json|text", kind):
        return ""
    return readable(response.content.decode())


def walk(client, first, most=400):
    """Every page that can be reached by links: its status, its text, and the page that leads to it."""
    waiting, seen = [(address, "") for address in first], {}
    while waiting and len(seen) < most:
        address, before = waiting.pop()
        if address in seen:
            continue
        response = client.get(address)
        text = text_of(response)
        seen[address] = response.status_code, text, before
        if response.status_code == 200 and "html" in response.headers["Content-Type"]:
            for link in Links(text).found:
                parts = urlsplit(urljoin(f"http://testserver{address}", link))
                if parts.netloc == "testserver" and not parts.path.startswith("/static/"):
                    waiting.append((parts.path + (f"?{parts.query}" if parts.query else ""), address))
    return seen


def helper_pages():
    """Every helper route, also those that no link leads to, over the first few records of each kind."""
    keys = {
        pk
        for model in (Piece, Part, Attempt, LogEntry, TimeEntry, Lot, Use)
        for pk in model.objects.values_list("pk", flat=True)[:4]
    }
    photos = [str(pk) for pk in Photo.objects.values_list("pk", flat=True)[:2]]
    for name, _, view in ROUTES:
        if audience_of(view) is not Audience.HELPER:
            continue
        for key in [None, *sorted(keys), *photos]:
            try:
                yield reverse(name, args=[] if key is None else [key])
            except Exception:  # noqa: S112 - most routes take another kind of argument
                continue


def refuse_money(address, text):
    """Fails when an amount can be read."""
    text = without_quantities(text)
    found = MONEY.search(text)
    assert not found, f"{address}: {text[max(0, found.start() - 80) : found.end() + 20]}"


def look_for_money(helper):
    """Walks everything a helper can reach, then sends every form empty: no page and no refusal shows an amount."""
    client, addresses = signed_in(helper), list(helper_pages())
    pages = walk(client, ["/", *addresses])
    for address, (status, text, _) in pages.items():
        assert status in (200, 302, 403, 404, 405), (address, status)
        refuse_money(address, text)
    for address in addresses:
        response = client.post(address, {})
        assert response.status_code < 500, address
        refuse_money(f"sent to {address}", text_of(response))
    return pages


@pytest.fixture
def busy_shop(shop, owner):
    """A shop in which everything that can cost has cost something."""
    helper = make_helper(username="busy", name="Tomas", hourly_cents=1775)
    dresser = make_piece(
        by=owner,
        what="Oak dresser",
        price_cents=13579,
        asking_cents=20011,
        expected_cents=45022,
        stage="in_work",
        note="Two drawers stick",
    )
    chair = make_piece(by=owner, what="Beech chair", price_cents=1234, stage="listed")
    make_piece(by=owner, what="Walnut box", asking_cents=5577)
    now = timezone.now()
    part = Part.objects.create(piece=dresser, name="Drawer front", created_by=owner)
    attempt = Attempt.objects.create(
        piece=dresser,
        part=part,
        technique="Iron down the lifted veneer",
        began_at=now - timedelta(hours=2),
        outcome="failed",
        ended_at=now - timedelta(hours=1),
        why="It blistered again",
        created_by=helper,
    )
    TimeEntry.objects.create(
        person=helper,
        piece=dresser,
        attempt=attempt,
        minutes=95,
        started_at=now - timedelta(hours=2),
        created_by=helper,
    )
    TimeEntry.objects.create(
        person=helper, piece=dresser, started_at=now - timedelta(minutes=3), created_by=helper
    )
    LogEntry.objects.create(piece=dresser, text="Sanded the top", at=now, created_by=helper)
    lot = Lot.objects.create(
        name="Shellac",
        kind="finish",
        unit="l",
        quantity_millionths=1_000_000,
        cost_cents=3311,
        created_by=owner,
    )
    Use.objects.create(
        lot=lot,
        piece=dresser,
        attempt=attempt,
        quantity_millionths=250_000,
        cost_cents=828,
        created_by=helper,
    )
    receipt = Receipt.objects.create(shop_name="Hardware on Main", total_cents=8642, created_by=owner)
    ReceiptLine.objects.create(
        receipt=receipt,
        text="Hinges",
        amount_cents=8642,
        destination="piece",
        piece=dresser,
        created_by=owner,
    )
    ReceiptLine.objects.create(
        receipt=receipt,
        text="Flyers",
        amount_cents=0,
        destination="expense",
        category=make_category(),
        created_by=owner,
    )
    sales.sell(
        by=owner, weights={chair: 1}, price_cents=15599, channel=make_channel(), fee_cents=1099, sold_at=now
    )
    return helper


def test_no_page_a_helper_can_reach_shows_money(busy_shop):
    pages = look_for_money(busy_shop)

    opened = " ".join(text for status, text, _ in pages.values() if status == 200)
    for word in ("Oak dresser", "Drawer front", "Iron down the lifted veneer"):
        assert word in opened


def test_no_link_that_a_helper_sees_refuses_them(busy_shop):
    pages = walk(signed_in(busy_shop), ["/", "/more/"])

    assert {
        (address, before) for address, (status, _, before) in pages.items() if status not in (200, 302)
    } == set()


def test_no_link_that_an_owner_sees_is_dead(busy_shop, owner_client):
    pages = walk(owner_client, ["/", "/more/"])

    assert {
        (address, before) for address, (status, _, before) in pages.items() if status not in (200, 302)
    } == set()


def test_the_search_for_money_would_find_it(busy_shop, owner):
    with pytest.raises(AssertionError, match=r"\$"):
        look_for_money(owner)


@pytest.mark.parametrize("amount", ["$5", "12.50", "1,234.50", "€", "USD 5", 'name="price_cents"'])
def test_an_amount_is_known_by_its_looks(amount):
    assert MONEY.search(f"<p>It was {amount} then</p>")


@pytest.mark.parametrize("text", ["12:30", "3/4", "2026.03.02", "1.5 h", "23 15/32 in", "1.25.3"])
def test_what_is_no_amount_is_left_alone(text):
    assert not MONEY.search(f"<p>{text}</p>")


@pytest.mark.skipif("seed_shop" not in get_commands(), reason="the demo shop is not there yet")
@pytest.mark.django_db
def test_no_page_of_the_demo_shop_shows_a_helper_money(settings, tmp_path):
    settings.MEDIA_ROOT = tmp_path
    call_command("seed_shop", verbosity=0)

    look_for_money(Person.objects.filter(role=Role.HELPER, is_active=True).first())
