"""The whole story on a phone: from the first visit over a find to the margin statement, read off the screen."""

import io
import re

import pytest
from PIL import Image
from pypdf import PdfReader

from flips.models import Attempt, Piece, Sale, Shop

pytestmark = pytest.mark.django_db(transaction=True)

PASSWORD = "sawdust-and-shellac"


def a_photo(name, colour="#8a6a40"):
    """A drawn photo, as a file input takes it."""
    file = io.BytesIO()
    Image.new("RGB", (640, 480), colour).save(file, "JPEG")
    return {"name": name, "mimeType": "image/jpeg", "buffer": file.getvalue()}


@pytest.fixture(autouse=True)
def photos_elsewhere(settings, tmp_path):
    settings.MEDIA_ROOT = tmp_path


def set_up(page, live_server):
    """The first visit: the shop and its owner."""
    page.set_default_timeout(10_000)
    page.goto(live_server.url)
    page.get_by_label("Name of the shop").fill("Fern Street Workshop")
    page.get_by_label("Time zone").fill("America/Chicago")
    page.get_by_label("Your name").fill("Vera")
    page.get_by_label("User name").fill("vera")
    page.locator("input[type=password]").nth(0).fill(PASSWORD)
    page.locator("input[type=password]").nth(1).fill(PASSWORD)
    press(page, "Open the shop")
    page.get_by_role("heading", name="Bench").wait_for()


def log_in(page, live_server, username):
    page.goto(f"{live_server.url}/log-in/")
    page.locator("input[name=username]").fill(username)
    page.locator("input[type=password]").fill(PASSWORD)
    page.locator("input[type=password]").press("Enter")
    page.get_by_role("heading", name="Bench").wait_for()


def press(page, name):
    page.get_by_role("button", name=name, exact=True).first.click()


def send(page, button):
    """Presses a button and waits for the page that answers."""
    with page.expect_navigation():
        button.first.click()


def follow(page, name):
    page.get_by_role("link", name=name, exact=True).first.click()


def figure(page, label):
    """What the money strip says under a label."""
    return (
        page.locator("dl.figures div", has=page.locator(f"dt:text-is('{label}')"))
        .locator("dd")
        .first.inner_text()
    )


def find_it(page, live_server):
    follow(page, "Log a find")
    page.set_input_files("#id_photos", a_photo("seen.jpg"))
    page.get_by_label("What is it").fill("Oak dresser")
    page.get_by_label("Asking price").fill("90")
    page.get_by_label("Where").fill("Riverside thrift store")
    press(page, "Save the find")
    page.get_by_role("heading", name="Oak dresser").wait_for()


def buy_it(page):
    follow(page, "Buy it")
    page.get_by_label("Price paid").fill("80")
    page.get_by_label("Tax paid on it").fill("6.60")
    press(page, "Bought")
    page.get_by_text("Bought.", exact=True).wait_for()


