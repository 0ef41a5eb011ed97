"""What the settings promise: where records lie, and that what was answered as saved is on disk."""

import json
import os
import subprocess
import sys

import pytest
from django.conf import settings as test_settings
from django.db import connection

from flips import settings as shop

ASK = """
import json
from flips import settings as s
print(json.dumps({name: str(getattr(s, name)) for name in
    ("DATA", "DEMO", "DEBUG", "ALLOWED_HOSTS", "CSRF_TRUSTED_ORIGINS", "SESSION_COOKIE_SECURE", "SESSION_COOKIE_NAME",
     "SECRET_KEY", "SECURE_PROXY_SSL_HEADER")} | {"ENGINE": s.DATABASES["default"]["ENGINE"]}))
"""


def settings_with(folder, **environment):
    clean = {
        name: value
        for name, value in os.environ.items()
        if not name.startswith(("THIRD_COAT", "DJANGO", "DATABASE_"))
    }
    result = subprocess.run(
        [sys.executable, "-c", ASK],
        cwd=shop.BASE_DIR,
        env={**clean, "THIRD_COAT_DATA": str(folder), **environment},
        capture_output=True,
        text=True,
        check=False,
    )
    return json.loads(result.stdout) if result.returncode == 0 else result.stderr


def test_a_shop_of_its_own_shows_no_errors_in_full_and_answers_nearby(tmp_path):
    seen = settings_with(tmp_path)

    assert seen["DATA"] == str(tmp_path)
    assert (seen["DEBUG"], seen["ALLOWED_HOSTS"], seen["SESSION_COOKIE_SECURE"]) == (
        "False",
        "['*']",
        "False",
    )
    assert seen["SECRET_KEY"] == (tmp_path / "secret_key").read_text()
    assert settings_with(tmp_path)["SECRET_KEY"] == seen["SECRET_KEY"]


def test_the_public_url_decides_hosts_origins_and_cookies(tmp_path):
    seen = settings_with(tmp_path, THIRD_COAT_PUBLIC_URL="https://shop.example.org")

    assert "'shop.example.org'" in seen["ALLOWED_HOSTS"]
    assert "*" not in seen["ALLOWED_HOSTS"]
    assert seen["CSRF_TRUSTED_ORIGINS"] == "['https://shop.example.org']"
    assert seen["SESSION_COOKIE_SECURE"] == "True"
    assert "HTTP_X_FORWARDED_PROTO" in seen["SECURE_PROXY_SSL_HEADER"]


def test_a_public_url_that_cannot_be_says_what_to_set(tmp_path):
    said = settings_with(tmp_path, THIRD_COAT_PUBLIC_URL="shop.example.org")

    assert "Set THIRD_COAT_PUBLIC_URL to the address people type, like https://shop.example.org" in said


def test_the_demo_shares_nothing_with_the_shop(tmp_path):
    real = settings_with(tmp_path, DATABASE_URL="postgres://shop@localhost/shop")
    demo = settings_with(tmp_path, THIRD_COAT_DEMO="1", DATABASE_URL="postgres://shop@localhost/shop")

    assert demo["DATA"] == str(tmp_path / "demo")
    assert (real["ENGINE"].rsplit(".", 1)[1], demo["ENGINE"].rsplit(".", 1)[1]) == ("postgresql", "sqlite3")
    assert demo["SECRET_KEY"] != real["SECRET_KEY"]
    assert demo["SESSION_COOKIE_NAME"] != real["SESSION_COOKIE_NAME"]


@pytest.mark.skipif(
    "sqlite" not in connection.settings_dict["ENGINE"], reason="only SQLite has these switches"
)
def test_an_answered_write_is_on_disk(tmp_path):
    import sqlite3

    options = shop.DATABASES["default"]["OPTIONS"]
    database = sqlite3.connect(tmp_path / "shop.sqlite3", timeout=options["timeout"])
    database.executescript(options["init_command"])

    # SQLite's documentation of PRAGMA synchronous: 2 is FULL.
    assert database.execute("PRAGMA synchronous").fetchone() == (2,)
    assert database.execute("PRAGMA journal_mode").fetchone() == ("wal",)
    assert database.execute("PRAGMA foreign_keys").fetchone() == (1,)
    assert options["transaction_mode"] == "IMMEDIATE"
    database.close()


def test_tests_keep_out_of_everybodys_records():
    assert "third-coat-tests-" in str(test_settings.DATA)
    assert "third-coat-tests-" in str(test_settings.MEDIA_ROOT)


@pytest.mark.parametrize(
    ("environment", "said"),
    [
        ({"THIRD_COAT_PUBLIC_URL": "my shop"}, "THIRD_COAT_PUBLIC_URL is 'my shop'"),
        ({"THIRD_COAT_DATA": "/proc/nowhere"}, "Set THIRD_COAT_DATA to a folder that can be written"),
    ],
)
def test_a_wrong_setting_is_told_in_one_line(environment, said, tmp_path):
    result = subprocess.run(
        [sys.executable, "manage.py", "start", "--port", "1"],
        cwd=shop.BASE_DIR,
        env={"PATH": os.environ["PATH"], "THIRD_COAT_DATA": str(tmp_path), **environment},
        capture_output=True,
        text=True,
        check=False,
    )

    assert result.returncode == 1
    assert said in result.stderr
    assert result.stderr.count("\n") == 1
