"""The file by which shops exchange what they measured: versioned, with a hash of its content, no customers. Pure.

The hash shows damage, not who wrote it. The module must not know books.
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Sequence
from typing import Literal, Self

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from rig.ledger.chain import canonical
from rig.record.base import plain
from rig.record.notes import Chart, ChartRow
from rig.run.refused import Refused
from rig.shop.chart import is_credible
from rig.wheel import SizeError, read_size

FORMAT = "measured tyre cavities"
VERSION = 1
LARGEST = 20_000_000
"""Bytes of a file; 100,000 measurements are some 15 million."""
_LONGEST = 60


class ChartFile(BaseModel):
    """The file as read."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)

    format: Literal["measured tyre cavities"]
    version: int
    shop: str = Field(min_length=1, max_length=_LONGEST, pattern=r"^[^/\n]+$")
    simulated: bool
    rows: tuple[ChartRow, ...]
    sha256: str

    @model_validator(mode="after")
    def _whole(self) -> Self:
        if self.sha256 != _hash(self.model_dump(exclude={"sha256"})):
            raise ValueError("its content is not what its hash says: get the file again")
        ids = [row.id for row in self.rows]
        if len(set(ids)) != len(ids):
            raise ValueError("it has a measurement twice: get the file again")
        for row in self.rows:
            _refuse_row(row)
        return self


def _refuse_row(row: ChartRow) -> None:
    """ValueError for a measurement that cannot be one."""
    texts = (row.id, row.size, row.make, row.wheel)
    if not row.id or not row.wheel or any(len(text) > _LONGEST or not text.isprintable() for text in texts if text):
        raise ValueError(f"measurement {row.id!r}: its texts are empty, too long, or of more than one line")
    figures = (row.litres, row.u_l, row.shared_u_l)
    if not all(math.isfinite(each) for each in figures) or not (0 < row.u_l < row.litres > row.shared_u_l >= 0):
        raise ValueError(f"measurement {row.id}: no litres with their uncertainties")
    try:
        known = read_size(row.size).text == row.size and is_credible(row.size, row.litres)
    except SizeError as error:
        raise ValueError(f"measurement {row.id}: {error}") from error
    if not known:
        raise ValueError(f"measurement {row.id}: {row.litres:.0f} L cannot be a {row.size}")


def file_text(shop: str, rows: Sequence[ChartRow], *, simulated: bool) -> str:
    """The text of a file with these measurements."""
    whole = {"format": FORMAT, "version": VERSION, "shop": shop, "simulated": simulated, "rows": plain(tuple(rows))}
    return json.dumps({**whole, "sha256": _hash(whole)}, ensure_ascii=False, indent=1) + "\n"


def read_file(content: bytes) -> ChartFile:
    """Read a file; Refused, with what to do, for one that is damaged, of a newer version, or something else."""
    if len(content) > LARGEST:
        raise Refused(f"the file has {len(content)} bytes, {LARGEST} at most are taken: ask for a part of it")
    try:
        found = json.loads(content)
        if isinstance(found, dict) and isinstance(v := found.get("version"), int) and v > VERSION:
            raise Refused(f"a newer program wrote this file (version {v}): update this one")
        return ChartFile.model_validate_json(content)
    except ValidationError as error:
        first = error.errors(include_url=False, include_input=False)[0]
        place = ".".join(map(str, first["loc"]))
        raise Refused(f"the file is not taken over: {place + ': ' if place else ''}{first['msg']}") from error
    except (ValueError, RecursionError) as error:
        raise Refused(f"this is no file of measured cavities ({error}): `rig chart export` writes one") from error


def chart_of(file: ChartFile, own: frozenset[str]) -> Chart:
    """The record of a file, without measurements that are this shop's own."""
    return Chart(shop=file.shop, sha256=file.sha256, rows=tuple(row for row in file.rows if row.id not in own))


def _hash(whole: dict[str, object]) -> str:
    return hashlib.sha256(canonical({name: plain(value) for name, value in whole.items()}).encode()).hexdigest()
