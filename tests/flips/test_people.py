"""First visit, log-in, people and what they are paid, and the shop's settings, as the pages do it."""

import threading
import uuid
from datetime import date

import pytest
from django.core.exceptions import ValidationError
from django.db import connection
from django.test import Client
from django.urls import reverse

from estimating.money import round_half_up
from flips.actions import people
from flips.demo import DEMO_PEOPLE
from flips.models import Channel, ExpenseCategory, FeeRule, HelperRate, Person, Role, Shop
from flips.models.facts import helper_rates, rate_on
from tests.makers import PASSWORD, make_helper, make_owner, make_piece, make_shop

SETUP = {
    "name": "Fern Street Workshop",
    "currency": "EUR",
    "units": "metric",
    "paper": "a4",
    "time_zone": "europe/berlin",
    "owner_name": "Vera",
    "username": "Vera",
    "password1": "walnut-and-wax-9",
    "password2": "walnut-and-wax-9",
}


def said(response):
    """What the page reads like, without markup."""
    return response.content.decode()


# The first visit


def test_first_visit_leads_to_the_set_up_from_anywhere(client, db):
    assert client.get("/").headers["Location"] == "/setup/"
    assert client.get("/people/").headers["Location"] == "/setup/"


def test_set_up_makes_the_shop_and_logs_its_owner_in(client, db):
    response = client.post("/setup/", SETUP)

    assert response.status_code == 302
    shop, owner = Shop.objects.get(), Person.objects.get()
    assert (shop.name, shop.currency_code, shop.time_zone, shop.paper) == (
        "Fern Street Workshop",
        "EUR",
        "Europe/Berlin",
        "a4",
    )
    assert (owner.username, owner.name, owner.is_owner) == ("vera", "Vera", True)
    assert shop.created_by == owner
    assert shop.history.get().history_user == owner
    assert client.get("/settings/").status_code == 200


def test_set_up_knows_no_default_password(client, db):
    response = client.post("/setup/", SETUP | {"password1": "", "password2": ""})

    assert response.status_code == 422
    assert not Shop.objects.exists()
    assert not Person.objects.exists()


@pytest.mark.parametrize(
    ("typed", "message"),
    [
        ({"password2": "walnut-and-wax-8"}, "The two passwords differ"),
        ({"password1": "short", "password2": "short"}, "too short"),
        ({"password1": "password1", "password2": "password1"}, "too common"),
        ({"time_zone": "Chicago"}, "is not a time zone I know"),
        ({"time_zone": "../../etc/passwd"}, "is not a time zone I know"),
        ({"currency": "other", "other_currency": ""}, "Write its three letters"),
        ({"currency": "other", "other_currency": "E1R"}, "is not a currency code"),
        ({"username": "two words"}, "valid username"),
        ({"name": ""}, "required"),
    ],
)
def test_set_up_says_what_is_wrong_and_keeps_the_rest(client, db, typed, message):
    response = client.post("/setup/", SETUP | typed)

    assert response.status_code == 422
    assert message in said(response)
    assert 'value="Vera"' in said(response)
    assert not Shop.objects.exists()


def test_set_up_takes_any_currency_by_its_code(client, db):
    client.post("/setup/", SETUP | {"currency": "other", "other_currency": "kwd"})

    assert Shop.objects.get().currency.digits == 3


def test_set_up_happens_only_once(client, shop):
    make_owner(username="first")

    response = client.post("/setup/", SETUP)

    assert response.headers["Location"] == "/log-in/"
    assert Shop.objects.get() == shop
    assert not Person.objects.filter(username="vera").exists()
    assert "_auth_user_id" not in client.session
    assert client.get("/setup/").headers["Location"] == "/"


def test_set_up_tapped_twice_makes_one_shop_and_logs_in_both_times(client, db):
    form = SETUP | {"sent_id": str(uuid.uuid4())}
    other = Client()

    first, second = client.post("/setup/", form), other.post("/setup/", form)

    assert first.headers["Location"] == second.headers["Location"] == "/"
    assert Person.objects.count() == 1
    assert other.get("/settings/").status_code == 200


def test_a_stranger_cannot_log_in_by_repeating_the_set_up_with_another_password(client, db):
    form = SETUP | {"sent_id": str(uuid.uuid4())}
    client.post("/setup/", form)
    stranger = Client()

    stranger.post("/setup/", form | {"password1": "guessed-it-9", "password2": "guessed-it-9"})

    assert "_auth_user_id" not in stranger.session


