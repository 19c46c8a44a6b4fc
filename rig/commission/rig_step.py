"""The step that asks what plates and a tape say: hose, pump, relief, tote. Pure."""

from __future__ import annotations

import math

from rig.choice import Choice
from rig.commission.acts import Faults, Talk
from rig.commission.document import document_of
from rig.commission.found import Finding, Keys, Known, Row
from rig.commission.talk import LEAVE, ask, choice, maybe, quantity, say
from rig.units import parse, show_volume

_LITRES = 1000.0
_FAR = 0.2
"""How far a drained hose may differ from its length and bore before that is reported."""


def find_rig(known: Known) -> Talk[Finding]:
    """What no wire shows; asked again until the whole configuration is without mistakes."""
    while True:
        finding = yield from _asked(known)
        seen = Known(known.progress.with_done("rig", finding), known.today)
        faults: list[str] = yield Faults(document_of(seen))
        if not faults:
            return finding
        for fault in faults:
            yield from say(f"  {fault}")
        again = yield from ask("Answer these questions again?", Choice("", "answer again"), LEAVE, typed=False)
        if again.lower() == LEAVE.key:
            return finding


def _asked(known: Known) -> Talk[Finding]:
    name = (yield from ask("Name of this rig", Choice("", "Rig"))) or "Rig"
    hose = yield from _line("hose, from the meter to the gun", drained=True)
    suction = yield from _line("suction line, from the tote to the meter, pump included", drained=False)
    height = yield from quantity("Height of the gauge above the ground", "length", "0.6 m")
    flow = yield from quantity("Flow of the pump by its plate", "flow", above_zero=True)
    relief = yield from quantity("Setting of the relief valve", "pressure", "30 psi", above_zero=True)
    method = yield from _air_out(known)
    dry = yield from quantity("How long may the pump run dry, by its maker?", "time", "30 s", above_zero=True)
    content = yield from quantity("What is in the tote now?", "volume", above_zero=True)
    pipe: Keys = {
        "hose_volume": hose["volume"], "suction_volume": suction["volume"], "hose_length": hose["length"],
        "hose_bore": hose["bore"], "gauge_height": height,
    }  # fmt: skip
    return Finding(
        tables={
            "rig": {"name": name}, "pipe": pipe, "pump": {"flow": flow, "relief": relief, "dry_run": dry},
            "air_out": {"method": method}, "tote": {"content": content, "fluid": "water"},
        },
        why={
            "pipe.hose_volume": hose["how"], "pipe.suction_volume": suction["how"],
            "pump.flow": "by its plate, until it was measured", "tote.fluid": "commissioned with water: change it then",
        },
        rows=(
            Row(what="Hose volume", value=hose["volume"], how=hose["how"]),
            Row(what="Suction volume", value=suction["volume"], how=suction["how"]),
            Row(what="Height of the gauge", value=height, how="tape"),
            Row(what="Relief valve set to", value=relief, how="told"),
            Row(what="May run dry for", value=dry, how="told"),
        ),
    )  # fmt: skip


def _line(what: str, *, drained: bool) -> Talk[dict[str, str]]:
    """Length, bore and volume of a line, and by what the volume is known."""
    length = yield from quantity(f"Length of the {what}", "length", above_zero=True)
    bore = yield from quantity("Its bore", "length", "1 in", above_zero=True)
    litres = _LITRES * math.pi / 4 * parse(bore, "length") ** 2 * parse(length, "length")
    found = {"length": length, "bore": bore, "volume": f"{litres:.2f} L", "how": "by length and bore"}
    measured = (yield from maybe("Drained into a can, it held", "volume")) if drained else None
    if measured is None:
        return found
    if abs(parse(measured, "volume") / litres - 1) > _FAR:
        yield from say(
            f"  By length and bore it holds {show_volume(litres)}: look again whether it was full and ran empty."
        )
    return found | {"volume": measured, "how": f"drained into a can; by length and bore {litres:.2f} L"}


def _air_out(known: Known) -> Talk[str]:
    words = {"v": "by a vent valve at the gun", "d": "drawn out through the hose, the pump reversed"}
    if "vent_valve" not in known.points and not known.tables.get("rig", {}).get("by_hand"):
        return "draw-down"
    return {"v": "vent", "d": "draw-down"}[(yield from choice("How does the air leave the tyre?", words))]
