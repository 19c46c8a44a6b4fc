"""The dry tests with the pump isolated, and the first water into an open can, each with expected and seen. Pure."""

from __future__ import annotations

from rig.choice import Choice
from rig.commission.acts import AllOff, Put, Rehearse, Rehearsed, Switch, Talk, Turn, Turned
from rig.commission.document import document_of
from rig.commission.found import Checked, Finding, Keys, Known, Row, place_of
from rig.commission.relay_step import PUMPS, isolated
from rig.commission.strokes import Stroke, stroke_of
from rig.commission.talk import GivenUp, choice, say, watch, yes
from rig.commission.wires import Film, View
from rig.units import KPA_PER_PSI, parse, show_flow, show_pressure

_REHEARSED_L = 20.0
_RELIEF_BAND_KPA = 3 * KPA_PER_PSI
"""How far from its setting a relief valve may open: above it the controller trips."""
_UNLIKE = 0.05
"""Difference of the flows forward and back from which both are configured."""
_BY_HAND = Row(what="Worked by a lever", value="relays of the pump are not tried")


# --- dry --------------------------------------------------------------------------------------------------------------


def dry_tests(known: Known) -> Talk[Finding]:
    """Emergency stop, pulled cable and dry run, with a relay on and the pump isolated."""
    pump = _pump_of(known)
    if pump is None:
        return Finding(rows=(_BY_HAND,))
    yield from isolated()
    stop = yield from _emergency_stop(known, pump)
    cable = yield from _cable(known, pump)
    dry = yield from _dry_run(known)
    quiet = known.progress.done.get("timeout")
    proven = cable.good and quiet is not None and bool(quiet.tests) and all(test.good for test in quiet.tests)
    relied = proven and bool({"output_timeout", "timeout_fixed"} & {*known.points, *known.tables.get("limits", {})})
    return Finding(
        tables={"limits": {"timeout_proven_on": known.today}} if relied else {},
        why={"limits.timeout_proven_on": "off by silence, and with the cable pulled: relied on since"}
        if relied
        else {},
        tests=(stop, cable, dry),
    )


def _pump_of(known: Known) -> str | None:
    """The output that runs the pump forward; None on a rig with a lever."""
    return next((pair[0] for pair in PUMPS if pair[0] in known.points and pair[1] in known.points), None)


def _emergency_stop(known: Known, pump: str) -> Talk[Checked]:
    place = place_of(known.points[pump])
    yield AllOff()
    fault: str = yield Switch(place, on=True)
    film = (yield from watch(f"{pump} is on. Press the emergency stop.")).film
    yield AllOff()
    dropped = yield from yes("Did the pump's contactor drop out the moment it was pressed, its relay still on?")
    shown = _shown(known, "estop_ok", film)
    read = {None: "no input sees it", False: "its input read pressed", True: "ITS INPUT DID NOT CHANGE"}[shown]
    yield from watch("Release it.")
    seen = f"{'the contactor dropped' if dropped else 'THE CONTACTOR STAYED IN'}; {fault or read}"
    expected = "it drops the pump's contactor by itself, and its input reads pressed"
    good = dropped and shown is not True and not fault
    return Checked(what="Emergency stop", expected=expected, seen=seen, good=good)


def _shown(known: Known, name: str, film: Film) -> bool | None:
    """What a yes or no of the configuration read at the end of a film; None without it."""
    point = known.points.get(name)
    if point is None or not film:
        return None
    word = film[-1].words.get(place_of(point))
    if word is None:
        return None
    bit = point.get("bit")
    return bool(word if bit is None else word >> int(str(bit)) & 1) is not bool(point.get("inverted"))


def _cable(known: Known, pump: str) -> Talk[Checked]:
    place = place_of(known.points[pump])
    limit = known.tables.get("limits", {}).get("output_timeout", "")
    timeout = str(limit) if limit else "what the timers are set to"
    yield from _armed(known)
    yield Switch(place, on=True)
    watched = yield from watch(
        f"{pump} is on. Pull the plug of its bus or network cable, look at the clock, and count the seconds until the "
        "relay drops.",
        Choice("n", "it stayed on for ten seconds"),
    )
    lost = any(place not in shot.words for shot in watched.film)
    in_time = watched.answer.lower() not in ("n", "no") and (yield from yes(f"Did it drop within {timeout}?"))
    # The plug is still out: that this off is not taken is what is expected.
    yield AllOff()
    after = (yield from watch("Plug it in again, and look whether the relay stays off.")).film
    word = after[-1].words.get(place) if after else None
    yield AllOff()
    seen = "; ".join((
        "dropped in time" if in_time else "DID NOT DROP IN TIME",
        "the wire was lost" if lost else "THE WIRE WAS NEVER LOST: another plug",
        "READ ON AFTERWARDS" if word else "off afterwards" if word == 0 else "not read afterwards",
    ))  # fmt: skip
    return Checked(what="Cable pulled", expected=f"the relay drops within {timeout} and stays off", seen=seen,
                  good=in_time and lost and not word)  # fmt: skip


def _armed(known: Known) -> Talk[None]:
    """Write the time-out again: the modules may have lost it with their supply."""
    point = known.points.get("output_timeout")
    yield AllOff()
    if point is not None:
        time_s = parse(str(known.tables["limits"]["output_timeout"]), "time")
        yield Put(View(place_of(point), "u16"), round(time_s / float(str(point["scale"]))))


