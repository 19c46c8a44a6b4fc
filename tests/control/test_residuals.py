"""Plausibility checks one by one: silent on every scan of a sound fill, and telling once a gauge is far enough off.

What a gauge may show is compared with the laws, computed here: gas by Boyle's, a column by its weight, the loss of an
orifice with the square of the flow (any handbook). Simulated moments; the errors are put into them.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import cache

import pytest
from virtual_fills import PSI, fill_of, rig_settings

from rig.control.belief import residuals
from rig.control.belief.observe import Facts
from rig.control.belief.pressure import Band
from rig.control.moves.decide import Decision
from rig.control.words.procedure import Phase
from rig.control.words.values import Setup
from rig.plan.physics import head_kpa
from rig.run.assembly import Question

Moment = tuple[Setup, Facts]


@cache
def sound(layout: str) -> Sequence[Moment]:
    """Every scan of a sound fill of a small wheel."""
    fill = fill_of(rig_settings(layout, sim__size="11L-15"), Question("11L-15"))
    moments: list[Moment] = []

    def watch(decision: Decision) -> None:
        if decision.facts is not None:
            moments.append((fill.setup, decision.facts))

    fill.watch = watch
    assert fill.run().state.state.value == "complete"
    return moments


def found(name: str, setup: Setup, facts: Facts) -> bool:
    check: Callable[..., bool] = getattr(residuals, name)
    needs_setup = check.__code__.co_argcount == 2
    return check(setup, facts) if needs_setup else check(facts)


def on_line(facts: Facts, kpa: float) -> Facts:
    return replace(facts, reading=replace(facts.reading, line_kpa=kpa))


def gas(facts: Facts) -> Band:
    assert facts.gas is not None
    return facts.gas


def tyre_off(psi: float) -> Callable[[Setup, Facts], Facts]:
    """The gauge at rest so far outside what the air space allows."""

    def changed(_: Setup, facts: Facts) -> Facts:
        from_kpa = gas(facts).shows_high if psi > 0 else gas(facts).shows_low
        return replace(facts, tyre_kpa=from_kpa + psi * PSI)

    return changed


def line_above(psi: float) -> Callable[[Setup, Facts], Facts]:
    """The line above liquid's head and loss on top of the air space's highest pressure."""
    return lambda setup, facts: on_line(
        facts, gas(facts).shows_high + head_kpa(setup.line, facts.covered_m) + 1.25 * facts.loss_kpa + psi * PSI
    )


def line_below(psi: float) -> Callable[[Setup, Facts], Facts]:
    """The line so far below the air space's lowest pressure with the head of the liquid's column."""
    return lambda setup, facts: on_line(facts, gas(facts).shows_low + head_kpa(setup.line, facts.covered_m) - psi * PSI)


def band_off(psi: float) -> Callable[[Setup | None, Facts], Facts]:
    """In flow: the pressure by the line so far outside that by the air space."""

    def changed(_: Setup | None, facts: Facts) -> Facts:
        middle = gas(facts).shows_high + psi * PSI if psi > 0 else gas(facts).shows_low + psi * PSI
        return replace(facts, line=Band(middle, middle, middle))

    return changed


def at_rest(facts: Facts) -> bool:
    return facts.rests and facts.gas is not None and facts.tyre_kpa is not None


def draws_air(facts: Facts) -> bool:
    return facts.reverse and facts.air_at_pump and facts.gas is not None


def fills(facts: Facts) -> bool:
    return facts.phase is Phase.FILL and facts.forward and facts.steady and facts.wet and facts.run_s > 5.0


def fills_known(facts: Facts) -> bool:
    return fills(facts) and facts.loss_known and facts.gas is not None and facts.line is not None


CHECKS = (
    "air_stays_on_gauge", "stands_through_flow", "fell_too_far", "falls_too_far", "stays_too_high", "drew_against_shut",
    "blocked_ahead", "below_tyre", "rises_too_little", "rises_too_much", "rose_too_little", "rose_uncounted", "apart",
    "counts_too_much", "starves", "loses_nothing",
)  # fmt: skip


@pytest.mark.parametrize("layout", ["vent", "draw-down"])
@pytest.mark.parametrize("name", CHECKS)
def test_none_speaks_in_a_sound_fill(name: str, layout: str) -> None:
    # Asked only while the valve is open, as the guards do: a hose off the tyre shows nothing of it.
    assert not [facts for setup, facts in sound(layout) if facts.valve_open and found(name, setup, facts)]


@pytest.mark.parametrize(
    ("name", "layout", "when", "far", "near"),
    [
        ("fell_too_far", "vent", at_rest, tyre_off(-3.1), tyre_off(-2.9)),
        ("stays_too_high", "vent", at_rest, tyre_off(3.1), tyre_off(2.9)),
        ("air_stays_on_gauge", "draw-down", draws_air,
         lambda _, facts: on_line(facts, gas(facts).shows_high + 3.1 * PSI),
         lambda _, facts: on_line(facts, gas(facts).shows_high + 2.9 * PSI)),
        ("apart", "vent", fills_known, band_off(3.1), band_off(2.9)),
        ("apart", "vent", fills_known, band_off(-3.1), band_off(-2.9)),
        ("below_tyre", "vent", fills_known, line_below(3.1), line_above(0.0)),
        ("loses_nothing", "vent", fills_known, line_below(0.1), line_above(0.0)),
        ("counts_too_much", "vent", fills_known, line_below(3.1), line_above(0.0)),
    ],
)  # fmt: skip
def test_each_speaks_from_its_limit_on(
    name: str,
    layout: str,
    when: Callable[[Facts], bool],
    far: Callable[[Setup, Facts], Facts],
    near: Callable[[Setup, Facts], Facts],
) -> None:
    moments = [(setup, facts) for setup, facts in sound(layout) if when(facts)]
    assert len(moments) > 20
    assert all(found(name, setup, far(setup, facts)) for setup, facts in moments)
    assert not any(found(name, setup, near(setup, facts)) for setup, facts in moments)


def test_a_hose_that_meets_a_shut_valve_shows_more_than_liquid_could_need() -> None:
    moments = [
        (setup, replace(facts, wet=False)) for setup, facts in sound("draw-down")
        if facts.forward and facts.loss_known and facts.loss_kpa and facts.gas
    ]  # fmt: skip
    assert len(moments) > 20
    assert all(found("blocked_ahead", setup, line_above(3.1)(setup, facts)) for setup, facts in moments)
    assert not any(found("blocked_ahead", setup, line_above(2.9)(setup, facts)) for setup, facts in moments)


@pytest.mark.parametrize(("share", "speaks"), [(0.4, True), (0.6, False)])
def test_a_rise_of_less_than_half_is_missed_and_more_is_not(share: float, speaks: bool) -> None:
    """The rise that Boyle's law gives for the counted litres, of which the gauge shows only a share."""
    moments = [
        (setup, facts) for setup, facts in sound("vent")
        if fills_known(facts) and facts.stroke.watch_l is not None
        and facts.in_tyre_l - facts.stroke.watch_l > 5.5
    ]  # fmt: skip
    assert len(moments) > 20
    for setup, facts in moments:
        rise_kpa = gas(facts).shows_low - facts.stroke.watch_gas_kpa
        kpa = facts.stroke.watch_line_kpa + share * rise_kpa
        doubt_kpa = 0.5 + 0.05 * facts.loss_kpa
        if speaks:
            kpa -= doubt_kpa
        assert found("rises_too_little", setup, replace(facts, line=Band(kpa, kpa, kpa))) is speaks


