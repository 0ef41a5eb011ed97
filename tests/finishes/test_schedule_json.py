import json
from datetime import date, time, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from finishes.schedule_json import read_duration, read_hours
from finishes.schedules import compute_schedule

MONDAY = {"start": "2026-03-02T08:00", "zone": "Europe/Berlin"}


def answer(*steps, **more):
    return compute_schedule({**MONDAY, "steps": list(steps), **more}, {})


def test_two_coats_come_back_with_their_times():
    found = answer({"product": "oil polyurethane"}, {"product": "oil polyurethane"})

    assert [(s["earliest"], s["latest"]) for s in found["steps"]] == [
        ("2026-03-02T08:00+01:00", None),
        ("2026-03-02T14:30+01:00", "2026-03-03T08:30+01:00"),
    ]
    assert found["ok"] is True
    assert found["refusals"] == []
    assert found["milestones"][0]["cured"] == "2026-04-01T16:00+02:00"


def test_a_wrong_schedule_comes_back_refused():
    found = answer({"product": "paste wax"}, {"product": "oil polyurethane"})

    assert found["ok"] is False
    (refusal,) = [r for r in found["refusals"] if r["severity"] == "refused"]
    assert (refusal["step"], refusal["rule"]) == (2, "wax below")
    assert refusal["way_round"]


def test_no_wait_is_refused_and_the_calendar_waits_all_the_same():
    found = answer({"product": "oil polyurethane", "wait": "0 h"}, {"product": "oil polyurethane"})

    assert [r["rule"] for r in found["refusals"]] == ["no wait"]
    assert found["steps"][1]["starts"] == "2026-03-02T14:30+01:00"


def test_a_cold_room_lengthens_and_is_refused_below_the_limit():
    cold = answer({"product": "shellac"}, {"product": "shellac"}, temperature="11 C", humidity_percent=50)
    colder = answer({"product": "shellac"}, temperature="41 F")

    assert cold["steps"][1]["starts"] == "2026-03-02T10:30+01:00"
    assert [r["rule"] for r in colder["refusals"]] == ["too cold"]
    assert "rule of thumb" in cold["note"]


def test_several_pieces_make_one_list_a_day():
    found = compute_schedule(
        {
            **MONDAY,
            "pieces": [
                {"piece": "nightstand", "steps": [{"product": "shellac"}, {"product": "shellac"}]},
                {
                    "piece": "stool",
                    "steps": [{"action": "sand"}, {"product": "danish oil"}, {"action": "wipe"}],
                },
            ],
        }
    )

    assert found["days"][0]["day"] == "2026-03-02"
    assert found["days"][0]["steps"][:2] == [
        "08:00 nightstand coat: shellac, dewaxed (2 lb cut)",
        "08:30 stool sand",
    ]


def test_the_can_goes_first():
    found = answer(
        {"product": "waterborne clear", "can": {"recoat_from": "2 h", "recoat_until": "6 h"}},
        {"action": "sand"},
        {"product": "waterborne clear"},
    )
    assert found["steps"][1]["starts"] == "2026-03-02T10:30+01:00"


def test_what_was_done_keeps_its_time_and_a_missed_window_says_what_to_do():
    found = answer(
        {"product": "oil polyurethane", "done_at": "2026-02-27T12:00"}, {"product": "oil polyurethane"}
    )

    assert found["steps"][0]["done"] is True
    assert "Scuff sand" in found["steps"][1]["missed"]


def test_a_start_in_the_hour_that_is_skipped_is_the_hour_after():
    found = compute_schedule(
        {
            "start": "2026-03-29T02:30",
            "zone": "Europe/Berlin",
            "steps": [{"action": "sand"}],
            "working_hours": {"mon-sun": "00:00-24:00"},
        }
    )
    assert found["steps"][0]["starts"] == "2026-03-29T03:30+02:00"


def test_the_answer_is_plain_json():
    found = answer({"action": "sand"}, {"product": "oil stain"}, {"action": "wipe"}, {"product": "wax"})
    assert json.loads(json.dumps(found)) == found


