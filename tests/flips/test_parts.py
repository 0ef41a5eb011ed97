"""Parts: the survey, readings that are never averaged, and taking apart with nothing lost."""

import re
from datetime import UTC, datetime

import pytest
from django.contrib.messages import get_messages
from django.core.exceptions import ValidationError
from django.db import IntegrityError, connection, transaction
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from hypothesis import given
from hypothesis import strategies as st

from finishes.measures import Length
from flips.actions import parts
from flips.actions.undo import take_back
from flips.models import Part, Plan, Reading, Removal, Spread
from flips.pages.parts import read_readings
from flips.usual_parts import KINDS, kind_of, lines_of
from tests.makers import make_attempt, make_part, make_piece, make_readings, make_removal

NOON = datetime(2026, 3, 4, 18, tzinfo=UTC)
ID = "6f2b7a52-4a0e-4b1c-9f7d-0d3c1f0a7e11"


@pytest.fixture
def piece(owner):
    return make_piece(price_cents=8000)


def said(response):
    return [str(message) for message in get_messages(response.wsgi_request)]


# The survey


def test_a_part_is_added_in_one_line_and_the_form_waits_for_the_next(helper_client, piece):
    response = helper_client.post(
        reverse("parts", args=[piece.pk]), {"name": "Leg", "count": "4"}, follow=True
    )

    assert b"4 \xc3\x97 Leg" in response.content
    assert b"autofocus" in response.content


def test_the_same_part_sent_twice_is_stored_once(owner_client, piece):
    for _ in range(2):
        owner_client.post(reverse("parts", args=[piece.pk]), {"name": "Leg", "count": "4", "sent_id": ID})

    assert piece.parts.count() == 1


def test_two_like_parts_typed_one_after_the_other_are_two(owner_client, piece):
    for sent_id in (ID, ID.replace("6f", "7f")):
        owner_client.post(
            reverse("parts", args=[piece.pk]), {"name": "Drawer", "count": "1", "sent_id": sent_id}
        )

    assert piece.parts.count() == 2


@pytest.mark.parametrize(
    "typed", [{"name": "", "count": "1"}, {"name": "Leg", "count": "0"}, {"name": "Leg", "count": "x"}]
)
def test_a_part_without_name_or_count_is_refused_and_keeps_what_was_typed(owner_client, piece, typed):
    response = owner_client.post(reverse("parts", args=[piece.pk]), typed)

    assert response.status_code == 422
    assert response.context["form"]["name"].value() == typed["name"]
    assert not piece.parts.exists()


def test_a_part_with_all_of_it_at_once(owner_client, piece):
    top = make_part(piece=piece, name="Top")
    owner_client.post(
        reverse("part_new", args=[piece.pk]),
        {
            "name": "Veneer",
            "count": "1",
            "parent": top.pk,
            "material": "veneered_ply",
            "species": "walnut",
            "plan": "mend",
        },
    )

    made = Part.objects.get(name="Veneer")
    assert (made.parent, made.species, made.plan) == (top, "walnut", Plan.MEND)


def test_sub_parts_follow_their_part(piece):
    top = make_part(piece=piece, name="Top")
    make_part(piece=piece, name="Leg")
    make_part(piece=piece, name="Moulding", parent=top)

    assert [(part.name, part.depth) for part in piece.parts.live().in_tree_order()] == [
        ("Top", 0),
        ("Moulding", 1),
        ("Leg", 0),
    ]


def test_a_part_moves_into_another_one(owner_client, piece):
    drawer, pull = make_part(piece=piece, name="Drawer"), make_part(piece=piece, name="Pull")
    owner_client.post(reverse("part_edit", args=[pull.pk]), edited(pull, parent=drawer.pk))

    pull.refresh_from_db()
    assert pull.parent == drawer


def edited(part, **changes):
    """What the edit form of a part sends."""
    return {
        "name": part.name,
        "count": part.count,
        "parent": part.parent_id or "",
        "material": part.material,
        "species": part.species,
        "condition": part.condition,
        "plan": part.plan,
        "note": part.note,
        "version": part.version,
    } | changes