@pytest.mark.django_db(transaction=True)
def test_two_first_visits_at_once_make_one_shop():
    clients = [Client(), Client()]
    gate, answers = threading.Barrier(2), []

    def visit(client, username):
        gate.wait()
        answers.append(client.post("/setup/", SETUP | {"username": username}).status_code)
        connection.close()

    threads = [
        threading.Thread(target=visit, args=pair) for pair in zip(clients, ("anna", "berta"), strict=True)
    ]
    [thread.start() for thread in threads]
    [thread.join() for thread in threads]

    assert answers == [302, 302]
    assert Shop.objects.count() == 1
    assert Person.objects.count() == 1


# Logging in and out


def test_log_in_leads_to_the_page_that_was_asked_for(client, owner):
    asked = client.get("/people/")
    assert asked.headers["Location"] == "/log-in/?next=%2Fpeople%2F"

    response = client.post("/log-in/", {"username": "OWNER", "password": PASSWORD, "next": "/people/"})

    assert response.headers["Location"] == "/people/"


@pytest.mark.parametrize(
    "onward", ["https://elsewhere.example/", "//elsewhere.example/", "javascript:alert(1)"]
)
def test_log_in_never_leads_to_another_host(client, owner, onward):
    response = client.post("/log-in/", {"username": "owner", "password": PASSWORD, "next": onward})

    assert response.headers["Location"] == "/"


def test_a_wrong_password_says_nothing_about_the_name(client, owner):
    wrong = client.post("/log-in/", {"username": "owner", "password": "x"})
    unknown = client.post("/log-in/", {"username": "nobody", "password": "x"})

    assert wrong.status_code == unknown.status_code == 422
    for response in (wrong, unknown):
        assert "go together" in said(response)


def test_ten_wrong_passwords_rest_for_a_while_and_only_for_that_name(client, owner, helper):
    for _ in range(10):
        response = client.post("/log-in/", {"username": "owner", "password": "x"})
    assert response.status_code == 429

    assert client.post("/log-in/", {"username": "owner", "password": PASSWORD}).status_code == 429
    assert client.post("/log-in/", {"username": "helper", "password": PASSWORD}).status_code == 302


def test_logging_out_needs_a_tap_and_ends_the_session(owner_client):
    assert owner_client.get("/log-out/").status_code == 405

    owner_client.post("/log-out/")

    assert owner_client.get("/people/").headers["Location"].startswith("/log-in/")


def test_a_form_sent_after_the_session_ended_leads_back_to_its_page(client, owner):
    response = client.post("/settings/", {}, HTTP_REFERER="http://testserver/people/add/?a=1")

    assert response.headers["Location"] == "/log-in/?next=%2Fpeople%2Fadd%2F%3Fa%3D1"


def test_a_referer_from_another_host_is_no_way_back(client, owner):
    response = client.post("/settings/", {}, HTTP_REFERER="http://elsewhere.example/people/")

    assert response.headers["Location"] == "/log-in/"


def test_the_demo_shows_its_log_ins_and_the_real_shop_never_does(client, owner, settings):
    assert "This is a demo shop" not in said(client.get("/log-in/"))

    settings.DEMO = True

    page = said(client.get("/log-in/"))
    for person in DEMO_PEOPLE:
        assert f"<code>{person.username}</code>" in page
        assert f"<code>{person.password}</code>" in page


def test_changing_the_password_keeps_this_phone_and_logs_the_others_out(helper, helper_client):
    other = Client()
    other.post("/log-in/", {"username": "helper", "password": PASSWORD})
    assert other.get("/more/").status_code == 200

    response = helper_client.post(
        "/password/",
        {"old_password": PASSWORD, "new_password1": "dovetail-joint-4", "new_password2": "dovetail-joint-4"},
    )

    assert response.status_code == 302
    assert helper_client.get("/more/").status_code == 200
    assert other.get("/more/").status_code == 302


def test_the_old_password_must_be_right_to_change_it(helper, helper_client):
    response = helper_client.post(
        "/password/",
        {"old_password": "x", "new_password1": "dovetail-joint-4", "new_password2": "dovetail-joint-4"},
    )

    helper.refresh_from_db()
    assert response.status_code == 422
    assert helper.check_password(PASSWORD)


# Helpers and their pay


ADD = {
    "name": "Tomas",
    "username": "tomas",
    "password1": "plane-and-scraper",
    "password2": "plane-and-scraper",
    "hourly": "18.50",
    "from_on": "2026-01-01",
}


def test_an_owner_adds_a_helper_who_can_log_in(owner_client, client):
    owner_client.post("/people/add/", ADD)

    helper = Person.objects.get(username="tomas")
    assert helper.role == Role.HELPER
    assert helper.rates.get().hourly_cents == 1850
    assert client.post("/log-in/", {"username": "tomas", "password": "plane-and-scraper"}).status_code == 302


