"""What the phone does by itself: nothing typed is lost, nothing is stored twice, and a find needs no signal."""

import io

import pytest
from axe_playwright_python.sync_playwright import Axe
from django.conf import settings as django_settings
from django.contrib.auth import SESSION_KEY
from django.contrib.sessions.backends.db import SessionStore
from PIL import Image

from flips.models import Person, Photo, Piece, Shop

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture
def owner():
    Shop.objects.create(name="Dusk Lane Workshop")
    return Person.objects.create(username="owner", name="Owner", role="owner")


def sign_in(context, live_server, person):
    """Puts a session cookie in the browser; logging in by hand has its own test."""
    session = SessionStore()
    session[SESSION_KEY] = str(person.pk)
    session["_auth_user_backend"] = "django.contrib.auth.backends.ModelBackend"
    session["_auth_user_hash"] = person.get_session_auth_hash()
    session.save()
    cookie = {
        "name": django_settings.SESSION_COOKIE_NAME,
        "value": session.session_key,
        "url": live_server.url,
    }
    context.add_cookies([cookie])


@pytest.fixture
def phone(context, live_server, owner, tmp_path, settings):
    settings.MEDIA_ROOT = tmp_path
    sign_in(context, live_server, owner)
    return context.new_page()


def a_photo(name="chest.jpg", size=(640, 480)):
    """A drawn photo, as a file input takes it."""
    file = io.BytesIO()
    Image.new("RGB", size, "#8a6a40").save(file, "JPEG")
    return {"name": name, "mimeType": "image/jpeg", "buffer": file.getvalue()}


def save(page):
    page.get_by_role("button", name="Save the find").click()


def test_a_find_typed_before_the_page_was_thrown_away_comes_back(phone, live_server):
    phone.goto(f"{live_server.url}/find/")
    phone.get_by_label("What is it").fill("Elm chest")
    phone.set_input_files("#id_photos", a_photo())
    phone.get_by_role("button", name="Remove photo 1").wait_for()
    phone.wait_for_timeout(500)

    phone.reload()

    phone.get_by_text("What you typed before is back.").wait_for()
    assert phone.get_by_label("What is it").input_value() == "Elm chest"
    assert phone.get_by_role("button", name="Remove photo 1").is_visible()


def test_a_saved_find_leaves_no_draft(phone, live_server):
    phone.goto(f"{live_server.url}/find/")
    phone.get_by_label("What is it").fill("Elm chest")
    save(phone)
    phone.get_by_text("Find saved.").wait_for()

    phone.goto(f"{live_server.url}/find/")
    phone.wait_for_timeout(300)

    assert phone.get_by_label("What is it").input_value() == ""


def test_two_quick_taps_store_one_find(phone, live_server):
    phone.goto(f"{live_server.url}/find/")
    phone.get_by_label("What is it").fill("Elm chest")
    phone.get_by_role("button", name="Save the find").dblclick()
    phone.get_by_text("Find saved.").wait_for()

    assert Piece.objects.count() == 1


def test_a_refused_form_keeps_the_chosen_photos(phone, live_server):
    phone.goto(f"{live_server.url}/find/")
    phone.set_input_files("#id_photos", [a_photo("one.jpg"), a_photo("two.jpg", (320, 240))])
    phone.get_by_role("button", name="Remove photo 2").wait_for()
    phone.get_by_label("What is it").fill("Elm chest")
    phone.get_by_label("Asking price").fill("4O")
    save(phone)
    phone.get_by_text("Not saved yet").wait_for()

    phone.get_by_label("Asking price").fill("40")
    save(phone)

    phone.get_by_text("Find saved.").wait_for()
    assert Photo.objects.count() == 2


def test_photos_are_gathered_over_several_shots(phone, live_server):
    phone.goto(f"{live_server.url}/find/")
    phone.set_input_files("#id_photos", a_photo("one.jpg"))
    phone.get_by_role("button", name="Remove photo 1").wait_for()
    phone.set_input_files("#id_photos", a_photo("two.jpg", (320, 240)))
    phone.get_by_role("button", name="Remove photo 2").wait_for()

    phone.get_by_role("button", name="Remove photo 1").click()

    assert phone.evaluate("[...document.querySelector('#id_photos').files].map((file) => file.name)") == [
        "two.jpg"
    ]


