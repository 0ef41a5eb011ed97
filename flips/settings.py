"""Every setting of Third Coat: what may be set from outside is read here, by name, and nowhere else."""

import os
from datetime import timedelta
from pathlib import Path
from typing import Any

import environ

from flips.addresses import PublicAddress
from flips.data_folder import kept_secret, usual_data_folder

env = environ.Env()
BASE_DIR = Path(__file__).resolve().parent.parent

# The one folder that holds everything the shop must not lose. The demo lives beside the real shop, never in it.
DEMO = env.bool("THIRD_COAT_DEMO", default=False)
SHOP_DATA = Path(env.str("THIRD_COAT_DATA", default=str(usual_data_folder()))).expanduser().resolve()
DATA = SHOP_DATA / "demo" if DEMO else SHOP_DATA
PHOTOS = DATA / "photos"

DEBUG = env.bool("THIRD_COAT_DEBUG", default=False)
SECRET_KEY = env.str("THIRD_COAT_SECRET_KEY", default="") or kept_secret(DATA)
# `manage.py start` collects the static files first and sets this; elsewhere they are served from where they lie.
SERVING = env.bool("THIRD_COAT_SERVING", default=False)

# One setting says where the shop is reached; hosts, origins and cookie flags all follow from it.
PUBLIC_ADDRESS = PublicAddress.read(env.str("THIRD_COAT_PUBLIC_URL", default=""))
ALLOWED_HOSTS = PUBLIC_ADDRESS.hosts
CSRF_TRUSTED_ORIGINS = PUBLIC_ADDRESS.origins
SESSION_COOKIE_SECURE = CSRF_COOKIE_SECURE = PUBLIC_ADDRESS.is_https
SECURE_PROXY_SSL_HEADER = ("HTTP_X_FORWARDED_PROTO", "https") if PUBLIC_ADDRESS.is_https else None
SECURE_HSTS_SECONDS = 30 * 24 * 3600 if PUBLIC_ADDRESS.is_https else 0

INSTALLED_APPS = [
    "django.contrib.auth",
    "django.contrib.contenttypes",
    "django.contrib.sessions",
    "django.contrib.messages",
    "django.contrib.staticfiles",
    "django.forms",
    "django_htmx",
    "lucide",
    "simple_history",
    "axes",
    "finishes",
    "estimating",
    "flips",
]

MIDDLEWARE = [
    "django.middleware.security.SecurityMiddleware",
    # Before the address check, so that the page about a wrong address still has its style sheet.
    "whitenoise.middleware.WhiteNoiseMiddleware",
    "flips.security.headers",
    "flips.security.known_address",
    "flips.security.bounded_upload",
    "django.contrib.sessions.middleware.SessionMiddleware",
    "django.middleware.common.CommonMiddleware",
    "django.middleware.csrf.CsrfViewMiddleware",
    "django.contrib.auth.middleware.AuthenticationMiddleware",
    "flips.house.ShopMiddleware",
    "django.contrib.messages.middleware.MessageMiddleware",
    "flips.access.AccessMiddleware",
    "flips.closed_years.ClosedYearMiddleware",
    "django_htmx.middleware.HtmxMiddleware",
    "simple_history.middleware.HistoryRequestMiddleware",
    "axes.middleware.AxesMiddleware",
]

ROOT_URLCONF = "flips.urls"
WSGI_APPLICATION = "flips.wsgi.application"
FORM_RENDERER = "django.forms.renderers.TemplatesSetting"
TEMPLATES = [
    {
        "BACKEND": "django.template.backends.django.DjangoTemplates",
        "DIRS": [BASE_DIR / "templates"],
        "APP_DIRS": True,
        "OPTIONS": {
            "context_processors": [
                "django.template.context_processors.request",
                "django.contrib.auth.context_processors.auth",
                "django.contrib.messages.context_processors.messages",
                "flips.house.context",
            ],
        },
    },
]


def _database() -> dict[str, Any]:
    url = "" if DEMO else env.str("DATABASE_URL", default="")
    if url and not url.startswith("sqlite"):
        return {**env.db_url_config(url), "CONN_MAX_AGE": 300, "CONN_HEALTH_CHECKS": True}
    return {
        "ENGINE": "django.db.backends.sqlite3",
        "NAME": env.db_url_config(url)["NAME"] if url else DATA / "shop.sqlite3",
        # A closing last connection folds the write-ahead log back in: not after every request, please.
        "CONN_MAX_AGE": 300,
        "OPTIONS": {
            # A read that becomes a write fails as "locked" at once unless the transaction starts as a writer,
            # and only FULL has the bytes on disk before the answer leaves.
            "transaction_mode": "IMMEDIATE",
            "timeout": 20,
            "init_command": "PRAGMA journal_mode=WAL; PRAGMA synchronous=FULL; PRAGMA foreign_keys=ON;",
        },
    }


