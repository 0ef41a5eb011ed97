"""The first visit, logging in and out, and the people of the shop with what they are paid."""

from __future__ import annotations

from datetime import date
from functools import lru_cache
from typing import Any
from zoneinfo import available_timezones

from django.conf import settings
from django.contrib.auth import authenticate, login, logout, password_validation, update_session_auth_hash
from django.contrib.auth.forms import AuthenticationForm, PasswordChangeForm, SetPasswordForm, UsernameField
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse, HttpResponseRedirect
from django.shortcuts import get_object_or_404
from django.urls import path, reverse
from django.utils import timezone
from django.utils.http import url_has_allowed_host_and_scheme
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from estimating.money import BadMoney, currency
from flips.access import open_to_all, open_to_helper
from flips.actions import categories, people
from flips.demo import DEMO_PEOPLE
from flips.models import HelperRate, Paper, Person, Role, Shop, Units
from flips.models.people import check_time_zone
from flips.pages.answers import Done, answer, go, once, refusals_on, refused_status, undo_token
from flips.pages.forms import DayField, MoneyField, forms, initial_today

COMMON_CURRENCIES = (
    ("USD", "USD – US dollar"),
    ("EUR", "EUR – euro"),
    ("GBP", "GBP – pound sterling"),
    ("CAD", "CAD – Canadian dollar"),
    ("AUD", "AUD – Australian dollar"),
    ("NZD", "NZD – New Zealand dollar"),
    ("CHF", "CHF – Swiss franc"),
    ("DKK", "DKK – Danish krone"),
    ("NOK", "NOK – Norwegian krone"),
    ("SEK", "SEK – Swedish krona"),
    ("PLN", "PLN – Polish złoty"),
    ("JPY", "JPY – Japanese yen"),
)
OTHER = "other"
NAME_TYPING = {"autocapitalize": "none", "autocorrect": "off", "spellcheck": "false"}


@lru_cache(maxsize=1)
def zones() -> tuple[str, ...]:
    """The time zones to suggest: one a place, by name."""
    odd = ("Etc/", "SystemV/", "US/", "Brazil/", "Canada/", "Chile/", "Mexico/")
    return (
        "UTC",
        *sorted(name for name in available_timezones() if "/" in name and not name.startswith(odd)),
    )


def zone_input() -> forms.TextInput:
    """Where a time zone is typed, with suggestions; the page fills it in from the phone when it is empty."""
    return forms.TextInput(attrs={"list": "zones", "autocomplete": "off", "data-zone": "1", **NAME_TYPING})


class ZoneField(forms.CharField):
    """The name of an IANA time zone, however it is capitalised."""

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(
            label="Time zone",
            max_length=64,
            widget=zone_input(),
            help_text="Like America/Chicago or Europe/Berlin. It decides which day a sale falls on.",
            **kwargs,
        )

    def clean(self, value: Any) -> str:
        typed = super().clean(value).replace(" ", "_")
        spelled = {name.lower(): name for name in available_timezones()}.get(typed.lower(), typed)
        check_time_zone(spelled)
        return spelled


class CurrencyMixin:
    """A currency chosen from common ones, or another by its code."""

    fields: dict[str, forms.Field]

    @staticmethod
    def chosen_currency(chosen: str, other: str) -> str:
        """The code; raises ValidationError naming the field ``other_currency``."""
        code = other.strip().upper() if chosen == OTHER else chosen
        try:
            return currency(code).code
        except BadMoney as bad:
            raise ValidationError(
                {"other_currency": str(bad) if code else "Write its three letters."}
            ) from bad


class UserNameField(UsernameField):
    """A user name; capitals make no difference."""

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(
            **{
                "label": "User name",
                "max_length": 150,
                "help_text": "Letters, digits and @ . + - _ without spaces.",
                **kwargs,
            }
        )

    def clean(self, value: Any) -> str:
        return str(super().clean(value)).lower()