def _dry_run(known: Known) -> Talk[Checked]:
    """The controller itself, with a pump that moves nothing."""
    limit = str(known.tables["pump"]["dry_run"])
    yield from say("The controller now runs the relay of the isolated pump by itself: nothing will be counted.")
    ended: Rehearsed = yield Rehearse(document_of(known), _REHEARSED_L)
    seen = ended.fault or f"let go after {ended.seconds:.1f} s: {ended.reason or 'it ended by itself'}"
    good = not ended.fault and bool(ended.reason) and ended.seconds <= parse(limit, "time")
    return Checked(what="Dry run", expected=f"the controller lets go within {limit}", seen=seen, good=good)


# --- wet --------------------------------------------------------------------------------------------------------------

_WAYS = {"o": "it came out of the gun", "i": "it was drawn in", "n": "nothing moved"}


def wet_tests(known: Known) -> Talk[Finding]:
    """Water into an open can, two seconds at a time: direction, flow, lag, coast, loss; then the relief."""
    if _pump_of(known) is None:
        return Finding(rows=(_BY_HAND,))
    document = document_of(known)
    yield from say("Supply on. The gun open, in an open can half full of water, at the height of the gauge.")
    forward, stroke = yield from _turned(document, "pump_run", "o")
    back, back_stroke = yield from _turned(document, "pump_reverse", "i")
    relief = yield from _relief(known, document)
    tables, rows = _measured(known, stroke, back_stroke)
    return Finding(tables=tables, why=_WHY, rows=rows, tests=(forward, back, relief))


_WHY = {
    "pump.flow": "measured: water into an open can, two seconds",
    "pump.reverse_flow": "measured: drawn out of the can",
    "pump.start_lag": "measured",
    "pump.coast": "measured",
    "pipe.hose_loss": "measured: the gauge above rest, gun in an open can at the gauge's height",
}


def _turned(document: dict[str, object], output: str, wanted: str) -> Talk[tuple[Checked, Stroke | None]]:
    """One short run; GivenUp where the pump turns the other way."""
    run: Turned = yield Turn(document, output)
    if run.fault:
        yield from say(f"  {run.fault}")
        raise GivenUp
    way = yield from choice(f"{output}: which way did the water go?", _WAYS)
    if way != wanted:
        advice = "nothing turned: look at contactor, supply, breaker and emergency stop"
        if way != "n":
            advice = "the pump turns the other way: CUT ITS SUPPLY and swap its wires"
        yield from say(f"  {advice}. Then do this step again.")
        raise GivenUp
    stroke = stroke_of(run.samples, run.on_s, run.off_s)
    if run.verdict:
        yield from say(f"  {run.verdict}")
    flow = "" if stroke is None else f"{show_flow(abs(stroke.flow_lps))}; "
    seen = f"{_WAYS[way]}; {flow}{run.verdict or 'counted rightly'}"
    return Checked(what=f"{output} turns the pump", expected=f"{_WAYS[wanted]}, and the meter agrees", seen=seen,
                  good=not run.verdict), stroke  # fmt: skip


def _relief(known: Known, document: dict[str, object]) -> Talk[Checked]:
    setting = str(known.tables["pump"]["relief"])
    kpa = parse(setting, "pressure")
    yield from watch("Shut the gun, hose full, and look at the relief's return into the tote.")
    run: Turned = yield Turn(document, "pump_run")
    returned = yield from yes("Did liquid come out of the relief's return?")
    peak = run.peak_kpa
    near = peak is not None and abs(peak - kpa) <= _RELIEF_BAND_KPA
    shown = "no gauge" if peak is None else f"the gauge went to {show_pressure(peak)}"
    yield from watch("Open the gun into the can again.")
    return Checked(what="Relief valve", expected=f"it opens at {setting} and returns to the tote",
                  seen=f"{run.fault or shown}; {'it returned' if returned else 'NOTHING RETURNED'}",
                  good=near and returned and not run.fault)  # fmt: skip


def _measured(known: Known, forward: Stroke | None, back: Stroke | None) -> tuple[dict[str, Keys], tuple[Row, ...]]:
    if forward is None or not forward.flow_lps:
        return {}, (
            Row(
                what="Pump's flow", value=str(known.tables["pump"]["flow"]), how="by its plate: no meter to measure it"
            ),
        )
    flow = abs(forward.flow_lps)
    pump: Keys = {
        "flow": _flow_text(flow), "start_lag": f"{forward.start_s:.2f} s", "coast": f"{forward.coast_s:.2f} s",
    }  # fmt: skip
    rows = [
        Row(what="Pump's flow", value=show_flow(flow), how="two seconds into an open can, by the meter"),
        Row(what="From relay to full speed", value=f"{forward.start_s:.2f} s", how="the same"),
        Row(what="From relay to standstill", value=f"{forward.coast_s:.2f} s", how="the same"),
    ]
    if back is not None and back.flow_lps:
        rows.append(Row(what="Flow in reverse", value=show_flow(abs(back.flow_lps)), how="two seconds out of the can"))
        unlike = abs(abs(back.flow_lps) / flow - 1) > _UNLIKE
        pump |= {"reverse_flow": _flow_text(abs(back.flow_lps))} if unlike else {}
    tables: dict[str, Keys] = {"pump": pump}
    loss = forward.loss_kpa
    if loss is not None and loss > 0:
        tables["pipe"] = {"hose_loss": f"{loss:.1f} kPa"}
        rows.append(
            Row(what="Loss of the line", value=show_pressure(loss), how=f"the gauge above rest at {show_flow(flow)}")
        )
    return tables, tuple(rows)


def _flow_text(lps: float) -> str:
    return f"{60 * lps:.1f} L/min"
