"""``compute sheets``: the command line's way in."""

import json

import pytest

from estimating.compute import Options
from estimating.sheets import compute, faults

INSTANCE = {
    "kerf": 4,
    "trim": 8,
    "stock": [{"id": "full", "kind": "sheet", "w": 3072, "h": 1536, "qty": None, "cost": 64}],
    "parts": [{"id": "side", "w": 1484, "h": 610, "qty": 4, "rotate": False}],
}


def test_the_answer_is_a_checked_layout_that_json_can_carry():
    layout = compute(INSTANCE, Options(iterations=50))

    assert faults(INSTANCE, json.loads(json.dumps(layout))) == []


def test_options_reach_the_search():
    assert compute(INSTANCE, Options(iterations=50, max_stages=2))["stages"] <= 2


def test_seed_and_iterations_settle_the_answer():
    assert compute(INSTANCE, Options(seed=3, iterations=80)) == compute(
        INSTANCE, Options(seed=3, iterations=80)
    )


def test_a_time_limit_is_taken():
    assert compute(INSTANCE, Options(seconds=0.05))["cost"] == 64


def test_a_bad_field_is_one_clear_line():
    with pytest.raises(ValueError, match="^kerf: must be at least 0, not -4$"):
        compute({**INSTANCE, "kerf": -4}, Options(iterations=1))
