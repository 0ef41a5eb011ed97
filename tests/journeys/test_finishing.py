"""Finishing on a phone: marks by finger and by keys, the same by numbers without scripts, and a day's ticking."""

import io

import pytest
from axe_playwright_python.sync_playwright import Axe
from django.utils import timezone
from PIL import Image, ImageDraw

from finishes.colour import lab_to_srgb
from flips.actions import colours, finishing
from flips.models import ColourMatch, Person, Shop, StepDone
from flips.photos import read_photo
from tests.journeys.test_phone_keeps import sign_in
from tests.makers import make_piece

pytestmark = pytest.mark.django_db(transaction=True)

# Percent of the width and height at the middle of each patch.
PATCHES = {
    "Old wood": ((45, 16, 28), (20, 50)),
    "Grey": ((49.5, 0, 0), (50, 20)),
    "Near": ((46, 17, 27), (80, 25)),
    "Far": ((36, 12, 19), (80, 75)),
}


@pytest.fixture
def owner():
    Shop.objects.create(name="Dusk Lane Workshop", time_zone="UTC")
    return Person.objects.create(username="owner", name="Owner", role="owner")


@pytest.fixture
def phone(context, live_server, owner, tmp_path, settings):
    settings.MEDIA_ROOT = tmp_path
    sign_in(context, live_server, owner)
    return context.new_page()


@pytest.fixture
def match(owner, tmp_path, settings):
    settings.MEDIA_ROOT = tmp_path
    piece = make_piece(by=owner, what="Oak dresser", price_cents=8000, stage="in_work")
    image = Image.new("RGB", (1000, 800), (50, 48, 46))
    draw = ImageDraw.Draw(image)
    for lab, (x, y) in PATCHES.values():
        colour = tuple(round(value) for value in lab_to_srgb(lab))
        draw.rectangle((x * 10 - 120, y * 8 - 120, x * 10 + 120, y * 8 + 120), fill=colour)
    file = io.BytesIO()
    image.save(file, "JPEG", quality=95)
    file.seek(0)
    return colours.new_match(piece, by=owner, photo=read_photo(file), about="Left side")


def open_match(page, live_server, match):
    page.goto(f"{live_server.url}/colours/{match.pk}/")
    page.locator("[data-choose='0'][aria-pressed=true]").wait_for()


def spot(page, x, y):
    """A point of the photo on the screen, by percent."""
    page.locator("#photo-frame").scroll_into_view_if_needed()
    box = page.locator("#photo-frame svg").bounding_box()
    return box["x"] + box["width"] * x / 100, box["y"] + box["height"] * y / 100


def value(page, number, name):
    text = page.locator(f"[name=p{number}-{name}]").input_value()
    return float(text) if text else None


def test_four_taps_and_the_scraps_are_ranked(phone, live_server, match):
    open_match(phone, live_server, match)
    for _, (x, y) in PATCHES.values():
        phone.touchscreen.tap(*spot(phone, x, y))
    assert value(phone, 0, "x") == pytest.approx(20, abs=1)
    assert value(phone, 3, "y") == pytest.approx(75, abs=1)

    phone.get_by_role("button", name="Measure").click()

    phone.get_by_role("heading", name="Nearest to the old wood").wait_for()
    names = phone.locator(".matches .item-title").all_inner_texts()
    assert [name.split("\n")[0].strip() for name in names[:3]] == ["Old wood", "Scrap 1", "Scrap 2"]


def test_a_mark_is_dragged_where_it_belongs(phone, live_server, match):
    open_match(phone, live_server, match)
    phone.touchscreen.tap(*spot(phone, 40, 40))
    phone.mouse.move(*spot(phone, 40, 40))
    phone.mouse.down()
    phone.mouse.move(*spot(phone, 30, 45), steps=4)
    phone.mouse.move(*spot(phone, 20, 50), steps=4)
    phone.mouse.up()

    assert (value(phone, 0, "x"), value(phone, 0, "y")) == (
        pytest.approx(20, abs=1),
        pytest.approx(50, abs=1),
    )
    assert value(phone, 1, "x") is None


def test_keys_alone_place_move_size_and_take_away(phone, live_server, match):
    open_match(phone, live_server, match)
    phone.locator("[data-choose='0']").focus()
    phone.keyboard.press("Enter")
    start = value(phone, 0, "x"), value(phone, 0, "y"), value(phone, 0, "half")
    for key in ("ArrowLeft", "ArrowLeft", "ArrowDown", "+", "Shift+ArrowRight"):
        phone.keyboard.press(key)

    assert value(phone, 0, "x") == pytest.approx(start[0] - 1.9)
    assert value(phone, 0, "y") > start[1]
    assert value(phone, 0, "half") == pytest.approx(start[2] * 1.2)
    phone.keyboard.press("Delete")
    assert value(phone, 0, "x") is None