def test_flow_and_gauge_that_collapse_together_are_an_empty_suction() -> None:
    """Half the flow: a quarter of the bore's loss, by the square."""
    moments = [
        (setup, facts) for setup, facts in sound("vent")
        if fills_known(facts) and facts.stroke.even_lps and facts.run_s > 8.0
    ]  # fmt: skip
    assert len(moments) > 20
    for setup, facts in moments:
        half = replace(facts, flow_lps=facts.stroke.even_lps / 2)
        assert facts.reading.line_kpa is not None
        fallen = on_line(half, facts.reading.line_kpa - 0.75 * facts.loss_kpa)
        assert found("starves", setup, fallen)
        # A valve that closes raises the gauge, a meter that slips leaves it.
        assert not found("starves", setup, half)
        # Nor does a pump starve that holds the line at its relief valve.
        low = replace(setup, line=replace(setup.line, relief_kpa=fallen.reading.line_kpa / 0.96))
        assert not found("starves", low, fallen)


def test_a_line_below_the_air_space_says_nothing_before_its_loss_is_known() -> None:
    moments = [facts for _, facts in sound("vent") if fills_known(facts)]
    assert all(residuals.apart(band_off(-3.1)(None, facts)) for facts in moments)
    unknown = [replace(facts, loss_known=False) for facts in moments]
    assert not any(residuals.apart(band_off(-30.0)(None, facts)) for facts in unknown)
    assert all(residuals.apart(band_off(3.1)(None, facts)) for facts in unknown)


def test_the_line_is_calm_two_seconds_after_the_pump_has_coasted() -> None:
    setup, facts = next(moment for moment in sound("vent") if at_rest(moment[1]))
    calm_s = setup.line.coast_s + 2.0
    assert not residuals.calm(setup, replace(facts, off_s=calm_s))
    assert residuals.calm(setup, replace(facts, off_s=calm_s + 0.01))
    slow = replace(setup, line_gauge=replace(setup.line_gauge, lag_s=1.3))
    assert not residuals.calm(slow, replace(facts, off_s=calm_s + 4.0))
    assert residuals.calm(slow, replace(facts, off_s=calm_s + 4.01))