def password_input(autocomplete: str) -> forms.PasswordInput:
    """Where a password is typed; it is never written into a page."""
    return forms.PasswordInput(attrs={"autocomplete": autocomplete})


class SetupForm(CurrencyMixin, forms.Form):
    """The shop and its owner, on the first visit."""

    name = forms.CharField(label="Name of the shop", max_length=80)
    currency = forms.ChoiceField(
        label="Currency", choices=[*COMMON_CURRENCIES, (OTHER, "Another: write its code below")]
    )
    other_currency = forms.CharField(
        label="Code of another currency",
        max_length=3,
        required=False,
        widget=forms.TextInput(attrs={"autocapitalize": "characters", "autocomplete": "off"}),
        help_text="Three letters, only if yours is not in the list. It can't be changed once amounts are recorded.",
    )
    units = forms.ChoiceField(
        label="Units", choices=Units.choices, initial=Units.IMPERIAL, widget=forms.RadioSelect
    )
    paper = forms.ChoiceField(
        label="Paper in the printer", choices=Paper.choices, initial=Paper.LETTER, widget=forms.RadioSelect
    )
    time_zone = ZoneField()
    owner_name = forms.CharField(
        label="Your name", max_length=80, widget=forms.TextInput({"autocomplete": "name"})
    )
    username = UserNameField()
    password1 = forms.CharField(label="Password", strip=False, widget=password_input("new-password"))
    password2 = forms.CharField(label="Password again", strip=False, widget=password_input("new-password"))

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields[
            "password1"
        ].help_text = "At least eight characters, not only digits of a date or a common word."

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or self.cleaned_data
        if "currency" in cleaned:
            try:
                cleaned["currency_code"] = self.chosen_currency(
                    cleaned["currency"], cleaned.get("other_currency", "")
                )
            except ValidationError as refused:
                self.add_error(None, refused)
        check_passwords(self, cleaned)
        return cleaned


def check_passwords(form: forms.Form, cleaned: dict[str, Any]) -> None:
    """Both passwords are the same and not easily guessed; errors go to their fields."""
    first, second = cleaned.get("password1"), cleaned.get("password2")
    if first is None:
        return
    person = Person(
        username=cleaned.get("username", ""), name=cleaned.get("owner_name") or cleaned.get("name", "")
    )
    try:
        password_validation.validate_password(first, person)
    except ValidationError as refused:
        form.add_error("password1", refused)
    if second is not None and first != second:
        form.add_error("password2", "The two passwords differ. Write the same one twice.")


@sensitive_post_parameters()
@open_to_all
@require_http_methods(["GET", "POST"])
def setup(request: HttpRequest) -> HttpResponse:
    """The first visit: names the shop and makes its owner; nothing here once there is a shop."""
    if request.method == "GET" and Shop.current() is not None:
        return HttpResponseRedirect(reverse("bench"))
    form = SetupForm(request.POST or None)
    if request.method == "POST" and Shop.current() is not None and not form.is_valid():
        return go(request, Done(reverse("log_in"), people.ALREADY_SET_UP))
    if form.is_valid():
        typed = form.cleaned_data
        columns = ("name", "currency_code", "units", "paper", "time_zone")

        def do() -> Done:
            owner = people.set_up(
                shop=Shop(**{column: typed[column] for column in columns}),
                username=typed["username"],
                password=typed["password1"],
                owner_name=typed["owner_name"],
            )
            # Headings to start with; their lines are those of the US form.
            categories.add_usual(by=owner, with_lines=typed["currency_code"] == "USD")
            return Done(reverse("bench"), "The shop is ready. Log your first find.")

        taken = once(request, form, do)
        if taken is not None:
            # The first of two taps made the shop; the second finds it made and logs in all the same.
            person = authenticate(request, username=typed["username"], password=typed["password1"])
            if person is not None:
                login(request, person)
            return taken
        if Shop.current() is not None:
            return go(request, Done(reverse("log_in"), people.ALREADY_SET_UP))
    return answer(
        request, "flips/people/setup.html", {"form": form, "zones": zones()}, status=refused_status(form)
    )


