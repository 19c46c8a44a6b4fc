"""Which factor counts, and what is noticed of a changed configuration.

The split in calibration and configuration parameters is that of NIST Handbook 44's audit trails (from memory).
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path

import pytest
from shop import GONE, number, settings
from shop_books import proving_of

from rig.fluid import read_fluid
from rig.ledger.journal import Journal, StoredProving
from rig.ledger.moment import Moment
from rig.run.assembly import Memory, vessel_setup
from rig.shop.calibration import meter_facts, meter_name, note_changes, standing, with_factor

AT = "2026-06-10T08:00:00.000+00:00"


def proving(at: str = AT, factor: float = 1.004, *, accepted: bool = True, meter: str = "") -> StoredProving:
    document = proving_of(factor, factors=[factor] * 4, curve=[[0.3, 0.999], [0.6, 1.0]])
    return StoredProving(7, at, meter or meter_name(settings()), accepted, document)


def test_a_proving_goes_before_a_plain_configuration() -> None:
    found = standing(settings(), [proving(factor=1.1), proving()], [])
    assert (found.factor, found.source, found.on, found.by) == (1.004, "proving", "2026-06-10", "Jo")
    assert (found.u_percent, found.runs, found.proving, found.since) == (0.12, 4, 7, AT)


@pytest.mark.parametrize(
    ("proven_on", "source"),
    [("2026-06-09", "proving"), ("2026-06-10", "proving"), ("2026-06-11", "configuration"), (GONE, "proving")],
)
def test_the_later_day_counts(proven_on: object, source: str) -> None:
    changes = {} if proven_on is GONE else {"meter__proven_on": proven_on}
    found = standing(settings(meter__meter_factor=0.99, **changes), [proving()], [])
    assert found.source == source
    assert found.factor == (1.004 if source == "proving" else 0.99)
    assert found.since == (AT if source == "proving" else proven_on)


@pytest.mark.usefixtures("in_chicago")
def test_a_proving_in_the_evening_is_of_that_day() -> None:
    evening = "2026-06-10T01:30:00.000+00:00"
    assert standing(settings(), [proving(evening)], []).on == "2026-06-09"
    # A factor of the 9th was in the configuration when it was proven on the 9th.
    entered = settings(meter__meter_factor=0.99, meter__proven_on="2026-06-09")
    assert standing(entered, [proving(evening)], []).source == "proving"
    later = settings(meter__meter_factor=0.99, meter__proven_on="2026-06-10")
    assert standing(later, [proving(evening)], []).source == "configuration"


def stated(journal: Journal, **changes: object) -> None:
    note_changes(journal, settings(**changes), AT, "Jo")


def test_a_proving_with_a_stale_clock_is_used(journal: Journal) -> None:
    """It was "taken" and then not used: dated 2020, it came before what the configuration stated in 2026."""
    entered = {"meter__meter_factor": 0.99, "meter__proven_on": "2026-01-02"}
    stated(journal, **entered)
    name, document = meter_name(settings()), proving().document
    for at in ("2020-01-01T00:00:00.000+00:00", Moment(AT, "not believed", "2020-01-01T00:00:00.000+00:00")):
        journal.append_proving(at, name, "Jo", document, accepted=True)
        found = standing(settings(**entered), journal.provings(), journal.events())
        assert (found.source, found.factor) == ("proving", 1.004)
    assert journal.provings()[-1].document["clock_said"] == "2020-01-01T00:00:00.000+00:00"


def test_a_factor_that_is_entered_after_a_proving_goes_before_it_whatever_the_clock_said(journal: Journal) -> None:
    first, then = {"meter__proven_on": "2026-01-02"}, {"meter__meter_factor": 0.99, "meter__proven_on": "2026-07-01"}
    stated(journal, **first)
    at = Moment("2026-08-01T00:00:00.000+00:00", "not believed", "2031-01-01T00:00:00.000+00:00")
    journal.append_proving(at, meter_name(settings()), "Jo", proving().document, accepted=True)
    # Seen before it is noted, and noted.
    assert standing(settings(**then), journal.provings(), journal.events()).source == "configuration"
    stated(journal, **then)
    assert standing(settings(**then), journal.provings(), journal.events()).factor == 0.99
    assert standing(settings(**first), journal.provings(), journal.events()[:-1]).source == "proving"
    # One that is believed to be later was not entered for a later proving.
    journal.append_proving("2026-08-02T00:00:00.000+00:00", meter_name(settings()), "Jo", proving().document,
                           accepted=True)  # fmt: skip
    assert standing(settings(**then), journal.provings(), journal.events()).source == "proving"


def test_what_was_not_taken_and_what_was_another_meter_s_does_not_count() -> None:
    others = [proving(accepted=False), proving(meter="pulses at meter_count, 99 pulses per L")]
    assert standing(settings(), others, []).source == "nothing"
    assert standing(settings(), [], []).on is None
    proven = standing(settings(meter__proven_on="2026-01-02", meter__uncertainty=0.3), [], [])
    assert (proven.source, proven.on, proven.u_percent) == ("configuration", "2026-01-02", 0.3)


def test_a_meter_is_another_when_its_kind_or_plate_is() -> None:
    names = {
        meter_name(settings()),
        meter_name(settings(meter__k_factor="99 pulse/L")),
        meter_name(settings(meter__kind="total", points__meter_total=number("input", 9, "f32", quantity="L"))),
    }
    assert len(names) == 3


def test_the_factor_in_force_is_what_a_delivery_is_set_up_with() -> None:
    of = settings(meter__meter_factor=0.99)
    found = standing(of, [proving()], [])
    setup = vessel_setup(with_factor(of, found), read_fluid("water"), 15.0, 20.0, "x", Memory(curve=found.curve))
    meter = setup.meter
    assert (meter.factor, meter.proven, meter.uncertainty) == (1.004, True, pytest.approx(0.0012))
    assert meter.relative_factor(0.1) == 0.999
    assert meter.relative_factor(0.45) == pytest.approx(0.9995)
    assert meter.relative_factor(9.9) == 1.0
    facts = meter_facts(found, {"calibration": 3, "configuration": 2})
    assert (facts.meter_factor_on, facts.meter_factor_u_percent) == ("2026-06-10", 0.12)
    assert (facts.meter_factor_why, facts.calibration_events, facts.configuration_events) == (None, 3, 2)
    plain = standing(of, [], [])
    assert with_factor(of, plain) is of


# --- what changed ---------------------------------------------------------------------------------------------------


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    with contextlib.closing(Journal(tmp_path / "journal.sqlite")) as made:
        yield made


def events_after(journal: Journal, **changes: object) -> list[tuple[str, object]]:
    """What a start with the shop's settings and then one with changed ones write beyond the first."""
    note_changes(journal, settings(), AT, "Jo")
    before = len(journal.events())
    note_changes(journal, settings(**changes), AT, "Jo")
    return [(event.kind, event.what["changed"]) for event in journal.events()[before:]]


