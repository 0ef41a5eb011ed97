"""Known addresses, what every answer carries, and pages that say what to set."""

import pytest
from django.core.exceptions import DisallowedHost
from django.http import HttpResponse
from django.test import RequestFactory
from django.urls import reverse

from flips import security
from flips.addresses import PublicAddress, WrongAddress, host_without_port, is_near, lan_address
from flips.models import Person, Shop


def passed(middleware, **meta):
    return middleware(lambda request: HttpResponse("through"))(RequestFactory().get("/", **meta))


# The public address


def test_one_setting_says_hosts_origins_and_cookie_flags():
    address = PublicAddress.read("https://Shop.example.org/")

    assert address.hosts[0] == "shop.example.org"
    assert address.origins == ["https://shop.example.org"]
    assert address.is_https


def test_a_port_belongs_to_the_origin_and_not_to_the_host():
    address = PublicAddress.read("http://shop.example.org:8080")

    assert address.hosts[0] == "shop.example.org"
    assert address.origins == ["http://shop.example.org:8080"]
    assert not address.is_https


def test_an_ipv6_address_keeps_its_brackets():
    assert str(PublicAddress.read("https://[2001:db8::5]:8443")) == "https://[2001:db8::5]:8443"


def test_without_the_setting_nothing_is_said():
    address = PublicAddress.read(" ")

    assert (address.is_set, address.hosts, address.origins, str(address)) == (False, ["*"], [], "")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("shop.example.org", "must start with https://"),
        ("ftp://shop.example.org", "must start with https://"),
        ("https://", "must start with https://"),
        ("https://shop.example.org/records", "end after the host name"),
        ("https://me@shop.example.org", "end after the host name"),
        ("https://shop.example.org?x=1", "end after the host name"),
        ("https://shop.example.org:many", "not an address"),
        ("https://[::1", "not an address"),
        ("https://*.example.org", "no host name"),
        ("https://shop_one.example.org", "no host name"),
    ],
)
def test_a_public_url_that_cannot_be_is_refused_with_an_example(text, said):
    with pytest.raises(WrongAddress, match=said) as refusal:
        PublicAddress.read(text)

    assert "THIRD_COAT_PUBLIC_URL" in str(refusal.value)
    assert "https://shop.example.org" in str(refusal.value)


# Private address space: RFC 1918 section 3, RFC 6598 section 7, RFC 4193 section 3.1, RFC 4291 section 2.5.6.
@pytest.mark.parametrize(
    "host",
    [
        "localhost:8000",
        "127.0.0.1",
        "[::1]:8000",
        "10.0.0.7:8000",
        "172.16.0.1",
        "172.31.255.254",
        "192.168.1.20:8000",
        "100.64.0.1",
        "169.254.3.4",
        "[fd12:3456::1]:8000",
        "[fe80::1]",
    ],
)
def test_the_own_network_is_near(host):
    assert is_near(host)


@pytest.mark.parametrize(
    "host",
    [
        "example.org",
        "8.8.8.8",
        "172.32.0.1",
        "100.128.0.1",
        "[2606:4700::1]:80",
        "10.0.0.7.example.org",
        "localhost.example.org",
        "",
    ],
)
def test_the_rest_of_the_world_is_not_near(host):
    assert not is_near(host)


@pytest.mark.parametrize("name", ["workbench", "workbench.local", "WORKBENCH:8000"])
def test_the_machines_own_name_is_near(name, monkeypatch):
    monkeypatch.setattr("socket.gethostname", lambda: "workbench")

    assert is_near(name)
    assert not is_near("workbench.example.org")


@pytest.mark.parametrize(
    ("host", "name"),
    [
        ("a.org:80", "a.org"),
        ("a.org", "a.org"),
        ("[::1]:80", "[::1]"),
        ("[::1]", "[::1]"),
        ("1.2.3.4:5", "1.2.3.4"),
    ],
)
def test_a_port_is_taken_off_a_host(host, name):
    assert host_without_port(host) == name


def test_the_address_in_the_own_network_can_be_opened_by_others():
    found = lan_address()

    assert found is None or not found.startswith(("127.", "0.", "[::1"))


# A wrong address


def test_a_near_host_passes(settings):
    settings.ALLOWED_HOSTS = ["*"]

    assert passed(security.known_address, HTTP_HOST="192.168.1.20:8000").content == b"through"


def test_an_unknown_host_is_told_which_setting_to_set_to_what(settings):
    settings.ALLOWED_HOSTS = ["*"]

    answer = passed(security.known_address, HTTP_HOST="shop.example.org", HTTP_X_FORWARDED_PROTO="https")

    assert answer.status_code == 400
    assert "THIRD_COAT_PUBLIC_URL=https://shop.example.org" in answer.content.decode()


def test_with_a_public_url_another_host_is_shown_the_right_one(settings):
    settings.PUBLIC_ADDRESS = PublicAddress.read("https://shop.example.org")
    settings.ALLOWED_HOSTS = settings.PUBLIC_ADDRESS.hosts

    answer = passed(security.known_address, HTTP_HOST="192.168.1.20:8000")

    assert answer.status_code == 400
    assert 'href="https://shop.example.org/"' in answer.content.decode()
    assert passed(security.known_address, HTTP_HOST="shop.example.org").content == b"through"


