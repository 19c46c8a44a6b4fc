"""The meter's page from a journal of fills with their comparisons."""

from __future__ import annotations

import contextlib
import json
import random
from collections.abc import Iterator
from pathlib import Path

import pytest
from shop import settings
from shop_books import about_of, fill_of, proving_of

from rig.cli.proving_text import history_text, meter_text
from rig.ledger.journal import Journal
from rig.record.work import Work
from rig.shop.calibration import meter_name
from rig.shop.meter_page import comparisons_in, meter_page

PROVEN = "2026-06-10T08:00:00.000+00:00"
DOCUMENT = proving_of(1.004, u_percent=0.05, range_percent=0.03)


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    with contextlib.closing(Journal(tmp_path / "journal.sqlite")) as made:
        yield made


def fills(journal: Journal, ratios: list[float], day: int, reference: str = "scale", u: float = 0.002) -> None:
    """Finished fills of 200 L on a day, the meter against a reference."""
    for number, ratio in enumerate(ratios):
        name, at = f"{day}-{number}", f"2026-06-{day:02}T{9 + number // 60:02}:{number % 60:02}:00.000+00:00"
        journal.open_fill(name, at, about_of(fill_of(name)), "{}", "{}")
        compared = {"reference": reference, "meter_l": 200 * ratio, "reference_l": 200.0, "u_l": 200 * u}
        journal.close_fill(name, fill_of(name, comparisons=[compared]), {})


def prove(journal: Journal) -> None:
    journal.append_proving(PROVEN, meter_name(settings()), "Jo", DOCUMENT, accepted=True)


def test_a_drift_since_the_proving_is_seen_and_what_was_before_it_is_not(journal: Journal) -> None:
    rng = random.Random(1)
    fills(journal, [0.95] * 8, day=9)
    prove(journal)
    fills(journal, [rng.gauss(1.003, 0.002) for _ in range(20)], day=11)
    sound = meter_page(settings(), journal)
    assert (sound.fills, sound.verdicts[0].condition, sound.advice) == (20, "fine", "Nothing to do.")
    assert sound.verdicts[0].sees_percent == pytest.approx(0.47, abs=0.01)
    assert "a drift of 1 % would be found within 10 fills almost always, one of 0.5 % in 9 of 10" in meter_text(sound)
    fills(journal, [rng.gauss(0.993, 0.002) for _ in range(10)], day=12)
    drifted = meter_page(settings(), journal)
    (chart,) = drifted.verdicts
    assert (chart.condition, chart.direction) == ("out", "low")
    assert 20 < (chart.out_at or 0) <= 30
    assert "prove it" in drifted.advice
    text = meter_text(drifted)
    assert "proving 1 of 2026-06-10 by Jo, 3 runs" in text
    assert "would be found" not in text
    assert "fouled or slipping" in text
    document = json.loads(json.dumps(drifted.as_json()))
    assert (document["factor"], document["calibration_events"], document["fills_since"]) == (1.004, 1, 30)
    assert document["charts"][0]["condition"] == "out"


def test_a_new_proving_begins_a_new_chart(journal: Journal) -> None:
    fills(journal, [1.0] * 6 + [0.9] * 6, day=9)
    before = meter_page(settings(), journal)
    assert before.verdicts[0].condition == "out"
    assert before.advice == "The meter is not proven: prove it (rig prove)."
    assert "NOT PROVEN" in meter_text(before)
    prove(journal)
    assert meter_page(settings(), journal).verdicts == ()


def test_a_day_in_the_configuration_counts_from_its_morning(journal: Journal) -> None:
    fills(journal, [1.0] * 3, day=10)
    fills(journal, [1.0] * 4, day=11)
    page = meter_page(settings(meter__proven_on="2026-06-11"), journal)
    assert (page.fills, page.verdicts[0].condition) == (4, "learning")


def test_a_level_that_was_off_from_the_start_is_told(journal: Journal) -> None:
    fills(journal, [1.10] * 9, day=11, reference="tote level", u=0.01)
    (chart,) = meter_page(settings(), journal).verdicts
    assert "10 % more than it: one of the two is off" in chart.text


@pytest.mark.parametrize(
    "record",
    [{}, {"comparisons": []},
     {"comparisons": [{"reference": "scale", "meter_l": 0.0, "reference_l": 20.0, "u_l": 1.0}]},
     {"comparisons": [{"reference": "scale", "meter_l": 20.0, "reference_l": 0.0, "u_l": 1.0}]},
     {"comparisons": [{"reference": "scale", "meter_l": 20.0, "reference_l": 20.0, "u_l": 0.0}]}],
)  # fmt: skip
def test_what_cannot_be_compared_says_nothing(record: dict[str, object]) -> None:
    assert list(comparisons_in(Work.from_document(fill_of("a", **record)), 0.001)) == []


def test_the_history_in_lines(journal: Journal) -> None:
    assert history_text(journal.provings()) == "No proving yet: rig prove --can …"
    prove(journal)
    assert "1.00400 ± 0.050 %  3 runs, spread 0.030 %  water  by Jo  taken" in history_text(journal.provings())