class LogInForm(AuthenticationForm):
    """User name and password; capitals in the user name make no difference."""

    error_messages = {
        "invalid_login": "That user name and password don't go together. Capitals count in the password.",
        "inactive": "This person can't log in any more. Ask the owner of the shop.",
    }

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["username"].label = "User name"

    def clean_username(self) -> str:
        """The user name as it is stored, whatever the phone capitalised."""
        typed = self.cleaned_data["username"]
        if Person.objects.filter(username=typed).exists():
            return typed
        stored = Person.objects.filter(username__iexact=typed).values_list("username", flat=True).first()
        return stored or typed


@sensitive_post_parameters()
@open_to_all
@require_http_methods(["GET", "POST"])
def log_in(request: HttpRequest) -> HttpResponse:
    """Logs in and goes on to the page that was asked for."""
    onward = request.POST.get("next") or request.GET.get("next") or ""
    if not url_has_allowed_host_and_scheme(
        onward, allowed_hosts={request.get_host()}, require_https=request.is_secure()
    ):
        onward = reverse("bench")
    if request.method == "GET" and request.user.is_authenticated:
        return HttpResponseRedirect(onward)
    form = LogInForm(request, request.POST if request.method == "POST" else None)
    if form.is_valid():
        login(request, form.get_user())
        return HttpResponseRedirect(onward)
    return answer(
        request,
        "flips/people/log_in.html",
        {"form": form, "next": onward, "demo_people": DEMO_PEOPLE if settings.DEMO else ()},
        status=refused_status(form),
    )


@open_to_all
@require_POST
def log_out(request: HttpRequest) -> HttpResponse:
    """Logs out on this phone only."""
    logout(request)
    return go(request, Done(reverse("log_in"), "You are logged out."))


@sensitive_post_parameters()
@require_http_methods(["GET", "POST"])
@open_to_helper
def password(request: HttpRequest) -> HttpResponse:
    """Changes one's own password; other phones are logged out by it."""
    form = PasswordChangeForm(request.user, request.POST or None)  # type: ignore[arg-type]
    form.fields["new_password1"].help_text = "At least eight characters."
    form.fields["new_password2"].label = "New password again"
    form.fields["new_password2"].help_text = ""
    if form.is_valid():
        update_session_auth_hash(request, form.save())
        return go(
            request, Done(reverse("more"), "Your password is changed. Other phones have to log in again.")
        )
    return answer(
        request, "flips/people/password.html", {"form": form, "tab": "more"}, status=refused_status(form)
    )


class PersonForm(forms.Form):
    """Somebody new: a helper with a first password and, if you like, a first rate."""

    name = forms.CharField(label="Name", max_length=80, widget=forms.TextInput({"autocomplete": "off"}))
    username = UserNameField()
    password1 = forms.CharField(
        label="First password",
        strip=False,
        widget=password_input("new-password"),
        help_text="At least eight characters. Tell it to your helper, who can change it.",
    )
    password2 = forms.CharField(
        label="First password again", strip=False, widget=password_input("new-password")
    )
    hourly = MoneyField(
        label="Pay an hour",
        required=False,
        help_text="Only you see it. It can wait; hours without a rate cost nothing.",
    )
    from_on = DayField(label="Paid from", initial=initial_today, required=False)

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or self.cleaned_data
        check_passwords(self, cleaned)
        if cleaned.get("hourly") is not None and not cleaned.get("from_on") and "from_on" not in self.errors:
            self.add_error("from_on", "Say from which day.")
        return cleaned


@require_GET
def people_list(request: HttpRequest) -> HttpResponse:
    """Everybody who can log in, or could."""
    everybody = list(Person.objects.prefetch_related("rates"))
    today = timezone.localdate()
    for person in everybody:
        person.rate_now = rate_now(person, today)  # type: ignore[attr-defined]
    return answer(
        request,
        "flips/people/people.html",
        {
            "working": [person for person in everybody if person.is_active],
            "gone": [person for person in everybody if not person.is_active],
            "tab": "more",
        },
    )