@pytest.mark.parametrize(
    ("wrong", "message"),
    [
        ({"zone": "Mars/Base"}, "^zone: "),
        ({"zone": None}, "^zone: "),
        ({"start": "tomorrow"}, "^start: "),
        ({"start": 5}, "^start: "),
        ({"steps": []}, "^steps: "),
        ({"steps": ["sand"]}, r"^steps\[1\]: "),
        ({"steps": [{"product": "ketchup"}]}, r"^steps\[1\]\.product: "),
        ({"steps": [{"action": "sand"}, {"action": "pray"}]}, r"^steps\[2\]\.action: "),
        ({"steps": [{}]}, r"^steps\[1\]\.action: "),
        ({"steps": [{"action": "wait"}]}, r"^steps\[1\]\.wait: "),
        ({"steps": [{"action": "sand", "wait": 6}]}, r"^steps\[1\]\.wait: "),
        ({"steps": [{"action": "sand", "wait": "6 h", "until": "2 h"}]}, r"^steps\[1\]\.until: "),
        ({"steps": [{"action": "sand", "hands": 0}]}, r"^steps\[1\]\.hands: "),
        ({"steps": [{"action": "sand", "done_at": "x"}]}, r"^steps\[1\]\.done_at: "),
        ({"steps": [{"action": "sand", "can": {"cure": "1 d"}}]}, r"^steps\[1\]\.can: "),
        ({"steps": [{"product": "shellac", "can": {"taste": "1"}}]}, r"^steps\[1\]\.can\.taste: "),
        ({"over": "jam"}, "^over: "),
        ({"hands": "two"}, "^hands: "),
        ({"temperature": "warm"}, "^temperature: "),
        ({"humidity_percent": 40}, "^temperature: "),
        ({"temperature": "20 C", "humidity_percent": 140}, "^humidity_percent: "),
        ({"working_hours": {"someday": "8-5"}}, "^working_hours: "),
        ({"working_hours": {"mon": "8-5"}}, "^working_hours: "),
        ({"working_hours": {"mon": []}}, "^working_hours: "),
        ({"working_hours": 8}, "^working_hours: "),
        ({"room": [{"at": "2026-03-02T08:00"}]}, r"^room\.temperature: "),
        ({"pieces": []}, "^pieces: "),
        ({"pieces": [{"piece": "a", "steps": [{"action": "sand"}]}] * 2}, r"^pieces\[2\]\.piece: "),
    ],
)
def test_bad_input_names_its_field_in_one_line(wrong, message):
    with pytest.raises(ValueError, match=message) as refused:
        answer(*[{"action": "sand"}], **wrong)
    assert "\n" not in str(refused.value)


@pytest.mark.parametrize(
    ("text", "minutes"),
    [
        ("30 min", 30),
        ("6 h", 360),
        ("1 h 30 min", 90),
        ("1,5 hours", 90),
        ("2 days", 2880),
        ("1 d 2 h", 1560),
        ("0 h", 0),
        ("1 week", 10080),
    ],
)
def test_times_are_read_as_written(text, minutes):
    assert read_duration(text) == timedelta(minutes=minutes)


@pytest.mark.parametrize("text", ["", "6", "h", "6 h or so", "-6 h", "9999 weeks", "6 parsecs"])
def test_what_is_no_time_is_refused(text):
    with pytest.raises(ValueError):
        read_duration(text)


@given(st.integers(0, 400), st.integers(0, 23), st.integers(0, 59))
def test_a_time_written_out_reads_back(days, hours, minutes):
    assert read_duration(f"{days % 300} d {hours} h {minutes} min") == timedelta(
        days=days % 300, hours=hours, minutes=minutes
    )


def test_working_hours_are_read():
    hours = read_hours(
        {"mon-thu": ["08:00-12:00", "13:00-17:00"], "sat": "09:00-24:00", "closed": ["2026-12-24"]}
    )

    assert [len(spells) for spells in hours.week] == [2, 2, 2, 2, 0, 1, 0]
    assert hours.week[5] == ((time(9), time(0)),)
    assert hours.closed == {date(2026, 12, 24)}
    assert read_hours({"from": "09:00", "to": "15:00", "days": ["mon", "sun"]}).week[6] == (
        (time(9), time(15)),
    )
    assert [bool(spells) for spells in read_hours({"fri-mon": "9:00-10:00"}).week] == [
        True,
        False,
        False,
        False,
        True,
        True,
        True,
    ]
