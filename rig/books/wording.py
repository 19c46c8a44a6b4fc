"""Terminal texts: the answer for a wheel, the progress of a fill, the ticket.

In the trade's words, in both unit systems. Decides nothing.
"""

from __future__ import annotations

from collections.abc import Mapping

from rig.control.decide import Decision
from rig.control.guards import GUARD_NAMED
from rig.control.procedure import Phase, State
from rig.control.snapshot import cools, moved_l, seconds_left
from rig.control.unconfirmed import CANNOT, FIRST, figures_age_s, told, unconfirmed_for_s
from rig.control.unsafe import tyre_shown
from rig.control.values import Setup
from rig.plan.target import Target
from rig.record import delivery_in, moved_words, pressure_left_words
from rig.shop.second_copy import COPY_FAULT
from rig.units import gallons, psi, show_flow, show_mass, show_pressure, show_volume

_OLD_S = 3.0
"""Age above which a pressure is shown with its age."""
PHASE_WORDS = {
    Phase.SETTLE: "let it settle",
    Phase.VENT: "take the air out",
    Phase.DRAW_DOWN: "draw the air out",
    Phase.FILL: "fill",
    Phase.TOP_UP: "top up",
    Phase.SHUT: "core or insert back",
    Phase.BACK_FLUSH: "reverse off",
    Phase.UNCOUPLE: "gun off",
    Phase.BY_HAND: "by hand",
    Phase.EMPTY: "draw the liquid out",
}
STATE_WORDS = {
    State.IDLE: "ready check",
    State.HOLDING: "stopping the pump",
    State.HELD: "waiting for you",
    State.RESTARTING: "going on",
    State.STOPPING: "stopping",
    State.STOPPED: "stopped",
    State.ABORTING: "stopping the pump",
    State.ABORTED: "stopped: reset needed",
    State.COMPLETE: "done",
}
NOT_APPROVED = "Volume for information; not from a type-approved measuring system."
SIMULATED = "SIMULATED RIG: no liquid was moved; every figure is simulated."
CAUTIONS = (
    "Stored pressure kills: stand clear of the sidewall, keep the machine on two supports and chocked.",
    "Software does not replace the relief valve and the emergency stop. Local codes and licensed practice go first.",
)


def answer_text(target: Target) -> str:
    """The answer for one wheel: a sentence, then its basis, the plan, the cautions."""
    cavity = target.cavity
    lines = [
        f"{cavity.designation.text}: {gallons(target.target_l):.1f} gal ({target.target_l:.0f} L) of "
        f"{target.fluid.name}, {show_mass(target.mass_kg)}, {level_words(target)}.",
        *(f"  NO LIQUID?  {caution.text} [{caution.source}]" for caution in target.against),
        f"  sure to     {show_volume(target.low_l)} … {show_volume(target.high_l)}; cavity "
        f"{show_volume(cavity.volume_l)} by {cavity.basis}",
        f"  chart       {show_volume(target.chart_l)} at a 12 o'clock valve"
        + (f"; level kept {1000 * target.margin_m:.0f} mm below the valve" if target.margin_m else ""),
        f"  fluid       {target.density_kg_m3:.0f} kg/m³ at {target.temp_c:.0f} °C, "
        f"first ice at {target.fluid.freeze_c:.0f} °C",
        f"  valve       {target.valve.name}, good for {show_pressure(target.valve.rating_kpa)}",
        *_plan_lines(target),
        f"  0.5 %       {_half_percent(target.half_percent_from_l)}",
    ]
    shown = (caution for caution in target.cautions if caution not in target.against)
    lines += [f"  {caution.severity}: {caution.text} [{caution.source}]" for caution in shown]
    return "\n".join(lines)


