"""Everything that has no tab of its own, each for whom it is open."""

from __future__ import annotations

from dataclasses import dataclass

from django.http import HttpRequest, HttpResponse
from django.urls import NoReverseMatch, path, resolve, reverse
from django.views.decorators.http import require_GET

from flips.access import Audience, audience_of, open_to_helper
from flips.pages.answers import answer


@dataclass(frozen=True)
class Link:
    """A page by its route name, what it is called, and its icon."""

    route: str
    text: str
    icon: str
    note: str = ""


# Only pages without an argument; a route that does not exist is a mistake that a test finds.
GROUPS: tuple[tuple[str, tuple[Link, ...]], ...] = (
    (
        "Records",
        (
            Link("pieces", "All pieces", "armchair"),
            Link("shopping", "Shopping list", "shopping-cart", "What the estimates need, by shop"),
            Link("counts", "Counting the stock", "clipboard-list", "Can by can, and what is missing"),
            Link("materials", "Materials and prices", "layers", "What you buy, sizes, prices and when seen"),
        ),
    ),
    (
        "Deciding",
        (
            Link("ceiling", "The most to pay", "scale", "While you stand in the store"),
            Link(
                "which_finds",
                "Which of these finds",
                "list-checks",
                "With the cash, the van and the hours you have",
            ),
            Link(
                "learned",
                "What this shop has learned",
                "graduation-cap",
                "What works, on what, and what failing cost",
            ),
            Link("techniques", "Techniques and cautions", "triangle-alert"),
        ),
    ),
    (
        "Working it out",
        (
            Link("calculators", "Calculators", "calculator", "Sheets, veneer, boards, finish, glue-ups, fit"),
            Link("clamps", "Clamps", "grip", "Counted once, asked before every glue-up"),
        ),
    ),
    (
        "The books",
        (
            Link("years", "Years", "calendar-range", "Review, accountant’s pack, closing"),
            Link("opening", "From before these books", "package-open", "Pieces, stock and hours by hand"),
            Link("imports", "From a spreadsheet", "file-up"),
            Link("how_figures_are_made", "How the figures are made", "circle-question-mark"),
        ),
    ),
    (
        "The shop",
        (
            Link("settings", "Settings", "settings", "Name, units, your wanted pay, the tax year"),
            Link("people", "People and pay", "users", "Helpers, their rates, who may log in"),
            Link("channels", "Channels and fees", "store", "Where you sell and what it costs"),
            Link("categories", "Expense categories", "tags", "With the line of the tax form"),
        ),
    ),
    (
        "Finishing",
        (
            Link(
                "day_plan", "To finish", "calendar-days", "Today and this week over all pieces, and the room"
            ),
            Link("recipes", "Recipes", "scroll-text", "Steps in order, judged before they go on wood"),
            Link(
                "products",
                "Finishing products",
                "paint-roller",
                "Figures with their sources, and your own cans",
            ),
            Link("samples", "Sample boards", "swatch-book", "Colours that were tried, with wood and recipe"),
            Link("wood_room", "Wood and room", "droplets", "Moisture, dew point, movement, before gluing"),
            Link("cautions", "Cautions", "triangle-alert"),
        ),
    ),
    ("You", (Link("password", "Change your password", "key-round"),)),
)


def links_for(*, owner: bool) -> list[tuple[str, list[tuple[Link, str]]]]:
    """Every link that the person may open, by group, with its address."""
    shown = []
    for title, links in GROUPS:
        open_links = []
        for link in links:
            try:
                address = reverse(link.route)
            except NoReverseMatch:
                continue
            if owner or audience_of(resolve(address).func) is not Audience.OWNER:
                open_links.append((link, address))
        if open_links:
            shown.append((title, open_links))
    return shown


@require_GET
@open_to_helper
def more(request: HttpRequest) -> HttpResponse:
    """Where everything else is, and the way out."""
    return answer(
        request,
        "flips/more/more.html",
        {"groups": links_for(owner=request.user.is_owner)},  # type: ignore[union-attr]
    )


urlpatterns = [path("more/", more, name="more")]
