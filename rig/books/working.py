"""The work on the wheels of a job in words: steps done and open, and faults. Computes nothing."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rig.books.where import local
from rig.record.base import Sealed
from rig.record.delivery import moved_words
from rig.record.notes import Finish, HandWork, Returned
from rig.shop.posting import FILL, RETURN, pumped
from rig.shop.wheels import FINISH, Work
from rig.units import show_pressure, show_volume

if TYPE_CHECKING:
    from rig.ledger.chain import Record


def work_document(work: Work) -> dict[str, object]:
    """The work on one wheel for a program."""
    return {
        "position": work.position,
        "converted_to": work.to,
        "steps": [
            {
                "step": step.name,
                "done": step.record is not None,
                "serial": step.record.serial if step.record else None,
                "at": step.record.at if step.record else None,
            }
            for step in work.steps
        ],
        "faults": list(work.faults),
    }


def work_lines(work: Work) -> list[str]:
    """The work on one wheel for a person."""
    left = len(work.open_steps)
    to = f", to {work.to}" if work.to else ""
    state = f"{left} to do" if left else "done, and to check" if work.faults else "done"
    lines = [f"{work.position}{to}: {state}"]
    for step in work.steps:
        mark = "x" if step.record else " "
        lines.append(f"  [{mark}] {step.name:<18} {_done(step.record) if step.record else ''}".rstrip())
    return [*lines, *(f"  !   {fault}" for fault in work.faults)]


def _done(record: Record) -> str:
    words, by = [f"No. {record.serial}"], Sealed.of(record).by
    if record.kind in (FILL, RETURN):
        words.append(moved_words(work) if (work := pumped(record)) else show_volume(Returned.of(record).drawn_l))
    elif record.kind == FINISH:
        words.append(show_pressure(Finish.of(record).final_kpa))
    else:
        words.append(HandWork.of(record).step)
    return ", ".join([*words, local(record.at)[:16], *([by] if by else [])])
