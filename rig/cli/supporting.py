"""`rig support`: one file that a person can read and send to whoever helps: what it holds is listed here, and no more.

Not in it: the book, customers, jobs, prices, people and their PINs, keys. Decides nothing.
"""

from __future__ import annotations

import argparse
import contextlib
import gzip
import json
import os
import platform
import sys
import zipfile
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from importlib import metadata
from pathlib import Path

from rig.books.clock import clock_text
from rig.books.where import add_config, folder_of, now, print_answer, settings_of
from rig.cli.table import OK, Add
from rig.ledger.black_box import BoxError, hash_of, lines_of, parts_of, ring_files
from rig.ledger.journal import StoredFill
from rig.ledger.keeping import unsound
from rig.record.base import Document, RecordError
from rig.run.check import check_text
from rig.run.clock_memory import look
from rig.run.idle_ring import NAME
from rig.run.nameless import Nameless
from rig.run.refused import Refused
from rig.run.settings import Settings
from rig.run.time_guard import iso
from rig.shop.posting import journal_to_read, software

_LEFT_OUT = "(left out)"
_SECRET = {
    "panel": ("certificate", "key", "texts", "languages", "names"), "rig": ("data", "second_copy"),
    "office": ("address",),
}  # fmt: skip
"""Keys of the configuration whose values stay here, by table."""
_HEAD = """Support file of the rig {name}, made {at}.

Read whatever you like of it before you send it: everything is text; the recordings are gzip files, which `zcat` shows.
Not in it: book, customers, jobs, prices, invoices; people and their PINs; keys and certificates.
Names of persons in the recordings are numbers, and wheels of the configuration have numbers in place of their names.

"""


@dataclass(frozen=True, slots=True)
class Item:
    """One file of the support file."""

    name: str
    about: str
    content: bytes


def add_support(add: Add) -> None:
    """The command ``support``."""
    command = add("support", support_command)
    command.add_argument("file", type=Path, metavar="FILE", help="the new ZIP file")
    command.add_argument("--fills", type=int, default=10, metavar="N", help="how many of the latest (default: 10)")
    add_config(command)


def support_command(options: argparse.Namespace) -> int:
    """Write a support file; returns the exit status."""
    settings, folder = settings_of(options), folder_of(options)
    if options.file.exists():
        raise Refused(f"{options.file}: is there already; take another name")
    items = list(_items(settings, folder, options.fills))
    name = settings.rig.name if settings else "without a configuration"
    listed = "\n".join(f"{item.name:<44} {len(item.content):>8} bytes  {item.about}" for item in items)
    index = Item("index.txt", "", (_HEAD.format(name=name, at=now()) + listed + "\n").encode())
    _packed(options.file, [index, *items])
    document = {"file": str(options.file), "files": [item.name for item in (index, *items)]}
    print_answer(options, document, f"{options.file}: read its index.txt before you send it\n{listed}")
    return OK


def _packed(into: Path, items: list[Item]) -> None:
    """Write the file as a whole or not at all. Refused if the disk does not allow it."""
    part = into.with_name(f"{into.name}.part")
    try:
        with zipfile.ZipFile(part, "w", zipfile.ZIP_DEFLATED) as packed:
            for item in items:
                packed.writestr(item.name, item.content)
        part.replace(into)
    except OSError as error:
        raise Refused(f"{into}: cannot be written ({error.strerror or error}); check the disk, the folder") from error
    finally:
        with contextlib.suppress(OSError):
            part.unlink()


def _items(settings: Settings | None, folder: Path, fills: int) -> Iterator[Item]:
    yield _json("versions.json", "the program, the libraries, the computer", _versions())
    if settings is not None:
        yield _json("configuration.json", "as it is in force", _configuration(settings))
        yield Item("check.txt", "what `rig check` says", check_text(_unnamed(settings))[1].encode())
    yield Item("clock.txt", "how far the clock is believed", _clock(folder).encode())
    yield Item("disk.txt", "free space, and the files of the rig's folder", _disk(folder).encode())
    yield Item("book.txt", "whether the book is sound; nothing of what it holds", (unsound(folder) or "sound").encode())
    stored = _stored(folder)[-fills:] if fills > 0 else []
    yield _json("fills.json", "the latest fills", [_fill(each) for each in stored])
    nameless = Nameless()
    for each in stored:
        yield from _recordings(folder, each.fill_id, nameless)
    for path in ring_files(folder, NAME):
        if path.exists():
            yield Item(f"black-box/{path.name}.gz", "readings between fills", path.read_bytes())