def test_a_large_photo_is_made_smaller_and_keeps_when_it_was_taken(phone, live_server):
    # Exif (CIPA DC-008), tag 0x9003 DateTimeOriginal; tag 0x8825 holds the position, which must not travel.
    file = io.BytesIO()
    exif = Image.Exif()
    exif.get_ifd(0x8769)[0x9003] = "2024:05:06 07:08:09"
    exif.get_ifd(0x8825)[1] = "N"
    Image.effect_noise((3200, 2400), 80).convert("RGB").save(file, "JPEG", quality=95, exif=exif)
    phone.goto(f"{live_server.url}/find/")
    phone.set_input_files(
        "#id_photos", {"name": "big.jpg", "mimeType": "image/jpeg", "buffer": file.getvalue()}
    )
    phone.get_by_role("button", name="Remove photo 1").wait_for()

    kept = phone.evaluate(
        "document.querySelector('#id_photos').files[0].arrayBuffer().then((data) => [...new Uint8Array(data)])"
    )

    with Image.open(io.BytesIO(bytes(kept))) as image:
        assert max(image.size) == 2560
        assert image.getexif().get_ifd(0x8769)[0x9003] == "2024:05:06 07:08:09"
        assert not image.getexif().get_ifd(0x8825)
    assert len(kept) < len(file.getvalue())


def test_a_find_logged_without_a_signal_is_sent_once_when_it_is_back(phone, context, live_server):
    phone.goto(f"{live_server.url}/find/")
    context.set_offline(True)
    phone.get_by_label("What is it").fill("Cellar bench")
    phone.set_input_files("#id_photos", a_photo())
    phone.get_by_role("button", name="Remove photo 1").wait_for()
    save(phone)

    phone.get_by_text("Kept on this phone, will be sent.").wait_for()
    assert phone.get_by_role("button", name="Send now (1 waiting)").is_visible()
    assert Piece.objects.count() == 0

    context.set_offline(False)
    phone.get_by_text("The kept find was sent.").wait_for()
    phone.goto(live_server.url)
    phone.get_by_text("Cellar bench").first.wait_for()
    assert [(piece.what, piece.photos.count()) for piece in Piece.objects.all()] == [("Cellar bench", 1)]


def test_the_find_page_opens_without_a_signal(phone, context, live_server):
    phone.goto(f"{live_server.url}/find/")
    phone.evaluate(
        """async () => {
          await navigator.serviceWorker.ready;
          while (!await caches.match('/find/?shell=1')) await new Promise((later) => setTimeout(later, 50));
        }"""
    )
    context.set_offline(True)

    phone.goto(f"{live_server.url}/find/")
    assert phone.get_by_role("heading", level=1).inner_text() == "Log a find"

    phone.goto(f"{live_server.url}/stock/")
    assert phone.get_by_role("heading", level=1).inner_text() == "No signal here"


def test_a_kept_find_that_is_refused_can_be_mended(phone, context, live_server):
    phone.goto(f"{live_server.url}/find/")
    context.set_offline(True)
    phone.get_by_label("What is it").fill("Cellar bench")
    phone.get_by_label("Asking price").fill("4O")
    save(phone)
    phone.get_by_role("button", name="Send now (1 waiting)").wait_for()
    context.set_offline(False)
    phone.get_by_text("Cellar bench was not taken").wait_for()

    phone.get_by_role("link", name="Change it").click()
    phone.get_by_label("Asking price").fill("40")
    save(phone)

    phone.get_by_text("Find saved.").wait_for()
    assert [piece.asking_cents for piece in Piece.objects.all()] == [4000]
    assert not phone.locator("#waiting").is_visible()


def test_kept_finds_of_another_person_are_not_sent(phone, context, live_server):
    phone.goto(f"{live_server.url}/find/")
    context.set_offline(True)
    phone.get_by_label("What is it").fill("Cellar bench")
    save(phone)
    phone.get_by_role("button", name="Send now (1 waiting)").wait_for()

    context.clear_cookies()
    sign_in(context, live_server, Person.objects.create(username="other", name="Other", role="owner"))
    with phone.expect_response("**/offline/token/"):
        context.set_offline(False)
    phone.goto(f"{live_server.url}/find/")
    phone.wait_for_timeout(500)

    assert not phone.locator("#waiting").is_visible()
    assert Piece.objects.count() == 0


