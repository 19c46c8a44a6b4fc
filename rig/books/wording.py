"""Terminal texts: the progress of a fill, the ticket. The answer for a wheel: :mod:`rig.books.answer`.

In the trade's words, in both unit systems. Decides nothing.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from rig.control.belief.unsafe import tyre_shown
from rig.control.moves.decide import Decision
from rig.control.moves.snapshot import cools, moved_l, seconds_left
from rig.control.safety.guards import GUARD_NAMED
from rig.control.safety.unconfirmed import CANNOT, FIRST, figures_age_s, is_reported, unconfirmed_for_s
from rig.control.words.procedure import Phase, State
from rig.control.words.values import Setup
from rig.record.delivery import moved_words, pressure_left_words, reasons_words, within_words
from rig.record.work import Ended, Loaded, Work
from rig.sentence import Sentence, Wording
from rig.units import gallons, show_flow, show_mass, show_pressure, show_temperature, show_volume

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


def step_words(decision: Decision) -> str:
    """The present step, in the trade's words."""
    state = decision.state
    if cools(state):
        return "let the pump cool"
    return PHASE_WORDS[state.phase] if state.state is State.RUNNING else STATE_WORDS[state.state]


@dataclass(frozen=True, slots=True)
class Progress:
    """What a face shows of a running fill, in words."""

    step: str
    where: str
    moved_l: float
    target_l: float
    flow: str
    tyre: str
    left: str
    old: str
    """That the figures are old; empty while they are not."""


def progress_of(setup: Setup, decision: Decision) -> Progress:
    """The figures of one scan, in words."""
    facts, state = decision.facts, decision.state
    flow_lps = 0.0 - facts.flow_lps if setup.into == "tote" else facts.flow_lps
    tyre = tyre_shown(setup, state, facts)
    pressure = show_pressure(tyre.kpa) if tyre.kpa is not None else "reading at rest"
    if tyre.kpa == float("inf"):
        pressure = "rising"
    elif tyre.kpa is not None and tyre.age_s >= _OLD_S and not facts.forward:
        pressure += f", {tyre.age_s:.0f} s ago"
    left, age_s = seconds_left(setup, state), figures_age_s(state)
    return Progress(
        step=step_words(decision),
        where={"tyre": "in the tyre", "tote": "drawn out"}.get(setup.into, "in the vessel"),
        moved_l=moved_l(setup, state),
        target_l=setup.target_l,
        flow=show_flow(flow_lps),
        tyre=pressure,
        left=f"{left // 60:.0f}:{left % 60:02.0f}",
        old=f"FIGURES {age_s:.0f} s OLD" if age_s else "",
    )


def progress_line(progress: Progress) -> str:
    """One line: step, litres and gallons of target, flow, pressure, time left."""
    moved_l, target_l = progress.moved_l, progress.target_l
    line = (
        f"{progress.step:<20} {progress.where} {moved_l:6.1f} of {target_l:.1f} L "
        f"({gallons(moved_l):5.1f} of {gallons(target_l):.1f} gal)  flow {progress.flow:<22}"
        f" tyre {progress.tyre:<19} left {progress.left}"
    )
    return f"{line}  {progress.old}" if progress.old else line


def cannot_text(decision: Decision) -> str:
    """Outputs that may be on and cannot be switched off from here, in words; empty if there are none."""
    state, names = decision.state, sorted(decision.facts.reading.unconfirmed)
    if not is_reported(state):
        return ""
    since = f"{', '.join(names)}: not known to be off for {unconfirmed_for_s(state):.0f} s"
    if state.supply_cut:
        return f"{since}; the pump's supply is cut by hand."
    return f"{CANNOT}\n  {since}. {FIRST}\n  {more_of('off_unconfirmed')}"


def more_of(name: str) -> str:
    """Where causes and tests of an alarm stand."""
    return f"More: rig guide {name}"


def alarm_text(name: str) -> str:
    """The reason for the stop and the first action."""
    guard = GUARD_NAMED[name]
    return f"Stopped because: {guard.text}\n  First: {guard.first}"