def rate_now(person: Person, today: date) -> HelperRate | None:
    """The rate that counts today; uses what was prefetched."""
    begun = [rate for rate in person.rates.all() if not rate.is_void and rate.from_on <= today]
    return max(begun, key=lambda rate: rate.from_on, default=None)


@sensitive_post_parameters()
@require_http_methods(["GET", "POST"])
def person_add(request: HttpRequest) -> HttpResponse:
    """Adds a helper."""
    form = PersonForm(request.POST or None)
    if form.is_valid():
        typed = form.cleaned_data

        def do() -> Done:
            person = people.add_person(
                name=typed["name"],
                username=typed["username"],
                password=typed["password1"],
                hourly_cents=typed["hourly"],
                from_on=typed["from_on"],
                by=request.user,  # type: ignore[arg-type]
            )
            return Done(reverse("person", args=[person.pk]), f"{person} can log in as “{person.username}”.")

        if (taken := once(request, form, do)) is not None:
            return taken
    return answer(
        request, "flips/people/add.html", {"form": form, "tab": "more"}, status=refused_status(form)
    )


class NameForm(forms.ModelForm):
    """What a person is called on the pages."""

    class Meta:
        model = Person
        fields = ["name"]


class RateForm(forms.Form):
    """What a helper is paid from a day on."""

    hourly = MoneyField(label="Pay an hour")
    from_on = DayField(
        label="From", initial=initial_today, help_text="Hours before that day keep their rate."
    )


class VoidForm(forms.Form):
    """Why something is taken out of the figures."""

    reason = forms.CharField(
        label="Why?", max_length=200, error_messages={"required": "Say why it is voided."}
    )

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or self.cleaned_data
        # The little form it comes from is not shown again: its error stands at the top of the page.
        for message in self.errors.pop("reason", []):
            self.add_error(None, message)
        return cleaned


