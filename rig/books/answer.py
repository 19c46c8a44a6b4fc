"""The answer for a wheel in words: what fits a screen, litres, pounds, frost and pressure first; and why it is so.

In the trade's words, in both unit systems. Decides nothing.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

from rig.caution import THE_BOOK, Caution
from rig.fluid import Mix
from rig.plan.advice import RADIAL_PERCENT, above_radial_share
from rig.plan.inflation import Afterwards
from rig.plan.target import Target
from rig.units import gallons, psi, show_mass, show_pressure, show_temperature, show_volume

_WIDE, _HIGH = 80, 23
"""A common terminal, less the line of its prompt."""


def answer_text(target: Target, more: Sequence[str] = ()) -> str:
    """The answer for one wheel on one screen, with ``more`` rows of other questions.

    Cautions that do not fit, and notes but those of the shop's book, are counted; :func:`why_text` has them all with
    their sources. A danger is always shown.
    """
    lines = [*_answer(target), *(row for line in more for row in _wrapped(line, "  ", " " * 14))]
    said = [caution for caution in target.cautions if caution not in target.against and not _is_radial(caution)]
    shown = 0
    for caution in sorted((each for each in said if each.severity != "note" or each.source == THE_BOOK), key=_rank):
        rows = _wrapped(f"{caution.severity}: {caution.text}", "  ", "    ")
        if caution.severity == "danger" or len(lines) + len(rows) < _HIGH:
            lines += rows
            shown += 1
    words = f"rig target --why: sources, strokes, {len(said) - shown} more cautions and notes"
    return "\n".join([*lines, *_row("more", words)])


def _rank(caution: Caution) -> tuple[bool, bool]:
    """Dangers first, then what the shop's book knows of this wheel and tote."""
    return caution.severity != "danger", caution.source != THE_BOOK


def why_text(target: Target, more: Sequence[str] = ()) -> str:
    """The answer with all that it rests on: bounds and basis, the plan by strokes, every caution with its source."""
    return "\n".join([*_answer(target), *more, *_why(target)])


def _answer(target: Target) -> list[str]:
    litres = f"{gallons(target.target_l):.1f} gal ({target.target_l:.0f} L)"
    what = f"{litres} of {target.fluid.name}, {show_mass(target.added_kg, us=True)}"
    return [
        *_wrapped(f"{target.cavity.designation.shown}: {what}", "", "  "),
        *(row for caution in target.against for row in _row("NO LIQUID?", caution.text)),
        *_row("level", level_words(target).removeprefix("level ")),
        *_radial(target),
        *_row("first ice", _frost(target)),
        *_row("pressure", _pressure(target)),
        *_row("sure to", _bounds(target)),
        *_row("pumping", _pumping(target)),
    ]


def _wrapped(text: str, first: str, then: str) -> list[str]:
    """Rows of a screen; a figure stays with its degrees."""
    kept = text.strip().replace(" °", "\N{NO-BREAK SPACE}°")
    rows = textwrap.wrap(kept, _WIDE, initial_indent=first, subsequent_indent=then)
    return [row.replace("\N{NO-BREAK SPACE}", " ") for row in rows]


def _row(name: str, text: str) -> list[str]:
    """A named row, wrapped to the screen."""
    return _wrapped(text, f"  {name:<11} ", " " * 14)


def _radial(target: Target) -> list[str]:
    """The advice for radials, beside the litres that go against it."""
    if not above_radial_share(target.cavity, target.fill_fraction):
        return []
    most_l = RADIAL_PERCENT / 100 * target.cavity.volume_l
    text = (
        f"many makers advise {RADIAL_PERCENT} % at most: {show_volume(most_l, us=True)}; --valve-at 4, or iron weights"
    )
    return _row("RADIAL", text)


def _is_radial(caution: Caution) -> bool:
    return caution.text.startswith("radial tyre at")


def _frost(target: Target) -> str:
    mix = target.mix
    if mix.freeze_c is None:
        return f"not known: {mix.unknown}"
    inside = "" if len(mix.parts) == 1 else f" of {mix.name} in the wheel"
    return f"{show_temperature(mix.freeze_c)}{inside}; filled at {show_temperature(target.temp_c)}"


def _pressure(target: Target) -> str:
    """What to set, and what it reads in cold and heat."""
    after = target.afterwards
    reads = ", ".join(f"{psi(kpa):.1f} at {at_c:.0f} °C" for at_c, kpa in after.reads if kpa is not None)
    return f"set {show_pressure(after.set_kpa)} at {after.set_c:.0f} °C" + (f"; psi then: {reads}" if reads else "")


