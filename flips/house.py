"""What every page needs to know: the shop, its clock, and who is looking."""

from __future__ import annotations

from collections.abc import Callable
from contextvars import ContextVar
from typing import Any

from django.http import HttpRequest, HttpResponse, HttpResponseRedirect
from django.urls import reverse
from django.utils import timezone
from django.utils.functional import SimpleLazyObject

from flips.models import Shop, TimeEntry

TABS = {
    "find": "find buy-lot comparables",
    "stock": "stock uses",
    "money": "money receipts receipt-lines sales sale-shares returns payments taxes trips",
    "more": "more settings people password calculators clamps techniques history",
    "hours": "hours",
    "bench": "pieces parts attempts log removals readings photos purchases faults",
}
TAB_OF = {place: tab for tab, places in TABS.items() for place in places.split()}

BEFORE_SET_UP = ("/setup/", "/static/", "/worker.js", "/manifest.webmanifest", "/offline/", "/healthy/")

_shop: ContextVar[Shop | None] = ContextVar("shop", default=None)


def current_shop() -> Shop:
    """The shop whose currency and units typed values count in; asked of the database once a request."""
    shop = _shop.get() or Shop.current()
    if shop is None:
        raise RuntimeError("No shop has been set up.")
    return shop


class ShopMiddleware:
    """Puts ``request.shop`` in place and the shop's clock on; sends the first visitor to the set-up."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        shop = Shop.current()
        if shop is None:
            if not request.path.startswith(BEFORE_SET_UP):
                return HttpResponseRedirect(reverse("setup"))
            return self.get_response(request)
        request.shop = shop  # type: ignore[attr-defined]
        token = _shop.set(shop)
        try:
            with timezone.override(shop.zone):
                return self.get_response(request)
        finally:
            _shop.reset(token)


def context(request: HttpRequest) -> dict[str, Any]:
    """For every template: the shop, the person looking, whether money may be shown, and running timers."""
    viewer = getattr(request, "user", None)
    signed_in = bool(viewer and viewer.is_authenticated)

    def running() -> list[TimeEntry]:
        if not signed_in:
            return []
        return list(
            TimeEntry.objects.running().filter(person=viewer).select_related("piece", "attempt", "person")
        )

    return {
        # A page that names no tab lights the one its address belongs to.
        "tab": TAB_OF.get(request.path_info.strip("/").partition("/")[0], ""),
        "shop": getattr(request, "shop", None),
        "viewer": viewer,
        "owner": signed_in and viewer.is_owner,  # type: ignore[union-attr]
        "running_timers": SimpleLazyObject(running),
    }