def test_a_part_cannot_go_into_its_own_sub_part(owner_client, piece):
    drawer = make_part(piece=piece, name="Drawer")
    front = make_part(piece=piece, name="Front", parent=drawer)
    pull = make_part(piece=piece, name="Pull", parent=front)
    response = owner_client.post(reverse("part_edit", args=[drawer.pk]), edited(drawer, parent=pull.pk))

    assert response.status_code == 422
    assert "own sub-parts" in str(response.context["form"].errors["parent"])
    drawer.refresh_from_db()
    assert drawer.parent is None


def test_a_part_cannot_go_into_another_piece(owner, piece):
    other = make_part(piece=make_piece(what="Chair"), name="Seat")
    part = make_part(piece=piece, name="Top")
    part.parent = other

    with pytest.raises(ValidationError, match="another piece"):
        parts.change_part(part)


def test_the_database_refuses_a_part_within_itself(piece):
    part = make_part(piece=piece)

    with pytest.raises(IntegrityError), transaction.atomic():
        Part.objects.filter(pk=part.pk).update(parent=part)


def test_the_second_of_two_editors_is_told_and_sees_both_values(owner_client, helper_client, piece):
    part = make_part(piece=piece, name="Top", condition="dull")
    first, second = edited(part, condition="scratched"), edited(part, condition="stained")
    helper_client.post(reverse("part_edit", args=[part.pk]), first)
    response = owner_client.post(reverse("part_edit", args=[part.pk]), second)

    assert response.status_code == 409
    assert "Tomas made this “scratched” meanwhile." in str(response.context["form"].errors["condition"])
    assert response.context["form"]["condition"].value() == "stained"
    part.refresh_from_db()
    assert part.condition == "scratched"


def test_saving_again_after_being_told_makes_it_so(owner_client, helper_client, piece):
    part = make_part(piece=piece, name="Top", condition="dull")
    helper_client.post(reverse("part_edit", args=[part.pk]), edited(part, condition="scratched"))
    told = owner_client.post(reverse("part_edit", args=[part.pk]), edited(part, condition="stained"))
    version = told.context["form"]["version"].value()
    owner_client.post(
        reverse("part_edit", args=[part.pk]), edited(part, condition="stained", version=version)
    )

    part.refresh_from_db()
    assert part.condition == "stained"
    assert "scratched" in part.history.values_list("condition", flat=True)


def test_one_tap_says_keep_mend_or_replace(helper_client, piece):
    part = make_part(piece=piece)
    helper_client.post(reverse("part_plan", args=[part.pk]), {"plan": "replace"})

    part.refresh_from_db()
    assert part.plan == Plan.REPLACE


def test_a_plan_nobody_knows_is_not_found(helper_client, piece):
    part = make_part(piece=piece)

    assert helper_client.post(reverse("part_plan", args=[part.pk]), {"plan": "burn"}).status_code == 404


# Usual parts


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_lists_each_sub_part_below_a_part_above_it(kind):
    lines = lines_of(kind)

    assert [line.number for line in lines] == list(range(len(lines)))
    assert all(line.above is None or line.above < line.number for line in lines)
    assert len({line.part.name for line in lines}) == len(lines)


@pytest.mark.parametrize(
    ("texts", "kind"),
    [
        (("", "Oak chest of drawers"), "Dresser"),
        (("Chest", ""), "Trunk"),
        (("", "Pair of bedside tables"), "Nightstand"),
        (("Chair", "Seat from a bench"), "Chair"),
        (("", "Lamp"), None),
    ],
)
def test_the_kind_is_read_from_what_was_typed(texts, kind):
    assert kind_of(*texts) == kind


