"""What every test can rely on: no network, and a real browser of a phone's size where one is asked for."""

import os
import shutil
import socket

import pytest

PHONE = {"width": 390, "height": 844}
DESK = {"width": 1280, "height": 800}
CHROMIUM = os.environ.get("THIRD_COAT_CHROMIUM") or shutil.which("chromium")
HERE = ("127.0.0.1", "::1", "localhost")


def pytest_collection_modifyitems(items):
    """Marks whatever drives a browser, so that `-m "not browser"` leaves out all of it."""
    for item in items:
        if {"page", "browser", "context", "new_context"} & set(getattr(item, "fixturenames", ())):
            item.add_marker(pytest.mark.browser)


@pytest.fixture(autouse=True)
def no_network(monkeypatch):
    """Connecting to another machine is an error."""
    connect = socket.socket.connect

    def connect_here(self, address):
        is_stream = self.type == socket.SOCK_STREAM and self.family in (socket.AF_INET, socket.AF_INET6)
        if is_stream and address[0] not in HERE:
            raise AssertionError(f"a test tried to reach {address}: tests stay on this machine")
        return connect(self, address)

    monkeypatch.setattr(socket.socket, "connect", connect_here)


@pytest.fixture(scope="session")
def browser_type_launch_args(browser_type_launch_args):
    """Debian's chromium, silent on the network; without it browser tests are skipped, or fail where it is required."""
    if CHROMIUM is None:
        said = "no chromium on this machine (Debian: apt-get install chromium; or name one in THIRD_COAT_CHROMIUM)"
        if os.environ.get("THIRD_COAT_REQUIRE_BROWSER") == "1":
            pytest.fail(f"The browser tests are required here, and there is {said}.", pytrace=False)
        pytest.skip(f"Browser test not run: {said}.")
    return {
        **browser_type_launch_args,
        "executable_path": CHROMIUM,
        "args": [
            "--no-sandbox",
            "--disable-gpu",
            "--disable-dev-shm-usage",
            "--disable-background-networking",
            "--disable-component-update",
            "--disable-sync",
            "--no-first-run",
            "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1, EXCLUDE localhost",
        ],
    }


@pytest.fixture(scope="session")
def browser_context_args(browser_context_args):
    """A phone held upright, with a thumb on it."""
    return {
        **browser_context_args,
        "viewport": PHONE,
        "has_touch": True,
        "is_mobile": True,
        "locale": "en-US",
    }
