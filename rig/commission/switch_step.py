"""The steps that find inputs by switches that a person operates: the emergency stop, floats, buttons. Pure."""

from __future__ import annotations

from collections.abc import Sequence

from rig.choice import Choice
from rig.commission.acts import Talk
from rig.commission.found import Finding, Known, Row
from rig.commission.switching import Switch, switches_of
from rig.commission.talk import STILL_S, left_out, look, one_of, say, watch
from rig.commission.wires import Film

SWITCHES: dict[str, tuple[str, str, bool]] = {
    "estop_ok": ("Press the emergency stop and leave it pressed.", "Release it.", True),
    "tote_low": ("Lower the float near the dip tube, as if the tote were empty, and hold it.", "Let it rise.", False),
    "tote_full": ("Lift the float at the tote's rim and hold it.", "Let it fall.", False),
    "liquid_in_vent": ("Wet the sensor in the vent line.", "Dry it.", False),
    "stop_button": ("Press the stop button at the gun and hold it.", "Let it go.", False),
    "start_button": ("Press the start button at the gun and hold it.", "Let it go.", False),
}
"""Switches: how to operate and to release each, and whether it says yes at rest."""
_WIRE_OTHERWISE = (
    "  It reads 0 while the stop is released, so that a broken wire would read as ready. Wire a contact that is closed "
    "while the stop is released, and press it again."
)


def find_stop(known: Known) -> Talk[Finding]:
    """The input of the emergency stop's second contact, if there is one."""
    finding = yield from switch(known, "estop_ok", optional=True)
    if not finding.points:
        return finding.model_copy(update={"rows": (
            Row(what="Emergency stop", value="no input", how="it cuts the pump's supply; the rig cannot see it"),
        )})  # fmt: skip
    return finding


def switch(known: Known, name: str, *, optional: bool = False) -> Talk[Finding]:
    """The input of a switch that the person operates."""
    operate, release, yes_at_rest = SWITCHES[name]
    rest = yield from look(STILL_S)
    pressed, released = list[Film](), list[Film]()
    while True:
        watched = yield from watch(operate, Choice("n", "no input is wired" if optional else "leave it"))
        if left_out(watched):
            return Finding()
        pressed.append(watched.film)
        released.append((yield from watch(release)).film)
        found = switches_of(rest, pressed, released, known.taken_bits())
        if not found:
            yield from say("  No input followed. Look at its wire and at the list of modules, and do it again.")
            pressed, released = [], []
            continue
        one = found[0] if len(found) == 1 else (yield from _one_switch(found, len(pressed)))
        if one is None:
            continue
        if name == "estop_ok" and not one.rests:
            yield from say(_WIRE_OTHERWISE)
            rest, pressed, released = (yield from look(STILL_S)), [], []
            continue
        return _of_switch(name, one, yes_at_rest=yes_at_rest)


def _one_switch(found: Sequence[Switch], times: int) -> Talk[Switch | None]:
    """Several inputs follow: act once more, and then let the person choose."""
    if times == 1:
        yield from say(f"  {len(found)} inputs followed. Once more, to see which of them always does.")
        return None
    return (yield from one_of("These inputs follow. Which is it, by the wiring?", found))


def _of_switch(name: str, found: Switch, *, yes_at_rest: bool) -> Finding:
    point = found.point(yes_at_rest=yes_at_rest)
    inverted = "; it opens when operated" if "inverted" in point else ""
    return Finding(
        points={name: point},
        why={f"points.{name}": f"found by operating it{inverted}"},
        rows=(Row(what=name, value=f"{found}{inverted}", how="operated and released"),),
    )