def _json(name: str, about: str, document: object) -> Item:
    return Item(name, about, json.dumps(document, indent=1, ensure_ascii=False).encode())


def _versions() -> Document:
    libraries = {each.name: each.version for each in metadata.distributions()}
    return {
        **asdict(software()), "python": sys.version, "system": platform.platform(),
        "libraries": dict(sorted(libraries.items())),
    }  # fmt: skip


def _configuration(settings: Settings) -> Document:
    found: Document = _unnamed(settings).model_dump(mode="json")
    for table, keys in _SECRET.items():
        values = found[table]
        assert isinstance(values, dict)
        found[table] = values | {key: _LEFT_OUT for key in keys if values[key]}
    return found | {"file_sha256": settings.hash}


def _unnamed(settings: Settings) -> Settings:
    """The settings with numbers in place of the wheels' names: a wheel may be called by its owner."""
    wheels = {f"wheel {number}": wheel for number, wheel in enumerate(settings.wheels.values(), 1)}
    return settings.model_copy(update={"wheels": wheels})


def _clock(folder: Path) -> str:
    judged, known, heard = look(folder)
    believed = "never" if known.believed is None else iso(known.believed.at_s)
    return (
        f"{clock_text(judged, iso(heard.wall_s))}\nlast believed: {believed}\nsynchronised: {heard.synchronised}\n"
        f"battery: {heard.battery}\n"
    )


def _disk(folder: Path) -> str:
    """Free space, and names, sizes and times of the files: nothing of what they hold."""
    if not folder.exists():
        return "there is no folder of this rig yet\n"
    room = os.statvfs(folder)
    lines = [
        f"free: {room.f_bavail * room.f_frsize / 1e6:.0f} MB of {room.f_blocks * room.f_frsize / 1e6:.0f} MB, "
        f"{room.f_favail} of {room.f_files} files"
    ]
    for path in sorted(folder.rglob("*")):
        if path.is_file():
            found = path.stat()
            lines.append(f"{found.st_size:>12}  {iso(found.st_mtime)}  {path.relative_to(folder)}")
    return "\n".join(lines) + "\n"


def _stored(folder: Path) -> list[StoredFill]:
    with contextlib.closing(journal_to_read(folder)) as journal:
        return journal.fills()


def _fill(stored: StoredFill) -> Document:
    """What is reported of a fill: no job, customer, place or person."""
    row: Document = {"number": stored.number, "fill_id": stored.fill_id, "opened_at": stored.opened_at}
    try:
        work = stored.work
    except RecordError as error:
        return row | {"error": str(error)}
    if work is None:
        return row | {"outcome": "unfinished"}
    names = ("outcome", "first_out", "target_l", "net_l", "net_u_l", "delivery", "flags", "kind", "black_box")
    return row | {name: getattr(work, name) for name in names}


def _recordings(folder: Path, fill_id: str, nameless: Nameless) -> Iterator[Item]:
    """The parts of one fill without names; of a damaged one, why it is not there."""
    parts = parts_of(folder, fill_id)
    for path in parts:
        try:
            text = "".join(f"{line}\n" for line in nameless.lines(lines_of(path)))
        except BoxError as error:
            yield Item(f"black-box/{path.name}.txt", "why this recording is not there", str(error).encode())
            continue
        about = f"the scans of fill {fill_id}; all its parts as sealed: sha256 {hash_of(parts)[:16]}"
        yield Item(f"black-box/{path.name}", about, gzip.compress(text.encode(), mtime=0))
