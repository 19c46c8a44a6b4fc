"""A guided search for fills that break one requirement: ``python -m sim splitting``.

Blind drawing bounds what it has not met by 3 in as many fills (the rule of three). Here the judge's own distance to a
breach, the share of its limit that a fill used, leads the way: :mod:`sim.subset_simulation` varies the parts of the
fills that came nearest.
"""

from __future__ import annotations

import json
import random
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from contextlib import ExitStack
from dataclasses import asdict
from typing import TYPE_CHECKING

from sim.campaign import run_case
from sim.scenarios import drawn
from sim.subset_simulation import subset_simulation

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from sim.campaign import Judged
    from sim.scenarios import Case
    from sim.subset_simulation import Estimate, Level, State

_PRINTED = 3
"""How many of the nearest fills are printed, and of those that broke another requirement."""


class Search:
    """The fills of a search: each state is a fill of one kind, with a seed for each of its parts."""

    def __init__(self, kind: Case, requirement: str) -> None:
        self._kind, self.requirement = kind, requirement
        self.others: dict[str, list[Case]] = {}
        """Fills that broke another requirement, by its name."""

    def first(self, count: int) -> list[State]:
        """The fills of a campaign: all parts of each from one seed."""
        seeds = range(self._kind.seed, self._kind.seed + count)
        return [(seed,) * len(self._kind.drawn_parts) for seed in seeds]

    def case(self, state: State) -> Case:
        """The fill of a state: most parts from the seed that most of them have."""
        seed = Counter(state).most_common(1)[0][0]
        each = zip(self._kind.drawn_parts, state, strict=True)
        return self._kind._replace(seed=seed, redrawn=tuple(pair for pair in each if pair[1] != seed))

    def share(self, found: Judged) -> float:
        """The share of the requirement's limit that a fill used: 1 and more in a breach."""
        broken = {breach.name for breach in found.breaches}
        for name in broken - {self.requirement}:
            self.others.setdefault(name, []).append(found.case)
        used = dict(found.used).get(self.requirement, 0.0)
        return max(used, 1.0) if self.requirement in broken else used


def splitting(kind: Case, requirement: str, *, fills: int, levels: int, share: float, jobs: int, as_json: bool) -> int:
    """Search and print; returns the exit status: 1 with a breach, else 0."""
    search = Search(kind, requirement)
    say: Callable[[Level], None] = (lambda _: None) if as_json else _print_level
    with ExitStack() as stack:
        run = map if jobs == 1 else stack.enter_context(ProcessPoolExecutor(jobs)).map

        def measure(states: Sequence[State]) -> list[float]:
            return [search.share(found) for found in run(run_case, map(search.case, states))]

        found = subset_simulation(
            search.first(fills), measure, random.Random(f"{kind.seed} splitting"), wanted=1.0, share=share,
            most_levels=levels, on_level=say,
        )  # fmt: skip
    if as_json:
        print(json.dumps(_document(found, search)))
    else:
        _print(found, search)
    return 1 if found.probability or search.others else 0


def _document(found: Estimate, search: Search) -> dict[str, object]:
    return {
        "requirement": search.requirement,
        "levels": [asdict(level) for level in found.levels],
        "fills": found.measured,
        "probability": found.probability,
        "variation": found.variation if found.probability else None,
        "bound": found.bound,
        "blind_bound": _blind(found),
        "ratio": _blind(found) / found.bound,
        "nearest": [
            {"share": share, "command": case.command, "faults": faults}
            for share, case, faults in _nearest(found, search)
        ],
        "others": [
            {"promise": name, "fills": len(cases), "commands": [case.command for case in cases[:_PRINTED]]}
            for name, cases in sorted(search.others.items())
        ],
    }


def _blind(found: Estimate) -> float:
    """Upper limit at 95 % after as many fills drawn blindly, none of them with a breach."""
    return 3 / found.measured


def _nearest(found: Estimate, search: Search) -> list[tuple[float, Case, list[str]]]:
    cases = [(sample.value, search.case(sample.state)) for sample in found.best[:_PRINTED]]
    return [(share, case, [name for name, _, _ in drawn(case).faults]) for share, case in cases]


def _print_level(level: Level) -> None:
    print(
        f"share {level.at:.3f} reached by {level.reached} of {level.samples}, from {level.ancestors} first fills; "
        f"{level.accepted:.0%} of the changes accepted",
        flush=True,
    )


def _print(found: Estimate, search: Search) -> None:
    estimate = f"{found.probability:.1e} (± {found.variation:.0%})" if found.probability else "no breach"
    print(
        f"{search.requirement}: {estimate}, at most {found.bound:.1e} (95 %) by {found.measured} fills; "
        f"by as many drawn blindly, none with a breach, {_blind(found):.1e}: ratio {_blind(found) / found.bound:.1f}"
    )
    for share, case, faults in _nearest(found, search):
        print(f"{share:8.3f}  {case.command}  ({', '.join(faults) or 'sound'})")
    for name, cases in sorted(search.others.items()):
        print(f"also broken: {name}, in {len(cases)} fills")
        for case in cases[:_PRINTED]:
            print(f"          {case.command}")
