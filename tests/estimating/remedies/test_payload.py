import copy

import pytest

from estimating.remedies import COMPUTE_HELP, compute_remedies

STEPS = {
    "hour_value": 0,
    "steps": [
        {"name": name, "hours": 0, "materials": cost, "chance": chance}
        for name, cost, chance in (("A", 6, 0.8), ("B", 3, 0.95), ("C", 10, 0.5), ("D", 4, 0.9))
    ],
}
REMEDIES = {
    "hour_value": "10",
    "remedies": [
        {"name": "A", "hours": "0.4", "materials": 0, "chance": 0.3},
        {"name": "B", "hours": 1, "materials": "2.00", "chance": "0.5"},
        {"name": "C", "hours": 3, "materials": 0, "chance": 0.4},
        {"name": "D", "hours": 5.5, "materials": 5, "chance": 1},
    ],
}


def test_steps_answer_the_published_case_seq02():
    assert compute_remedies(STEPS) == {
        "order": ["C", "A", "D", "B"],
        "expected_cost": "15.68",
        "worst_cost": "18.77",
        "chance": 0.342,
        "worth_it": True,
    }


def test_remedies_answer_the_published_case_seq03_with_hours_and_texts():
    assert compute_remedies(REMEDIES) == {
        "order": ["A", "B", "D"],
        "expected_cost": "33.40",
        "worst_cost": "66.00",
        "chance": 1.0,
        "worth_it": True,
    }


def test_give_up_is_paid_with_the_chance_of_failing():
    # 15.68 + 50 x (1 - 0.342) = 48.58
    found = compute_remedies({**STEPS, "give_up": 50})

    assert (found["expected_cost"], found["worst_cost"], found["worth_it"]) == ("48.58", "51.67", True)


def test_remedies_too_dear_for_giving_up_leave_an_empty_order():
    payload = {
        "hour_value": 0,
        "give_up": "5.00",
        "remedies": [{"name": "A", "hours": 1, "materials": 6, "chance": 0.9}],
    }

    assert compute_remedies(payload) == {
        "order": [],
        "expected_cost": "5.00",
        "worst_cost": "6.50",
        "chance": 0.0,
        "worth_it": False,
    }


def test_what_cannot_work_is_not_worth_it():
    payload = {"hour_value": 0, "remedies": [{"name": "A", "hours": 1, "materials": 6, "chance": 0}]}

    found = compute_remedies(payload)

    assert (found["order"], found["expected_cost"], found["worth_it"]) == ([], "0.00", False)


def test_half_a_cent_is_rounded_up():
    payload = {"hour_value": 0, "steps": [{"name": "A", "hours": 0, "materials": 0.125, "chance": 1}]}

    assert compute_remedies(payload)["expected_cost"] == "0.13"


def test_a_remedy_of_several_steps_shares_one_of_the_same_name():
    strip = {"name": "strip", "hours": 0, "materials": 10, "chance": 0.9}
    payload = {
        "hour_value": 0,
        "remedies": [
            {
                "name": "oil it",
                "steps": [
                    strip,
                    {"name": "oil", "hours": 0, "materials": 2, "chance": 0.5, "after": ["strip"]},
                ],
            },
            {
                "name": "paint it",
                "steps": [
                    strip,
                    {"name": "paint", "hours": 0, "materials": 8, "chance": 0.8, "after": ["strip"]},
                ],
            },
        ],
    }

    found = compute_remedies(payload)

    assert (found["order"], found["expected_cost"], found["chance"]) == (
        ["oil it", "paint it"],
        "15.40",
        0.81,
    )


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda p: p.pop("hour_value"), "hour_value: is missing"),
        (lambda p: p.update(hour_value=-1), "hour_value: must be at least 0"),
        (lambda p: p.update(steps=[]), "steps: needs at least 1 entry"),
        (lambda p: p.update(remedies=[]), "either “steps” or “remedies”"),
        (lambda p: p.pop("steps"), "either “steps” or “remedies”"),
        (lambda p: p.update(giveup=3), "giveup: no such field"),
        (lambda p: p["steps"][1].pop("chance"), r"steps\[1\].chance: is missing"),
        (lambda p: p["steps"][1].update(chance=80), r"steps\[1\].chance: .*write 0.8 for 80 %"),
        (lambda p: p["steps"][1].update(chance=True), r"steps\[1\].chance: a number is wanted"),
        (lambda p: p["steps"][1].update(hours="soon"), r"steps\[1\].hours: “soon” is not a number"),
        (lambda p: p["steps"][1].update(materials=-2), r"steps\[1\].materials: must be at least 0"),
        (lambda p: p["steps"][1].update(materials="-2"), r"steps\[1\].materials: .*negative"),
        (lambda p: p["steps"][1].update(name="A"), "Two steps are called “A”"),
        (lambda p: p["steps"][1].update(name=" "), r"steps\[1\].name: a text is wanted"),
        (lambda p: p["steps"][1].update(after=["Z"]), "“B”: after names “Z”"),
        (lambda p: p["steps"][1].update(after="A"), r"steps\[1\].after: a list of names"),
        (
            lambda p: (p["steps"][1].update(after=["A"]), p["steps"][0].update(after=["B"])),
            "wait for each other",
        ),
    ],
)
def test_bad_values_are_refused_in_one_line_naming_the_field(change, says):
    payload = copy.deepcopy(STEPS)
    change(payload)

    with pytest.raises(ValueError, match=says) as refusal:
        compute_remedies(payload)

    assert "\n" not in str(refusal.value)


def test_the_example_in_the_help_runs():
    import json

    example = json.loads(COMPUTE_HELP.split("Example:")[1])

    assert compute_remedies(example)["order"] == ["test a corner", "strip the top"]