def test_ticked_usual_parts_become_a_tree_and_one_undo_takes_them_all_back(owner_client, owner, piece):
    lines = {line.part.name: line for line in lines_of("Dresser")}
    drawer, front = lines["Drawer"].number, lines["Drawer front"].number
    ticked = {f"take_{drawer}": "on", f"count_{drawer}": "3", f"take_{front}": "on", f"count_{front}": "3"}
    owner_client.post(reverse("parts_usual", args=[piece.pk]) + "?kind=Dresser", ticked)

    made = {part.name: part for part in piece.parts.all()}
    assert made["Drawer front"].parent == made["Drawer"]
    assert made["Drawer front"].count == 3

    take_back("usual parts", "flips.part", str(made["Drawer"].pk), by=owner)
    assert not piece.parts.live().exists()


def test_usual_parts_noted_already_come_unticked(owner_client, piece):
    make_part(piece=piece, name="Top")
    form = owner_client.get(reverse("parts_usual", args=[piece.pk]) + "?kind=Dresser").context["form"]
    ticks = {take.label: take.value() for _, take, _ in form.rows()}

    assert ticks["Top (noted already)"] is False
    assert ticks["Side"] is True


def test_ticking_nothing_is_refused(owner_client, piece):
    assert owner_client.post(reverse("parts_usual", args=[piece.pk]), {"sent_id": ID}).status_code == 422


# Readings


@pytest.mark.parametrize(
    ("typed", "expected"),
    [
        ("18 3/4; 18 11/16; 18 3/4", [("", "18 3/4"), ("", "18 11/16"), ("", "18 3/4")]),
        ("left: 18 3/4; right: 18 11/16", [("left", "18 3/4"), ("right", "18 11/16")]),
        ("18 3/4 @ left; 46,2 cm @ far end", [("left", "18 3/4"), ("far end", "46,2 cm")]),
        ("front 18 3/4\nback edge ½ in", [("front", "18 3/4"), ("back edge", "½ in")]),
        ("5'2\" (middle)", [("middle", "5'2\"")]),
        ("point 2: 600 mm", [("point 2", "600 mm")]),
        (" ; 12 ; ", [("", "12")]),
    ],
)
def test_readings_are_read_as_people_list_them(typed, expected):
    assert [(where, length.text) for where, length in read_readings(typed, "in")] == expected


@pytest.mark.parametrize(
    ("typed", "reason"),
    [
        ("18 3/0", "zero"),
        ("-2", "negative"),
        ("left -2", "negative"),
        ("abc", "not a number"),
        ("18 cn", "not a unit"),
        ("0", "more than zero"),
    ],
)
def test_a_nonsense_reading_is_refused_with_a_reason(typed, reason):
    with pytest.raises(ValidationError, match=reason):
        read_readings(f"18 3/4; {typed}", "in")


def test_every_bad_reading_is_named_and_nothing_typed_is_lost(owner_client, piece):
    part = make_part(piece=piece)
    typed = "18 3/4; abc; 18 3/0"
    response = owner_client.post(
        reverse("readings_add", args=[part.pk]), {"dimension": "width", "typed": typed}
    )

    assert response.status_code == 422
    assert len(response.context["form"].errors["typed"]) == 2
    assert response.context["form"]["typed"].value() == typed
    assert not part.readings.exists()


def test_many_readings_in_one_line_show_least_most_and_spread(owner_client, piece):
    part = make_part(piece=piece)
    response = owner_client.post(
        reverse("readings_add", args=[part.pk]),
        {"dimension": "width", "typed": "left: 18 3/4; middle: 18 11/16; right: 18 7/8"},
        follow=True,
    )

    (size,) = response.context["sizes"]
    assert (size.least, size.most, size.spread) == ('18 11/16"', '18 7/8"', '3/16"')
    assert len(size.readings) == 3


def test_a_measure_in_another_unit_is_shown_as_typed_and_in_the_shops(owner_client, piece):
    part = make_part(piece=piece)
    make_readings(part, "600 mm", dimension="length")
    (size,) = owner_client.get(part.get_absolute_url()).context["sizes"]

    # 600 mm / 25.4 mm (NIST SP 811, appendix B: 1 in = 25.4 mm) = 23.622 in; 23 5/8 in = 600.075 mm.
    assert (size.readings[0].typed, size.readings[0].in_shop_unit) == ("600 mm", '≈ 23 5/8"')