DATABASES = {"default": _database()}
DEFAULT_AUTO_FIELD = "django.db.models.BigAutoField"

AUTH_USER_MODEL = "flips.Person"
AUTHENTICATION_BACKENDS = ["axes.backends.AxesStandaloneBackend", "django.contrib.auth.backends.ModelBackend"]
AUTH_PASSWORD_VALIDATORS = [
    {"NAME": "django.contrib.auth.password_validation.UserAttributeSimilarityValidator"},
    {"NAME": "django.contrib.auth.password_validation.MinimumLengthValidator"},
    {"NAME": "django.contrib.auth.password_validation.CommonPasswordValidator"},
]
LOGIN_URL = "log_in"
LOGIN_REDIRECT_URL = "bench"
LOGOUT_REDIRECT_URL = "log_in"

# Ten wrong passwords for one name from one address rest for a quarter of an hour; nobody else is locked out.
AXES_FAILURE_LIMIT = 10
AXES_COOLOFF_TIME = timedelta(minutes=15)
AXES_LOCKOUT_PARAMETERS = [["username", "ip_address"]]
AXES_LOCKOUT_CALLABLE = "flips.security.locked_out"
AXES_RESET_ON_SUCCESS = True
AXES_DISABLE_ACCESS_LOG = True
AXES_VERBOSE = False

# A phone on the workbench stays signed in for a month, counted from its last visit.
SESSION_COOKIE_AGE = 30 * 24 * 3600
SESSION_COOKIE_HTTPONLY = True
SESSION_COOKIE_SAMESITE = CSRF_COOKIE_SAMESITE = "Lax"
# Cookies do not tell ports apart: the demo beside the shop must not sign the shop out.
SESSION_COOKIE_NAME = "third_coat_demo" if DEMO else "third_coat"
CSRF_COOKIE_NAME = f"{SESSION_COOKIE_NAME}_csrf"
CSRF_FAILURE_VIEW = "flips.security.refused_form"

X_FRAME_OPTIONS = "DENY"
SECURE_CONTENT_TYPE_NOSNIFF = True
SECURE_REFERRER_POLICY = "same-origin"
SECURE_CROSS_ORIGIN_OPENER_POLICY = "same-origin"

LANGUAGE_CODE = "en"
USE_I18N = True
USE_TZ = True
# Stored and compared in UTC; the shop's own zone is put on by a middleware.
TIME_ZONE = "UTC"

STATIC_URL = "/static/"
STATIC_ROOT = DATA / "static"
WHITENOISE_ALLOW_ALL_ORIGINS = False
WHITENOISE_USE_FINDERS = WHITENOISE_AUTOREFRESH = not SERVING
MEDIA_ROOT = PHOTOS
STORAGES = {
    "default": {"BACKEND": "flips.storage.SyncedStorage"},
    "staticfiles": {
        # Names with a hash need the files collected first; without that every one of them is a 404.
        "BACKEND": "whitenoise.storage.CompressedManifestStaticFilesStorage"
        if SERVING
        else "django.contrib.staticfiles.storage.StaticFilesStorage"
    },
}

# The largest photo, the largest request, and typed text: sizes in bytes.
PHOTO_MAX_BYTES = 40 * 1024 * 1024
REQUEST_MAX_BYTES = 400 * 1024 * 1024
DATA_UPLOAD_MAX_MEMORY_SIZE = 4 * 1024 * 1024
DATA_UPLOAD_MAX_NUMBER_FIELDS = 5000
DATA_UPLOAD_MAX_NUMBER_FILES = 40
FILE_UPLOAD_MAX_MEMORY_SIZE = 1024 * 1024
FILE_UPLOAD_PERMISSIONS = 0o600
FILE_UPLOAD_DIRECTORY_PERMISSIONS = 0o700

LOGGING = {
    "version": 1,
    "disable_existing_loggers": False,
    "formatters": {"line": {"format": "{asctime} {levelname} {name}: {message}", "style": "{"}},
    "handlers": {"stderr": {"class": "logging.StreamHandler", "formatter": "line"}},
    "root": {"handlers": ["stderr"], "level": "WARNING"},
    "loggers": {
        "django": {"handlers": ["stderr"], "level": "WARNING", "propagate": False},
        "flips": {
            "handlers": ["stderr"],
            "level": os.environ.get("THIRD_COAT_LOG_LEVEL", "INFO"),
            "propagate": False,
        },
    },
}
