"""Every table by kind of meter has every kind: what a new one needs is found by these failing."""

from __future__ import annotations

import json
from pathlib import Path
from typing import get_args

import pytest

import rig
from rig.control.snapshot import BASIS
from rig.record.work import MeterKind
from rig.run import metering
from rig.run.names import METER_POINT

KINDS = set(get_args(MeterKind))
TEXTS = Path(rig.__file__).parent / "panel" / "static" / "texts.json"


@pytest.mark.parametrize("table", [BASIS, metering.UNCERTAINTY_PERCENT, metering.REPEAT, metering._TRUST])
def test_a_table_by_kind_has_every_kind(table: object) -> None:
    assert set(table) == KINDS  # type: ignore[call-overload]


def test_every_kind_but_run_time_has_its_point() -> None:
    assert set(METER_POINT) == KINDS - {"run time"}


def test_the_page_names_every_kind() -> None:
    texts = json.loads(TEXTS.read_text(encoding="utf-8"))
    assert {key.removeprefix("measure.") for key in texts if key.startswith("measure.")} == KINDS