def test_a_spread_too_small_for_a_64th_is_not_shown_as_nothing(owner_client, piece):
    part = make_part(piece=piece)
    make_readings(part, "46,2 cm; 18 3/16", dimension="width")
    (size,) = owner_client.get(part.get_absolute_url()).context["sizes"]

    # 462 mm - 18.1875 x 25.4 mm = 0.0375 mm (NIST SP 811: 1 in = 25.4 mm).
    assert size.varies
    assert size.spread == "≈ 0.038 mm"


@given(st.lists(st.integers(1, 10**9), min_size=1, max_size=12))
def test_least_most_and_spread_are_readings_themselves(amounts):
    spread = Spread("width", [Reading(dimension="width", length_nm=nm, length_text="") for nm in amounts])

    assert (spread.least.nm, spread.most.nm) == (min(amounts), max(amounts))
    assert spread.least.nm in amounts
    assert spread.spread.nm == max(amounts) - min(amounts)
    assert spread.varies == (len(set(amounts)) > 1)


@given(st.lists(st.integers(1, 64 * 200), min_size=1, max_size=8))
def test_every_64th_typed_in_one_line_comes_back_exactly(sixtyfourths):
    typed = "; ".join(Length(396_875 * count).in_inches() for count in sixtyfourths)

    assert [length.nm for _, length in read_readings(typed, "in")] == [
        396_875 * count for count in sixtyfourths
    ]


def test_a_struck_reading_counts_no_more_and_stays_on_file(owner_client, piece):
    part = make_part(piece=piece)
    first, _ = make_readings(part, "18; 19", dimension="width")
    owner_client.post(reverse("reading_void", args=[first.pk]), {"reason": "held the rule wrong"})

    (size,) = owner_client.get(part.get_absolute_url()).context["sizes"]
    assert not size.varies
    assert Reading.objects.count() == 2


def test_a_corrected_reading_keeps_its_old_value_in_the_history(owner_client, piece):
    (reading,) = make_readings(make_part(piece=piece), "18", dimension="width")
    owner_client.post(
        reverse("reading", args=[reading.pk]),
        {"dimension": "width", "where": "left", "length": "18 1/8", "version": reading.version},
    )

    reading.refresh_from_db()
    assert (reading.length_text, reading.length_nm, reading.where) == (
        "18 1/8",
        Length.inches("18 1/8").nm,
        "left",
    )
    assert list(reading.history.values_list("length_text", flat=True)) == ["18 1/8", "18"]


def test_the_database_refuses_a_reading_of_nothing(piece):
    with pytest.raises(IntegrityError), transaction.atomic():
        Reading.objects.create(part=make_part(piece=piece), length_nm=0, length_text="0")


# Taking a part out


def test_a_part_is_taken_out_with_its_sub_parts_and_its_history_stays(owner_client, piece):
    drawer = make_part(piece=piece, name="Drawer")
    front = make_part(piece=piece, name="Front", parent=drawer)
    attempt = make_attempt(piece=piece, part=front)
    owner_client.post(reverse("part_void", args=[drawer.pk]), {"reason": "wrong piece"})

    assert not piece.parts.live().exists()
    for url in (
        drawer.get_absolute_url(),
        front.get_absolute_url(),
        attempt.get_absolute_url(),
        piece.get_absolute_url(),
    ):
        assert owner_client.get(url).status_code == 200
    assert "Front" in owner_client.get(attempt.get_absolute_url()).content.decode()


def test_undo_brings_a_part_back_with_what_went_with_it_and_nothing_else(owner, piece):
    drawer = make_part(piece=piece, name="Drawer")
    make_part(piece=piece, name="Front", parent=drawer)
    old = make_part(piece=piece, name="Lock", parent=drawer)
    old.void(by=owner, reason="there was none")
    parts.void_part(drawer, by=owner, reason="oops")
    take_back("part voided", "flips.part", str(drawer.pk), by=owner)

    assert {part.name for part in piece.parts.live()} == {"Drawer", "Front"}


