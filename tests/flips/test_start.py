"""One command brings the shop up: ready to use, on a free port, with a code to scan, and it keeps what it has."""

import errno
import os
import re
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request

import pytest
from django.conf import settings
from django.core.management import CommandError, call_command

from flips.management.commands import start
from flips.terminal_code import QUIET, drawn, drawn_for_terminal, modules


@pytest.fixture
def taken_port():
    with socket.socket() as holder:
        holder.bind(("127.0.0.1", 0))
        holder.listen()
        yield holder.getsockname()[1]


def free_port():
    with socket.socket() as holder:
        holder.bind(("127.0.0.1", 0))
        return holder.getsockname()[1]


def test_a_taken_port_names_a_free_one(taken_port):
    with pytest.raises(CommandError, match=rf"Port {taken_port} is taken.* --port (\d+)") as refusal:
        start.refuse_taken_port("127.0.0.1", taken_port)

    named = int(re.search(r"--port (\d+)", str(refusal.value)).group(1))
    start.refuse_taken_port("127.0.0.1", named)


@pytest.mark.parametrize("port", [-1, 0, 65_536, 100_000])
def test_a_port_that_is_none_is_refused(port):
    with pytest.raises(CommandError, match="Cannot listen"):
        start.refuse_taken_port("127.0.0.1", port)


def test_a_port_kept_for_the_system_says_so(monkeypatch):
    monkeypatch.setattr(start, "_problem_with", lambda *args: OSError(errno.EACCES, "Permission denied"))

    with pytest.raises(CommandError, match="from 1024 up"):
        start.refuse_taken_port("0.0.0.0", 80)


def test_an_address_of_another_machine_is_refused():
    with pytest.raises(CommandError, match="Cannot listen on 192.0.2.77"):
        start.refuse_taken_port("192.0.2.77", free_port())


def test_it_says_how_to_run_it_when_run_another_way():
    with pytest.raises(CommandError, match=r"python manage\.py start"):
        call_command("start")


# The code to scan


def test_the_code_has_its_three_corners_and_a_quiet_zone():
    # ISO/IEC 18004: finder patterns of 7 x 7 modules in three corners, four light modules all round.
    square = modules("http://192.168.1.20:8000/")
    size = len(square)

    for top, left in ((0, 0), (0, size - 7), (size - 7, 0)):
        assert all(square[top][left + step] and square[top + 6][left + step] for step in range(7))
        assert not any(square[top + 1][left + step] for step in range(1, 6))
        assert all(square[top + step][left + 3] for step in (2, 3, 4))
    lines = drawn("http://192.168.1.20:8000/").splitlines()
    assert len(lines) == (size + 2 * QUIET + 1) // 2
    assert {len(line) for line in lines} == {size + 2 * QUIET}
    assert set(lines[0] + lines[1]) == {"█"}
    assert all(line.startswith("█" * QUIET) and line.endswith("█" * QUIET) for line in lines[:-1])


def test_the_drawing_shows_the_same_modules():
    lines = drawn("http://192.168.1.20:8000/").splitlines()
    light = {"█": (True, True), "▀": (True, False), "▄": (False, True), " ": (False, False)}
    rows = [[light[sign][half] for sign in line] for line in lines for half in (0, 1)]

    for row, line in enumerate(modules("http://192.168.1.20:8000/")):
        for column, dark in enumerate(line):
            assert rows[row + QUIET][column + QUIET] is not dark


def test_a_terminal_shows_it_light_on_dark_whatever_its_colours():
    assert all(
        line.startswith("\x1b[97;40m") and line.endswith("\x1b[0m")
        for line in drawn_for_terminal("x").splitlines()
    )


# The real thing


class Running:
    """`manage.py start` in its own process, as a person starts it, but without a terminal."""

    def __init__(self, data, *options):
        self.port = free_port()
        environment = {
            name: value for name, value in os.environ.items() if not name.startswith(("THIRD_COAT", "DJANGO"))
        }
        environment.pop("DATABASE_URL", None)
        self.process = subprocess.Popen(
            [sys.executable, "manage.py", "start", "--host", "127.0.0.1", "--port", str(self.port), *options],
            cwd=settings.BASE_DIR,
            env={**environment, "THIRD_COAT_DATA": str(data), "PYTHONUNBUFFERED": "1"},
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            start_new_session=True,
        )

    def get(self, path="/"):
        end = time.monotonic() + 120
        while True:
            try:
                with urllib.request.urlopen(f"http://127.0.0.1:{self.port}{path}", timeout=20) as answer:
                    return answer.status, answer.read().decode(), answer.headers
            except (urllib.error.URLError, ConnectionError):
                if self.process.poll() is not None or time.monotonic() > end:
                    pytest.fail(f"the shop did not come up:\n{self.process.communicate()[0]}")
                time.sleep(0.1)

    def stop(self):
        if self.process.poll() is None:
            os.killpg(self.process.pid, signal.SIGINT)
        try:
            output, _ = self.process.communicate(timeout=30)
        except subprocess.TimeoutExpired:
            os.killpg(self.process.pid, signal.SIGKILL)
            raise
        return self.process.returncode, output


def test_a_new_shop_comes_up_asks_for_its_name_and_stops_without_a_trace_of_trouble(tmp_path):
    shop = Running(tmp_path)
    try:
        status, page, headers = shop.get()
        # The style sheet's name carries a hash, and the file is really there.
        sheet = re.search(r'href="(/static/flips/site\.[0-9a-f]+\.css)"', page).group(1)
        assert shop.get(sheet)[0] == 200
    finally:
        code, output = shop.stop()

    assert status == 200
    assert "<form" in page
    assert headers["Cache-Control"] == "private, no-store"
    assert code == 0
    assert f"http://localhost:{shop.port}/" in output or f"http://127.0.0.1:{shop.port}/" in output
    assert str(tmp_path) in output
    assert "has stopped" in output
    assert "Traceback" not in output
    assert {"shop.sqlite3", "secret_key"} <= {path.name for path in tmp_path.iterdir()}


def test_the_demo_has_its_own_records_shows_its_log_ins_and_keeps_them_over_a_restart(tmp_path):
    built = Running(tmp_path, "--demo")
    try:
        _, page, _ = built.get("/")
    finally:
        _, first = built.stop()
    again = Running(tmp_path, "--demo")
    try:
        _, page_again, _ = again.get("/")
    finally:
        _, second = again.stop()

    assert "Building the demo shop" in first
    assert "Building the demo shop" not in second
    assert "demo" in page.lower()
    assert re.findall(r"<code>[^<]+</code>", page) == re.findall(r"<code>[^<]+</code>", page_again)
    assert (tmp_path / "demo" / "shop.sqlite3").exists()
    assert not (tmp_path / "shop.sqlite3").exists()
