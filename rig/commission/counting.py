"""Which registers count, found from films of a person who turns a meter's rotor. Pure.

A number that is read rightly takes the shortest way: wrong byte or word orders move by 256 or 65,536 for each pulse.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

from rig.commission.wires import Film, Place, View, as_low_word, changed, narrow, runs, wide

Way = Literal["rest", "forward", "back"]
_LEAST_STEPS = 3
"""Changes seen before a reading is believed: two numbers fit any order."""
_APART = 4
"""How much shorter the way of the right reading is, at least; of a wrong one it is 256 times as long."""
_SLACK = 2
"""Pulses by which a rotor may swing back where it stops."""


@dataclass(frozen=True, slots=True)
class Act:
    """What a person did with the meter, and what the wires showed meanwhile."""

    way: Way
    film: Film


@dataclass(frozen=True, slots=True)
class Moved:
    """What a count did over some acts: pulses up and down, and in how many steps."""

    up: int
    down: int
    steps: int

    @property
    def one_way(self) -> bool:
        """Whether it went one way."""
        return min(self.up, self.down) <= max(_SLACK, max(self.up, self.down) // 50)

    @property
    def net(self) -> int:
        """Pulses from begin to end; 0 for the swing of a rotor that stops."""
        net = self.up - self.down
        return net if abs(net) > _SLACK else 0


def moved(view: View, films: Sequence[Film]) -> Moved:
    """What a count did, by the shorter way round at each step."""
    span = 2**view.bits
    steps = [
        (int(after) - int(before) + span // 2) % span - span // 2
        for film in films
        for before, after in pairwise(view.series(film))
    ]
    return Moved(sum(max(s, 0) for s in steps), sum(max(-s, 0) for s in steps), sum(s != 0 for s in steps))


@dataclass(frozen=True, slots=True)
class Counter:
    """One count: how it is read, and what it did when the rotor turned forward and back."""

    view: View
    forward: int
    back: int
    wider: tuple[View, ...] = ()
    """Readings of 32 bits that the films do not exclude: the other register did not move."""


@dataclass(frozen=True, slots=True)
class Meter:
    """A meter's count, the count of its second channel, and what it does when the liquid comes back."""

    count: Counter
    second: Counter | None
    reverse: Literal["signed", "unsigned", "none"]


@dataclass(frozen=True, slots=True)
class Unclear:
    """No meter yet. ``counters``: several that count alike; the person chooses, or acts again."""

    why: str
    counters: tuple[Counter, ...] = ()


NOTHING = (
    "Nothing counted. Is the meter supplied, and wired to an input that counts? Is its module among those found? "
    "Then turn it again."
)
SWAPPED = (
    "It counts down as the liquid goes into a tyre: exchange the two channels of the meter at the module, or turn the "
    "meter round. Then turn it again."
)
MORE = "Too few pulses to tell how the number is written: turn it again, slowly, for some seconds."
SEVERAL = "Several registers count alike."


def meter_of(acts: Sequence[Act], taken: Collection[Place] = ()) -> Meter | Unclear:
    """The meter by all acts so far; ``taken`` places are known to be something else."""
    counters, doubtful = counters_of(acts, taken)
    ups = [each for each in counters if each.forward > 0]
    if not ups and doubtful:
        return Unclear(MORE)
    if not ups:
        return Unclear(SWAPPED if any(each.forward < 0 for each in counters) else NOTHING)
    if len(ups) > 1:
        return Unclear(SEVERAL, tuple(ups))
    return chosen(ups[0], counters)


def chosen(count: Counter, counters: Sequence[Counter]) -> Meter | Unclear:
    """The meter with this count, beside the other ``counters``."""
    if count.back < 0:
        return Meter(count, None, "signed")
    if count.back > 0:
        return Meter(count, None, "unsigned")
    seconds = [each for each in counters if not each.forward and each.back > 0]
    if len(seconds) > 1:
        return Unclear("Several registers count alike as the liquid comes back.", tuple(seconds))
    return Meter(count, seconds[0] if seconds else None, "signed" if seconds else "none")


def counters_of(acts: Sequence[Act], taken: Collection[Place] = ()) -> tuple[list[Counter], bool]:
    """Every count that the acts moved and that did not change at rest; and whether some moved too little to decide."""
    rest = set().union(*(changed(act.film) for act in acts if act.way == "rest"), taken)
    stirred = set().union(*(changed(act.film) for act in acts if act.way != "rest")) - rest
    counters, doubtful = [], False
    for run in runs(stirred):
        views, unsure = _explained(run, acts)
        doubtful |= unsure
        counters += [_counter(view, acts, stirred | rest) for view in views]
    return [each for each in counters if each.forward or each.back], doubtful


def _explained(run: Sequence[Place], acts: Sequence[Act]) -> tuple[list[View], bool]:
    """The counts that make up consecutive moved registers, pairs before single ones; and whether some are unsure."""
    found, unsure, at = list[View](), False, 0
    while at < len(run):
        single, doubt = _best(narrow(run[at], "u16"), acts)
        pair = _pair(run[at], acts) if at + 1 < len(run) else None
        if pair is not None:
            found.append(pair)
            at += 2
            continue
        unsure |= doubt
        found += [] if single is None else [single]
        at += 1
    return found, unsure


def _pair(place: Place, acts: Sequence[Act]) -> View | None:
    """The count of 32 bits in two registers: where its low word goes round, and only there, the high word moves."""
    view, _ = _best(wide(place, "u32"), acts)
    if view is None:
        return None
    films = [act.film for act in acts if act.way != "rest"]
    whole, low = moved(view, films), moved(_low(view), films)
    return view if whole.up + whole.down <= low.up + low.down + _SLACK else None


def _low(view: View) -> View:
    """The lower 16 bits of a count of 32."""
    first = view.order in ("CDAB", "DCBA")
    return View(view.place if first else view.place.next(), "u16", "BADC" if view.order in ("BADC", "DCBA") else "ABCD")


def _best(views: Sequence[View], acts: Sequence[Act]) -> tuple[View | None, bool]:
    """The reading whose way is shortest by far, if it goes one way in each act; and whether more acts would help."""
    ways = [(moved(view, [act.film for act in acts if act.way != "rest"]), view) for view in views]
    ways.sort(key=lambda each: each[0].up + each[0].down)
    (least, view), (second, _) = ways[0], ways[1]
    if not all(moved(view, [act.film]).one_way for act in acts):
        return None, False
    clear = _APART * (least.up + least.down) <= second.up + second.down
    return (view, False) if clear and least.steps >= _LEAST_STEPS else (None, True)


def _counter(view: View, acts: Sequence[Act], busy: Collection[Place]) -> Counter:
    forward, back = (moved(view, [act.film for act in acts if act.way == way]).net for way in ("forward", "back"))
    films = [act.film for act in acts]
    return Counter(view, forward, back, tuple(_wider(view, films, busy)))


def _wider(view: View, films: Sequence[Film], busy: Collection[Place]) -> Iterator[View]:
    """The counts of 32 bits of which this may be the low word: its neighbour answers, unchanged, with no turn seen."""
    if view.bits != 16 or _went_round(view, films):
        return
    for high, whole in as_low_word(view, "u32"):
        if high not in busy and films and films[-1] and high in films[-1][-1].words:
            yield whole


def _went_round(view: View, films: Sequence[Film]) -> bool:
    """Whether it passed from its highest number to 0, or back."""
    return any(
        abs(after - before) > 2 ** (view.bits - 1) for film in films for before, after in pairwise(view.series(film))
    )