class FirstPasswordForm(SetPasswordForm):
    """A new password for somebody who has forgotten theirs."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["new_password1"].help_text = "At least eight characters. Tell it to them."
        self.fields["new_password2"].label = "New password again"
        self.fields["new_password2"].help_text = ""


def _person_page(request: HttpRequest, person: Person, **forms_sent: forms.BaseForm) -> HttpResponse:
    """The page of one person with whichever of its forms came back."""
    today = timezone.localdate()
    rates = list(person.rates.select_related("created_by", "voided_by").order_by("-from_on", "-pk"))
    now = max(
        (rate for rate in rates if not rate.is_void and rate.from_on <= today),
        key=lambda rate: rate.from_on,
        default=None,
    )
    context: dict[str, Any] = {
        "person": person,
        "rates": rates,
        "rate_now": now,
        "is_self": person.pk == request.user.pk,
        "name_form": NameForm(instance=person),
        "rate_form": RateForm(),
        "password_form": FirstPasswordForm(person),
        "tab": "more",
    }
    status = max((refused_status(form) for form in forms_sent.values()), default=200)
    return answer(request, "flips/people/person.html", context | forms_sent, status=status)


@require_http_methods(["GET", "POST"])
def person(request: HttpRequest, person_id: int) -> HttpResponse:
    """One person: name, rates, password, and whether they can log in."""
    shown = get_object_or_404(Person, pk=person_id)
    if request.method == "GET":
        return _person_page(request, shown)
    form = NameForm(request.POST, instance=shown)
    if form.is_valid():
        form.save()
        return go(request, Done(reverse("person", args=[shown.pk]), "Name saved."))
    return _person_page(request, get_object_or_404(Person, pk=person_id), name_form=form)


@require_POST
def rate_add(request: HttpRequest, person_id: int) -> HttpResponse:
    """A rate from a day on."""
    helper = get_object_or_404(Person, pk=person_id, role=Role.HELPER)
    form = RateForm(request.POST)
    if form.is_valid():

        def do() -> Done:
            rate = people.add_rate(
                helper,
                hourly_cents=form.cleaned_data["hourly"],
                from_on=form.cleaned_data["from_on"],
                by=request.user,  # type: ignore[arg-type]
            )
            return Done(reverse("person", args=[helper.pk]), "Rate saved.", undo_token("made", rate))

        if (taken := once(request, form, do)) is not None:
            return taken
    return _person_page(request, helper, rate_form=form)


@require_POST
def rate_void(request: HttpRequest, rate_id: int) -> HttpResponse:
    """Takes a rate out; the hours it covered get the rate before it."""
    rate = get_object_or_404(HelperRate.objects.select_related("person"), pk=rate_id)
    form = VoidForm(request.POST)
    if form.is_valid():
        with refusals_on(form):
            rate.void(by=request.user, reason=form.cleaned_data["reason"])  # type: ignore[arg-type]
        if not form.errors:
            back = reverse("person", args=[rate.person_id])
            return go(request, Done(back, "The rate is voided.", undo_token("voided", rate)))
    return _person_page(request, rate.person, change_form=form)


@sensitive_post_parameters()
@require_POST
def person_password(request: HttpRequest, person_id: int) -> HttpResponse:
    """Gives somebody a new password; it logs them out everywhere."""
    shown = get_object_or_404(Person, pk=person_id)
    form = FirstPasswordForm(shown, request.POST)
    if form.is_valid():
        form.save()
        if shown.pk == request.user.pk:
            update_session_auth_hash(request, shown)
        return go(request, Done(reverse("person", args=[shown.pk]), f"{shown} has a new password."))
    return _person_page(request, shown, password_form=form)


class ActiveForm(forms.Form):
    """Whether somebody may log in."""

    active = forms.TypedChoiceField(choices=[("yes", "yes"), ("no", "no")], coerce=lambda said: said == "yes")


class RoleForm(forms.Form):
    """What somebody may see."""

    role = forms.TypedChoiceField(choices=Role.choices, coerce=Role)


@require_POST
def person_active(request: HttpRequest, person_id: int) -> HttpResponse:
    """Stops somebody from logging in, or lets them again; what they did stays."""
    shown = get_object_or_404(Person, pk=person_id)
    form = ActiveForm(request.POST)
    if form.is_valid():
        active = form.cleaned_data["active"]
        with refusals_on(form):
            people.set_active(shown, active)
        if not form.errors:
            said = f"{shown} can log in again." if active else f"{shown} can't log in any more."
            return go(request, Done(reverse("person", args=[shown.pk]), said))
    return _person_page(request, shown, change_form=form)


@require_POST
def person_role(request: HttpRequest, person_id: int) -> HttpResponse:
    """Makes somebody owner or helper."""
    shown = get_object_or_404(Person, pk=person_id)
    form = RoleForm(request.POST)
    if form.is_valid():
        role = form.cleaned_data["role"]
        with refusals_on(form):
            people.set_role(shown, role)
        if not form.errors:
            # Who has just stopped being an owner may not see this page any more.
            back = reverse("more") if shown.pk == request.user.pk else reverse("person", args=[shown.pk])
            return go(request, Done(back, f"{shown} is {role.label.lower()} now."))
    return _person_page(request, shown, change_form=form)


urlpatterns = [
    path("setup/", setup, name="setup"),
    path("log-in/", log_in, name="log_in"),
    path("log-out/", log_out, name="log_out"),
    path("password/", password, name="password"),
    path("people/", people_list, name="people"),
    path("people/add/", person_add, name="person_add"),
    path("people/<int:person_id>/", person, name="person"),
    path("people/<int:person_id>/rates/", rate_add, name="rate_add"),
    path("people/<int:person_id>/password/", person_password, name="person_password"),
    path("people/<int:person_id>/active/", person_active, name="person_active"),
    path("people/<int:person_id>/role/", person_role, name="person_role"),
    path("people/rates/<int:rate_id>/void/", rate_void, name="rate_void"),
]