def test_a_part_with_a_part_still_off_is_not_taken_out(owner_client, piece):
    drawer = make_part(piece=piece, name="Drawer")
    make_removal(make_part(piece=piece, name="Front", parent=drawer))
    response = owner_client.post(reverse("part_void", args=[drawer.pk]), {"reason": "oops"})

    assert "noted as taken off" in said(response)[0]
    assert piece.parts.live().count() == 2


def test_taking_a_part_out_needs_a_reason(owner_client, piece):
    part = make_part(piece=piece)
    response = owner_client.post(reverse("part_void", args=[part.pk]), {"reason": " "})

    assert said(response) == ["Say why it is taken out."]
    assert piece.parts.live().exists()


# Taking apart and putting together


def take_off(client, part, **fields):
    return client.post(reverse("taking_apart", args=[part.piece_id]), {"part": part.pk} | fields)


def test_parts_are_numbered_as_they_come_off_and_go_back_in_reverse(helper_client, piece):
    for name in ("Mirror", "Back", "Runner"):
        take_off(helper_client, make_part(piece=piece, name=name), count_out="4", bag=name[0])
    page = helper_client.get(reverse("taking_apart", args=[piece.pk]))

    assert [(row.order, row.part.name) for row in page.context["to_put_back"]] == [
        (3, "Runner"),
        (2, "Back"),
        (1, "Mirror"),
    ]
    assert page.context["out"] == 12


def test_a_part_not_listed_yet_is_listed_as_it_comes_off(helper_client, piece):
    helper_client.post(reverse("taking_apart", args=[piece.pk]), {"new_part": "Cornice", "count_out": "6"})

    assert Removal.objects.get().part == Part.objects.get(name="Cornice")


def test_a_part_that_is_off_is_not_offered_and_not_taken_off_twice(helper_client, owner, piece):
    part = make_part(piece=piece, name="Back")
    make_removal(part)

    assert take_off(helper_client, part).status_code == 422
    with pytest.raises(ValidationError, match="off already: it was number 1"):
        parts.take_off(by=owner, piece=piece, part=part, at=NOON)


def test_what_is_missing_is_said_at_the_part_and_in_sum(helper_client, piece):
    for name, out, back in (("Mirror", 8, 7), ("Back", 22, 20), ("Pull", 16, 16)):
        removal = make_removal(make_part(piece=piece, name=name), count_out=out)
        helper_client.post(reverse("put_back", args=[removal.pk]), {"count_back": back})
    page = helper_client.get(reverse("taking_apart", args=[piece.pk]))

    assert page.context["missing"] == 3
    assert [(row.part.name, row.missing) for row in page.context["short"]] == [("Mirror", 1), ("Back", 2)]
    assert "3 fasteners missing" in page.content.decode()


@given(st.lists(st.tuples(st.integers(0, 99), st.integers(0, 99)), max_size=10))
def test_fasteners_missing_are_never_made_up_for_by_others(pairs):
    rows = [Removal(count_out=out, count_back=back) for out, back in pairs]

    assert sum(row.missing for row in rows) == sum(out - back for out, back in pairs if back < out)


def test_putting_back_without_a_count_is_refused(helper_client, piece):
    removal = make_removal(make_part(piece=piece))
    response = helper_client.post(reverse("put_back", args=[removal.pk]), {"count_back": ""})

    assert "Say how many fasteners went back" in said(response)[0]
    removal.refresh_from_db()
    assert removal.back_at is None


def test_putting_back_twice_keeps_the_first_count(helper_client, piece):
    removal = make_removal(make_part(piece=piece), count_out=8)
    for count in (7, 8):
        helper_client.post(reverse("put_back", args=[removal.pk]), {"count_back": count})

    removal.refresh_from_db()
    assert removal.count_back == 7


def test_undo_takes_it_off_again(owner, piece):
    removal = make_removal(make_part(piece=piece))
    parts.put_back(removal, at=NOON, count_back=0)
    take_back("put back", "flips.removal", str(removal.pk), by=owner)

    removal.refresh_from_db()
    assert (removal.back_at, removal.count_back) == (None, None)


