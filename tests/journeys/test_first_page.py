"""The first page in a real browser: dressed, quiet, and at home on a small phone."""

import pytest


@pytest.fixture
def heard(page):
    """What the page asked for and complained about."""
    heard = {"requests": [], "failed": [], "console": []}
    page.on("request", lambda request: heard["requests"].append(request.url))
    page.on(
        "response",
        lambda answer: answer.status >= 400 and heard["failed"].append(f"{answer.status} {answer.url}"),
    )
    page.on("requestfailed", lambda request: heard["failed"].append(request.url))
    page.on("console", lambda said: said.type in ("error", "warning") and heard["console"].append(said.text))
    page.on("pageerror", lambda error: heard["console"].append(str(error)))
    return heard


def test_a_new_shop_asks_for_its_name_dressed_and_without_a_sound(live_server, page, heard):
    page.goto(live_server.url)

    assert page.url == f"{live_server.url}/setup/"
    assert page.locator("form").first.is_visible()
    assert page.evaluate("document.styleSheets.length") >= 1
    assert heard["failed"] == []
    assert heard["console"] == []
    assert [url for url in heard["requests"] if not url.startswith(live_server.url)] == []


def test_the_first_page_does_not_scroll_sideways_on_the_smallest_phone(live_server, page):
    page.set_viewport_size({"width": 320, "height": 568})
    page.goto(live_server.url)

    assert page.evaluate("document.documentElement.scrollWidth") <= 320


def test_the_browser_of_the_tests_cannot_leave_this_machine(page):
    with pytest.raises(Exception, match="ERR_NAME_NOT_RESOLVED"):
        page.goto("http://example.org/")
