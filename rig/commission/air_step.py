"""The step that finds the tank of air for the look before a fill: its gauge, and that its valve lets air out. Pure."""

from __future__ import annotations

import statistics

from rig.commission.acts import AllOff, Switch, Talk
from rig.commission.found import Checked, Finding, Keys, Known, Row, place_of
from rig.commission.gauge_step import TankGauge, tank_gauge
from rig.commission.number_step import in_unit
from rig.commission.relay_step import isolated
from rig.commission.talk import STILL_S, GivenUp, choice, look, maybe, quantity, say, watch, yes
from rig.commission.wires import Film
from rig.sentence import Sentence, Wording
from rig.units import parse

_VALVE = "air_valve"
_OPEN_S, _SHUT_S = 2.0, 1.0
"""Time for which the air valve is opened: a bore of 3 mm lets a tank of 60 L down by some 4 % (choked flow). Time until
it is shut for certain: travel of relay and valve, an assumption, no source."""
_LAST = 2
"""Shots of a film that follow a person's answer."""
_NOISES, _LEAST_STEPS = 6.0, 3.0
"""Fall that is seen: so many standard deviations of the gauge, and so many of its steps."""
_LEFT = 0.25
"""Share of that fall by which a shut valve may still let air out: an assumption, no source."""


def find_air(known: Known) -> Talk[Finding]:
    """The tank of air, if there is one: rating, volume, gauge, and its valve opened once into the open."""
    by_hand = yield from _by_hand(known)
    if by_hand is None:
        return Finding(rows=(Row(what="Air tank", value="none"),))
    if not (yield from yes(_SAFE())):
        yield from say(_NOT_SAFE())
        raise GivenUp
    rating = yield from quantity(_RATING(), "pressure", above_zero=True)
    volume = yield from quantity(_VOLUME(), "volume", above_zero=True)
    volume_u = yield from maybe(_VOLUME_U(), "volume")
    gauge = yield from _gauge_below(known, rating)
    proven = yield from _proven(known, gauge, by_hand=by_hand)
    table: Keys = {"volume": volume, **({"volume_u": volume_u} if volume_u else {}), "rating": rating}
    finding = gauge.finding
    rows = (
        Row(what="Air tank, rating", value=rating, how="plate"),
        Row(what="Air tank, volume", value=volume, how=f"stated, ± {volume_u or '1 %'}"),
        Row(what="Air valve", value="opened by hand" if by_hand else str(place_of(known.points[_VALVE]))),
        *finding.rows,
    )
    return finding.model_copy(update={
        "tables": {"air_tank": table}, "rows": rows, "tests": (proven,),
        "why": {**finding.why, "air_tank.volume": "with its hose up to the air valve", "air_tank.rating": "its plate"},
    })  # fmt: skip


def _by_hand(known: Known) -> Talk[bool | None]:
    """Whether a person's hand opens the valve; None without a tank."""
    if _VALVE in known.points:
        yield from say(_FOUND())
        return False
    answer = yield from choice(_KIND(), {"r": _BY_RELAY(), "h": _BY_HAND(), "n": _NONE()})
    if answer == "r":
        yield from say(_NO_RELAY())
        raise GivenUp
    return True if answer == "h" else None


def _gauge_below(known: Known, rating: str) -> Talk[TankGauge]:
    """The tank's gauge; asked again where it was tried above the tank's rating."""
    while True:
        found = yield from tank_gauge(known, rating)
        if max(found.fit.values) <= in_unit(rating, "pressure", found.unit)[0]:
            return found
        yield from say(_OVER_RATING(rating=parse(rating, "pressure")))


# --- the valve --------------------------------------------------------------------------------------------------------


def _proven(known: Known, gauge: TankGauge, *, by_hand: bool) -> Talk[Checked]:
    """The valve opened into the open: the tank's gauge must fall, and stand when it is shut."""
    while True:
        seen, good = yield from (_opened_by_hand(gauge) if by_hand else _opened(known, gauge))
        if good or not (yield from yes(_AGAIN(seen=seen))):
            break
    expected = "the tank's gauge falls while it is open, and stands while it is shut"
    return Checked(what="Air valve into the open", expected=expected, seen=seen, good=good)


