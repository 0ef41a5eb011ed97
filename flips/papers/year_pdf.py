"""The year review on paper: black on white, headings repeated on every page."""

from __future__ import annotations

from datetime import date

from estimating.papers.page import Column, Sheet
from flips.models.people import Shop
from flips.models.review import Group, Review
from flips.papers.year_statement import statement
from flips.wording import DASH, day_words, hours_words, money_words, percent_words

COLLECTORS = {"shop": "you", "marketplace": "the marketplace"}


def review_pdf(review: Review, *, shop: Shop, today: date) -> bytes:
    """The review as a PDF; the same rows as on the screen."""

    def money(cents: int | None) -> str:
        return money_words(cents, shop.currency)

    year = review.year
    sheet = Sheet(size=shop.paper, title=f"Year review {year}", shop=shop.name, subject="Year review")
    sheet.say(f"Year review {year}", sheet.name)
    state = "open"
    if year.close is not None:
        state = f"closed on {day_words(shop.day_of(year.close.closed_at))} by {year.close.closed_by}"
    sheet.say(
        f"{shop.name}. {day_words(year.first)} to {day_words(year.last)}, {state}. Printed {day_words(today)}. "
        f"Amounts in {shop.currency_code}; days by the clock of {shop.time_zone}."
    )
    for name, then, now in review.moved_since_closing:
        shown = (str(then), str(now)) if name.endswith("minutes") else (money(then), money(now))
        sheet.say(f"Changed since it was closed: {name} was {shown[0]} and is {shown[1]} now.")
    for section in statement(review, shop=shop):
        sheet.head(section.title)
        sheet.table(
            [Column("", 3.4), Column("Amount", 1.2, figures=True), Column("", 2.6)],
            [
                (row.label, row.text or money(row.cents), row.note)
                for row in section.rows
                if not row.strong or row is not section.rows[-1]
            ],
            totals=[
                (row.label, row.text or money(row.cents), row.note) for row in section.rows[-1:] if row.strong
            ],
        )
        if section.note:
            sheet.say(section.note, sheet.small)
    if review.tax:
        sheet.head("Sales tax by period and collector")
        sheet.table(
            fine=True,
            columns=[
                Column("From", 1.2),
                Column("To", 1.2),
                Column("Collected by", 1.3),
                Column("Collected", 1, figures=True),
                Column("Given back", 1, figures=True),
                Column("Reclaimed", 1, figures=True),
                Column("Paid over", 1, figures=True),
                Column("Held", 1, figures=True),
            ],
            rows=[
                (
                    day_words(tax.first),
                    day_words(date.fromordinal(tax.end.toordinal() - 1)),
                    COLLECTORS[tax.collector.value],
                    money(tax.collected),
                    money(tax.given_back),
                    money(tax.reclaimed),
                    money(tax.paid_over),
                    money(tax.held),
                )
                for tax in review.tax
            ],
        )
    for title, groups in (
        ("By kind", review.by_kind),
        ("By place bought", review.by_place),
        ("By channel", review.by_channel),
    ):
        if groups:
            sheet.head(title)
            _groups(sheet, groups, review, money)
    if review.techniques:
        sheet.head("By technique")
        sheet.table(
            fine=True,
            columns=[
                Column("Technique", 2.6),
                Column("Tried", 0.8, figures=True),
                Column("Worked", 0.9, figures=True),
                Column("Failed", 0.9, figures=True),
                Column("Cash", 1.1, figures=True),
                Column("Hours", 1, figures=True),
                Column("Cash in failed", 1.3, figures=True),
                Column("Hours in failed", 1.3, figures=True),
            ],
            rows=[
                (
                    row.name,
                    str(row.tries),
                    str(row.worked),
                    str(row.failed),
                    money(row.cents),
                    hours_words(row.minutes),
                    money(row.failed_cents),
                    hours_words(row.failed_minutes),
                )
                for row in review.techniques
            ],
        )
    if review.told:
        sheet.head("Pieces sold, the best first")
        sheet.table(
            fine=True,
            columns=[
                Column("Piece", 2.6),
                Column("Expected", 1.1, figures=True),
                Column("Asked", 1, figures=True),
                Column("Got", 1, figures=True),
                Column("Margin", 1, figures=True),
                Column("Hours", 0.9, figures=True),
                Column("Hourly", 1, figures=True),
                Column("Days", 0.7, figures=True),
            ],
            rows=[
                (
                    one.piece.what,
                    money(one.piece.expected_cents),
                    money(one.piece.listed_cents),
                    money(one.got_cents),
                    money(one.figures.margin),
                    hours_words(one.figures.owner_minutes),
                    money(one.figures.hourly),
                    DASH if one.days is None else str(one.days),
                )
                for one in review.by_margin
            ],
        )
    if review.with_plan:
        sheet.head("Planned and actual")
        sheet.table(
            [
                Column("Piece", 2.6),
                Column("Planned", 1, figures=True),
                Column("Actual", 1, figures=True),
                Column("Beyond plan", 1.2, figures=True),
                Column("Planned hours", 1.3, figures=True),
                Column("Actual hours", 1.2, figures=True),
            ],
            [
                (
                    one.piece.what,
                    money(one.planned.cents if one.planned else None),
                    money(one.work_cents),
                    money(one.over_plan_cents),
                    hours_words(one.planned.minutes if one.planned else 0),
                    hours_words(one.worked_minutes),
                )
                for one in review.with_plan
            ],
        )
    if review.asleep:
        sheet.head("Money asleep for more than 180 days")
        sheet.table(
            [
                Column("What", 3),
                Column("Since", 1.2),
                Column("Days", 0.8, figures=True),
                Column("Cost", 1.2, figures=True),
            ],
            [(row.text, day_words(row.since), str(row.days), money(row.cents)) for row in review.asleep],
            totals=[("Together", "", "", money(review.asleep_cents))],
        )
    for problem in [*review.figures.offenders, *review.figures.problems][:50]:
        sheet.say(
            f"Look at: {day_words(problem.line.on)}, {problem.line.kind.value}. {problem.reason}", sheet.small
        )
    sheet.space()
    sheet.say(
        "Worked out by the shop's own rules (see “How the figures are made”). This is no tax advice: what is taxable, "
        "deductible or due is for local rules and a licensed adviser to say.",
        sheet.small,
    )
    return sheet.as_bytes()


def _groups(sheet: Sheet, groups: list[Group], review: Review, money: object) -> None:
    assert callable(money)
    year = review.figures
    whole = Group(
        "Together",
        year.revenue,
        year.selling_total,
        year.cost_of_sales,
        year.owner_minutes,
        sum(group.sold for group in groups),
    )
    shown = [
        (
            group.name,
            str(group.sold),
            money(group.revenue),
            money(group.selling_costs),
            money(group.cost_of_sales),
            money(group.margin),
            percent_words(group.margin_percent),
            hours_words(group.minutes),
            money(group.hourly),
        )
        for group in [*groups, whole]
    ]
    sheet.table(
        [
            Column("", 2),
            Column("Sold", 0.6, figures=True),
            Column("Revenue", 1.2, figures=True),
            Column("Selling", 1.1, figures=True),
            Column("Cost", 1.2, figures=True),
            Column("Margin", 1.2, figures=True),
            Column("Margin %", 1, figures=True),
            Column("Hours", 1, figures=True),
            Column("Hourly", 1, figures=True),
        ],
        shown[:-1],
        totals=shown[-1:],
        fine=True,
    )
