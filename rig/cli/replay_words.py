"""A replay in words and for a program: what a scan saw, what was done then, what is done now. Decides nothing."""

from __future__ import annotations

from rig.control.words.values import Reading, Request
from rig.record.base import Document
from rig.run.replaying import Did, Difference, Replay
from rig.run.scans import on
from rig.units import show_pressure

_PRINTED = {
    "state": "{}", "phase": "step {}", "on": "on: {}", "prompt": "asks: {}", "missing": "not ready: {}",
    "arm": "rewrites the output time-out: {}",
}  # fmt: skip
"""What was decided, in words by its name; anything else by its name alone."""


def replay_document(found: Replay) -> Document:
    """A replay for a program."""
    then, now = found.counted_then, found.counted_now
    return {
        "fill_id": found.fill_id,
        "scans": found.scans,
        "identical": found.identical,
        "first_difference": None if found.first_difference is None else difference_document(found.first_difference),
        "same_program": found.same_program,
        "recorded_by": {"version": found.software.version, "hash": found.software.hash},
        "net_l_then": None if then is None else then["net_l"],
        "net_l_now": None if now is None else now["net_l"],
    }


def difference_document(difference: Difference) -> Document:
    """The first difference for a program."""
    then, now = _both(difference)
    return {
        "scan": difference.scan,
        "at_s": round(difference.at_s, 3),
        "saw": saw(difference.reading, difference.requests),
        "then": then,
        "now": now,
    }


def replay_text(found: Replay) -> str:
    """A replay for a person."""
    whose = "this program" if found.same_program else f"version {found.software.version} ({found.software.hash})"
    head = f"fill {found.fill_id}: {found.scans} scans replayed, recorded by {whose}"
    if found.first_difference is not None:
        why = ["This is a defect: the same program must decide alike."] if found.same_program else []
        return "\n".join([head, *difference_lines(found.first_difference), *why])
    end = [] if found.counted_then is not None else ["The recording ends before the fill does."]
    alike = "Identical to the bit." if found.same_program else "This program decides every scan alike."
    if found.counted_then is not None and found.counted_then != found.counted_now:
        end = [f"It counts {found.counted_now['net_l']} L net, then {found.counted_then['net_l']} L."]  # type: ignore[index]
    return "\n".join([head, alike, *end])


def difference_lines(difference: Difference) -> list[str]:
    """The first difference for a person."""
    then, now = _both(difference)
    return [
        f"first otherwise in scan {difference.scan}, at {difference.at_s:.1f} s",
        f"  it saw: {saw(difference.reading, difference.requests)}",
        f"  then:   {then}",
        f"  now:    {now}",
    ]


def saw(reading: Reading, requests: tuple[Request, ...]) -> str:
    """A reading and the requests with it, in words."""
    words = [
        f"line {show_pressure(reading.line_kpa)}" if reading.line_kpa is not None else "no line pressure",
        *([f"tyre {show_pressure(reading.tyre_kpa)}"] if reading.tyre_kpa is not None else []),
        f"counts {', '.join('none' if count is None else str(count) for count in reading.counts) or 'none'}",
    ]
    if reading.outputs_seen is not None:
        words.append(f"relays read back on: {', '.join(on(reading.outputs_seen)) or 'none'}")
    for names, what in (
        (reading.untrusted, "not valid"), (reading.unconfirmed, "off not confirmed"),
        (reading.unrenewed, "renewal refused"), (reading.elsewhere, "switched from elsewhere"),
    ):  # fmt: skip
        words += [f"{what}: {', '.join(sorted(names))}"] if names else []
    words += ["emergency stop"] if reading.estop_ok is False else []
    words += ["stop button pressed"] if reading.stop_pressed else []
    words += ["the modules do not answer"] if not reading.reachable else []
    words += [f"asked: {each.kind} {each.name} by {each.by or 'somebody'}".replace("  ", " ") for each in requests]
    return "; ".join(words)


def _both(difference: Difference) -> tuple[str, str]:
    """What was done then and what is done now, of which only what differs is shown."""
    then, now = difference.then, difference.now
    if then.digest != now.digest and then.decided == now.decided:
        return f"a state with the sum {then.digest}", f"a state with the sum {now.digest}, though it does the same"
    return _did(then, now), _did(now, then)


def _did(did: Did, other: Did) -> str:
    if did.error:
        return f"broke off with {did.error}"
    names = [name for name, value in did.decided.items() if other.error or other.decided.get(name) != value]
    words = [_PRINTED.get(name, f"{name} {{}}").format(_value(did.decided[name])) for name in names]
    noted = [each for each in did.entries if each not in other.entries and each[0] != "progress"]
    words += [_noted(kind, data) for kind, data in noted]
    return "; ".join(words) or f"{did.decided.get('state')}, step {did.decided.get('phase')}, and nothing of that"


def _value(value: object) -> str:
    if isinstance(value, list):
        return ", ".join(map(str, value)) or "none"
    return "nothing" if value is None else str(value)


def _noted(kind: str, data: Document) -> str:
    """An entry of the journal in words."""
    if kind == "alarm":
        return f"alarm {data.get('name')}: {data.get('text')}"
    return f"notes {kind} " + ", ".join(f"{name} {value}" for name, value in data.items())