def test_a_broken_line_offers_to_try_again(phone, live_server):
    phone.goto(f"{live_server.url}/find/")
    phone.get_by_label("What is it").fill("Elm chest")
    phone.evaluate("delete document.querySelector('form[data-upload]').dataset.offline")
    phone.route("**/*", lambda route: route.abort() if route.request.method == "POST" else route.continue_())
    save(phone)
    phone.get_by_text("No connection. Nothing you typed is lost.").wait_for()

    phone.unroute("**/*")
    phone.get_by_role("button", name="Try again").click()
    phone.get_by_text("Find saved.").wait_for()
    assert Piece.objects.count() == 1


def test_undo_is_offered_for_ten_seconds_and_waits_for_whoever_is_on_it(phone, live_server):
    phone.goto(f"{live_server.url}/find/")
    phone.get_by_label("What is it").fill("Elm chest")
    phone.clock.install()
    save(phone)
    undo = phone.get_by_role("button", name="Undo")
    undo.wait_for()

    undo.focus()
    phone.clock.run_for(20_000)
    assert undo.is_visible()

    undo.blur()
    phone.clock.run_for(11_000)
    assert not undo.is_visible()


def test_going_back_makes_a_new_id(phone, live_server):
    phone.goto(f"{live_server.url}/find/")
    first = phone.locator("input[name=sent_id]").first.input_value()
    phone.goto(live_server.url)

    phone.go_back()
    phone.wait_for_timeout(300)

    assert phone.locator("input[name=sent_id]").first.input_value() != first


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [320, 390, 1280])
def test_every_component_is_accessible_and_fits(phone, live_server, settings, width, scheme):
    settings.DEMO = True
    phone.set_viewport_size({"width": width, "height": 800})
    phone.emulate_media(color_scheme=scheme)
    phone.goto(f"{live_server.url}/look/")

    # axe-core's rules for WCAG 2.0 to 2.2, A and AA, and its best practices.
    found = Axe().run(phone, options={"resultTypes": ["violations"]}).response["violations"]
    assert [(rule["id"], [node["html"] for node in rule["nodes"]]) for rule in found] == []
    assert phone.evaluate("document.documentElement.scrollWidth <= document.documentElement.clientWidth")
    # WCAG 2.2, 2.5.5 Target Size (Enhanced): 44 by 44 CSS pixels; a tick's label is part of its target.
    small = phone.evaluate(
        """[...document.querySelectorAll("a[href], button, summary, select, textarea, input:not([type=hidden])")]
        .filter((each) => each.checkVisibility() && !each.classList.contains("skip"))
        .map((each) => [each.outerHTML.slice(0, 80), (/checkbox|radio/.test(each.type) ? each.closest("label") : each)
          .getBoundingClientRect()])
        .filter(([, box]) => box.width < 44 || box.height < 44).map(([markup]) => markup)"""
    )
    assert small == []
    assert phone.evaluate(
        "[...document.querySelectorAll('input, select, textarea')].every((each) => parseFloat(getComputedStyle(each).fontSize) >= 16)"
    )


def test_logging_out_clears_what_the_phone_kept(phone, live_server):
    phone.goto(f"{live_server.url}/find/")
    phone.get_by_label("What is it").fill("Elm chest")
    phone.wait_for_timeout(500)
    assert phone.evaluate("Object.keys(localStorage).some((name) => name.startsWith('draft:'))")
    phone.evaluate("caches.open('shell').then((cache) => cache.put('/kept/', new Response('kept')))")

    phone.goto(f"{live_server.url}/more/")
    phone.get_by_role("button", name="Log out").click()
    phone.wait_for_url("**/log-in/**")

    assert phone.evaluate("Object.keys(localStorage).filter((name) => name.startsWith('draft:'))") == []
    assert not phone.evaluate("caches.match('/kept/').then((page) => !!page)")
