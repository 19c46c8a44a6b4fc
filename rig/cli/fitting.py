"""`rig fit`: a rig learned from its recorded fills, in words, for a program, or as lines of a configuration."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path

from rig.books.where import add_config, folder_of, print_answer, settings_of
from rig.cli.replaying import parts_asked
from rig.cli.table import OK, Add
from rig.ledger.black_box import fills_in
from rig.record.base import Document
from rig.run.fit_tracks import Track, tracks_of
from rig.run.fit_values import Checked, Value, checked, values_of
from rig.run.fitting import learn
from rig.run.readings import conversions
from rig.run.refused import Refused
from rig.run.settings import Settings

_POINT = "points.line_pressure."


def add_fitting(add: Add) -> None:
    """The command ``fit``."""
    command = add("fit", fit_command)
    command.add_argument(
        "--from", dest="fills", nargs="+", metavar="ID", help="fills, by id or number (default: every recorded fill)"
    )
    command.add_argument("--toml", action="store_true", help="only the proposed lines of a configuration")
    add_config(command)


def fit_command(options: argparse.Namespace) -> int:
    """Fit and print; returns the exit status. Reads only."""
    folder, settings = folder_of(options), settings_of(options)
    tracks = _tracks(folder, options.fills)
    learned = learn(tracks)
    values, (checks, out) = values_of(learned), checked(tracks)
    lines = toml_lines(values, settings)
    document: Document = {
        "fills": list(dict.fromkeys(track.fill_id for track in tracks)),
        "strokes": learned.of_drive.groups,
        "values": [each.document() for each in values],
        "held_out": out,
        "check": [
            {"name": each.name, "unit": each.unit, "configured": each.configured, "fitted": each.fitted}
            for each in checks
        ],
        "toml": lines,
    }
    text = "\n".join(lines if options.toml else [*_table(document, values), *_check_lines(checks, out), "", *lines])
    print_answer(options, document, text)
    return OK


def _tracks(folder: Path, asked: Sequence[str] | None) -> list[Track]:
    """The tracks of the fills asked for, the oldest first; BoxError for one that was not recorded."""
    parts = dict(parts_asked(folder, name) for name in asked) if asked else fills_in(folder)
    if not parts:
        raise Refused(f"nothing was recorded in {folder} yet: fill a wheel first, or name another rig by --config FILE")
    return [track for fill_id in sorted(parts) for track in tracks_of(parts[fill_id])]


def _table(document: Document, values: Sequence[Value]) -> list[str]:
    fills = document["fills"]
    assert isinstance(fills, list)
    rows = [f"{document['strokes']} strokes of {len(fills)} fill(s): {', '.join(map(str, fills))}", ""]
    rows.append(f"{'':<24}{'fitted':>12}{'± (95 %)':>12}{'configured':>12}")
    for each in values:
        figures = "".join(f"{_figure(number):>12}" for number in (each.value, each.u95, each.configured))
        why = f"  not proposed: {each.why_not}" if each.why_not else ""
        rows.append(f"{each.name:<24}{figures} {each.unit}{why}")
    return rows


def _figure(number: float | None) -> str:
    return "-" if number is None else f"{number:.4g}"


def _check_lines(checks: Sequence[Checked], out: Sequence[str]) -> list[str]:
    if not checks:
        return ["", "No check: one fill has no other to be checked by. Name more fills."]
    rows = [
        "",
        f"Error on what was held out ({', '.join(out)}), root mean square; configured, then fitted to the rest:",
    ]
    return rows + [f"{each.name:<24}{each.configured:>12.3g}{each.fitted:>12.3g} {each.unit}" for each in checks]


_WRITTEN = {
    "pump.flow": (60.0, '"{:.2f} L/min"'), "pump.slip": (1.0, "{:.6f}"), "pump.start_lag": (1.0, '"{:.2f} s"'),
    "pump.coast": (1.0, '"{:.2f} s"'), "pipe.hose_loss": (1.0, '"{:.1f} kPa"'),
}  # fmt: skip
"""How a configuration has a value: its factor, and its text."""


def toml_lines(values: Sequence[Value], settings: Settings | None) -> list[str]:
    """Proposed lines of a configuration, by table; keys of the gauge as a comment, since it is one line there."""
    proposed = {each.key: each.value for each in values if each.key and not each.why_not and each.value is not None}
    lines: list[str] = []
    for key, (factor, text) in _WRITTEN.items():
        if key not in proposed:
            continue
        table, _, name = key.partition(".")
        if f"[{table}]" not in lines:
            lines.append(f"[{table}]")
        line = f"{name} = {text.format(factor * proposed[key])}"
        if key == "pipe.hose_loss" and settings is not None and settings.pipe.gun_bore is not None:
            line = f"# {line}  (besides gun_bore: measure the loss into a can, and leave gun_bore out)"
        lines.append(line)
    gauge = [
        f"{key.removeprefix(_POINT)} = {_of_point(key, number, settings)}"
        for key, number in proposed.items()
        if key.startswith(_POINT)
    ]
    return lines + ([f"# in points.line_pressure: {', '.join(gauge)}"] if gauge else [])


def _of_point(key: str, number: float, settings: Settings | None) -> str:
    """A gauge's key as its point states it: noise in the point's own unit."""
    if not key.endswith("noise"):
        return f'"{number:.2f} s"'
    if settings is None:
        return f"{number:.4f} (kPa: write it in the point's quantity)"
    factor = conversions({"line_pressure": settings.quantities["line_pressure"]})["line_pressure"].factor
    return f"{number / factor:.4f}"