def test_zoomed_in_a_tap_still_lands_where_the_finger_is(phone, live_server, match):
    open_match(phone, live_server, match)
    phone.locator("[data-zoom='4']").tap()
    frame = phone.locator("#photo-frame")
    frame.evaluate("f => { f.scrollLeft = 0; f.scrollTop = 0; }")
    frame.scroll_into_view_if_needed()
    box = frame.bounding_box()
    phone.touchscreen.tap(box["x"] + 40, box["y"] + 40)
    wide = phone.locator("#photo-frame svg").bounding_box()["width"]

    assert value(phone, 0, "x") == pytest.approx(100 * 40 / wide, abs=1)
    assert wide == pytest.approx(4 * frame.evaluate("f => f.clientWidth"), abs=3)


def test_without_scripts_numbers_do_the_same(browser, browser_context_args, live_server, owner, match):
    context = browser.new_context(**(browser_context_args | {"java_script_enabled": False}))
    sign_in(context, live_server, owner)
    page = context.new_page()
    page.goto(f"{live_server.url}/colours/{match.pk}/")
    assert page.locator(".grid-line").count() == 18
    for number, (_, (x, y)) in enumerate(PATCHES.values()):
        row = page.locator(f"[data-patch='{number}']")
        row.locator("summary").click()
        row.locator(f"[name=p{number}-x]").fill(str(x))
        row.locator(f"[name=p{number}-y]").fill(str(y))
    page.get_by_role("button", name="Measure").click()

    page.get_by_role("heading", name="Nearest to the old wood").wait_for()
    assert list(ColourMatch.objects.get().marks.filter(kind="scrap").values_list("name", flat=True)) == [
        "Scrap 1",
        "Scrap 2",
    ]
    context.close()


def test_a_finishing_day_is_ticked_with_the_thumb(phone, live_server, owner):
    from flips.models import BenchHours

    BenchHours.objects.create(
        **dict.fromkeys(["mon", "tue", "wed", "thu", "fri", "sat", "sun"], "00:00-24:00"), hands=2
    )
    for what in ("Oak dresser", "Beech chair"):
        piece = make_piece(by=owner, what=what, price_cents=8000, stage="in_work")
        schedule = finishing.plan_finish(piece, by=owner)
        for action, product in (("sand", ""), ("coat", "danish oil"), ("wipe", "")):
            finishing.add_step(schedule, by=owner, action=action, shipped=product)
    phone.goto(f"{live_server.url}/plan/")

    for _ in range(4):
        phone.get_by_role("button", name="Done: ").first.tap()
        phone.get_by_text("Ticked off.").first.wait_for()

    assert StepDone.objects.count() == 4
    phone.locator("#rags").wait_for()
    assert phone.evaluate("document.documentElement.scrollWidth") <= 390


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_no_finishing_page_breaks_accessibility_rules(phone, live_server, owner, match, scheme):
    phone.emulate_media(color_scheme=scheme)
    schedule = finishing.plan_finish(match.piece, by=owner)
    for action, product in (("wax", "paste wax"), ("coat", "waterborne clear")):
        finishing.add_step(schedule, by=owner, action=action, shipped=product)
    other = finishing.plan_finish(match.piece, by=owner, group="Top", area_text="12 ft2")
    finishing.add_step(other, by=owner, action="coat", shipped="danish oil")
    row = finishing.add_step(other, by=owner, action="wipe")
    recipe = finishing.new_recipe(by=owner, name="Oil", over="bare wood", steps=finishing.rows_of(other))
    finishing.log_room(
        by=owner,
        at=timezone.now(),
        now=timezone.now(),
        celsius_hundredths=1500,
        temperature_text="59 °F",
        humidity_percent=92,
    )
    finishing.new_feed(by=owner, name="Phone")
    problems = {}
    for address in (
        "/plan/",
        "/plan/room/",
        "/plan/hours/",
        "/plan/calendars/",
        schedule.get_absolute_url(),
        other.get_absolute_url(),
        row.get_absolute_url(),
        f"/pieces/{match.piece_id}/finish/",
        f"/pieces/{match.piece_id}/finish/new/",
        f"/pieces/{match.piece_id}/colours/",
        match.get_absolute_url(),
        "/samples/",
        "/recipes/",
        recipe.get_absolute_url(),
        "/products/",
        "/products/type/danish-oil/",
        "/products/type/danish-oil/figures/coverage/",
        "/products/own/new/",
        "/products/cautions/",
        "/wood/",
        "/wood/species/",
        "/wood/air/",
    ):
        phone.goto(live_server.url + address)
        found = Axe().run(phone).response["violations"]
        wide = phone.evaluate("document.documentElement.scrollWidth")
        if found or wide > 390:
            problems[address] = [(one["id"], one["nodes"][0]["html"][:120]) for one in found] or wide
    assert problems == {}