_ROOM = {
    "less": Wording(
        "room.less",
        "Measured {found:volume} ± {doubt:volume}, the size says {low:volume} to {high:volume}: less room than the "
        "size has: liquid inside, a smaller tyre, a tube or foam. Going on is recorded; pressure and level limits "
        "stay.",
    ),
    "more": Wording(
        "room.more",
        "Measured {found:volume} ± {doubt:volume}, the size says {low:volume} to {high:volume}: more room than the "
        "size has: a larger tyre, or air gets out somewhere. Going on is recorded; pressure and level limits stay.",
    ),
}


def room_text(setup: Setup, decision: Decision, name: str) -> Sentence | None:
    """The figures and possible causes of an air space that does not fit; None for another alarm."""
    found, words, cavity = decision.facts.found, _ROOM.get(decision.facts.verdict), setup.cavity
    if name != "cavity_differs" or found is None or words is None:
        return None
    return words(found=found.cavity_l, doubt=found.u_l, low=cavity.low_l, high=cavity.high_l)


def stopped_text(setup: Setup, decision: Decision, name: str) -> str:
    """The reason for the stop; for an air space that does not fit, with the figures and possible causes."""
    room = room_text(setup, decision, name)
    return alarm_text(name) if room is None else f"{alarm_text(name)}\n  {room}"


def ticket_text(ended: Ended, *, simulated: bool) -> str:
    """The ticket of one fill."""
    work = ended.work
    known, basis = work.known_as == "known", work.net_basis
    lines = [
        "-" * 64,
        f"FILL {work.fill_id}    {work.outcome}" + _number_of(ended),
        *([SIMULATED] if simulated else []),
        _where(work),
        f"  fluid           {work.fluid}, {work.fluid_c:.1f} °C",
        f"  target          {show_volume(work.target_l)}",
        f"  {held_words(work, known=known):<15} {moved_words(work)}"
        + (f"  {within_words(work)}, {basis}" if known else f", {basis}"),
        *([f"  in doubt        {words}"] if not known and (words := reasons_words(work)) else []),
        f"  weight          {show_mass(abs(work.moved_kg)) if known else 'not known'}",
        *([f"  in the wheel    {words}"] if (words := mix_words(work)) else []),
        f"  forward         {show_volume(work.forward_l)}",
        f"  returned        {show_volume(work.returned_l)}, hose change {round(work.hose_change_l, 1) + 0.0:.1f} L",
    ]
    if work.unattended_l:
        lines.append(f"  of which unseen {unseen_words(work)}")
    if work.unseen_l:
        lines.append(
            f"  NOT COUNTED     up to {show_volume(work.unseen_l)} more may have moved: an output could not be "
            "switched off from here"
        )
    if work.valve is not None:
        lines.append(f"  pressure left   {pressure_left_words(work)}")
    if cavity_line(work):
        lines.append(f"  air space       {cavity_line(work)}")
    lines += [
        f"  meter           {work.pulses} pulses, {work.k_per_l:g} per L, factor {work.meter_factor:g}",
        f"  when            {work.started_at} to {work.ended_at}  by {work.by or '-'}",
    ]
    if work.first_out:
        lines.append("  " + alarm_text(work.first_out).replace("\n", "\n  "))
    if work.flags:
        lines.append(f"  marked          {', '.join(work.flags)}")
    lines += [f"  next            {step}" for step in next_steps(work)]
    return "\n".join([*lines, NOT_APPROVED, *CAUTIONS, "-" * 64])


def mix_words(
    work: Work,
    mass: Callable[[float], str] = show_mass,
    temperature: Callable[[float], str] = show_temperature,
) -> str:
    """The liquid in the wheel where it is another than what came; empty where it is not, or of an old record."""
    if not work.is_mixed:
        return ""
    if work.freeze_c is None or work.mass_kg is None:
        return f"{work.mix}, frost point not known: {work.mix_unknown}"
    return f"{work.mix}, {mass(work.mass_kg)}, first ice at {temperature(work.freeze_c)} once the wheel has turned"


def held_words(work: Work, *, known: bool) -> str:
    """Where the liquid is, in capitals only if the figure is known."""
    words = "DRAWN OUT" if work.recovered_l is not None else "IN THE TYRE" if work.valve else "IN THE VESSEL"
    return words if known else words.lower()


def unseen_words(work: Work) -> str:
    """The volume that moved while no controller was running, and its uncertainty."""
    return f"{show_volume(work.unattended_l)} ± {work.unattended_u_l:.1f} L, while no controller looked"


