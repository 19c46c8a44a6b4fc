"""How often a sound tank is called wrong, and how surely what is wrong is found and named: ``python -m sim stock``."""

from __future__ import annotations

import math
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from functools import partial
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from rig.ledger.explaining import (
    CLAIM_READINGS,
    FALSE_ALARM_DAYS,
    SPREADS,
    USUAL_DAYS,
    Candidates,
    Explained,
    candidates_of,
    covariances,
    explain,
    missing_of,
)
from rig.ledger.stocktaking import Reading, readings_of
from sim.stock_shop import Shop, Tank

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from rig.ledger.explaining import Cause, Numbers

SOUND: dict[str, Shop] = {
    "a dip in the evening, ± 4 L": Shop(),
    "the same, around loads too": Shop(around_loads=True),
    "on 6 days of 10": Shop(dipped=0.6),
    "± 1 L": Shop(dip_u_l=1.0),
    "dips 1.5 times as uncertain as stated": Shop(dip_factor=1.5),
    "dips twice as uncertain as stated": Shop(dip_factor=2.0),
    "dips half as uncertain as stated": Shop(dip_factor=0.5),
    "dipstick's slope 0.5 % wrong": Shop(scale_error=0.005),
    "15 K by the season, 5 K by the day": Shop(season_k=15.0),
    "yard tank of 10,000 L, ± 15 L, 4 loads a week": Shop(size_l=1e4, dip_u_l=15.0, fills_a_day=0.8, yard=True),
}
"""Tanks with nothing wrong."""
_LEAK = Shop(days=14, leak_l_per_day=2.0)
_BIAS = Shop(days=30, bias=0.003)
WRONG: dict[str, tuple[Cause, Shop]] = {
    **{f"leak 2 L/day, 14 days, ± {u:g} L": ("leak", replace(_LEAK, dip_u_l=u)) for u in (1.0, 2.0, 4.0, 8.0)},
    **{
        f"the same, loads known within 2 L, ± {u:g} L": ("leak", replace(_LEAK, load_u_l=2.0, dip_u_l=u))
        for u in (2.0, 4.0)
    },
    "the same, around loads, ± 4 L": ("leak", replace(_LEAK, around_loads=True)),
    "the same, after 60 sound days": ("leak", replace(_LEAK, around_loads=True, days=74, wrong_on=60)),
    "leak 2 L/day, 14 days, ± 4 L, every day alike": ("leak", replace(_LEAK, same=True)),
    **{f"meter 0.3 %, 30 days, ± {u:g} L": ("meter", replace(_BIAS, dip_u_l=u)) for u in (1.0, 2.0, 4.0, 8.0)},
    **{
        f"meter 0.3 %, 30 days, loads known within 2 L, ± {u:g} L": ("meter", replace(_BIAS, load_u_l=2.0, dip_u_l=u))
        for u in (1.0, 2.0, 4.0, 8.0)
    },
    "the same, ± 4 L, after 60 sound days": ("meter", replace(_BIAS, load_u_l=2.0, days=90, wrong_on=60)),
    "meter 0.3 %, 30 days, ± 4 L, every day alike": ("meter", replace(_BIAS, same=True)),
    "hose 0.5 L a use, 30 days, around loads, ± 1 L": (
        "hose", Shop(days=30, around_loads=True, dip_u_l=1.0, hose_l=0.5),
    ),
    "loads 0.5 % short, 30 days, around loads, ± 1 L": (
        "loaded", Shop(days=30, around_loads=True, dip_u_l=1.0, short=0.005),
    ),
    "40 L loaded unbooked, 5 days ago, ± 4 L": ("step", Shop(days=35, wrong_on=30, unbooked_l=40.0)),
}  # fmt: skip
"""Tanks with one thing wrong, and its cause."""

_APART_DAYS = 14.0
_MOST_LOG = np.float32(80.0)
"""No larger logarithm is needed, or has an exponential."""


@dataclass(frozen=True, slots=True)
class Named:
    """What was said of a tank with one thing wrong."""

    found: bool
    among: bool
    """The true cause is among the named."""
    alone: bool
    inside: bool
    """Its stated uncertainty holds the truth."""


def readings_in(shop: Shop, seed: int) -> list[Reading]:
    """The readings of a simulated tank."""
    return readings_of(Tank(shop, seed).work(), shop.size_l)


