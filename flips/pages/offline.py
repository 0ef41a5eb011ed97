"""What a phone may keep: the worker, the manifest, the page without a signal, and a fresh form proof."""

from __future__ import annotations

import hashlib
import json
from functools import lru_cache
from pathlib import Path

from django.conf import settings
from django.contrib.staticfiles import finders
from django.contrib.staticfiles.storage import staticfiles_storage
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.middleware.csrf import get_token
from django.shortcuts import render
from django.urls import path, reverse
from django.views.decorators.http import require_GET

from flips.access import open_to_all, open_to_helper

# Everything the empty find page and the offline page are made of.
KEPT = (
    "flips/site.css",
    "flips/app.js",
    "flips/keeping.js",
    "flips/icon.svg",
    "django_htmx/htmx-2.min.js",
)


def _text_of(name: str) -> bytes:
    place = finders.find(name)
    return Path(place).read_bytes() if isinstance(place, str) else b""


@lru_cache(maxsize=1)
def _served_worker() -> str:
    return _worker()


def _worker() -> str:
    source = _text_of("flips/worker.js").decode()
    told = {
        "files": [staticfiles_storage.url(name) for name in KEPT],
        "offline": reverse("offline"),
        "find": reverse("find"),
        "shell": f"{reverse('find')}?shell=1",
        "static": settings.STATIC_URL,
    }
    seal = hashlib.sha256(source.encode() + json.dumps(told).encode())
    for name in KEPT:
        seal.update(_text_of(name))
    return f"self.COAT = {json.dumps(told | {'version': seal.hexdigest()[:12]})};\n{source}"


@open_to_all
@require_GET
def worker(request: HttpRequest) -> HttpResponse:  # noqa: ARG001
    """The service worker, with the names of the files it keeps; a change in any of them makes it a new one."""
    text = _served_worker() if settings.SERVING else _worker()
    return HttpResponse(
        text,
        content_type="text/javascript; charset=utf-8",
        headers={"Service-Worker-Allowed": "/", "Cache-Control": "no-cache"},
    )


@open_to_all
@require_GET
def manifest(request: HttpRequest) -> HttpResponse:
    """The web app manifest (W3C), so that the shop can be put on a phone's home screen."""
    shop = getattr(request, "shop", None)
    icons = [
        {"src": staticfiles_storage.url("flips/icon.svg"), "sizes": "any", "type": "image/svg+xml"},
        {"src": staticfiles_storage.url("flips/icon-192.png"), "sizes": "192x192", "type": "image/png"},
        {"src": staticfiles_storage.url("flips/icon-512.png"), "sizes": "512x512", "type": "image/png"},
        {
            "src": staticfiles_storage.url("flips/icon-512.png"),
            "sizes": "512x512",
            "type": "image/png",
            "purpose": "maskable",
        },
    ]
    return JsonResponse(
        {
            "id": "/",
            "name": f"{shop.name} · Third Coat" if shop else "Third Coat",
            "short_name": "Third Coat",
            "description": "The shop's pieces, from the find to the margin.",
            "lang": "en",
            "start_url": reverse("bench"),
            "scope": "/",
            "display": "standalone",
            "background_color": "#14171f",
            "theme_color": "#14171f",
            "icons": icons,
            "shortcuts": [{"name": "Log a find", "url": reverse("find")}],
        },
        content_type="application/manifest+json",
        headers={"Cache-Control": "no-cache"},
    )


@open_to_all
@require_GET
def offline(request: HttpRequest) -> HttpResponse:
    """What is shown when there is no signal; it holds no data of the shop."""
    response = render(request, "flips/offline/offline.html")
    response["Cache-Control"] = "no-cache"
    return response


@open_to_helper
@require_GET
def offline_token(request: HttpRequest) -> HttpResponse:
    """A fresh form proof for finds that waited on the phone, and whose they must be."""
    return JsonResponse({"token": get_token(request), "viewer": request.user.pk})


urlpatterns = [
    path("worker.js", worker, name="worker"),
    path("manifest.webmanifest", manifest, name="manifest"),
    path("offline/", offline, name="offline"),
    path("offline/token/", offline_token, name="offline_token"),
]
