"""The day plan as an iCalendar text (RFC 5545) for a phone's calendar: no money, and nothing anybody wrote in notes."""

from __future__ import annotations

from datetime import UTC, timedelta

from icalendar import Calendar, Event
from icalendar.prop import vText

from flips.models import CalendarFeed, Shop
from flips.models.day_plan import BenchPlan, Doing

EVERY = timedelta(hours=1)
HOST = "third-coat"


def bench_calendar(made: BenchPlan, feed: CalendarFeed, *, shop: Shop) -> bytes:
    """Every step still to be done, and the days on which pieces may be handled and are cured.

    Times are written in UTC, so that no change of clocks and no phone's zone can move them.
    """
    calendar = Calendar()
    calendar.add("prodid", "-//Third Coat//Day plan//EN")
    calendar.add("version", "2.0")
    calendar.add("method", "PUBLISH")
    calendar.add("x-wr-calname", f"{shop.name}: to finish")
    calendar.add("refresh-interval", EVERY)
    calendar.add("x-published-ttl", vText("PT1H"))
    for doing in made.doings:
        if not doing.planned.done and not doing.is_wait:
            calendar.add_component(_step(doing, feed, made))
    for ready in made.ready:
        for name, moment, words in (
            ("handle", ready.milestones.may_be_handled, "may be handled"),
            ("cure", ready.milestones.cured, "cured, may be shipped"),
        ):
            if moment is None or moment < made.now:
                continue
            event = Event()
            event.add("uid", f"{name}-{ready.schedule.pk}-{feed.pk}@{HOST}")
            event.add("dtstamp", made.now.astimezone(UTC))
            event.add("dtstart", moment.astimezone(shop.zone).date())
            event.add("summary", f"{ready.schedule.piece}, {ready.schedule.group}: {words}")
            event.add("transp", "TRANSPARENT")
            calendar.add_component(event)
    return calendar.to_ical()


def _step(doing: Doing, feed: CalendarFeed, made: BenchPlan) -> Event:
    planned = doing.planned
    event = Event()
    event.add("uid", f"step-{doing.row.pk}-{feed.pk}@{HOST}")
    event.add("dtstamp", made.now.astimezone(UTC))
    event.add("dtstart", planned.starts.astimezone(UTC))
    event.add("dtend", planned.ends.astimezone(UTC))
    # What somebody wrote beside a step stays inside the shop.
    title = doing.title.removesuffix(f", {doing.row.remark}") if doing.row.remark else doing.title
    event.add("summary", f"{title}: {doing.schedule.piece}")
    said = [doing.schedule.group, planned.moved.capitalize(), planned.missed]
    if planned.latest:
        said.append(f"At the latest {planned.latest:%a %H:%M}.")
    said += [f"{caution.title}. {caution.defer}" for caution in doing.cautions]
    event.add("description", "\n".join(line for line in said if line))
    return event