def running(readings: Sequence[Reading]) -> Numbers:
    """The statistic of the first finding as it was after each reading but the first, in days."""
    missing, candidates = missing_of(readings), candidates_of(readings)
    count = CLAIM_READINGS + np.arange(1.0, len(missing) + 1)
    nothing, ratios = [], []
    for noise in covariances(readings):
        root = np.linalg.cholesky(noise)
        white = np.linalg.solve(root, np.column_stack([missing, candidates.columns]))
        left, columns = white[:, 0], white[:, 1:]
        whole = CLAIM_READINGS + np.cumsum(left**2)
        along, square = np.cumsum(columns * left[:, None], axis=0), np.cumsum(columns**2, axis=0)
        nothing.append(-np.cumsum(np.log(np.diag(root))) - 0.5 * count * np.log(whole))
        ratios.append(_weighed(candidates, along**2 / whole[:, None], square, count))
    share = np.exp(nothing - np.logaddexp.reduce(nothing))
    days: Numbers = (share * ratios).sum(axis=0)
    return days


def _weighed(candidates: Candidates, along: Numbers, square: Numbers, count: Numbers) -> Numbers:
    """Sum of the likelihood ratios with one covariance, weighted by the days that each stands for.

    In single precision, which takes a quarter of the time.
    """
    days = np.where(square > 0, np.exp(candidates.log_weight) / len(SPREADS), 0.0).astype(np.float32)
    half, found = (0.5 * count[:, None]).astype(np.float32), np.zeros(len(count))
    for size in (spread * candidates.size for spread in SPREADS):
        wide = (1 + size**2 * square).astype(np.float32)
        log_ratio = -half * np.log1p(-(size**2 * along).astype(np.float32) / wide)
        found += (days * np.exp(np.minimum(log_ratio, _MOST_LOG)) / np.sqrt(wide)).sum(axis=1)
    return found


def false_alarms(shop: Shop, seed: int) -> int:
    """How often in its days a sound tank is called wrong after a fortnight in which it was not."""
    readings = readings_in(shop, seed)
    over = running(readings) >= FALSE_ALARM_DAYS
    return _apart([each.days for each, wrong in zip(readings[1:], over, strict=True) if wrong])


def false_alarms_by_day(shop: Shop, seed: int) -> int:
    """The same as `rig stock explain` says it every night, from the readings of its usual number of days."""
    moves, called = Tank(shop, seed).work(), []
    for day in range(1, shop.days):
        now = datetime.fromisoformat(moves[0].at) + timedelta(days=day)
        since, until = ((now - timedelta(days=ago)).isoformat(timespec="milliseconds") for ago in (USUAL_DAYS, 0))
        readings = readings_of((each for each in moves if since <= each.at < until), shop.size_l)
        if explain(readings).findings:
            called.append(float(day))
    return _apart(called)


def _apart(days: Sequence[float]) -> int:
    """How many of these days have none in the fortnight before."""
    return sum(day - before >= _APART_DAYS for before, day in pairwise([-_APART_DAYS, *days]))


def named(cause: Cause, shop: Shop, seed: int) -> Named:
    """What is said at the end of a tank's days."""
    said = explain(readings_in(shop, seed))
    causes = [each.cause for finding in said.findings for each in finding.causes]
    return Named(bool(said.findings), cause in causes, causes == [cause], _inside(cause, shop, said))


def _inside(cause: Cause, shop: Shop, said: Explained) -> bool:
    truth = {
        "meter": shop.bias, "leak": shop.leak_l_per_day, "hose": shop.hose_l, "loaded": shop.short,
        "step": -shop.unbooked_l,
    }[cause]  # fmt: skip
    sizes = [each for finding in said.findings for each in finding.causes if each.cause == cause]
    return any(abs(each.size - truth) <= each.u for each in sizes)


def stock_table(years: int, cases: int, seed: int, jobs: int, say: Callable[[str], None]) -> None:
    """Print false alarms in some ``years`` of each sound tank, then findings in ``cases`` of each other one."""
    with ProcessPoolExecutor(jobs) as pool:
        say("| sound tank | tank-years | false alarms | in a year |\n| --- | --- | --- | --- |")
        by_day = f"the first, as said every night by the last {USUAL_DAYS} days"
        rows = [(name, partial(false_alarms, shop), 2 * years) for name, shop in SOUND.items()]
        for name, counted, tanks in [*rows, (by_day, partial(false_alarms_by_day, Shop()), math.ceil(years / 3))]:
            counts = list(pool.map(counted, range(seed, seed + tanks)))
            tank_years = tanks * Shop().days / 365
            say(f"| {name} | {tank_years:.0f} | {sum(counts)} | {sum(counts) / tank_years:.2f} |")
        say("\n| what is wrong | cases | found | named, perhaps beside others | named alone | size inside |")
        say("| --- | --- | --- | --- | --- | --- |")
        for name, (cause, shop) in WRONG.items():
            seen = list(pool.map(partial(named, cause, shop), range(seed, seed + cases), chunksize=4))
            among = sum(each.among for each in seen)
            shares = [sum(each.found for each in seen), among, sum(each.alone for each in seen)]
            inside = f"{sum(each.inside for each in seen) / among:.0%}" if among else "–"
            say(f"| {name} | {cases} | {' | '.join(f'{share / cases:.0%}' for share in shares)} | {inside} |")
