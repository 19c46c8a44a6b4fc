"""The steps that find a gauge: open to the air, at a known pressure, and let off at once. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from rig.commission.acts import Talk
from rig.commission.found import Finding, Keys, Known, Row
from rig.commission.number_step import Scaled, in_unit, known_values, plain, scaled
from rig.commission.scaling import Fit, below_zero, reaching
from rig.commission.strokes import lag_of
from rig.commission.talk import NOT_KNOWN, ask, quantity, say, watch, yes
from rig.commission.wires import Film, Place
from rig.field.points import Instrument
from rig.sentence import Wording
from rig.units import QuantityError, parse, referenced

GAUGES = {"line_pressure": "at the pump", "tyre_pressure": "at the gun", "strainer_dp": "across the strainer"}
"""Gauges, and where each sits."""
_LOOP = (4000.0, 20000.0)


def find_gauge(known: Known) -> Talk[Finding]:
    """The gauge at the pump, and the pressure of the air here."""
    air = yield from quantity(
        "Pressure of the air here, not reduced to sea level: about 101 kPa at the sea, 84 kPa at 1500 m", "pressure",
        "101.325 kPa", above_zero=True,
    )  # fmt: skip
    finding = yield from gauge(known, "line_pressure")
    return finding.model_copy(update={"tables": {**finding.tables, "rig": {"atmosphere": air}}})


def gauge(known: Known, name: str) -> Talk[Finding]:
    """A pressure: open to the air, at a known pressure, and let off at once."""
    where = GAUGES[name]
    found = yield from scaled(
        known, "pressure",
        (f"Open the gauge {where} to the air.",
         "Put a known pressure on it (a hand gauge beside it), let it stand, and write it, for example \"15 psi\".",
         "Another pressure, about a third of that: let it stand, and write it."),
        first="0", rising=True,
    )  # fmt: skip
    range_text, top = yield from _range(found.unit, "60 psi")
    fit = reaching(found.fit, top)
    if fit is not None and fit.view.type == "u16":
        film = (yield from watch("Draw a slight vacuum on it, by mouth at a clean hose.")).film
        fit = below_zero(fit, film)
    if fit is None:
        yield from say(_BEYOND())
        return (yield from gauge(known, name))
    film = (yield from watch("Bring pressure on again, then let it off at once.", places=fit.view.places)).film
    accuracy = yield from ask(_ACCURACY(), NOT_KNOWN)
    return (yield from _of_gauge(name, replace(found, fit=fit), film, range_text, top, accuracy))


@dataclass(frozen=True, slots=True)
class TankGauge:
    """The gauge of a tank of air: what is configured of it, and how its number is read."""

    finding: Finding
    fit: Fit
    unit: str

    @property
    def places(self) -> Sequence[Place]:
        """Its registers."""
        return self.fit.view.places


def tank_gauge(known: Known, rating: str) -> Talk[TankGauge]:
    """The gauge of a tank of air: empty, then at known pressures; its accuracy must be stated."""
    rating_kpa = parse(rating, "pressure")
    while True:
        texts = (_EMPTY(), _FILLED(rating=rating_kpa), _LET_DOWN())
        found = yield from scaled(known, "pressure", texts, first="0", rising=True)
        range_text, top = yield from _range(found.unit, "150 psi")
        fit = reaching(found.fit, top)
        if fit is not None:
            break
        yield from say(_BEYOND())
    accuracy = yield from _stated_accuracy(found.unit, top)
    finding = yield from _of_gauge("tank_pressure", replace(found, fit=fit), None, range_text, top, accuracy)
    return TankGauge(finding, fit, found.unit)


_EMPTY = Wording(
    "commission.gauge.tank_empty",
    "The air tank: compressor off, hand valve shut. Open its drain until no more air comes, and leave it open.",
)
_FILLED = Wording(
    "commission.gauge.tank_filled",
    "Shut the drain. Fill the tank to a pressure below its rating of {rating:pressure}, by a hand gauge; compressor "
    'off, wait a minute, and write it, for example "100 psi".',
)
_LET_DOWN = Wording(
    "commission.gauge.tank_let_down", "Let it down by its drain to about a third; wait a minute, and write it."
)
_BEYOND = Wording(
    "commission.gauge.beyond",
    "Its number does not reach the top of that range in one register: again, at a higher pressure.",
)
_RANGE = Wording(
    "commission.gauge.range", 'Upper end of the transmitter\'s range by its plate, for example "{example}"'
)
_ACCURACY = Wording(
    "commission.gauge.accuracy", 'Its accuracy by the data sheet, as a share of the range, for example "0.5 %"'
)
_ACCURACY_NEEDED = Wording(
    "commission.gauge.accuracy_needed", 'The look knows the room no better than by it: write for example "0.5 %".'
)
_ABSOLUTE = Wording(
    "commission.gauge.absolute",
    "Write it as a gauge pressure: what stands on the plate less the pressure of the air.",
)


def _stated_accuracy(unit: str, top: float) -> Talk[str]:
    """The accuracy by the data sheet, asked for until it is one."""
    while True:
        accuracy = yield from ask(_ACCURACY())
        try:
            known = Instrument(quantity=unit, low=0.0, high=top, accuracy=accuracy or None).u is not None
        except ValueError:
            known = False
        if known:
            return accuracy
        yield from say(_ACCURACY_NEEDED())


def _range(unit: str, example: str) -> Talk[tuple[str, float]]:
    """The upper end of the transmitter's range, as stated and in ``unit``."""
    while True:
        stated = yield from ask(_RANGE(example=example))
        try:
            plain, absolute = referenced(stated)
            if absolute:
                yield from say(_ABSOLUTE())
                continue
            return stated, in_unit(plain, "pressure", unit)[0]
        except QuantityError as error:
            yield from say(f"  {error}")