def test_from_the_first_visit_to_the_margin_statement(page, live_server):
    set_up(page, live_server)
    assert Shop.current().name == "Fern Street Workshop"

    find_it(page, live_server)
    assert "Asking $90.00 at Riverside thrift store" in page.locator("main").inner_text()
    buy_it(page)
    assert figure(page, "In it so far") == "$86.60"

    # She looks it over: two parts, one measured at three points.
    follow(page, "Parts")
    page.get_by_label("Part needed").fill("Top")
    press(page, "Add it")
    page.get_by_role("link", name=re.compile("^Top")).click()
    page.get_by_role("heading", name="Top").wait_for()
    assert Piece.objects.get().parts.count() == 1

    # A receipt brings glue into stock, and hinges for this piece.
    page.goto(f"{live_server.url}/receipts/new/")
    page.set_input_files("input[type=file]", a_photo("slip.jpg", "#eeeeee"))
    page.get_by_label("Shop", exact=True).fill("Mill Road Hardware")
    page.get_by_label("Total paid").fill("22.70")
    page.get_by_label("Tax added").fill("1.70")
    press(page, "Keep the receipt")
    page.get_by_role("heading", name="Mill Road Hardware").wait_for()
    page.get_by_role("navigation", name="Where the line goes").get_by_role(
        "link", name="Stock", exact=True
    ).click()
    page.get_by_label("Material needed").fill("Hide glue")
    page.get_by_label("Amount before tax").fill("12.00")
    page.get_by_label("How much").fill("8")
    page.get_by_label("Counted in").fill("oz")
    press(page, "Add the line")
    page.get_by_role("link", name=re.compile("Hide glue Stock: 8 oz")).wait_for()
    page.get_by_role("navigation", name="Where the line goes").get_by_role(
        "link", name="Part for a piece"
    ).click()
    page.get_by_label("What needed").fill("Brass hinges")
    page.get_by_label("Amount before tax").fill("9.00")
    page.get_by_label("Which piece").select_option(label="Oak dresser")
    press(page, "Add the line")
    page.get_by_text("adds up").first.wait_for()

    # An attempt that fails, with time and glue on it.
    page.goto(f"{live_server.url}{Piece.objects.get().get_absolute_url()}")
    follow(page, "Try something")
    page.get_by_label("What do you try").fill("Iron down lifted veneer")
    page.get_by_text("Failed", exact=True).click()
    page.get_by_label("Why?").fill("The old glue had turned to dust")
    press(page, "Save")
    page.get_by_role("button", name="Save and time it").wait_for(state="detached")
    attempt = Attempt.objects.get()
    page.goto(f"{live_server.url}{attempt.get_absolute_url()}")
    press(page, "+30 min")
    page.get_by_text("30 min").first.wait_for()
    page.goto(f"{live_server.url}{attempt.get_absolute_url()}")
    follow(page, "Use material")
    page.get_by_role("link", name=re.compile("Hide glue 8 oz left")).click()
    page.get_by_label(re.compile("^How much")).first.fill("2")
    page.locator("main button.main").last.click()
    page.wait_for_load_state()

    # By hand: glue 12.00 + tax 1.70 x 12/21 = 0.97 makes 12.97 for 8 oz; 2 oz are 3.24. Hinges 9.00 + 0.73.
    page.goto(f"{live_server.url}{Piece.objects.get().get_absolute_url()}")
    assert figure(page, "Materials") == "$3.24"
    assert figure(page, "Parts bought") == "$9.73"
    assert figure(page, "Failed attempts") == "$3.24"
    assert figure(page, "In it so far") == "$99.57"
    assert figure(page, "Your hours") == "30 min"

    # Ready, and sold.
    for stage in ("In work", "Ready"):
        follow(page, "Move to another stage")
        page.get_by_text(stage, exact=True).click()
        press(page, "Move it")
        page.get_by_text(f"Now {stage.lower()}.").wait_for()
    follow(page, "Sell it")
    page.get_by_label("Price", exact=False).first.fill("250")
    page.get_by_text("You lose money below").wait_for()
    press(page, "Sold")
    page.get_by_text("Sold.", exact=True).wait_for()
    assert figure(page, "Margin") == "$150.43"
    assert figure(page, "Hourly") == "$300.86"
    assert Sale.objects.get().price_cents == 25000

    # The paper says the same.
    href = page.get_by_role("link", name="Margin statement (PDF)").get_attribute("href")
    paper = page.request.get(f"{live_server.url}{href}")
    text = "\n".join(sheet.extract_text() for sheet in PdfReader(io.BytesIO(paper.body())).pages)
    for told in (
        "Oak dresser",
        "$99.57",
        "$150.43",
        "$3.24",
        "Iron down lifted veneer",
        "turned to dust",
        "Brass hinges",
    ):
        assert told in text


@pytest.fixture
def furnished(live_server):
    """A shop with a bought dresser and a helper."""
    from tests.makers import make_helper, make_owner, make_piece, make_shop

    make_shop()
    owner = make_owner(username="vera", name="Vera")
    make_helper(username="tomas", name="Tomas", hourly_cents=1600)
    return make_piece(by=owner, price_cents=8123)


MONEY = re.compile(r"[$€£]\s?\d|81\.23|16\.00")


def test_the_helpers_day_shows_no_money(page, live_server, furnished):
    log_in(page, live_server, "tomas")
    assert not MONEY.search(page.locator("body").inner_text())

    page.get_by_role("link", name=re.compile("^Oak dresser")).first.click()
    page.get_by_role("heading", name="Oak dresser").wait_for()
    send(page, page.get_by_role("button", name="Start the timer"))
    send(page, page.get_by_role("button", name=re.compile("Stop")))
    page.goto(f"{live_server.url}{furnished.get_absolute_url()}")
    follow(page, "Log what you did")
    page.get_by_label("What did you do").fill("Sanded the top to 180")
    send(page, page.locator("main button.main").last)
    page.goto(f"{live_server.url}{furnished.get_absolute_url()}")

    read = page.locator("body").inner_text()
    assert "Sanded the top to 180" in read
    assert not MONEY.search(read)
    assert page.request.get(f"{live_server.url}/money/").status == 403
    assert page.request.get(f"{live_server.url}/receipts/").status == 403


def test_a_find_an_hour_and_a_sale_work_with_scripts_off(browser, live_server, furnished):
    context = browser.new_context(java_script_enabled=False, viewport={"width": 390, "height": 844})
    page = context.new_page()
    page.set_default_timeout(10_000)
    log_in(page, live_server, "vera")

    page.goto(f"{live_server.url}/find/")
    page.locator("input[name=what]").fill("Pine chair")
    press(page, "Save the find")
    assert "Pine chair" in page.locator("h1").inner_text()

    page.goto(f"{live_server.url}{furnished.get_absolute_url()}")
    press(page, "+30 min")
    page.goto(f"{live_server.url}{furnished.get_absolute_url()}")
    assert figure(page, "Your hours") == "30 min"

    page.goto(f"{live_server.url}/pieces/{furnished.pk}/sell/")
    page.locator("input[name=price]").fill("200")
    press(page, "Sold")
    assert figure(page, "Margin") == "$118.77"
    context.close()