def _number_of(ended: Ended) -> str:
    return _in_book(ended) + (f"\n  {ended.second_copy_fault}" if ended.second_copy_fault else "")


def _in_book(ended: Ended) -> str:
    if ended.book_fault:
        return f"    NOT IN THE BOOK YET: {ended.book_fault}"
    return f"    No. {ended.number}" if ended.number else ""


def _where(work: Work) -> str:
    if work.valve is None:
        return f"  into            {work.size}, {work.position}"
    return f"  tyre            {work.shown_size}  {work.position or ''}  valve at {work.valve_at} o'clock"


SURE_WAY = (
    "The sure way: valve at the bottom, stand aside with eyes covered, crack the core for a moment. Liquid comes out "
    "where there is liquid; what it is shows too."
)
_TO_DO = {
    "yes": "Find out what it is (the sure way), then enter it: --holds Q --holds-fluid F; or draw it out first.",
    "no": "Fill as planned. A few litres may still be inside.",
    "cannot tell": "Go by the sure way, or seal in more: --seal 20.",
}


def loaded_text(found: Loaded) -> str:
    """Whether liquid is inside, with what certainty, and what to do."""
    best, low, high = found.loaded_l, found.loaded_low_l, found.loaded_high_l
    band = "the pressure hardly rose"
    if best is not None and low is not None and high is not None:
        band = f"about {show_volume(best)}, between {show_volume(low)} and {show_volume(high)}"
    return f"LIQUID INSIDE?  {found.loaded_verdict}: {band}.\n  {_TO_DO[found.loaded_verdict]}"


def cavity_line(work: Work) -> str:
    """The measured cavity next to the size's; empty if no stroke measured it."""
    measured, doubt = work.measured_cavity_l, work.measured_cavity_u_l
    if measured is None or doubt is None:
        return ""
    fits = "they agree" if work.cavity_agrees else "THEY DO NOT AGREE"
    size = f"{work.cavity_low_l:.0f} to {work.cavity_high_l:.0f} L"
    return f"measured {measured:.0f} ± {doubt:.0f} L, by {work.cavity_basis} {size}: {fits}"


_NOTHING_CAME = Wording(
    "after.nothing_came",
    "Nothing came out. Does it hold any? Valve at the bottom, stand aside, crack the core for a moment.",
)
_WENT = Wording(
    "after.went", "{volume:volume} of {fluid} went to {to}: what is not used again is disposed of as local codes say."
)
_WENT_UNKNOWN = Wording(
    "after.went_unknown",
    "How much of {fluid} went to {to} is not known: what is not used again is disposed of as local codes say.",
)
_NO_PLACE = Wording("after.no_place", "a place that was not stated")
_SHUT_FIRST = Wording("after.shut_first", "Core or insert in before the gun comes off.")
_FIND_OUT = Wording(
    "after.find_out",
    "Find out what is inside, by scale, level or chart, and enter it: `rig note holds` with job and position.",
)
_ENDED_EARLY = Wording(
    "after.ended_early", "Core or insert in before the gun comes off; check pressure and level at the valve."
)
_AIR_UP_TO = Wording("after.air_up_to", "Valve at the top: air up to {working:pressure}, then cap it.")
_AIR_UP = Wording("after.air_up", "Valve at the top: air up to working pressure, then cap it.")
_LOOK = Wording("after.look", "Check the level at the valve and the bead for leaks.")


def next_steps(work: Work) -> list[Sentence]:
    """The person's steps after the gun is off."""
    if work.valve is None:
        return []
    if work.recovered_l is not None:
        if work.known_as == "nothing" or work.first_out == "nothing_drawn":
            return [_NOTHING_CAME()]
        fluid = f"{work.fluid}, lot {work.lot}" if work.lot else work.fluid
        to = work.to or _NO_PLACE()
        if work.known_as != "known":
            return [_WENT_UNKNOWN(fluid=fluid, to=to)]
        return [_WENT(volume=work.moved_l, fluid=fluid, to=to)]
    if work.known_as == "not known":
        return [_SHUT_FIRST(), _FIND_OUT()]
    if work.outcome != "complete":
        return [_ENDED_EARLY()]
    return [_AIR_UP() if work.working_kpa is None else _AIR_UP_TO(working=work.working_kpa), _LOOK()]
