"""`rig compare` and `rig teach`: agreement of wheels, in words and as a picture; teaching of a wheel by a fill."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from rig.books.asked import fill_asked
from rig.books.where import add_config, book_asked, book_written, now, print_answer, settings_of
from rig.cli.table import OK, Add
from rig.ledger.chain import VOID
from rig.ledger.matching import Group, Pair, Wheel, groups, pairs
from rig.record.notes import Taught
from rig.record.work import PumpWork
from rig.run.assembly import Question
from rig.run.refused import Refused
from rig.run.settings import Settings
from rig.shop.filled import Filled, filled_one
from rig.shop.posting import FILL, book_if_any, number_of
from rig.units import show_volume
from rig.wheel import cavity_l_of_fill, read_size

if TYPE_CHECKING:
    from rig.ledger.book import Book
    from rig.ledger.chain import Record
    from rig.ledger.writing import WritableBook

_BESIDE = 0.05
"""Tolerance outside the band of its size for a taught wheel: teaching is meant for individual wheels."""
_TOLERANCE_PERCENT = 0.5
_SOURCE = "Cpk: NIST/SEMATECH e-Handbook of Statistical Methods, 6.1.6"


def add_compare(add: Add) -> None:
    """The commands ``compare`` and ``teach``."""
    command = add("compare", compare_command)
    command.add_argument("job", nargs="?", metavar="JOB", help="without it, every fill in the book")
    command.add_argument("--size", help="only wheels of this size")
    command.add_argument(
        "--tolerance",
        type=float,
        default=_TOLERANCE_PERCENT,
        metavar="PERCENT",
        help="of the target (%(default)s)",
    )
    command.add_argument("--svg", type=Path, metavar="FILE", help="write the picture there")
    add_config(command)
    command = add("teach", teach_command)
    command.add_argument("wheel", metavar="WHEEL", help="its name, for --wheel")
    command.add_argument("--from", dest="fill", metavar="ID", help="the reference fill; without it, what was taught")
    add_config(command)


# --- compare --------------------------------------------------------------------------------------------------------


def compare_command(options: argparse.Namespace) -> int:
    """Compare the fills of a job, or all."""
    if not 0 < options.tolerance <= 50:
        raise Refused("--tolerance: write a percent of the target above 0, for example 0.5")
    size = None if options.size is None else read_size(options.size).text
    with book_asked(options) as book:
        records = book.valid(FILL, job=options.job)
    records = [record for record in records if size in (None, PumpWork.of(record).size)]
    found, sides = compared(records, options.tolerance)
    if not (found or sides):
        raise Refused("no fill to compare; `rig ledger list` shows what there is")
    if options.svg is not None:
        options.svg.write_text(picture(found), encoding="utf-8")
    print_answer(options, compare_document(found, sides), compare_text(found, sides))
    return OK


def compared(
    records: Sequence[Record], tolerance_percent: float = _TOLERANCE_PERCENT
) -> tuple[list[Group], list[Pair]]:
    """Identical wheels, and left against right, among fills of the book with known litres."""
    wheels = [_wheel_of(each) for each in records if PumpWork.of(each).known_as == "known"]
    return groups(wheels, tolerance_percent), pairs(wheels)


def _wheel_of(record: Record) -> Wheel:
    fill = PumpWork.of(record)
    return Wheel(
        number=fill.number,
        size=fill.size,
        fluid=fill.fluid,
        position=fill.position or "",
        target_l=fill.target_l,
        net_l=fill.net_l,
        machine=fill.machine or "",
        estimated=fill.net_basis == "estimated",
    )


def compare_document(found: Sequence[Group], sides: Sequence[Pair]) -> dict[str, object]:
    """The comparison for a program."""
    return {
        "pairs": [
            {
                "axle": pair.axle,
                "left": pair.left.number,
                "right": pair.right.number,
                "left_l": pair.left.net_l,
                "right_l": pair.right.net_l,
                "difference_l": round(pair.difference_l, 3),
                "difference_percent": round(pair.difference_percent, 3),
            }
            for pair in sides
        ],
        "groups": [_group_document(group) for group in found],
        "source": _SOURCE,
    }


def _group_document(group: Group) -> dict[str, object]:
    first = group.wheels[0]
    return {
        "size": first.size,
        "fluid": first.fluid,
        "target_l": first.target_l,
        "wheels": len(group.wheels),
        "mean_l": round(group.mean_l, 3),
        "sd_l": _rounded(group.sd_l),
        "worst": [wheel.number for wheel in group.worst],
        "worst_l": round(group.worst_l, 3),
        "worst_error_percent": round(max(abs(wheel.error_percent) for wheel in group.wheels), 3),
        "tolerance_percent": group.tolerance_percent,
        "inside": group.inside,
        "cpk": _rounded(group.cpk),
        "cpk_low": _rounded(group.cpk_low),
        "estimated": sum(wheel.estimated for wheel in group.wheels),
        "each": [
            {
                "number": wheel.number,
                "position": wheel.position,
                "side": wheel.side,
                "net_l": wheel.net_l,
                "error_percent": round(wheel.error_percent, 3),
            }
            for wheel in group.wheels
        ],
    }


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 3)


def compare_text(found: Sequence[Group], sides: Sequence[Pair]) -> str:
    """The comparison for a person."""
    lines = [
        f"{pair.axle}: left {show_volume(pair.left.net_l)}, right {show_volume(pair.right.net_l)}, left "
        f"{'more' if pair.difference_l >= 0 else 'less'} by {abs(pair.difference_l):.2f} L "
        f"({abs(pair.difference_percent):.2f} %)"
        for pair in sides
    ]
    for group in found:
        lines += _group_lines(group)
    return "\n".join([*lines, f"  ({_SOURCE})"])


def _group_lines(group: Group) -> list[str]:
    first, (least, most) = group.wheels[0], group.worst
    lines = [
        f"{first.size}, {first.fluid}, target {show_volume(first.target_l)}: {len(group.wheels)} wheels, "
        f"{group.inside} within ±{group.tolerance_percent:g} %",
        f"  mean   {show_volume(group.mean_l)}"
        + (f", spread {group.sd_l:.2f} L (1 s)" if group.sd_l is not None else ""),
    ]
    if len(group.wheels) > 1:
        lines.append(f"  worst  No. {least.number} and No. {most.number} are {group.worst_l:.2f} L apart")
    if group.cpk is not None and group.cpk_low is not None:
        lines.append(
            f"  Cpk    {group.cpk:.2f}, at least {group.cpk_low:.2f} as far as {len(group.wheels)} wheels tell"
        )
    if estimated := sum(wheel.estimated for wheel in group.wheels):
        lines.append(f"  {estimated} of them are estimated, not counted")
    return lines


_WIDE, _ROW, _LEFT = 640, 130, 20
_INKS = {"left": "#1f6fb2", "right": "#c05a1c", "": "#444444"}


def picture(found: Sequence[Group]) -> str:
    """The groups as SVG: a dot per wheel at its error, the tolerance as a band."""
    body = "\n".join(_group_picture(group, number * _ROW) for number, group in enumerate(found))
    high = max(1, len(found)) * _ROW
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_WIDE} {high}" font-family="sans-serif" '
        f'font-size="12">\n<rect width="{_WIDE}" height="{high}" fill="white"/>\n{body}\n</svg>\n'
    )


def _group_picture(group: Group, top: int) -> str:
    # Loaded here only: it brings urllib with it, which no fill has to wait for.
    from xml.sax.saxutils import escape

    tolerance, first = group.tolerance_percent, group.wheels[0]
    span = 1.2 * max(tolerance, *(abs(wheel.error_percent) for wheel in group.wheels))

    def x(percent: float) -> float:
        return _WIDE / 2 + percent / span * (_WIDE / 2 - _LEFT)

    parts = [
        f'<text x="{_LEFT}" y="{top + 18}">{escape(first.size)}, {escape(first.fluid)}: {len(group.wheels)} wheels, '
        f"target {first.target_l:.1f} L</text>",
        f'<rect x="{x(-tolerance):.1f}" y="{top + 28}" width="{x(tolerance) - x(-tolerance):.1f}" height="66" '
        'fill="#e6f2e6"/>',
        f'<line x1="{x(0):.1f}" x2="{x(0):.1f}" y1="{top + 28}" y2="{top + 94}" stroke="#777"/>',
        *(
            f'<text x="{x(at):.1f}" y="{top + 110}" text-anchor="middle">{at:+g} %</text>'
            for at in (-tolerance, 0.0, tolerance)
        ),
    ]
    for number, wheel in enumerate(group.wheels):
        shown = f"No. {wheel.number} {escape(wheel.position)}: {wheel.net_l:.2f} L"
        parts.append(
            f'<circle cx="{x(wheel.error_percent):.1f}" cy="{top + 34 + number * 17 % 55}" r="4" '
            f'fill="{_INKS[wheel.side]}" fill-opacity="0.6"><title>{shown}</title></circle>'
        )
    return "\n".join(parts)


# --- match and teach ------------------------------------------------------------------------------------------------


def matched(settings: Settings, fill_id: str | None, question: Question) -> Question:
    """The question with another wheel's content since its fill as the target; Refused for another size."""
    if fill_id is None:
        return question
    with book_if_any(settings) as book:
        if book is None:
            raise Refused(f"no book in {settings.rig.data} yet: there is no fill {fill_id!r} to match")
        found = filled_one(book, fill_asked(book, fill_id))
    fill, asked = PumpWork.of(found.record), read_size(question.size).text
    if found.figure is None and fill.known_as != "known":
        raise Refused(f"fill {fill_id} does not know what is in its wheel: find out, and give this one a --volume")
    if fill.size != asked:
        raise Refused(f"fill {fill_id} was of a {fill.size}, this wheel is a {asked}: only equal sizes are matched")
    wanted = question.wanted
    if (wanted.volume_l, wanted.mass_kg, wanted.percent) != (None, None, None):
        raise Refused("--match is the target: leave out --volume, --mass and --fill")
    missing_l = found.moved_l + fill.existing_l - wanted.existing_l
    if missing_l <= 0:
        raise Refused(f"the wheel holds {show_volume(wanted.existing_l)} already, fill {fill_id} has no more than that")
    return replace(question, wanted=replace(wanted, volume_l=missing_l))


