"""The step that finds the meter: a count by a turned rotor, a totaliser by its own display, or the tote. Pure."""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence

from rig.commission.acts import Talk
from rig.commission.counting import SEVERAL, Act, Counter, Meter, Unclear, chosen, counters_of, meter_of
from rig.commission.found import Finding, Keys, Known, Row
from rig.commission.number_step import analogue, never_negative, scaled
from rig.commission.scaling import Fit
from rig.commission.talk import LEAVE, STILL_S, choice, leave_if_asked, look, one_of, quantity, say, watch
from rig.commission.wires import Film, Place

_NEAR = 0.05
_NEAR_ZERO = 500
"""Pulses that a person turns back by hand to see a count pass zero."""

_KINDS = {
    "p": "pulses, which a module counts",
    "t": "a totaliser, which shows litres or gallons",
    "s": "no meter: the scale or the level of the tote",
}
_FORWARD = "Turn the meter's rotor by hand (or blow) as the liquid goes INTO a tyre, slowly, for some seconds."
_BACK = "Now the other way, as long."


def find_meter(known: Known) -> Talk[Finding]:
    """The point or points that the meter is read from."""
    kind = yield from choice("What measures the liquid?", _KINDS)
    if kind == "t":
        return (yield from _totaliser(known))
    if kind == "s":
        return (yield from _tote_as_meter(known))
    meter = yield from _pulses(known)
    plate = yield from quantity(
        'Pulses per litre or gallon by the meter\'s plate, for example "100 pulse/L" or "378 pulse/gal"', "per_volume",
        above_zero=True,
    )  # fmt: skip
    points = {"meter_count": meter.count.view.point()}
    points |= {} if meter.second is None else {"meter_reverse_count": meter.second.view.point()}
    width = _width_words(meter.count)
    return Finding(
        points=points,
        tables={"meter": {"kind": "pulses", "k_factor": plate, "reverse": meter.reverse}},
        why={
            "points.meter_count": f"found by turning the rotor: {meter.count.forward:+d} forward, "
            f"{meter.count.back:+d} back; {width}",
            "meter.k_factor": "from the meter's plate",
            "meter.reverse": _REVERSE_WORDS[meter.reverse],
        },
        rows=(
            Row(what="Meter's count", value=str(meter.count.view), how=f"rotor turned by hand; {width}"),
            *(
                ()
                if meter.second is None
                else (Row(what="Second channel", value=str(meter.second.view), how="the same"),)
            ),
            Row(what="As the liquid comes back", value=_REVERSE_WORDS[meter.reverse], how="rotor turned back"),
            Row(what="Pulses per volume", value=plate, how="plate"),
        ),
    )


_REVERSE_WORDS = {
    "signed": "it counts back, or on a second channel",
    "unsigned": "it counts up whichever way",
    "none": "it counts nothing",
}


def _width_words(count: Counter) -> str:
    if count.view.bits == 32:
        return "32 bits, seen"
    if count.wider:
        return "read as 16 bits, which is right whether or not it is the lower half of a longer number"
    return "16 bits, seen"


def _pulses(known: Known) -> Talk[Meter]:
    """Turn the rotor until the count is clear."""
    taken = known.taken()
    yield from say("Nobody touches anything for a moment.")
    acts = [Act("rest", (yield from look(STILL_S)))]
    while True:
        acts += [Act("forward", (yield from _acted(_FORWARD))), Act("back", (yield from _acted(_BACK)))]
        found = meter_of(acts, taken)
        if isinstance(found, Unclear):
            found = yield from _cleared(found, acts, taken)
        if isinstance(found, Meter):
            return (yield from _with_width(found, acts, taken))
        # What a wrongly wired meter did says nothing of the right one.
        acts = acts[:1]


def _acted(text: str) -> Talk[Film]:
    """What the wires showed during an act; GivenUp where the person leaves it."""
    watched = yield from watch(text, LEAVE)
    leave_if_asked(watched.answer)
    return watched.film


def _cleared(found: Unclear, acts: Sequence[Act], taken: Collection[Place]) -> Talk[Meter | Unclear]:
    """Let the person decide between registers that count alike; else say what is missing."""
    if not found.counters:
        yield from say(f"  {found.why}")
        return found
    count = yield from one_of(f"{found.why} Which is the count, by the module's manual?", found.counters)
    if count is None:
        return Unclear(SEVERAL)
    counters, _ = counters_of(acts, taken)
    return chosen(count, [each for each in counters if each is not count and not each.forward])


def _with_width(meter: Meter, acts: list[Act], taken: Collection[Place]) -> Talk[Meter]:
    """See the width by a count that passes zero, where that can be done by hand."""
    if not meter.count.wider or meter.reverse != "signed" or meter.second is not None:
        return meter
    count = meter.count.view.series(acts[-1].film)[-1]
    if count > _NEAR_ZERO:
        return meter
    film = yield from _acted(
        f"It counts in 16 or 32 bits, which shows as it passes zero: turn it BACK by more than {count:.0f} pulses."
    )
    again = meter_of([*acts, Act("back", film)], taken)
    return again if isinstance(again, Meter) else meter


def _totaliser(known: Known) -> Talk[Finding]:
    """A register that follows the meter's own display."""
    found = yield from scaled(
        known, "volume",
        ("Write what the meter's display shows, for example \"1234.5 L\".",
         "Let some litres of water run through it, and write what it shows now.",
         "Let some more run through, and write what it shows now."),
        likely=_of_a_total,
    )  # fmt: skip
    back = yield from choice(
        "When liquid comes back, its display …", {"d": "counts down", "u": "counts up", "n": "stands still"}
    )
    reverse = {"d": "signed", "u": "unsigned", "n": "none"}[back]
    point = found.fit.view.point() | {
        "scale": _power_of_ten(found.fit.scale) or found.fit.scale,
        "quantity": found.unit,
    }
    kind = str(point["type"])
    # A total only grows: without a sign it has the whole register before it wraps.
    point["type"] = {"i16": "u16", "i32": "u32"}.get(kind, kind)
    return Finding(
        points={"meter_total": point},
        tables={"meter": {"kind": "total", "reverse": reverse}},
        why={"points.meter_total": "found by its own display", "meter.reverse": _REVERSE_WORDS[reverse]},
        rows=(
            Row(
                what="Meter's total",
                value=f"{found.fit.view}, {point['scale']:g} {found.unit} a step",
                how="by its own display",
            ),
        ),
    )


def _power_of_ten(scale: float) -> float | None:
    """The power of ten that a measured step is near to, as makers choose their steps; None if it is near to none."""
    power = 10.0 ** round(math.log10(abs(scale)))
    return power if abs(abs(scale) / power - 1) < _NEAR else None


def _of_a_total(fit: Fit) -> bool:
    """Whether a reading looks like a total."""
    return never_negative(fit) and _power_of_ten(fit.scale) is not None


def _tote_as_meter(known: Known) -> Talk[Finding]:
    name = yield from choice("Which?", {"s": "a scale under the tote", "l": "the tote's level"})
    finding = yield from analogue(known, "tote_mass" if name == "s" else "tote_level")
    step = finding.rows[-1].value
    keys: Keys = {"kind": "scale", "division": step} if name == "s" else {"kind": "tote level", "level_step": step}
    return finding.model_copy(update={"tables": {"meter": keys}})
