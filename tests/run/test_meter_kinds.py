"""What has words or a reader for each kind of meter has them for every kind: these fail for a new one."""

from __future__ import annotations

import json
from pathlib import Path
from typing import get_args

import pytest
from shop import settings

import rig
from rig.meter.health import _NAMED
from rig.meter_kind import KINDS
from rig.record.work import MeterKind
from rig.run.check import _meter_text

STATIC = Path(rig.__file__).parent / "panel" / "static"


def test_every_kind_has_its_row_and_its_words() -> None:
    assert set(KINDS) == set(get_args(MeterKind)) == set(_NAMED)


@pytest.mark.parametrize("name", ["texts.json", "texts.de.json"])
def test_the_page_names_every_kind(name: str) -> None:
    texts = json.loads((STATIC / name).read_text(encoding="utf-8"))
    assert {key.removeprefix("measure.") for key in texts if key.startswith("measure.")} == set(KINDS)


@pytest.mark.parametrize("kind", KINDS)
def test_the_check_explains_every_kind(kind: MeterKind) -> None:
    shop = settings()
    assert _meter_text(shop.model_copy(update={"meter": shop.meter.model_copy(update={"kind": kind})}))
