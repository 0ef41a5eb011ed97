"""The shop's settings on a throw-away data folder, so that no test can touch anybody's records."""

import atexit
import os
import shutil
import tempfile

_folder = tempfile.mkdtemp(prefix="third-coat-tests-")
atexit.register(shutil.rmtree, _folder, ignore_errors=True)
os.environ["THIRD_COAT_DATA"] = _folder
for _name in ("DEMO", "SERVING", "DEBUG", "PUBLIC_URL", "SECRET_KEY"):
    os.environ.pop(f"THIRD_COAT_{_name}", None)

from flips.settings import *  # noqa: E402, F403
from flips.settings import DATABASES  # noqa: E402

PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
DATABASES["default"]["CONN_MAX_AGE"] = 0