def _of_gauge(name: str, found: Scaled, film: Film | None, range_text: str, top: float, accuracy: str) -> Talk[Finding]:
    """The point of a gauge; ``film``: of its pressure let off at once, if it was."""
    fit, unit = found.fit, found.unit
    loop = yield from _is_loop(fit)
    at = [fit.raw_at(0.0), fit.raw_at(top)]
    point: Keys = fit.view.point() | {"at": [plain(_figures(raw, 7)) for raw in at], "span": [0, plain(top)]}
    if loop:
        raws = list(_LOOP)
        point |= {"at": raws, "span": [round(_value_at(fit, raw), 4) for raw in raws], "current": "4..20 mA"}
    noise, step = fit.deviation * abs(fit.scale), abs(fit.scale) * fit.step
    point |= {"quantity": unit} | ({"accuracy": accuracy} if accuracy else {})
    point |= {"resolution": _figures(step)} if step else {}
    point |= {"noise": _figures(noise)} if noise > step else {}
    lag = None if film is None else _lag(fit, film)
    point |= {"lag": f"{lag:.2f} s"} if lag is not None and lag <= 1 else {}
    rows = [
        Row(what=name, value=str(fit.view), how=f"open to air, then at {known_values(found)}"),
        Row(what=f"{name}, range", value=range_text, how="plate"),
        Row(what=f"{name}, accuracy", value=accuracy or "not known", how="data sheet"),
        Row(
            what=f"{name}, noise", value=f"{noise:.3g} {unit}", how="one standard deviation of single readings at rest"
        ),
        Row(what=f"{name}, resolution", value=f"{step:.3g} {unit}", how="smallest step seen"),
    ]
    if film is not None:
        rows.append(Row(what=f"{name}, lag", value=_lag_words(lag), how="pressure let off at once"))
    return Finding(
        points={name: point},
        why={f"points.{name}": f"found at {known_values(found)}; range by its plate"},
        rows=tuple(rows),
    )


def _figures(number: float, figures: int = 3) -> float:
    """A number rounded to so many figures."""
    return float(f"{number:.{figures}g}")


def _value_at(fit: Fit, raw: float) -> float:
    (raw_low, low), _ = fit.ends
    return low + (raw - raw_low) * fit.scale


def _is_loop(fit: Fit) -> Talk[bool]:
    """Whether the raw number is the current of a 4 to 20 mA loop in microamperes."""
    if abs(fit.raw_at(0.0) - _LOOP[0]) > 0.02 * _LOOP[0]:
        return False
    return (yield from yes("Open to air it shows about 4000: is that the current of a 4 to 20 mA loop, 4000 to 20000?"))


def _lag(fit: Fit, film: Film) -> float | None:
    """The gauge's lag in seconds; None where it is not seen, or is less than the time between readings."""
    numbers = [(shot.at_s, number) for shot in film if (number := fit.view.of(shot.words)) is not None]
    peak = max(range(len(numbers)), key=lambda at: numbers[at][1], default=0)
    found = lag_of(numbers[max(0, peak - 2) :])
    return None if found is None or found[0] <= found[1] else found[0]


def _lag_words(lag: float | None) -> str:
    if lag is None:
        return "not seen: less than the time between readings"
    return f"{lag:.2f} s" + (", too slow to guard a limit: set its damping lower" if lag > 1 else "")