def test_adding_twice_with_the_same_id_makes_one_helper(owner_client):
    form = ADD | {"sent_id": str(uuid.uuid4())}

    answers = [owner_client.post("/people/add/", form).headers["Location"] for _ in range(2)]

    assert answers[0] == answers[1]
    assert Person.objects.filter(role=Role.HELPER).count() == 1


@pytest.mark.parametrize("name", ["helper", "HELPER"])
def test_a_user_name_is_given_once_whatever_its_capitals(owner_client, helper, name):
    response = owner_client.post("/people/add/", ADD | {"username": name})

    assert response.status_code == 422
    assert "That user name is taken" in said(response)


def test_a_rate_from_july_leaves_june_as_it_was(owner, owner_client):
    helper = make_helper(hourly_cents=1800, from_on=date(2026, 1, 1))
    june = rate_on(helper_rates()[helper.pk], date(2026, 6, 30))

    owner_client.post(f"/people/{helper.pk}/rates/", {"hourly": "21", "from_on": "2026-07-01"})

    rates = helper_rates()[helper.pk]
    assert rate_on(rates, date(2026, 6, 30)) == june == 1800
    assert rate_on(rates, date(2026, 7, 1)) == 2100
    assert rate_on(rates, date(2025, 12, 31)) is None


def test_one_rate_a_day_and_the_refusal_says_so(owner_client):
    helper = make_helper(hourly_cents=1800, from_on=date(2026, 1, 1))

    response = owner_client.post(f"/people/{helper.pk}/rates/", {"hourly": "21", "from_on": "2026-01-01"})

    assert response.status_code == 422
    assert "There is a rate from that day already" in said(response)
    assert 'value="21"' in said(response)


def test_a_voided_rate_stays_on_file_and_can_be_undone(owner_client):
    rate = HelperRate.objects.create(
        person=make_helper(hourly_cents=1800), hourly_cents=2100, from_on=date(2026, 7, 1)
    )

    page = owner_client.post(f"/people/rates/{rate.pk}/void/", {"reason": "typed wrong"}, follow=True)

    rate.refresh_from_db()
    assert rate.void_reason == "typed wrong"
    assert "voided: typed wrong" in said(page)
    token = list(page.context["messages"])[0].extra_tags
    owner_client.post("/undo/", {"token": token})
    rate.refresh_from_db()
    assert not rate.is_void


def test_only_helpers_have_rates(owner, owner_client):
    response = owner_client.post(f"/people/{owner.pk}/rates/", {"hourly": "21", "from_on": "2026-01-01"})

    assert response.status_code == 404


def test_who_has_left_is_logged_out_at_once_and_can_come_back(owner_client, helper, helper_client):
    owner_client.post(f"/people/{helper.pk}/active/", {"active": "no"})
    assert helper_client.get("/more/").status_code == 302
    assert Client().post("/log-in/", {"username": "helper", "password": PASSWORD}).status_code == 422

    owner_client.post(f"/people/{helper.pk}/active/", {"active": "yes"})
    assert Client().post("/log-in/", {"username": "helper", "password": PASSWORD}).status_code == 302


@pytest.mark.parametrize(
    ("route", "sent"), [("person_active", {"active": "no"}), ("person_role", {"role": "helper"})]
)
def test_the_last_owner_stays(owner, owner_client, route, sent):
    make_owner(is_active=False)

    response = owner_client.post(reverse(route, args=[owner.pk]), sent)

    owner.refresh_from_db()
    assert response.status_code == 422
    assert "make somebody else owner first" in said(response)
    assert owner.is_owner


def test_with_another_owner_one_can_step_back(owner, owner_client):
    make_owner()

    response = owner_client.post(f"/people/{owner.pk}/role/", {"role": "helper"}, follow=True)

    assert response.status_code == 200
    assert owner_client.get("/people/").status_code == 403


@pytest.mark.django_db(transaction=True)
def test_two_owners_cannot_remove_each_other_at_once():
    make_shop()
    pair = [make_owner(), make_owner()]
    gate, refused = threading.Barrier(2), []

    def remove(person):
        gate.wait()
        try:
            people.set_active(person, False)
        except ValidationError as why:
            refused.append(why)
        connection.close()

    threads = [threading.Thread(target=remove, args=[person]) for person in pair]
    [thread.start() for thread in threads]
    [thread.join() for thread in threads]

    assert len(refused) == 1
    assert Person.objects.filter(is_active=True).count() == 1


