"""How long a pump may have run on in a fill that was interrupted: until now, or until a time-out that is proven."""

from __future__ import annotations

import contextlib
import math
import tomllib
from datetime import date
from pathlib import Path

import pytest
from clocks import Courses

from rig.ledger.journal import Journal
from rig.run.clock_memory import records_of, utc_now
from rig.run.interrupted import ran_on_s
from rig.run.settings import Settings, settings_of

CONFIG = Path(__file__).parents[2] / "config"


def settings_in(folder: Path, proven_on: date | None) -> Settings:
    document = tomllib.loads((CONFIG / "demo.toml").read_text(encoding="utf-8"))
    document["rig"]["data"], document["clock"]["scale"] = str(folder), 1
    document["limits"] |= {"timeout_proven_on": proven_on, "output_timeout": "2 s"}
    return settings_of(document, "test")


@pytest.mark.parametrize(("proven_on", "ran_s"), [(None, 40.0), (date(2026, 11, 2), 2.5)])
def test_only_a_proven_time_out_has_switched_off_before_somebody_came(
    tmp_path: Path, proven_on: date | None, ran_s: float
) -> None:
    settings = settings_in(tmp_path, proven_on)
    with Courses(synchronised=True) as clock, contextlib.closing(Journal(tmp_path / "journal.sqlite")) as journal:
        with records_of(tmp_path):
            journal.open_fill("one", utc_now(), {}, "{}", "{}")
            journal.append("one", utc_now(), [("progress", {})], "{}")
        clock.passes(40.0)
        assert ran_on_s(settings, journal, "one") == pytest.approx(ran_s, abs=0.5)
        # A clock that starts anew tells nothing of how long it was: only the proven time-out does.
        clock.synchronised = False
        clock.start(offset_s=-10 * 365 * 86400.0)
        proven = ran_on_s(settings, journal, "one")
        assert math.isinf(proven) if proven_on is None else proven == pytest.approx(2.5)