def _plan_lines(target: Target) -> list[str]:
    foreseen = target.foreseen
    saved_s = target.published_s - foreseen.seconds
    lines = [
        f"  pumping     {foreseen.fills} strokes, about {foreseen.seconds / 60:.1f} min, "
        f"{show_pressure(target.start_kpa)} to {show_pressure(foreseen.final_kpa)}"
    ]
    for stroke in foreseen.strokes:
        litres = f"{gallons(stroke.litres):5.1f} gal" if stroke.litres else " " * 9
        lines.append(
            f"    {stroke.move:<8} {litres}  {psi(stroke.from_kpa):5.1f} → {psi(stroke.to_kpa):4.1f} psi  "
            f"{stroke.seconds:5.0f} s"
        )
    if saved_s >= 6:
        lines.append(f"  saves       {saved_s / 60:.1f} min against floor to ceiling each time")
    if target.large_bore_saves_s >= 30:
        lines.append(f"  large bore  an air-water valve would save {target.large_bore_saves_s / 60:.0f} min")
    if target.sealed_start_kpa is not None:
        lines.append(f"  one stroke  sealed from {show_pressure(target.sealed_start_kpa)} ends at working pressure")
    return lines


def _half_percent(from_l: float | None) -> str:
    if from_l is None:
        return "not sure for any fill with this meter: prove it"
    return f"holds from {show_volume(from_l)} with this hose and meter"


def level_words(target: Target) -> str:
    """The level of a target, by the clock and as a share of the cavity."""
    at_valve = target.cavity.fraction_at_clock(target.valve_at)
    share = f"{100 * target.fill_fraction:.0f} % of the cavity"
    if abs(target.fill_fraction - at_valve) < 0.005:
        return f"level at a {target.valve_at:g} o'clock valve ({share})"
    return f"{share}, {'below' if target.fill_fraction < at_valve else 'above'} a {target.valve_at:g} o'clock valve"


def step_words(decision: Decision) -> str:
    """The present step, in the trade's words."""
    state = decision.state
    if cools(state):
        return "let the pump cool"
    return PHASE_WORDS[state.phase] if state.state is State.RUNNING else STATE_WORDS[state.state]


def progress_line(setup: Setup, decision: Decision) -> str:
    """One line: step, litres and gallons of target, flow, pressure, time left."""
    facts, state = decision.facts, decision.state
    moved = moved_l(setup, state)
    flow_lps = 0.0 - facts.flow_lps if setup.into == "tote" else facts.flow_lps
    tyre = tyre_shown(setup, state, facts)
    pressure = show_pressure(tyre.kpa) if tyre.kpa is not None else "reading at rest"
    if tyre.kpa == float("inf"):
        pressure = "rising"
    elif tyre.kpa is not None and tyre.age_s >= _OLD_S and not facts.forward:
        pressure += f", {tyre.age_s:.0f} s ago"
    left = seconds_left(setup, state)
    age_s = figures_age_s(state)
    old = f"  FIGURES {age_s:.0f} s OLD" if age_s else ""
    where = {"tyre": "in the tyre", "tote": "drawn out"}.get(setup.into, "in the vessel")
    return (
        f"{step_words(decision):<20} {where} {moved:6.1f} of {setup.target_l:.1f} L "
        f"({gallons(moved):5.1f} of {gallons(setup.target_l):.1f} gal)  flow {show_flow(flow_lps):<22}"
        f" tyre {pressure:<19} left {left // 60:.0f}:{left % 60:02.0f}{old}"
    )


def cannot_text(decision: Decision) -> str:
    """Outputs that may be on and cannot be switched off from here, in words; empty if there are none."""
    state, names = decision.state, sorted(decision.facts.reading.unconfirmed)
    if not told(state):
        return ""
    since = f"{', '.join(names)}: not known to be off for {unconfirmed_for_s(state):.0f} s"
    if state.supply_cut:
        return f"{since}; the pump's supply is cut by hand."
    return f"{CANNOT}\n  {since}. {FIRST}"