def test_a_role_with_hours_on_record_cannot_change_their_cost(owner, helper, owner_client):
    helper.time_entries.create(
        piece=make_piece(by=owner), minutes=60, started_at="2026-03-02T15:00Z", created_by=helper
    )

    response = owner_client.post(f"/people/{helper.pk}/role/", {"role": "owner"})

    helper.refresh_from_db()
    assert response.status_code == 422
    assert "has hours on record" in said(response)
    assert helper.role == Role.HELPER


def test_an_owner_gives_a_forgotten_password_anew(owner_client, helper):
    sent = {"new_password1": "new-start-2026x", "new_password2": "new-start-2026x"}

    assert owner_client.post(f"/people/{helper.pk}/password/", sent).status_code == 302

    helper.refresh_from_db()
    assert helper.check_password("new-start-2026x")


def test_the_command_line_makes_an_owner(db):
    person = Person.objects.create_superuser("spare", "spare-key-under-mat")

    assert person.is_owner
    assert person.check_password("spare-key-under-mat")


# The shop's settings


def settings_form(client):
    """What the settings page would send unchanged."""
    form = client.get("/settings/").context["form"]
    return {name: form[name].value() for name in form.fields if form[name].value() not in (None, False)}


def test_settings_are_kept_with_their_history(owner, owner_client, shop):
    sent = settings_form(owner_client) | {
        "wanted_hourly_cents": "32.50",
        "kerf_nm": "3/32",
        "time_zone": "UTC",
    }

    assert owner_client.post("/settings/", sent).status_code == 302

    shop.refresh_from_db()
    assert (shop.wanted_hourly_cents, shop.kerf_nm, shop.time_zone) == (3250, 2_381_250, "UTC")
    assert shop.history.first().history_user == owner


def test_settings_sent_unchanged_change_nothing(owner_client, shop):
    before = Shop.objects.values().get()

    owner_client.post("/settings/", settings_form(owner_client))

    assert Shop.objects.values().get() == before | {"version": 2}


def test_what_is_typed_with_a_new_currency_and_new_units_counts_in_them(owner_client, shop):
    sent = settings_form(owner_client) | {
        "currency": "JPY",
        "wanted_hourly_cents": "2500",
        "units": "metric",
        "kerf_nm": "3.2",
    }

    owner_client.post("/settings/", sent)

    shop.refresh_from_db()
    assert (shop.currency_code, shop.wanted_hourly_cents) == ("JPY", 2500)
    assert shop.kerf_nm == round_half_up(3_200_000)


def test_the_currency_is_fixed_once_amounts_are_recorded(owner_client, owner, shop):
    make_piece(by=owner, price_cents=4000)

    assert "currency" not in owner_client.get("/settings/").context["form"].fields
    owner_client.post("/settings/", settings_form(owner_client) | {"currency": "JPY"})

    shop.refresh_from_db()
    assert shop.currency_code == "USD"


def test_two_people_at_the_settings_the_second_sees_both_values(owner_client, shop):
    stale = settings_form(owner_client) | {"wanted_hourly_cents": "40"}
    owner_client.post("/settings/", settings_form(owner_client) | {"wanted_hourly_cents": "35"})

    told = owner_client.post("/settings/", stale)

    assert told.status_code == 409
    assert "Vera made this “$35.00” meanwhile" in said(told)
    assert 'value="40"' in said(told)
    shop.refresh_from_db()
    assert shop.wanted_hourly_cents == 3500
    again = stale | {"version": told.context["form"]["version"].value()}
    assert owner_client.post("/settings/", again).status_code == 302
    shop.refresh_from_db()
    assert shop.wanted_hourly_cents == 4000


@pytest.mark.parametrize(
    ("typed", "message"),
    [
        ({"kerf_nm": "18 3/0"}, "3/0"),
        ({"wanted_hourly_cents": "-2"}, "negative"),
        ({"year_starts_day": "31"}, "28"),
        ({"time_zone": "Mars/Olympus"}, "is not a time zone I know"),
    ],
)
def test_settings_refuse_nonsense_and_keep_what_was_typed(owner_client, shop, typed, message):
    response = owner_client.post("/settings/", settings_form(owner_client) | typed)

    assert response.status_code == 422
    assert message in said(response)
    assert f'value="{next(iter(typed.values()))}"' in said(response)


# Channels, fee rules, categories


def test_a_channel_with_a_dated_rule(owner_client, shop):
    owner_client.post("/settings/channels/", {"name": "Antique mall"})
    channel = Channel.objects.get()

    owner_client.post(
        f"/settings/channels/{channel.pk}/rules/",
        {"from_on": "2026-07-01", "percent": "12,5", "of_price": "on", "of_delivery": "on", "minimum": "2"},
    )

    rule = FeeRule.objects.get()
    assert (rule.percent_hundredths, rule.minimum_cents, rule.from_on) == (1250, 200, date(2026, 7, 1))
    assert rule.parts_in_words == "the price and the delivery"
    assert "12.5 % of the price and the delivery" in said(owner_client.get(channel.get_absolute_url()))


