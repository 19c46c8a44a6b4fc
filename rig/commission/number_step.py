"""The steps that find a number by values that a person knows: level, scale, temperature, a meter's display. Pure."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from rig.commission.acts import Talk
from rig.commission.found import Finding, Keys, Known, Row
from rig.commission.scaling import Fit, Level, fits_of, reaching
from rig.commission.talk import LEAVE, STILL_S, GivenUp, leave_if_asked, look, one_of, quantity, say, watch
from rig.units import Kind, QuantityError, parse, unit_of

_MOST_LEVELS = 4


@dataclass(frozen=True, slots=True)
class Scaled:
    """A number found by known values, in the unit that the person writes."""

    fit: Fit
    unit: str
    levels: tuple[Level, ...]


def scaled(
    known: Known,
    kind: Kind,
    texts: tuple[str, str, str],
    *,
    first: str | None = None,
    rising: bool = False,
    likely: Callable[[Fit], bool] = lambda _fit: True,
) -> Talk[Scaled]:
    """Ask for known values until one reading is left; the first may be given, as that of a gauge in open air.

    ``likely`` parts readings that fit alike by what such a number looks like.
    """
    taken, unit, levels = known.taken(), "", list[Level]()
    while True:
        number = len(levels)
        preset = first if first is not None and not number else None
        value, unit = yield from _known_value(texts[min(number, 2)], kind, unit, preset)
        levels.append(Level(value, (yield from look(STILL_S))))
        if len({level.value for level in levels}) < 2:
            continue
        fits = _likely(fits_of(levels, taken, rising=rising), likely)
        if not fits:
            yield from say(
                "  No register followed these values. Is it supplied, wired, and in the list? Again from the begin."
            )
            levels = []
        elif len(fits) == 1 and (len(levels) > 2 or len(fits[0].view.places) == 1):
            return Scaled(fits[0], unit, tuple(levels))
        elif len(levels) >= _MOST_LEVELS:
            fit = yield from one_of("These readings follow alike. Which is it, by the module's manual?", fits)
            levels = [] if fit is None else levels
            if fit is not None:
                return Scaled(fit, unit, tuple(levels))
        else:
            yield from say(
                f"  Readings that fit so far: {len(fits)}. Another value decides: further away, not half of the other."
            )


def _likely(fits: list[Fit], likely: Callable[[Fit], bool]) -> list[Fit]:
    """The readings that look like such a number, if any does."""
    return [fit for fit in fits if likely(fit)] or fits


def never_negative(fit: Fit) -> bool:
    """Whether a reading is one of a content, a mass or a total."""
    return min(fit.raws) >= 0


def _known_value(text: str, kind: Kind, unit: str, preset: str | None) -> Talk[tuple[float, str]]:
    """A value as the person knows it, in ``unit`` or the unit of the first; and that unit."""
    if preset is not None:
        watched = yield from watch(text, LEAVE)
        leave_if_asked(watched.answer)
        return 0.0, unit
    while True:
        answer = (yield from watch(text, LEAVE, typed=True)).answer
        leave_if_asked(answer)
        try:
            return in_unit(answer, kind, unit)
        except QuantityError as error:
            yield from say(f"  {error}")


def in_unit(text: str, kind: Kind, unit: str) -> tuple[float, str]:
    """The number of a quantity in a unit, by default its own."""
    value = parse(text, kind)
    unit = unit or text.strip().lstrip("+-0123456789., ") or unit_of(kind)
    zero, one = parse(f"0 {unit}", kind), parse(f"1 {unit}", kind)
    return (value - zero) / (one - zero), unit


_NUMBERS: dict[str, tuple[Kind, tuple[str, str, str]]] = {
    "tote_level": ("volume", ("Write what the tote holds now, for example \"900 L\".",
                              "Fill or draw some, at least a tenth, and write what it holds now.",
                              "Once more another content: write it.")),
    "tote_mass": ("mass", ("Write what the scale's own display shows, for example \"1050 kg\".",
                           "Put a known weight on, and write what it shows now.",
                           "Another weight: write what it shows.")),
    "fluid_temp": ("temperature", ("Write what a thermometer beside the sensor shows, for example \"15 degC\".",
                                   "Warm the sensor (warm water), and write what the thermometer shows now.",
                                   "Another temperature: write it.")),
}  # fmt: skip


def analogue(known: Known, name: str) -> Talk[Finding]:
    """A number that the person reads elsewhere, at two values or more."""
    kind, texts = _NUMBERS[name]
    try:
        likely = never_negative if name != "fluid_temp" else (lambda _fit: True)
        found = yield from scaled(known, kind, texts, likely=likely)
        found = found if name == "fluid_temp" else (yield from _to_the_top(known, kind, texts, found))
    except GivenUp:
        return Finding()
    point = found.fit.view.point() | _ends(found.fit) | {"quantity": found.unit}
    step = f"{abs(found.fit.scale):.4g} {found.unit}"
    return Finding(
        points={name: point},
        why={f"points.{name}": f"found at {known_values(found)}"},
        rows=(
            Row(what=name, value=str(found.fit.view), how=f"at {known_values(found)}"),
            Row(what=f"{name}, resolution", value=step, how="one raw step"),
        ),
    )


def _to_the_top(known: Known, kind: Kind, texts: tuple[str, str, str], found: Scaled) -> Talk[Scaled]:
    """The number as one that can show the most it must; asked for anew where its registers cannot."""
    while True:
        top = yield from quantity(f"The most that it can hold or show, in {found.unit} or another unit", kind)
        fit = reaching(found.fit, in_unit(top, kind, found.unit)[0])
        if fit is not None:
            return replace(found, fit=fit)
        yield from say("  Its number does not go so far in one register: again, at a higher value.")
        found = yield from scaled(known, kind, texts, likely=never_negative)


def _ends(fit: Fit) -> Keys:
    (raw_low, low), (raw_high, high) = fit.ends
    return {"at": [plain(raw_low), plain(raw_high)], "span": [plain(low), plain(high)]}


def plain(number: float) -> float | int:
    """A number for the configuration, without needless digits."""
    return int(number) if number == int(number) else round(number, 6)


def known_values(found: Scaled) -> str:
    """The known values in words."""
    return ", ".join(f"{level.value:g} {found.unit}" for level in found.levels)