def alarm_text(name: str) -> str:
    """The reason for the stop and the first action."""
    guard = GUARD_NAMED[name]
    return f"Stopped because: {guard.text}\n  First: {guard.first}"


_MAY_BE = {
    "less": "less room than the size has: liquid inside, a smaller tyre, a tube or foam",
    "more": "more room than the size has: a larger tyre, or air gets out somewhere",
}


def stopped_text(setup: Setup, decision: Decision, name: str) -> str:
    """The reason for the stop; for an air space that does not fit, with the figures and possible causes."""
    found, verdict, cavity = decision.facts.found, decision.facts.verdict, setup.cavity
    if name != "cavity_differs" or found is None or verdict not in _MAY_BE:
        return alarm_text(name)
    return (
        f"{alarm_text(name)}\n  Measured {found.cavity_l:.0f} ± {found.u_l:.0f} L, the size says {cavity.low_l:.0f} to "
        f"{cavity.high_l:.0f} L: {_MAY_BE[verdict]}.\n  Going on is recorded; pressure and level limits stay."
    )


def ticket_text(record: dict[str, object], *, simulated: bool) -> str:
    """The ticket of one fill."""

    def number(name: str) -> float:
        value = record[name]
        assert isinstance(value, int | float), name
        return float(value)

    known, basis = delivery_in(record) == "known", record["net_basis"]
    lines = [
        "-" * 64,
        f"FILL {record['fill_id']}    {record['outcome']}" + _number_of(record),
        *([SIMULATED] if simulated else []),
        _where(record),
        f"  fluid           {record['fluid']}, {number('fluid_c'):.1f} °C",
        f"  target          {show_volume(number('target_l'))}",
        f"  {held_words(record, known=known):<15} {moved_words(record)}"
        + (f"  ± {number('net_u_l'):.1f} L, {basis}" if known else f", {basis}"),
        f"  weight          {show_mass(abs(number('mass_kg'))) if known else 'not known'}",
        f"  forward         {show_volume(number('forward_l'))}",
        f"  returned        {show_volume(number('returned_l'))}, "
        f"hose change {round(number('hose_change_l'), 1) + 0.0:.1f} L",
    ]
    if number("unattended_l"):
        lines.append(f"  of which unseen {unseen_words(record)}")
    if record.get("unseen_l"):
        lines.append(
            f"  NOT COUNTED     up to {show_volume(number('unseen_l'))} more may have moved: an output could not be "
            "switched off from here"
        )
    if not _open_vessel(record):
        lines.append(f"  pressure left   {pressure_left_words(record)}")
    if cavity_line(record):
        lines.append(f"  air space       {cavity_line(record)}")
    lines += [
        f"  meter           {record['pulses']} pulses, {number('k_per_l'):g} per L, factor {number('meter_factor'):g}",
        f"  when            {record['started_at']} to {record['ended_at']}  by {record['by'] or '-'}",
    ]
    if record["first_out"]:
        lines.append("  " + alarm_text(str(record["first_out"])).replace("\n", "\n  "))
    flags = record["flags"]
    if isinstance(flags, list) and flags:
        lines.append(f"  marked          {', '.join(str(flag) for flag in flags)}")
    lines += [f"  next            {step}" for step in next_steps(record)]
    return "\n".join([*lines, NOT_APPROVED, *CAUTIONS, "-" * 64])


def held_words(record: Mapping[str, object], *, known: bool) -> str:
    """Where the liquid is, in capitals only if the figure is known."""
    drawn = record.get("recovered_l") is not None
    words = "DRAWN OUT" if drawn else "IN THE TYRE" if record.get("valve") else "IN THE VESSEL"
    return words if known else words.lower()


def unseen_words(record: Mapping[str, object]) -> str:
    """The volume that moved while no controller was running, and its uncertainty."""
    moved_l, u_l = record.get("unattended_l"), record.get("unattended_u_l", 0.0)
    assert isinstance(moved_l, int | float)
    assert isinstance(u_l, int | float)
    return f"{show_volume(moved_l)} ± {u_l:.1f} L, while no controller looked"