def teach_command(options: argparse.Namespace) -> int:
    """Store the volume of a reference fill as a wheel's own value, or show what was taught."""
    if options.fill is not None:
        with book_written(options) as written:
            _teach(written, options)
    with book_asked(options) as book:
        own = _lessons(book, options.wheel)
    if not own:
        raise Refused(f"nothing was taught of {options.wheel!r}: name a reference fill by --from ID")
    rows = [{"serial": each.serial, "at": each.at, **each.document} for each in own]
    print_answer(options, {**rows[-1], "history": rows[:-1]}, _taught_text(own))
    return OK


def _teach(book: WritableBook, options: argparse.Namespace) -> None:
    """Store the volume of a reference fill as a wheel's own value."""
    taught = _taught(options.wheel, filled_one(book, fill_asked(book, options.fill)))
    _same_size(options, taught.size)
    book.note("wheel", now(), taught)


def _lessons(book: Book, wheel: str) -> list[Record]:
    """All taught values of a wheel that are not void, in the order of the book."""
    taught = (each for truck in book.own for each in book.every(truck) if each.kind == "wheel")
    return [each for each in taught if Taught.of(each).wheel == wheel and book.end(each).kind != VOID]


def _same_size(options: argparse.Namespace, size: str) -> None:
    """Refuse to teach a wheel that has another size in the configuration."""
    settings = settings_of(options)
    own = settings.wheels.get(options.wheel) if settings else None
    if own is not None and read_size(own.size).text != size:
        raise Refused(
            f"{options.wheel!r} is a {own.size} in the configuration, this fill was of a {size}: take another name"
        )


