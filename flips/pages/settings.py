"""The shop's settings: its house rules, what channels keep, and the headings for expenses."""

from __future__ import annotations

from contextlib import suppress
from typing import Any

from django.core.exceptions import ValidationError
from django.db.models import Count, Prefetch, Q
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import path, reverse
from django.utils import timezone
from django.utils.dates import MONTHS
from django.views.decorators.http import require_http_methods, require_POST

from estimating.money import BadMoney, currency
from flips.actions import categories, people, selling_rules, stock
from flips.models import Channel, ExpenseCategory, FeeRule, Shop, Units
from flips.pages.answers import Done, answer, go, once, refusals_on, refused_status, undo_token
from flips.pages.forms import (
    DayField,
    LengthField,
    MoneyField,
    PercentField,
    RecordForm,
    current_shop,
    forms,
    initial_today,
)
from flips.pages.people import COMMON_CURRENCIES, OTHER, CurrencyMixin, VoidForm, ZoneField, zones
from flips.schedule_c import LINES


class SettingsForm(CurrencyMixin, RecordForm):
    """Everything about the shop that can be set."""

    instance: Shop

    currency = forms.ChoiceField(
        label="Currency", choices=[*COMMON_CURRENCIES, (OTHER, "Another: write its code below")]
    )
    other_currency = forms.CharField(
        label="Code of another currency",
        max_length=3,
        required=False,
        widget=forms.TextInput(attrs={"autocapitalize": "characters", "autocomplete": "off"}),
    )
    time_zone = ZoneField()
    wanted_hourly_cents = MoneyField(
        label="The pay you want an hour",
        help_text="For “after wages”: what a piece leaves once your own hours are paid.",
    )
    year_starts_month = forms.TypedChoiceField(
        label="The tax year starts in", choices=MONTHS.items(), coerce=int
    )
    year_starts_day = forms.IntegerField(label="On day", min_value=1, max_value=28)
    kerf_nm = LengthField(label="Kerf, the width of the saw cut", allow_zero=True)
    smallest_offcut_nm = LengthField(
        label="Smallest offcut worth keeping", allow_zero=True, help_text="Its shorter side."
    )

    class Meta:
        model = Shop
        fields = [
            "name",
            "units",
            "paper",
            "time_zone",
            "wanted_hourly_cents",
            "year_starts_month",
            "year_starts_day",
            "stock_method",
            "offcuts_carry_cost",
            "kerf_nm",
            "smallest_offcut_nm",
        ]
        widgets = {"units": forms.RadioSelect, "paper": forms.RadioSelect, "stock_method": forms.RadioSelect}
        labels = {
            "name": "Name of the shop",
            "paper": "Paper in the printer",
            "stock_method": "What a use of stock costs",
            "offcuts_carry_cost": "An offcut that goes back to stock takes its cost along",
        }
        help_texts = {"stock_method": "Choose once: a change costs every use anew, also those of before."}

    def __init__(self, *args: Any, fixed_currency: bool, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        code = self.instance.currency_code
        common = code in dict(COMMON_CURRENCIES)
        self.initial["currency"] = code if common else OTHER
        self.initial["other_currency"] = "" if common else code
        self.fixed_currency = fixed_currency
        if fixed_currency:
            del self.fields["currency"], self.fields["other_currency"]
        # What is typed in the same go counts in the currency and the units that are being chosen.
        counted_in = self.instance.currency
        if self.is_bound and not fixed_currency:
            chosen, other = str(self.data.get("currency", "")), str(self.data.get("other_currency", ""))
            with suppress(BadMoney):
                counted_in = currency(other.strip().upper() if chosen == OTHER else chosen)
        money = self.fields["wanted_hourly_cents"]
        money.currency = counted_in  # type: ignore[attr-defined]
        units = str(self.data.get("units", "")) if self.is_bound else self.instance.units
        for name in ("kerf_nm", "smallest_offcut_nm"):
            self.fields[name].units = units if units in Units.values else self.instance.units  # type: ignore[attr-defined]

    def clean_kerf_nm(self) -> int:
        """Whole nanometres, as stored."""
        return int(self.cleaned_data["kerf_nm"].nm)

    def clean_smallest_offcut_nm(self) -> int:
        """Whole nanometres, as stored."""
        return int(self.cleaned_data["smallest_offcut_nm"].nm)

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean()
        if "currency" in cleaned and not self.fixed_currency:
            try:
                self.instance.currency_code = self.chosen_currency(
                    cleaned["currency"], cleaned.get("other_currency", "")
                )
            except ValidationError as refused:
                self.add_error(None, refused)
        return cleaned


@require_http_methods(["GET", "POST"])
def settings_page(request: HttpRequest) -> HttpResponse:
    """The shop's house rules."""
    form = SettingsForm(
        request.POST or None, instance=get_object_or_404(Shop), fixed_currency=people.has_amounts()
    )
    if form.is_valid():
        with refusals_on(form):
            form.save()
            if "stock_method" in form.changed_data:
                stock.recost_everything()
        if not form.errors:
            return go(request, Done(reverse("settings"), "Settings saved."))
    return answer(
        request,
        "flips/settings/settings.html",
        {"form": form, "zones": zones(), "tab": "more"},
        status=refused_status(form),
    )


class ChannelForm(RecordForm):
    """What a channel is called, and whether it is still used."""

    class Meta:
        model = Channel
        fields = ["name", "retired"]
        help_texts = {"retired": "It stays on the sales it has; new sales don't offer it."}


class NewChannelForm(forms.Form):
    """A new place to sell. Whether the name is taken is asked when it is stored: sent twice, it is its own rival."""

    name = forms.CharField(
        label="Name of the channel",
        max_length=60,
        help_text="Like: local listings, antique mall, at the door.",
    )


class FeeRuleForm(forms.Form):
    """What a channel keeps from a day on."""

    from_on = DayField(
        label="From", initial=initial_today, help_text="Sales before that day keep the fee they had."
    )
    percent = PercentField(label="Percent", required=False)
    of_price = forms.BooleanField(label="of the price", required=False, initial=True)
    of_delivery = forms.BooleanField(label="of the delivery charged", required=False)
    of_tax = forms.BooleanField(label="of the sales tax", required=False)
    fixed = MoneyField(label="And a fixed amount", required=False)
    minimum = MoneyField(label="At least", required=False)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["percent"].after = "%"  # type: ignore[attr-defined]

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or self.cleaned_data
        parts = ("of_price", "of_delivery", "of_tax")
        if cleaned.get("percent") and not any(cleaned.get(part) for part in parts):
            self.add_error("percent", "Say of what: tick the price, the delivery or the sales tax.")
        if not self.errors and all(cleaned.get(name) is None for name in ("percent", "fixed", "minimum")):
            self.add_error("percent", "Write a percentage or an amount; 0 when the channel keeps nothing.")
        return cleaned

    @property
    def terms(self) -> dict[str, Any]:
        """The columns of the rule."""
        typed = self.cleaned_data
        return {
            "percent_hundredths": typed["percent"] or 0,
            "of_price": typed["of_price"],
            "of_delivery": typed["of_delivery"],
            "of_tax": typed["of_tax"],
            "fixed_cents": typed["fixed"] or 0,
            "minimum_cents": typed["minimum"] or 0,
        }


@require_http_methods(["GET", "POST"])
def channels(request: HttpRequest) -> HttpResponse:
    """Where pieces are sold and what each channel keeps."""
    form = NewChannelForm(request.POST or None)
    if form.is_valid():

        def do() -> Done:
            made = selling_rules.add_channel(name=form.cleaned_data["name"], by=request.user)  # type: ignore[arg-type]
            return Done(reverse("channel", args=[made.pk]), f"{made} is added. Say what it keeps of a sale.")

        if (taken := once(request, form, do)) is not None:
            return taken
    today = timezone.localdate()
    rows = Channel.objects.prefetch_related(Prefetch("fee_rules", FeeRule.objects.live()))
    everywhere = list(rows)
    for channel in everywhere:
        begun = [rule for rule in channel.fee_rules.all() if rule.from_on <= today]
        channel.rule_now = max(begun, key=lambda rule: rule.from_on, default=None)  # type: ignore[attr-defined]
    return answer(
        request,
        "flips/settings/channels.html",
        {"channels": everywhere, "form": form, "tab": "more"},
        status=refused_status(form),
    )


def _channel_page(request: HttpRequest, channel: Channel, **forms_sent: forms.BaseForm) -> HttpResponse:
    """The page of one channel with whichever of its forms came back."""
    today = timezone.localdate()
    rules = list(channel.fee_rules.select_related("created_by", "voided_by").order_by("-from_on", "-pk"))
    begun = [rule for rule in rules if not rule.is_void and rule.from_on <= today]
    context: dict[str, Any] = {
        "channel": channel,
        "rules": rules,
        "rule_now": max(begun, key=lambda rule: rule.from_on, default=None),
        "form": ChannelForm(instance=channel),
        "rule_form": FeeRuleForm(),
        "tab": "more",
    }
    status = max((refused_status(form) for form in forms_sent.values()), default=200)
    return answer(request, "flips/settings/channel.html", context | forms_sent, status=status)


@require_http_methods(["GET", "POST"])
def channel(request: HttpRequest, channel_id: int) -> HttpResponse:
    """One channel: its name and its rules."""
    shown = get_object_or_404(Channel, pk=channel_id)
    if request.method == "GET":
        return _channel_page(request, shown)
    form = ChannelForm(request.POST, instance=shown)
    if form.is_valid():
        with refusals_on(form):
            form.save()
        if not form.errors:
            return go(request, Done(reverse("channel", args=[shown.pk]), "Channel saved."))
    return _channel_page(request, get_object_or_404(Channel, pk=channel_id), form=form)


@require_POST
def fee_rule_add(request: HttpRequest, channel_id: int) -> HttpResponse:
    """A rule from a day on."""
    ruled = get_object_or_404(Channel, pk=channel_id)
    form = FeeRuleForm(request.POST)
    if form.is_valid():

        def do() -> Done:
            rule = selling_rules.add_fee_rule(
                ruled,
                from_on=form.cleaned_data["from_on"],
                by=request.user,  # type: ignore[arg-type]
                **form.terms,
            )
            return Done(reverse("channel", args=[ruled.pk]), "Rule saved.", undo_token("made", rule))

        if (taken := once(request, form, do)) is not None:
            return taken
    return _channel_page(request, ruled, rule_form=form)


@require_POST
def fee_rule_void(request: HttpRequest, rule_id: int) -> HttpResponse:
    """Takes a rule out; sales already recorded keep their fee."""
    rule = get_object_or_404(FeeRule.objects.select_related("channel"), pk=rule_id)
    form = VoidForm(request.POST)
    if form.is_valid():
        with refusals_on(form):
            rule.void(by=request.user, reason=form.cleaned_data["reason"])  # type: ignore[arg-type]
        if not form.errors:
            back = reverse("channel", args=[rule.channel_id])
            return go(request, Done(back, "The rule is voided.", undo_token("voided", rule)))
    return _channel_page(request, rule.channel, void_form=form)


class CategoryForm(RecordForm):
    """A heading for expenses and the line of the tax form it belongs to."""

    class Meta:
        model = ExpenseCategory
        fields = ["name", "tax_line", "retired"]
        help_texts = {"retired": "It stays on the receipts it has; new lines don't offer it."}


class NewCategoryForm(forms.Form):
    """A new heading for expenses."""

    name = forms.CharField(label="Name of the category", max_length=60)
    tax_line = forms.CharField(
        label="Line of the tax form",
        max_length=60,
        required=False,
        help_text="As your adviser or the form's instructions name it; it can wait.",
    )


@require_http_methods(["GET", "POST"])
def expense_categories(request: HttpRequest) -> HttpResponse:
    """The headings under which expenses are gathered."""
    form = NewCategoryForm(request.POST or None)
    if form.is_valid():

        def do() -> Done:
            made = categories.add_category(
                name=form.cleaned_data["name"],
                tax_line=form.cleaned_data["tax_line"],
                by=request.user,  # type: ignore[arg-type]
            )
            return Done(reverse("categories"), f"{made} is added.")

        if (taken := once(request, form, do)) is not None:
            return taken
    rows = ExpenseCategory.objects.annotate(
        lines_count=Count("receipt_lines", filter=Q(receipt_lines__voided_at__isnull=True))
    )
    return answer(
        request,
        "flips/settings/categories.html",
        {
            "categories": rows,
            "form": form,
            "tab": "more",
            "tax_lines": LINES.items() if current_shop().currency_code == "USD" else (),
        },
        status=refused_status(form),
    )


@require_POST
def categories_usual(request: HttpRequest) -> HttpResponse:
    """Adds the headings most shops start with."""

    def do() -> Done:
        added = categories.add_usual(
            by=request.user,  # type: ignore[arg-type]
            with_lines=current_shop().currency_code == "USD",
        )
        return Done(reverse("categories"), f"{added} headings are added." if added else "You have them all.")

    return once(request, None, do) or go(request, Done(reverse("categories")))


@require_http_methods(["GET", "POST"])
def category(request: HttpRequest, category_id: int) -> HttpResponse:
    """One heading for expenses."""
    shown = get_object_or_404(ExpenseCategory, pk=category_id)
    form = CategoryForm(request.POST or None, instance=shown)
    if form.is_valid():
        with refusals_on(form):
            form.save()
        if not form.errors:
            return go(request, Done(reverse("categories"), "Category saved."))
    stored = get_object_or_404(ExpenseCategory, pk=category_id)
    return answer(
        request,
        "flips/settings/category.html",
        {"category": stored, "form": form, "tab": "more"},
        status=refused_status(form),
    )


urlpatterns = [
    path("settings/", settings_page, name="settings"),
    path("settings/channels/", channels, name="channels"),
    path("settings/channels/<int:channel_id>/", channel, name="channel"),
    path("settings/channels/<int:channel_id>/rules/", fee_rule_add, name="fee_rule_add"),
    path("settings/rules/<int:rule_id>/void/", fee_rule_void, name="fee_rule_void"),
    path("settings/categories/", expense_categories, name="categories"),
    path("settings/categories/usual/", categories_usual, name="categories_usual"),
    path("settings/categories/<int:category_id>/", category, name="category"),
]