def test_off_again_is_refused_while_the_part_is_off_under_another_number(owner, piece):
    part = make_part(piece=piece, name="Back")
    first = make_removal(part)
    parts.put_back(first, at=NOON, count_back=0)
    make_removal(part)

    with pytest.raises(ValidationError, match="off already: it was number 2"):
        parts.off_again(first)


def test_a_struck_line_keeps_its_number_so_that_it_can_come_back(owner, piece):
    first = make_removal(make_part(piece=piece, name="Mirror"))
    first.void(by=owner, reason="not off yet")
    second = make_removal(make_part(piece=piece, name="Back"))
    take_back("removal struck", "flips.removal", str(first.pk), by=owner)

    assert (first.order, second.order) == (1, 2)
    assert [row.order for row in piece.removals.live()] == [1, 2]


def test_a_corrected_count_keeps_the_old_one_in_the_history(helper_client, piece):
    removal = make_removal(make_part(piece=piece), count_out=8)
    typed = {"count_out": "9", "off_at": "2026-03-04T12:00", "version": removal.version}
    helper_client.post(reverse("removal", args=[removal.pk]), typed)

    removal.refresh_from_db()
    assert removal.count_out == 9
    assert list(removal.history.values_list("count_out", flat=True)) == [9, 8]


def test_the_database_refuses_a_part_back_without_a_count(piece):
    removal = make_removal(make_part(piece=piece))

    with pytest.raises(IntegrityError), transaction.atomic():
        Removal.objects.filter(pk=removal.pk).update(back_at=NOON)


# Helpers, addresses, queries


def test_a_helper_takes_out_only_what_she_entered(helper_client, helper, owner, piece):
    owners, own = make_part(piece=piece, name="Top"), make_part(by=helper, piece=piece, name="Leg")

    assert helper_client.post(reverse("part_void", args=[owners.pk]), {"reason": "x"}).status_code == 403
    assert helper_client.post(reverse("part_void", args=[own.pk]), {"reason": "x"}).status_code == 302
    assert set(piece.parts.live()) == {owners}


def pages_of(piece):
    part = make_part(piece=piece, name="Top")
    (reading,) = make_readings(part, "18", dimension="width")
    removal = make_removal(part)
    return [
        reverse("parts", args=[piece.pk]),
        reverse("part_new", args=[piece.pk]),
        reverse("parts_usual", args=[piece.pk]),
        reverse("taking_apart", args=[piece.pk]),
        part.get_absolute_url(),
        reverse("part_edit", args=[part.pk]),
        reverse("part_photos", args=[part.pk]),
        reverse("readings_add", args=[part.pk]),
        reverse("reading", args=[reading.pk]),
        reverse("removal", args=[removal.pk]),
    ]


def test_a_helper_sees_every_page_of_parts_and_no_money_on_any(helper_client, piece):
    for url in pages_of(piece):
        response = helper_client.get(url)
        assert response.status_code == 200, url
        assert not re.search(r"\$|80\.00|class=\"money", response.content.decode()), url


def test_strangers_are_sent_to_the_log_in(client, piece):
    for url in pages_of(piece):
        assert reverse("log_in") in client.get(url).headers["Location"]


@pytest.mark.parametrize("query", ["?in=abc", "?in=999999", "?in=" + "9" * 40, "?in=١"])
def test_a_part_nobody_knows_in_the_address_does_no_harm(owner_client, piece, query):
    assert owner_client.get(reverse("parts", args=[piece.pk]) + query).status_code == 200


@pytest.mark.parametrize("name", ["parts", "taking_apart"])
def test_lists_ask_as_often_for_thirty_rows_as_for_three(owner_client, piece, name):
    url = reverse(name, args=[piece.pk])

    def fill(count):
        for number in range(count):
            part = make_part(piece=piece, name=f"Part {number}")
            make_readings(part, "18; 19", dimension="width")
            make_removal(part, count_out=2)

    def queries():
        owner_client.get(url)
        with CaptureQueriesContext(
            connection,
        ) as caught:
            owner_client.get(url)
        return len(caught)

    fill(3)
    few = queries()
    fill(27)
    assert queries() == few