@pytest.mark.parametrize(
    ("typed", "message"),
    [
        ({"percent": "10"}, "Say of what"),
        ({"percent": "101", "of_price": "on"}, "100 percent at most"),
        ({}, "Write a percentage or an amount"),
        ({"percent": "ten", "of_price": "on"}, "ten"),
    ],
)
def test_a_fee_rule_that_says_nothing_is_refused(owner_client, shop, typed, message):
    channel = Channel.objects.create(name="Online")

    response = owner_client.post(f"/settings/channels/{channel.pk}/rules/", {"from_on": "2026-07-01"} | typed)

    assert response.status_code == 422
    assert message in said(response)
    assert not FeeRule.objects.exists()


@pytest.mark.parametrize(
    ("url", "model"), [("/settings/channels/", Channel), ("/settings/categories/", ExpenseCategory)]
)
def test_a_name_is_given_once_and_the_same_tap_twice_is_no_rival(owner_client, shop, url, model):
    form = {"name": "Fairs", "sent_id": str(uuid.uuid4())}

    answers = [owner_client.post(url, form) for _ in range(2)]
    rival = owner_client.post(url, {"name": "Fairs", "sent_id": str(uuid.uuid4())})

    assert [response.status_code for response in answers] == [302, 302]
    assert rival.status_code == 422
    assert "already exists" in said(rival)
    assert model.objects.count() == 1


def test_a_category_in_use_is_retired_and_keeps_its_lines(owner_client, shop):
    category = ExpenseCategory.objects.create(name="Advertising")

    owner_client.post(category.get_absolute_url(), {"name": "Advertising", "retired": "on", "version": "1"})

    category.refresh_from_db()
    assert category.retired
    assert "no longer offered" in said(owner_client.get("/settings/categories/"))


# More, history


def test_more_offers_each_only_what_they_may_open(owner_client, helper_client):
    for client in (owner_client, helper_client):
        groups = client.get("/more/").context["groups"]
        for _, links in groups:
            for _, address in links:
                assert client.get(address).status_code == 200, address


def test_every_link_of_more_leads_somewhere():
    from flips.pages.more import GROUPS

    for _, links in GROUPS:
        for link in links:
            assert reverse(link.route)


def test_history_says_who_changed_what_in_words(owner_client, shop):
    owner_client.post(
        "/settings/", settings_form(owner_client) | {"wanted_hourly_cents": "35", "kerf_nm": "3/32"}
    )

    page = owner_client.get(f"/history/shop/{shop.pk}/")
    entry = page.context["page"].object_list[0]

    assert entry.who == "Vera"
    assert [(change.label, change.before, change.after) for change in entry.changes] == [
        ("Your wanted pay an hour", "$0.00", "$35.00"),
        ("Kerf", '1/8"', '3/32"'),
    ]


def test_history_tells_voiding_with_its_reason_and_the_rows_that_belong(owner_client, shop):
    channel = Channel.objects.create(name="Online")
    owner_client.post(
        f"/settings/channels/{channel.pk}/rules/", {"from_on": "2026-07-01", "percent": "9", "of_price": "on"}
    )
    owner_client.post(f"/settings/rules/{FeeRule.objects.get().pk}/void/", {"reason": "was for last year"})

    entries = owner_client.get(f"/history/channel/{channel.pk}/").context["page"].object_list

    assert [(entry.said, entry.about, entry.reason) for entry in entries] == [
        ("Voided", "Fee rule", "was for last year"),
        ("Made", "Fee rule", ""),
        ("Made", "", ""),
    ]


@pytest.mark.parametrize(
    "place", ["person/1", "sent/1", "session/1", "nothing/1", "piece/999999", "piece/x", "piece/" + "9" * 40]
)
def test_there_is_no_history_page_for_anything_else(owner_client, place):
    assert owner_client.get(f"/history/{place}/").status_code == 404


def test_every_history_page_opens_and_asks_a_constant_number_of_times(
    owner, owner_client, django_assert_max_num_queries
):
    piece = make_piece(by=owner, price_cents=1000)
    for cents in range(1, 30):
        piece.asking_cents = cents
        piece.save()

    with django_assert_max_num_queries(14):
        response = owner_client.get(f"/history/piece/{piece.pk}/")

    assert "$0.28" in said(response)