def _number_of(record: dict[str, object]) -> str:
    return _in_book(record) + (f"\n  {record[COPY_FAULT]}" if record.get(COPY_FAULT) else "")


def _in_book(record: dict[str, object]) -> str:
    if record.get("book_fault"):
        return f"    NOT IN THE BOOK YET: {record['book_fault']}"
    return f"    No. {record['number']}" if record.get("number") else ""


def _open_vessel(record: dict[str, object]) -> bool:
    """Whether it was a delivery into an open vessel, which has no valve."""
    return record["valve"] is None


def _where(record: dict[str, object]) -> str:
    if _open_vessel(record):
        return f"  into            {record['size']}, {record['position']}"
    return f"  tyre            {record['size']}  {record['position'] or ''}  valve at {record['valve_at']} o'clock"


SURE_WAY = (
    "The sure way: valve at the bottom, stand aside with eyes covered, crack the core for a moment. Liquid comes out "
    "where there is liquid; what it is shows too."
)
_TO_DO = {
    "yes": "Find out what it is (the sure way), then enter it: --holds Q --holds-fluid F; or draw it out first.",
    "no": "Fill as planned. A few litres may still be inside.",
    "cannot tell": "Go by the sure way, or seal in more: --seal 20.",
}


def loaded_text(found: dict[str, object]) -> str:
    """Whether liquid is inside, with what certainty, and what to do."""
    verdict = str(found["loaded_verdict"])
    best, low, high = (found[name] for name in ("loaded_l", "loaded_low_l", "loaded_high_l"))
    band = "the pressure hardly rose"
    if isinstance(best, float) and isinstance(low, float) and isinstance(high, float):
        band = f"about {show_volume(best)}, between {show_volume(low)} and {show_volume(high)}"
    return f"LIQUID INSIDE?  {verdict}: {band}.\n  {_TO_DO[verdict]}"


def cavity_line(record: dict[str, object]) -> str:
    """The measured cavity next to the size's; empty if no stroke measured it."""
    measured, doubt, low, high = (
        record.get(name) for name in ("measured_cavity_l", "measured_cavity_u_l", "cavity_low_l", "cavity_high_l")
    )
    if not (isinstance(measured, float) and isinstance(doubt, float)):
        return ""
    fits = "they agree" if record.get("cavity_agrees") else "THEY DO NOT AGREE"
    return f"measured {measured:.0f} ± {doubt:.0f} L, by {record['cavity_basis']} {low:.0f} to {high:.0f} L: {fits}"


def next_steps(record: dict[str, object], *, us: bool = True) -> list[str]:
    """The person's steps after the gun is off."""
    if _open_vessel(record):
        return []
    drawn_l = record.get("recovered_l")
    if isinstance(drawn_l, int | float):
        lot = f", lot {record['lot']}" if record.get("lot") else ""
        to = record.get("to") or "a place that was not told"
        if delivery_in(record) == "nothing" or record.get("first_out") == "nothing_drawn":
            return [
                "Nothing came out. Does it hold any? Valve at the bottom, stand aside, crack the core for a moment."
            ]
        what = f"{moved_words(record)} of {record['fluid']}{lot} went to {to}"
        return [f"{what}: what is not used again is disposed of as local codes say."]
    if delivery_in(record) == "not known":
        return [
            "Core or insert in before the gun comes off.",
            "Find out what is inside, by scale, level or chart, and enter it: `rig note holds` with job and position.",
        ]
    if record["outcome"] != "complete":
        return ["Core or insert in before the gun comes off; check pressure and level at the valve."]
    working = record.get("working_kpa")
    goal = f" to {show_pressure(working, us=us)}" if isinstance(working, int | float) else " to working pressure"
    return [f"Valve at the top: air up{goal}, then cap it.", "Check the level at the valve and the bead for leaks."]
