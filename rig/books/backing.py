"""`rig backup`, `rig restore`, `rig drill`: everything the rig needs in one file, its restore, and a trial restore."""

from __future__ import annotations

import argparse
import os
import tempfile
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from rig.books.where import add_config, folder_of, now, print_answer, settings_of
from rig.cli.table import DATA, OK, REFUSED, Add
from rig.ledger.lock import RigLock
from rig.record.base import RecordError
from rig.run.settings import Settings, SettingsError
from rig.run.settings import settings_of as settings_in
from rig.shop.holdings import holdings
from rig.shop.named_files import about_folder, named_files
from rig.shop.posting import JOURNAL_NAME
from rig.units import show_volume

if TYPE_CHECKING:
    from rig.ledger.backup import Manifest
    from rig.ledger.book import Book

OFFICE_URL = "RIG_OFFICE_URL"
"""The environment variable with the URL of the office's book."""
_NAMES = {
    "factor": "meter factor in force",
    "factor_from": "which is from",
    "proven_on": "proven on",
    "provings": "provings",
    "calibration_events": "calibration changes",
    "configuration_events": "configuration changes",
    "unfinished": "unfinished fills",
    "finished_in_journal": "finished fills in the journal",
    "last_fill": "last fill",
    "fills": "work of the pump in the book",
    "totaliser_l": "totaliser, L",
    "stock_l": "stock, L",
    "wheels": "taught wheels",
    "price_lists": "price lists",
    "people": "people who may sign in",
}
Facts = Mapping[str, object]


def add_backing(add: Add) -> None:
    """The commands ``backup``, ``restore`` and ``drill``."""
    for name, run in (("backup", backup_command), ("restore", restore_command), ("drill", drill_command)):
        command = add(name, run)
        command.add_argument("file", type=Path, metavar="FILE")
        add_config(command)
        if name == "restore":
            command.add_argument(
                "--url", help=f"the office's book, to compare with (default: the variable {OFFICE_URL})"
            )


# --- taken ----------------------------------------------------------------------------------------------------------


def backup_command(options: argparse.Namespace) -> int:
    """Write a backup."""
    from rig.ledger.backup import back_up

    settings, folder = settings_of(options), folder_of(options)
    beside, left_out = named_files(settings, options.config, folder)
    manifest = back_up(
        folder,
        options.file,
        now(),
        beside=beside,
        left_out=left_out,
        about=about_folder(options.config, folder),
        facts=lambda copied: holdings(copied, settings),
    )
    document = {"file": str(options.file), "records": manifest.records, **manifest.as_json()}
    text = f"{options.file}: {len(manifest.parts)} files, {manifest.records} records, verified there"
    print_answer(
        options, document, "\n".join([text, *(f"  not in it: {each}" for each in left_out), *_facts_lines(manifest)])
    )
    return OK


# --- put back -------------------------------------------------------------------------------------------------------


def restore_command(options: argparse.Namespace) -> int:
    """Restore a backup, and report what is newer elsewhere."""
    from rig.ledger.backup import read_manifest
    from rig.ledger.restoring import restore

    manifest = read_manifest(options.file)
    folder = folder_of(options) if options.config.exists() else Path(str(manifest.about.get("data") or DATA))
    with RigLock(folder):
        found = restore(options.file, folder, JOURNAL_NAME, now())
    settings = settings_of(options)
    said = [*found.said, *_elsewhere(found.manifest, settings, options.url or os.environ.get(OFFICE_URL))]
    document = {
        "file": str(options.file),
        "folder": str(folder),
        "serial": found.record.serial if found.record else None,
        "records": found.manifest.records,
        "put_aside": str(found.aside) if found.aside else None,
        "said": said,
        "left_out": list(found.manifest.left_out),
    }
    made = f" of {found.manifest.made_at[:19]}" if found.manifest.made_at else ""
    lines = [f"{folder} is that of the backup{made}: {found.manifest.records} records"]
    lines += [f"record {found.record.serial} of the book says so"] if found.record else []
    lines += [f"what was in place is now {found.aside}"] if found.aside else []
    lines += [*said, *(f"not in the backup: {each}" for each in found.manifest.left_out)]
    print_answer(options, document, "\n".join([lines[0], *(f"  {line}" for line in lines[1:])]))
    return OK


def _elsewhere(manifest: Manifest, settings: Settings | None, url: str | None) -> list[str]:
    """Report what a second copy and the office have that the backup lacks."""
    from rig.ledger.book import Book, BookError
    from rig.ledger.keeping import book_or_empty

    said, own = [], None
    if settings is not None and settings.rig.second_copy:
        own = Path(settings.rig.second_copy) / manifest.truck
    try:
        if own is not None and own.is_dir():
            with book_or_empty(own / "folder") as copy:
                said += _newer(
                    f"the second copy in {own}", copy, manifest, f"put this folder aside, `rig restore {own}`"
                )
        if url:
            with Book(url) as office:
                said += _newer("the office", office, manifest, "`rig office fetch` says how they go together")
    except BookError as error:
        said.append(f"not to be compared: {error}")
    return said


