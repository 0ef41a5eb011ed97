"""The shop's settings on a throw-away data folder, so that no test can touch anybody's records."""

import atexit
import copy
import os
import shutil
import tempfile
from pathlib import Path

_folder = Path(tempfile.mkdtemp(prefix="third-coat-tests-"))
atexit.register(shutil.rmtree, _folder, ignore_errors=True)
os.environ["THIRD_COAT_DATA"] = str(_folder)
for _name in ("DEMO", "SERVING", "DEBUG", "PUBLIC_URL", "SECRET_KEY"):
    os.environ.pop(f"THIRD_COAT_{_name}", None)
# A browser's driver runs a loop in the thread of the test, which makes Django think the test itself were async.
os.environ["DJANGO_ALLOW_ASYNC_UNSAFE"] = "true"

from flips.settings import *  # noqa: E402, F403
from flips.settings import DATABASES as _SHOP_DATABASES  # noqa: E402

PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]

DATABASES = copy.deepcopy(_SHOP_DATABASES)
DATABASES["default"]["CONN_MAX_AGE"] = 0
if DATABASES["default"]["ENGINE"].endswith("sqlite3"):
    # A file, as in the shop: a database in memory is one connection, which a live server's threads would fight over.
    DATABASES["default"]["TEST"] = {"NAME": str(_folder / "test.sqlite3")}
    # Throw-away rows need not survive a power cut.
    DATABASES["default"]["OPTIONS"]["init_command"] = (
        "PRAGMA journal_mode=WAL; PRAGMA synchronous=OFF; PRAGMA foreign_keys=ON;"
    )