def test_a_host_that_is_no_host_is_shown_harmlessly(settings):
    settings.ALLOWED_HOSTS = ["*"]

    answer = passed(security.known_address, HTTP_HOST='"><script>x</script>')

    assert answer.status_code == 400
    assert "<script>x" not in answer.content.decode()


def test_the_project_lets_no_unknown_host_near_a_view(client, settings):
    settings.ALLOWED_HOSTS = ["*"]

    assert client.get("/", HTTP_HOST="elsewhere.example.org").status_code == 400


# A form that cannot be trusted


def refused(settings, public="", **meta):
    settings.PUBLIC_ADDRESS = PublicAddress.read(public)
    settings.ALLOWED_HOSTS = ["*"]
    return security.refused_form(RequestFactory().post("/", **meta), "because").content.decode()


def test_a_form_from_behind_a_proxy_is_told_what_to_set(settings):
    page = refused(settings, HTTP_HOST="127.0.0.1:8000", HTTP_ORIGIN="https://shop.example.org")

    assert "THIRD_COAT_PUBLIC_URL=https://shop.example.org" in page


def test_a_form_sent_over_http_to_an_https_shop_is_sent_to_the_right_place(settings):
    page = refused(
        settings, "https://shop.example.org", HTTP_HOST="127.0.0.1:8000", HTTP_ORIGIN="http://127.0.0.1:8000"
    )

    assert 'href="https://shop.example.org/"' in page
    assert "plain http" in page


def test_a_form_that_waited_too_long_is_told_to_reload(settings):
    page = refused(settings, HTTP_HOST="127.0.0.1:8000", HTTP_ORIGIN="http://127.0.0.1:8000")

    assert "reload" in page
    assert "THIRD_COAT_PUBLIC_URL" not in page


def test_django_shows_this_page_and_not_its_own(settings):
    assert settings.CSRF_FAILURE_VIEW == "flips.security.refused_form"


# Headers and sizes


def test_every_answer_keeps_out_foreign_code_frames_and_caches():
    answer = passed(security.headers)

    policy = answer["Content-Security-Policy"]
    assert "default-src 'self'" in policy
    assert "frame-ancestors 'none'" in policy
    assert "unsafe" not in policy
    assert answer["Cache-Control"] == "private, no-store"
    assert answer["Referrer-Policy"] == "same-origin"
    assert answer["X-Frame-Options"] == "DENY"


def test_a_view_that_may_be_cached_says_so_itself():
    answer = security.headers(lambda request: HttpResponse(headers={"Cache-Control": "private, max-age=60"}))(
        RequestFactory().get("/")
    )

    assert answer["Cache-Control"] == "private, max-age=60"


def test_a_request_that_is_too_large_is_refused_before_it_is_read(settings):
    settings.REQUEST_MAX_BYTES = 3 * 1024 * 1024

    answer = passed(security.bounded_upload, CONTENT_LENGTH=str(3 * 1024 * 1024 + 1))

    assert answer.status_code == 413
    assert "up to 3 MB" in answer.content.decode()


@pytest.mark.parametrize("length", ["", "much", "3145728"])
def test_any_other_request_passes(length, settings):
    settings.REQUEST_MAX_BYTES = 3 * 1024 * 1024

    assert passed(security.bounded_upload, CONTENT_LENGTH=length).content == b"through"


def test_too_many_wrong_passwords_are_told_how_long_to_wait():
    answer = security.locked_out(RequestFactory().post("/log-in/"))

    assert answer.status_code == 429
    assert "15 minutes" in answer.content.decode()


def test_an_unknown_host_never_reaches_django_as_an_error():
    with pytest.raises(DisallowedHost):
        RequestFactory().get("/", HTTP_HOST="!").get_host()

    assert passed(security.known_address, HTTP_HOST="!").status_code == 400


@pytest.fixture
def owner(db):
    Shop.objects.create(name="Mill Lane")
    return Person.objects.create_user(username="ada", password="linseed and pumice", role="owner")


def try_to_log_in(client, password, username="ada"):
    return client.post(reverse("log_in"), {"username": username, "password": password})


@pytest.mark.usefixtures("owner")
def test_a_name_rests_for_a_while_after_too_many_wrong_passwords(client, settings):
    for _ in range(settings.AXES_FAILURE_LIMIT - 1):
        assert try_to_log_in(client, "wrong").status_code != 429

    assert try_to_log_in(client, "wrong").status_code == 429
    assert try_to_log_in(client, "linseed and pumice").status_code == 429


@pytest.mark.usefixtures("owner")
def test_nobody_else_has_to_wait(client, settings):
    for _ in range(settings.AXES_FAILURE_LIMIT):
        try_to_log_in(client, "wrong", username="somebody")

    assert try_to_log_in(client, "linseed and pumice").status_code == 302


@pytest.mark.usefixtures("owner")
def test_a_right_password_starts_the_count_anew(client, settings):
    for _ in range(2):
        for _ in range(settings.AXES_FAILURE_LIMIT - 1):
            try_to_log_in(client, "wrong")
        assert try_to_log_in(client, "linseed and pumice").status_code == 302


def test_a_page_with_records_is_kept_in_no_cache(client, owner):
    client.force_login(owner)

    assert client.get("/")["Cache-Control"] == "private, no-store"