def test_nothing_changed_is_no_event(journal: Journal) -> None:
    assert events_after(journal) == []
    assert journal.event_counts() == {"calibration": 0, "configuration": 1}
    note_changes(journal, settings(), AT, "Jo")
    assert len(journal.events()) == 1


def test_a_new_plate_value_is_a_calibration_event_that_says_what_it_was(journal: Journal) -> None:
    assert events_after(journal, meter__k_factor="98 pulse/L") == [
        ("calibration", {"meter.k_factor": [100.0, 98.0]}),
    ]


@pytest.mark.parametrize(
    ("changes", "key"),
    [
        ({"meter__least_quantity": "5 L"}, "meter.least_quantity"),
        ({"pipe__hose_volume": "4 L"}, "pipe.hose_volume"),
        ({"points__meter_count": number("input", 8, "u32")}, "points.meter_count.address"),
        ({"rig__atmosphere": "90 kPa"}, "rig.atmosphere"),
    ],
)
def test_a_change_of_what_the_count_rests_on_is_a_configuration_event(
    journal: Journal, changes: dict[str, object], key: str
) -> None:
    ((kind, changed),) = events_after(journal, **changes)
    assert kind == "configuration"
    assert isinstance(changed, dict)
    assert set(changed) == {key}


def test_both_at_once_are_two_events_and_going_back_are_two_more(journal: Journal) -> None:
    both = {"meter__meter_factor": 1.01, "meter__reverse": "none"}
    assert [kind for kind, _ in events_after(journal, **both)] == ["calibration", "configuration"]
    note_changes(journal, settings(), AT, "")
    assert journal.event_counts() == {"calibration": 2, "configuration": 3}


def test_what_the_count_does_not_rest_on_is_no_event(journal: Journal) -> None:
    assert events_after(journal, limits__ceiling="18 psi", tote__content="500 L") == []


def test_a_proving_between_two_starts_does_not_hide_a_change(journal: Journal) -> None:
    note_changes(journal, settings(), AT, "")
    journal.append_proving(AT, "m", "Jo", {"factor": 1.0}, accepted=True)
    note_changes(journal, settings(meter__k_factor="98 pulse/L"), AT, "")
    assert journal.event_counts() == {"calibration": 2, "configuration": 1}