def _bounds(target: Target) -> str:
    low, high = (f"{gallons(litres):.1f}" for litres in (target.low_l, target.high_l))
    return f"{low} to {high} gal ({target.low_l:.0f} to {target.high_l:.0f} L), by {target.cavity.basis}"


def _pumping(target: Target) -> str:
    foreseen = target.foreseen
    return (
        f"{foreseen.fills} strokes, about {foreseen.seconds / 60:.1f} min, {show_pressure(target.start_kpa)} to "
        f"{show_pressure(foreseen.final_kpa)}"
    )


def _why(target: Target) -> list[str]:
    cavity = target.cavity
    return [
        f"  cavity      {show_volume(cavity.volume_l)} by {cavity.basis}, {show_volume(cavity.low_l)} … "
        f"{show_volume(cavity.high_l)}",
        f"  chart       {show_volume(target.chart_l)} at a 12 o'clock valve"
        + (f"; level kept {1000 * target.margin_m:.0f} mm below the valve" if target.margin_m else ""),
        f"  fluid       {target.fluid_kg_m3:.0f} kg/m³ at {target.temp_c:.0f} °C, "
        f"{target.fluid.first} at {target.fluid.freeze_c:.0f} °C",
        *_mix_lines(target.mix),
        f"  valve       {target.valve.name}, good for {show_pressure(target.valve.rating_kpa)}",
        *_plan_lines(target),
        *_afterwards_lines(target.afterwards),
        f"  0.5 %       {_half_percent(target.half_percent_from_l)}",
        *(f"  {caution.severity}: {caution.text} [{caution.source}]" for caution in target.cautions),
    ]


def _mix_lines(mix: Mix) -> list[str]:
    """What is in the wheel when done, where something was inside before."""
    if len(mix.parts) == 1:
        return []
    mass_kg, litres, density = mix.mass_kg, mix.litres, mix.density_kg_m3
    held = ("" if litres is None else f"{show_volume(litres)}, ") + (
        "weight not known" if mass_kg is None else show_mass(mass_kg)
    )
    frost = f"frost point not known ({mix.unknown})"
    if mix.fluid is not None:
        frost = f"{density:.0f} kg/m³, {mix.fluid.first} at {mix.fluid.freeze_c:.0f} °C"
    return [f"  in wheel    {mix.name}: {held}, {frost}"]


def _plan_lines(target: Target) -> list[str]:
    foreseen = target.foreseen
    saved_s = target.published_s - foreseen.seconds
    lines = ["  strokes"]
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


def _afterwards_lines(after: Afterwards) -> list[str]:
    """The pressure to set, and what it becomes in cold, in heat, in days and under load."""
    reads = ", ".join(f"{psi(kpa):.1f} psi at {at_c:.0f} °C" for at_c, kpa in after.reads if kpa is not None)
    unread = ", ".join(f"{at_c:.0f}" for at_c, kpa in after.reads if kpa is None)
    reads += f"{'; ' if reads else ''}frozen, or not known, at {unread} °C" if unread else ""
    air = ", ".join(f"{psi(kpa):.1f}" for _, kpa in after.air_alone)
    lines = [
        f"  afterwards  set {show_pressure(after.set_kpa)} at {after.set_c:.0f} °C, valve at the top",
        f"    reads     {reads} (air alone {air})",
    ]
    if after.for_coldest_kpa is not None:
        lines.append(f"    coldest   set {show_pressure(after.for_coldest_kpa)} to have that on the coldest day")
    if after.settled_kpa is not None:
        lines.append(
            f"    days      the liquid takes up air: {psi(after.settled_kpa):.1f} psi in a few days, set again"
        )
    bottom = "not known" if after.bottom_kpa is None else f"{psi(after.bottom_kpa):.1f} psi"
    rise, plain = ([psi(kpa) for kpa in pair] for pair in (after.loaded_kpa, after.loaded_air_kpa))
    return [
        *lines,
        f"    valve     at the bottom it reads {bottom} more, by the trade's rule (0.5 psi per 12 in) "
        f"{psi(after.bottom_rule_kpa):.1f}",
        f"    loaded    {rise[0]:.1f} to {rise[1]:.1f} psi more, {plain[0]:.1f} to {plain[1]:.1f} with air alone",
    ]


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