def _newer(where: str, book: Book, manifest: Manifest, way_out: str) -> list[str]:
    there = book.heads().get(manifest.truck, (0, ""))[0]
    more = there - manifest.heads.get(manifest.truck, (0, ""))[0]
    if more <= 0:
        return [f"{where} has nothing newer ({there} records)"]
    return [f"{where} has {there} records, {more} more than the backup: {way_out}"]


# --- tried out ------------------------------------------------------------------------------------------------------


def drill_command(options: argparse.Namespace) -> int:
    """Restore into an empty folder and compare the result with the manifest, and with the rig's folder."""
    from rig.ledger.restoring import restore

    with tempfile.TemporaryDirectory(prefix="rig-drill-") as name:
        place = Path(name) / "rig"
        found = restore(options.file, place, JOURNAL_NAME, now(), beside=Path(name) / "beside")
        manifest = found.manifest
        restored = holdings(place, _settings_of_backup(manifest, place, Path(name) / "beside"))
    folder, settings = folder_of(options), settings_of(options)
    in_place, fault = _in_place(folder, settings)
    wrong = {key: [value, restored.get(key)] for key, value in manifest.facts.items() if restored.get(key) != value}
    newer = {
        key: [value, restored[key]] for key, value in in_place.items() if value is not None and restored[key] != value
    }
    document = {
        "file": str(options.file),
        "good": not wrong,
        "restored": restored,
        "not_as_backed_up": wrong,
        "other_in_place": newer,
        "in_place": fault or str(folder),
        "records": manifest.records,
        "left_out": list(manifest.left_out),
    }
    print_answer(options, document, _drill_text(options.file, manifest, restored, wrong, newer, fault))
    return REFUSED if wrong else OK


def _in_place(folder: Path, settings: Settings | None) -> tuple[Facts, str]:
    """The figures of the rig's folder; empty, with the reason, if it cannot be read."""
    if not (folder / JOURNAL_NAME).exists():
        return {}, f"{folder} holds nothing to compare with"
    try:
        return holdings(folder, settings), ""
    except RecordError as error:
        return {}, f"{folder} cannot be compared: {error}"


def _settings_of_backup(manifest: Manifest, place: Path, beside: Path) -> Settings | None:
    """The configuration in a backup; None without one. Files named in its page's table are not checked here."""
    config = str(manifest.about.get("config") or "")
    known = [place / part.path for part in manifest.parts if part.name.startswith("folder/")]
    named = [each for each in (beside / Path(config).name, *known) if config and each.name == Path(config).name]
    path = next((each for each in named if each.exists()), None)
    if path is None:
        return None
    try:
        document = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise SettingsError(f"{config} in the backup cannot be read ({error})") from error
    return settings_in({key: table for key, table in document.items() if key != "panel"}, f"{config} in the backup")


def _facts_lines(manifest: Manifest) -> list[str]:
    return [f"  {_NAMES[key]:<32} {_shown(key, value)}" for key, value in manifest.facts.items()]


def _shown(key: str, value: object) -> str:
    if key == "last_fill" and isinstance(value, dict):
        return f"No. {value['number']} ({value['fill_id']})"
    if key == "stock_l" and isinstance(value, dict):
        each = (
            f"{name or 'tote'} {'not known' if left is None else show_volume(left)}" for name, left in value.items()
        )
        return ", ".join(each)
    if isinstance(value, list):
        return ", ".join(map(str, value)) or "none"
    return "none" if value is None else f"{value:.5f}" if key == "factor" else str(value)


def _drill_text(path: Path, manifest: Manifest, restored: Facts, wrong: Facts, newer: Facts, fault: str) -> str:
    verdict = "NOT AS IT WAS BACKED UP" if wrong else "GOOD"
    if not manifest.facts:
        verdict = "RESTORED; no figures were kept with it to compare with"
    lines = [f"{verdict}: {path}, {manifest.records} records, restored into an empty folder and removed again"]
    for key, value in restored.items():
        was = manifest.facts.get(key, value)
        other = newer.get(key)
        mark = " " if was == value else "!"
        in_place = f"   in place now: {_shown(key, other[0])}" if isinstance(other, list) else ""
        backed_up = "" if was == value else f"   when backed up: {_shown(key, was)}"
        lines.append(f"  {mark} {_NAMES[key]:<32} {_shown(key, value)}{backed_up}{in_place}")
    lines += [f"  {fault}"] if fault else []
    return "\n".join([*lines, *(f"  not in the backup: {each}" for each in manifest.left_out)])