def _taught(wheel: str, found: Filled) -> Taught:
    record, fill = found.record, PumpWork.of(found.record)
    if fill.outcome != "complete" or fill.net_basis == "estimated" or fill.known_as != "known":
        raise Refused("a reference fill is complete and counted; this one is not")
    took_l = found.moved_l + fill.existing_l
    return Taught(
        wheel=wheel,
        size=fill.size,
        took_l=round(took_l, 2),
        valve_at=_up_to_the_valve(fill, took_l),
        from_=record.serial,
        from_number=number_of(record),
        fill_id=fill.fill_id,
    )


def _up_to_the_valve(fill: PumpWork, took_l: float) -> float:
    """Where the valve was; refuse a fill that cannot have reached it: its cavity is implausible for its size.

    Only the person saw whether the liquid appeared at the valve; the cavity measured by the strokes must agree too.
    """
    size = read_size(fill.size)
    at, low_l, high_l = fill.valve_at, fill.cavity_low_l, fill.cavity_high_l
    if at is None or low_l is None or high_l is None:
        raise Refused("a reference fill is one into a wheel; this one is not")
    whole_l = cavity_l_of_fill(size, took_l, at)
    measured, doubt = fill.measured_cavity_l, fill.measured_cavity_u_l
    if measured is not None and doubt is not None:
        low_l, high_l = max(low_l, measured - doubt), min(high_l, measured + doubt)
    if not (1 - _BESIDE) * low_l <= whole_l <= (1 + _BESIDE) * high_l:
        raise Refused(
            f"{took_l:.1f} L up to a {at:g} o'clock valve would make this {size.text} hold {whole_l:.0f} L in all, "
            f"and it holds {low_l:.0f} to {high_l:.0f}: a reference fill goes on until liquid shows at the valve"
        )
    return at


def _taught_text(own: Sequence[Record]) -> str:
    *before, last = map(Taught.of, own)
    lines = [
        f"{last.wheel}: a {last.size} took {last.took_l} L up to a {last.valve_at:g} o'clock valve, taught "
        f"by No. {_by(last)}; `rig fill --wheel {last.wheel}` goes by it from now on"
    ]
    earlier = [f"{each.took_l} L by No. {_by(each)}" for each in before]
    return "\n".join([*lines, *([f"  before: {'; '.join(earlier)}"] if earlier else [])])


def _by(taught: Taught) -> str:
    return taught.from_number or str(taught.from_)
