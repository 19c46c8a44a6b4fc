"""`rig replay` and `rig shadow`: recorded fills run through the program again, described in words. Decides nothing."""

from __future__ import annotations

import argparse
import contextlib
from collections.abc import Sequence
from pathlib import Path

from rig.books.where import add_config, folder_of, print_answer
from rig.cli.replay_words import difference_lines, replay_document, replay_text
from rig.cli.table import OK, REFUSED, Add
from rig.ledger.black_box import BoxError, fills_in, hash_of, parts_of
from rig.ledger.journal import JournalError, StoredFill
from rig.record.base import Document
from rig.run.refused import Refused
from rig.run.replaying import replay
from rig.shop.posting import journal_to_read, software


def add_replaying(add: Add) -> None:
    """The commands ``replay`` and ``shadow``."""
    command = add("replay", replay_command)
    command.add_argument("id", metavar="ID", help="a fill, by its id or its number")
    command.add_argument("--plot", type=Path, metavar="FILE", help="draw it on one time axis: FILE.svg or FILE.png")
    add_config(command)
    shadow = add("shadow", shadow_command)
    shadow.add_argument("--last", type=int, metavar="N", help="only the latest N fills")
    shadow.add_argument("folder", type=Path, metavar="FOLDER", help="a rig's folder, or one of black boxes")


def replay_command(options: argparse.Namespace) -> int:
    """Replay one fill; returns the exit status: 3 if anything is decided otherwise."""
    folder = folder_of(options)
    stored = _stored(folder, options.id)
    fill_id, parts = parts_asked(folder, options.id)
    if options.plot is not None:
        from rig.cli.plotting import plotted
        from rig.run.curves import Curves

        curves = Curves()
        found = replay(parts, software(), curves.see)
        plotted(curves, fill_id, options.plot)
    else:
        found = replay(parts, software())
    sealed = _sealed(stored, parts)
    document = replay_document(found) | {"as_sealed": sealed}
    text = replay_text(found)
    if sealed is False:
        text += "\nBut these are not the files that the record was sealed with: one was changed, or is missing."
    print_answer(options, document, text)
    return OK if found.identical and sealed is not False else REFUSED


def parts_asked(folder: Path, asked: str) -> tuple[str, list[Path]]:
    """Id and recordings of the fill that ``asked`` names by id or number; BoxError if nothing was recorded of it."""
    stored = _stored(folder, asked)
    fill_id = asked if stored is None else stored.fill_id
    parts = parts_of(folder, fill_id)
    if not parts:
        kept = ", ".join(list(fills_in(folder))[-3:]) or "none"
        raise BoxError(f"nothing was recorded of fill {asked!r} in {folder}; the latest recordings are: {kept}")
    return fill_id, parts


def _stored(folder: Path, fill_id: str) -> StoredFill | None:
    """The fill in the journal, if that has it."""
    with contextlib.closing(journal_to_read(folder)) as journal, contextlib.suppress(JournalError):
        return journal.fill(fill_id)
    return None


def _sealed(stored: StoredFill | None, parts: Sequence[Path]) -> bool | None:
    """Whether the parts have the hash that the fill's record states; None if it states none."""
    work = None if stored is None else stored.work
    return None if work is None or work.black_box is None else hash_of(parts) == work.black_box


def shadow_command(options: argparse.Namespace) -> int:
    """Replay every fill of a folder; returns the exit status: 3 if one would have gone otherwise, or is unreadable."""
    if options.last is not None and options.last < 1:
        raise Refused(f"--last {options.last}: write how many fills, 1 or more")
    fills = fills_in(options.folder)
    fills = {fill_id: fills[fill_id] for fill_id in [*fills][-(options.last or len(fills)) :]}
    if not fills:
        raise BoxError(
            f"{options.folder}: no recordings of fills in here; name a rig's folder, or its black-box folder"
        )
    rows, lines = [], []
    for fill_id, parts in fills.items():
        row, line = _shadowed(fill_id, parts)
        rows.append(row)
        lines += line
    unread = sum("error" in row for row in rows)
    otherwise = sum(row.get("identical") is False for row in rows)
    head = f"{len(rows)} fills: {otherwise} decided otherwise by this program, {unread} could not be read"
    document = {"folder": str(options.folder), "fills": len(rows), "otherwise": otherwise, "not_read": unread}
    print_answer(options, document | {"replays": rows}, "\n".join([head, *lines]))
    return REFUSED if otherwise or unread else OK


def _shadowed(fill_id: str, parts: Sequence[Path]) -> tuple[Document, list[str]]:
    """One fill for a program, and its lines for a person: none where nothing is to be reported."""
    try:
        found = replay(parts, software())
    except BoxError as error:
        return {"fill_id": fill_id, "error": str(error)}, [f"  {fill_id}: {error}"]
    row = replay_document(found)
    if found.first_difference is not None:
        return row, [f"  {fill_id}:", *(f"    {line}" for line in difference_lines(found.first_difference))]
    then, now = row["net_l_then"], row["net_l_now"]
    return row, [] if then == now else [f"  {fill_id}: decided alike, but {now} L net in place of {then} L"]