def _opened(known: Known, gauge: TankGauge) -> Talk[tuple[Sentence | str, bool]]:
    """Open the relay's valve for two seconds, the pump isolated; what was seen, and whether that is good."""
    yield from isolated()
    yield from watch(_INTO_THE_OPEN(), places=gauge.places)
    place = place_of(known.points[_VALVE])
    fault: str = yield AllOff()
    before = yield from look(STILL_S, gauge.places)
    fault = fault or (yield Switch(place, on=True))
    yield from look(_OPEN_S, gauge.places)
    fault = (yield AllOff()) or fault
    yield from look(_SHUT_S, gauge.places)
    after = yield from look(_OPEN_S, gauge.places)
    if fault:
        return fault, False
    half = len(after) // 2
    fell, left = _fall(gauge, before, after[:half]), 2 * _fall(gauge, after[:half], after[half:])
    flowed = fell > _least(gauge)
    shut = left <= max(_least(gauge), _LEFT * fell)
    return _seen(gauge, fell, flowed=flowed, shut=shut), flowed and shut


def _opened_by_hand(gauge: TankGauge) -> Talk[tuple[Sentence | str, bool]]:
    before = (yield from watch(_READY_BY_HAND(), places=gauge.places)).film
    after = (yield from watch(_OPEN_BY_HAND(), places=gauge.places)).film
    fell = _fall(gauge, before[-_LAST:], after[-_LAST:])
    flowed = fell > _least(gauge)
    return _seen(gauge, fell, flowed=flowed, shut=True), flowed


def _fall(gauge: TankGauge, before: Film, after: Film) -> float:
    """By how much the tank's pressure fell between two films, in the gauge's unit."""
    first, last = (statistics.median(gauge.fit.view.series(film)) for film in (before, after))
    return (first - last) * gauge.fit.scale


def _least(gauge: TankGauge) -> float:
    """The fall that the gauge shows for certain."""
    fit = gauge.fit
    return max(_NOISES * fit.deviation, _LEAST_STEPS * fit.step) * abs(fit.scale)


def _seen(gauge: TankGauge, fell: float, *, flowed: bool, shut: bool) -> Sentence:
    if not flowed:
        return _STOOD()
    words = _FELL if shut else _FELL_ON
    return words(fell=f"{fell:.3g} {gauge.unit}")


# --- words ------------------------------------------------------------------------------------------------------------

_KIND = Wording("commission.air.kind", "Is there an air tank for the look with air before a fill?")
_BY_RELAY = Wording("commission.air.by_relay", "yes, with an air valve on a relay")
_BY_HAND = Wording("commission.air.by_hand", "yes, with a ball valve for a person's hand")
_NONE = Wording("commission.air.none", "no")
_FOUND = Wording("commission.air.found", "The air valve's relay was found: now its tank.")
_NO_RELAY = Wording(
    "commission.air.no_relay",
    "No relay was seen to open an air valve. `rig commission --again relays` clicks them once more.",
)
_SAFE = Wording(
    "commission.air.safe",
    "A tank is stored energy. Does it have a plate with its rating, a relief valve of its own that opens no higher, a "
    "drain, and a hand valve at its outlet? Are hose and gun rated for the same, and is the regulator set below the "
    "tyre's rating?",
)
_NOT_SAFE = Wording(
    "commission.air.not_safe",
    "Then no air goes out of it. Fit what is missing; or leave the tank out: `rig commission --again relays` without "
    "its valve.",
)
_RATING = Wording("commission.air.rating", "Pressure that stands on the tank's plate")
_VOLUME = Wording(
    "commission.air.volume", "The tank's volume with its hose up to the air valve, best weighed empty and full of water"
)
_VOLUME_U = Wording("commission.air.volume_u", "It may be off by; not known: 1 %, as of a plate")
_OVER_RATING = Wording(
    "commission.air.over_rating",
    "A pressure above its rating of {rating:pressure} was written. If the tank stands there, let it down now and look "
    "at its relief valve. Then again from the begin.",
)
_INTO_THE_OPEN = Wording(
    "commission.air.into_the_open",
    "Compressor off, about half the rating in the tank. Hose end or gun tied down, open, into nothing; nobody before "
    "it, eyes and ears covered. Open the tank's hand valve: the air valve opens for two seconds.",
)
_READY_BY_HAND = Wording(
    "commission.air.ready_by_hand",
    "Compressor off, about half the rating in the tank. Hose end or gun tied down, open, into nothing; nobody before "
    "it, eyes and ears covered. Ball valve shut.",
)
_OPEN_BY_HAND = Wording("commission.air.open_by_hand", "Open the ball valve for two seconds and shut it again.")
_AGAIN = Wording("commission.air.again", "Air valve: {seen}. Once more?")
_STOOD = Wording(
    "commission.air.stood",
    "the tank's gauge did not fall: hand valve shut, tank empty, or another relay or gauge",
)
_FELL = Wording("commission.air.fell", "the tank's gauge fell by {fell}, then stood")
_FELL_ON = Wording("commission.air.fell_on", "the tank's gauge fell by {fell} and GOES ON FALLING: shut the hand valve")
