"""What every answer carries and every request must pass: headers, a known address, a bounded size."""

import logging
from collections.abc import Callable

from django.conf import settings
from django.core.exceptions import DisallowedHost
from django.http import HttpRequest, HttpResponse
from django.http.request import validate_host
from django.shortcuts import render
from django.template.loader import render_to_string

from flips.addresses import host_without_port, is_near

log = logging.getLogger(__name__)
Answer = Callable[[HttpRequest], HttpResponse]

CONTENT_SECURITY_POLICY = "; ".join(
    (
        "default-src 'self'",
        "script-src 'self'",
        "style-src 'self'",
        "img-src 'self' blob: data:",
        "connect-src 'self'",
        "object-src 'none'",
        "frame-ancestors 'none'",
        "base-uri 'self'",
        "form-action 'self'",
    )
)
PERMISSIONS = "camera=(self), microphone=(), geolocation=(), payment=(), usb=(), browsing-topics=()"


def headers(get_response: Answer) -> Answer:
    """Middleware: no answer lets in foreign code or frames, and none is kept in a cache unless its view says so."""

    def answer(request: HttpRequest) -> HttpResponse:
        response = get_response(request)
        response.headers.setdefault("Content-Security-Policy", CONTENT_SECURITY_POLICY)
        response.headers.setdefault("Permissions-Policy", PERMISSIONS)
        response.headers.setdefault("Referrer-Policy", settings.SECURE_REFERRER_POLICY)
        response.headers.setdefault("X-Frame-Options", "DENY")
        response.headers.setdefault("Cache-Control", "private, no-store")
        return response

    return answer


def known_address(get_response: Answer) -> Answer:
    """Middleware: a request for a host that is not ours gets a page that says what to set."""

    def answer(request: HttpRequest) -> HttpResponse:
        try:
            host = request.get_host()
        except DisallowedHost:
            return wrong_address(request)
        if not (is_near(host) or settings.PUBLIC_ADDRESS.is_set or _is_named(host)):
            return wrong_address(request)
        return get_response(request)

    return answer


def _is_named(host: str) -> bool:
    # Test runners add their own host name to a list that is otherwise only "*".
    return validate_host(host_without_port(host), [name for name in settings.ALLOWED_HOSTS if name != "*"])


def asked_for(request: HttpRequest) -> str:
    """The address the browser most likely shows, like "https://shop.example.org", as far as the request tells."""
    host = request.META.get("HTTP_X_FORWARDED_HOST") or request.META.get("HTTP_HOST") or ""
    secure = request.META.get("HTTP_X_FORWARDED_PROTO") == "https" or request.is_secure()
    return f"{'https' if secure else 'http'}://{host}"


def wrong_address(request: HttpRequest) -> HttpResponse:
    """The page for an address this shop does not answer to: which setting to change, and to what."""
    log.warning("Refused the address %r: set THIRD_COAT_PUBLIC_URL to allow it.", asked_for(request))
    # Without the request: nothing on this page may depend on who asks, or on the database.
    context = {"asked_for": asked_for(request), "public_url": str(settings.PUBLIC_ADDRESS)}
    return HttpResponse(render_to_string("flips/security/wrong_address.html", context), status=400)


def refused_form(request: HttpRequest, reason: str = "") -> HttpResponse:
    """The page for a form that came without proof that it came from here (Django's CSRF_FAILURE_VIEW)."""
    origin = request.META.get("HTTP_ORIGIN", "")
    log.warning("Refused a form from %r: %s", origin or asked_for(request), reason)
    public = settings.PUBLIC_ADDRESS
    own = f"{request.scheme}://{request.get_host()}"
    context = {
        "public_url": str(public),
        "plain_but_https": public.is_https and not request.is_secure() and origin in ("", own),
        # "null" is what a browser sends when it keeps the origin to itself.
        "other_origin": "" if origin in ("", "null", own, str(public)) else origin,
    }
    return HttpResponse(render_to_string("flips/security/refused_form.html", context), status=403)


def bounded_upload(get_response: Answer) -> Answer:
    """Middleware: a request larger than the shop takes is refused before it is read."""

    def answer(request: HttpRequest) -> HttpResponse:
        try:
            size = int(request.META.get("CONTENT_LENGTH") or 0)
        except ValueError:
            size = 0
        if size > settings.REQUEST_MAX_BYTES:
            limit = settings.REQUEST_MAX_BYTES // 1024**2
            return HttpResponse(
                render_to_string("flips/security/too_large.html", {"limit": limit}), status=413
            )
        return get_response(request)

    return answer


def locked_out(request: HttpRequest, *_args: object, **_kwargs: object) -> HttpResponse:
    """The page after too many wrong passwords: how long to wait; nothing about whether the name exists."""
    minutes = int(settings.AXES_COOLOFF_TIME.total_seconds() // 60)
    return render(request, "flips/security/locked_out.html", {"minutes": minutes}, status=429)
