"""The survey lists."""

from flips.models import FaultKind
from flips.survey_lists import ALL_QUESTIONS, LISTS


def test_a_key_means_the_same_question_everywhere():
    for rows in LISTS.values():
        assert len({one.key for one in rows}) == len(rows)
        assert all(ALL_QUESTIONS[one.key] == one for one in rows)


def test_every_question_names_a_fault_and_fits_its_column():
    for one in ALL_QUESTIONS.values():
        assert one.fault in FaultKind
        assert len(one.key) <= 60
        assert one.minutes >= 0


def test_every_list_asks_for_live_insects_and_old_paint():
    # Common practice, no source: both are reasons to stop whatever the piece is.
    for rows in LISTS.values():
        assert {"live-insects", "suspected-lead"} <= {one.key for one in rows if one.stop}
