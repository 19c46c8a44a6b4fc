"""The ends of strokes and the marks of records: texts as they are kept, names as the guards have them."""

from __future__ import annotations

import json

import pytest
from virtual_fills import run_fill

from rig.control.belief.state import Stroke
from rig.control.safety.guards import GUARD_NAMED
from rig.control.words.flags import End, Flag


def test_a_mark_in_one_word_is_the_name_of_a_guard() -> None:
    own = {Flag.INTERRUPTED, Flag.METER_JUMPED}
    assert {flag for flag in Flag if " " not in flag} - own <= set(GUARD_NAMED)


@pytest.mark.parametrize("end", list(End))
def test_a_stroke_is_over_once_something_ended_it(end: End) -> None:
    stroke = Stroke(ended_by=end)
    by_hand = (End.NOT_YET, End.REST, End.TIME)
    assert stroke.over is (end not in by_hand)
    assert [stroke.pumped, stroke.drew].count(True) <= 1
    assert bool(stroke.ended_by) is (end is not End.NOT_YET)


def test_marks_and_ends_are_kept_as_plain_texts() -> None:
    ends: list[object] = []
    ran = run_fill("11L-15", watch=lambda d: ends.extend(e.data["ended_by"] for e in d.entries if e.kind == "stroke"))
    assert ends
    assert all(type(end) is str for end in ends)
    assert json.loads(json.dumps(ran.record))["flags"] == ran.record["flags"]
    assert (ran.record["vented_l"], ran.record["spilled_l"]) == (0.0, 0.0)
