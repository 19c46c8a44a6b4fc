"""Whether a clock is believed, and which time a record gets where it is not: pure, with every course of a clock.

That a kernel takes a clock for synchronised until its maximum error passes 16 s, and slews it by at most 500 ppm, is
from adjtimex(2) and adjtime(3).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.ledger.moment import Moment, with_words
from rig.run.time_guard import (
    MADE_S,
    Anchor,
    Heard,
    Judged,
    Known,
    after,
    asks,
    between,
    confirmed,
    iso,
    judge,
    jumped_s,
    not_known,
    seconds,
)

DAY_S = 86400.0
NOW_S = MADE_S + 30 * DAY_S
LAST = Known(Anchor(NOW_S, NOW_S, 50.0, "boot 1", "plausible"), Anchor(NOW_S, NOW_S, 50.0, "boot 1", "plausible"))


def heard(wall_s: float, boot_s: float = 10.0, boot: str = "boot 2", **more: bool) -> Heard:
    return Heard(wall_s, boot_s, boot, more.get("synchronised", False), more.get("battery"))


def test_a_clock_that_nothing_is_against_is_plausible() -> None:
    assert judge(heard(NOW_S + DAY_S), LAST) == Judged(NOW_S + DAY_S, "plausible", None, "")
    assert judge(heard(NOW_S), Known()).trust == "plausible"


@pytest.mark.parametrize(
    ("wall_s", "why"),
    [
        (0.0, "earlier than the program itself"),
        (NOW_S - 2 * 365 * DAY_S, "earlier than the program itself"),
        (NOW_S - 60.0, "60 s earlier than the last record"),
        (NOW_S - 3 * DAY_S, "3 days earlier than the last record"),
        (NOW_S + 2 * 365 * DAY_S, "730 days later than the last record"),
    ],
)
def test_a_clock_before_the_last_record_or_years_ahead_is_not_believed(wall_s: float, why: str) -> None:
    found = judge(heard(wall_s), LAST)
    assert found.trust == "not believed"
    assert why in found.why
    assert (found.at_s, found.said_s) == (NOW_S + 0.001, wall_s)
    assert found.moment.words == {"clock": "not believed", "clock_said": iso(wall_s)}


def test_without_a_battery_clock_only_what_was_said_since_the_start_counts() -> None:
    """It starts with the time of its last shutdown, which looks well: later than the last record, not years ahead."""
    assert "no battery clock" in judge(heard(NOW_S + 60, battery=False), LAST).why
    assert judge(heard(NOW_S + 60, battery=True), LAST).trust == "plausible"
    assert judge(heard(NOW_S + 60, battery=False, synchronised=True), LAST).trust == "synchronised"


def test_the_system_s_own_word_goes_before_an_earlier_record() -> None:
    found = judge(heard(NOW_S - 100 * DAY_S + 90 * DAY_S, synchronised=True), LAST)
    assert (found.trust, found.at_s) == ("synchronised", NOW_S - 10 * DAY_S)
    assert judge(heard(0.0, synchronised=True), LAST).trust == "not believed"


def test_once_synchronised_it_stays_known_for_the_whole_day_without_a_network() -> None:
    first = heard(NOW_S, 10.0, synchronised=True)
    known = after(LAST, first, judge(first, LAST))
    later = heard(NOW_S + 9 * 3600 + 3, 10.0 + 9 * 3600)
    assert judge(later, known).trust == "synchronised"
    jumped = heard(NOW_S - 700 * DAY_S, 10.0 + 9 * 3600)
    found = judge(jumped, known)
    assert (found.trust, found.at_s, found.said_s) == ("synchronised", NOW_S + 9 * 3600, jumped.wall_s)
    assert "set by" in found.why


def test_a_clock_that_goes_on_shows_nothing_else() -> None:
    """Seconds as fractions do not add up to the last bit; that is no other time."""
    known, at_s = LAST, NOW_S + 0.1
    for step in range(50):
        now = heard(at_s + 0.7 * step, 10.3 + 0.7 * step)
        found = judge(now, known)
        assert found.moment.words == {"clock": "plausible"}
        known = after(known, now, found)


def test_a_plausible_clock_that_is_set_while_the_computer_runs_is_not_believed() -> None:
    first = heard(NOW_S + 5, 10.0)
    known = after(LAST, first, judge(first, LAST))
    found = judge(heard(NOW_S + 5 + 40 * DAY_S, 70.0), known)
    assert found.trust == "not believed"
    assert found.at_s == pytest.approx(NOW_S + 65)
    # And when it is back, it is as it was.
    assert judge(heard(NOW_S + 125, 130.0), known).trust == "plausible"


def test_a_person_s_word_counts_until_the_computer_starts_again() -> None:
    wrong = heard(0.0, 30.0)
    known = confirmed(LAST, wrong, NOW_S + 2 * DAY_S)
    found = judge(heard(60.0, 90.0), known)
    assert (found.trust, found.at_s, found.said_s) == ("confirmed", NOW_S + 2 * DAY_S + 60, 60.0)
    assert judge(heard(60.0, 5.0, "boot 3"), known).trust == "not believed"
    with pytest.raises(ValueError, match="look at the year"):
        confirmed(LAST, wrong, 0.0)


def test_one_question_before_the_first_work_of_the_day() -> None:
    wrong = heard(0.0, 30.0)
    assert asks(LAST, wrong)
    asked = not_known(LAST, wrong)
    assert not asks(asked, replace(wrong, boot_s=3600.0))
    assert asks(asked, replace(wrong, boot_s=14 * 3600.0))
    assert asks(asked, replace(wrong, boot="boot 3"))
    assert not asks(LAST, heard(NOW_S + DAY_S))


# --- durations ------------------------------------------------------------------------------------------------------


def test_a_fill_lasts_as_long_as_the_clock_says_that_nobody_sets() -> None:
    begun = heard(NOW_S, 100.0)
    for jump_s in (-700 * DAY_S, -30.0, 0.0, 1.0, 700 * DAY_S):
        ended = heard(NOW_S + 300 + jump_s, 400.0)
        known = after(LAST, begun, judge(begun, LAST))
        times = between(judge(begun, LAST).moment, begun, judge(ended, known).moment, ended)
        assert seconds(times.ended_at) - seconds(times.started_at) == pytest.approx(300, abs=1.1)
        assert times.started_at == iso(NOW_S)
        assert times.jump_s == (0.0 if abs(jump_s) <= 1 else pytest.approx(jump_s))


def test_a_clock_that_is_put_right_in_the_middle_puts_the_begin_right_too() -> None:
    begun, ended = heard(0.0, 100.0), heard(NOW_S + DAY_S, 400.0, synchronised=True)
    known = after(LAST, begun, judge(begun, LAST))
    times = between(judge(begun, LAST).moment, begun, judge(ended, known).moment, ended)
    assert (times.started_at, times.ended_at) == (iso(NOW_S + DAY_S - 300), iso(NOW_S + DAY_S))
    assert times.ended_at.clock == "synchronised"


# --- every course of a clock ----------------------------------------------------------------------------------------


@dataclass
class Rig:
    """What truly passes, and a clock that is not bound to it."""

    true_s: float = NOW_S
    offset_s: float = 0.0
    boot: int = 0
    started_s: float = NOW_S - 100

    def heard(self, synchronised: bool, battery: bool | None) -> Heard:
        boot = f"boot {self.boot}"
        wall_s = self.true_s if synchronised else self.true_s + self.offset_s
        return Heard(wall_s, self.true_s - self.started_s, boot, synchronised, battery)


STEPS = st.lists(
    st.tuples(
        st.sampled_from(["pass", "set", "start", "confirm"]),
        st.floats(0.01, 40 * DAY_S),
        st.floats(-3 * 365 * DAY_S, 3 * 365 * DAY_S),
        st.booleans(),
        st.sampled_from([None, True, False]),
    ),
    max_size=30,
)


@given(STEPS)
def test_whatever_the_clock_does_times_that_are_not_believed_never_leave_the_order(
    steps: list[tuple[str, float, float, bool, bool | None]],
) -> None:
    rig, known, last = Rig(), Known(), None
    vouched = False
    for what, passed_s, offset_s, synchronised, battery in steps:
        rig.true_s += passed_s
        if what == "set":
            rig.offset_s = offset_s
        elif what == "start":
            rig.boot, rig.started_s, rig.offset_s, vouched = rig.boot + 1, rig.true_s - 1, offset_s, False
        elif what == "confirm":
            known, vouched = confirmed(known, rig.heard(False, battery), rig.true_s), True
        heard_now = rig.heard(synchronised, battery)
        found = judge(heard_now, known)
        known = after(known, heard_now, found)
        vouched = vouched or synchronised
        if vouched:
            # Once vouched for, right until the next start, whatever is done to the clock.
            assert found.trust in ("synchronised", "confirmed")
            assert found.at_s == pytest.approx(rig.true_s, abs=3 + 2e-3 * 30 * 40 * DAY_S)
        if found.trust == "not believed" and last is not None:
            assert found.at_s > last.at_s
        if found.trust == "plausible" and last is not None and last.trust != "not believed":
            assert found.at_s >= last.at_s
        last = found


# --- a time that says how it is known -------------------------------------------------------------------------------


def test_a_moment_is_a_text_with_words_beside_it() -> None:
    at = Moment("2026-11-28T08:00:00.000+00:00", "not believed", "2020-01-01T00:00:00.000+00:00")
    assert at == "2026-11-28T08:00:00.000+00:00"
    body: dict[str, object] = {"litres": 1.0, "clock": "plausible", "clock_said": "x"}
    assert with_words(at, body) == {"litres": 1.0, **at.words}
    assert with_words(Moment(at, "confirmed"), body) == {"litres": 1.0, "clock": "confirmed"}
    assert with_words(str(at), body) is body


def test_a_clock_that_goes_on_gently_was_not_set() -> None:
    begun = heard(NOW_S, 0.0)
    assert jumped_s(begun, heard(NOW_S + 3600 + 3, 3600.0)) == 0.0
    assert jumped_s(begun, heard(NOW_S + 3600 + 9, 3600.0)) == 9.0
