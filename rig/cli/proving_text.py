"""A proving and the meter's page as text, in the words of the trade. Decides nothing."""

from __future__ import annotations

from collections.abc import Sequence

from rig.books.wording import NOT_APPROVED
from rig.ledger.journal import StoredProving
from rig.meter.chart import LIMIT
from rig.meter.health import Verdict
from rig.run.prover import Outcome
from rig.shop.meter_page import MeterPage
from rig.units import show_flow

_BAR = 20


def proving_text(outcome: Outcome, *, simulated: bool) -> str:
    """Runs, spread, factor, uncertainty, and what to do."""
    proving, before = outcome.proving, outcome.before
    lines = [
        f"PROVING with {outcome.trial.fluid.name}" + ("   SIMULATED RIG: every figure is simulated." * simulated),
        "  run    pulses   the vessel holds            there °C  meter °C   flow                     factor",
    ]
    for number, (run, factor) in enumerate(zip(outcome.runs, proving.factors, strict=True), 1):
        flow = "-" if run.flow_lps is None else show_flow(run.flow_lps)
        volume = f"{run.reference_l:.3f} L ({run.reference_l / 3.785411784:.3f} gal)"
        lines.append(
            f"  {number:>3} {run.pulses:>9}   {volume:<26}  {run.vessel_c:6.1f}  {run.meter_c:8.1f}   {flow:<22} "
            f"{factor:.5f}"
        )
    lines += [
        f"  spread         {proving.range_percent:.3f} % between the runs, {outcome.trial.gate.range_percent:g} % is "
        f"allowed (the petroleum trade: {proving.petroleum_range_percent:.2f} %)",
        f"  METER FACTOR   {proving.factor:.5f}  ± {proving.u_percent:.3f} % (runs {proving.u_runs_percent:.3f}, "
        f"reference {proving.u_reference_percent:.3f}); one delivery ± {proving.u_delivery_percent:.2f} %",
        f"  that is        {outcome.k_per_l / proving.factor:.4f} pulses per L where the plate says "
        f"{outcome.k_per_l:g}; the factor until now {before.factor:.5f}",
    ]
    lines += [f"  at {show_flow(flow_lps):<22} {proving.factor * share:.5f}" for flow_lps, share in proving.curve]
    lines += [f"  note           {text}" for text in proving.tells]
    lines += [f"  SURE?          {text}" for text in proving.asks]
    lines += [f"  NOT GOOD       {text}" for text in proving.fails]
    lines.append("  This proving is good." if proving.passed else "  This proving cannot be taken.")
    return "\n".join([*lines, NOT_APPROVED])


def history_text(provings: Sequence[StoredProving]) -> str:
    """One line per proving, oldest first."""
    if not provings:
        return "No proving yet: rig prove --can …"
    lines = []
    for each in provings:
        found = each.check
        doubt = "± ?" if found.u_percent is None else f"± {found.u_percent:.3f} %"
        taken = "taken" if each.accepted else "not taken"
        word = f"VOID: {each.judged.what['why']}" if each.judged and each.void else taken
        lines.append(
            f"{each.number:>4}  {each.at[:16]}  {found.factor:.5f} {doubt:<9}  {len(found.factors)} runs, spread "
            f"{found.range_percent:.3f} %  {found.fluid}  by {found.by or '-'}  {word}  ({each.meter})"
        )
    return "\n".join(lines)


def meter_text(page: MeterPage) -> str:
    """The meter's page."""
    found = page.standing
    runs = f", {found.runs} runs" if found.runs else ""
    where = {
        "proving": f"proving {found.proving} of {found.on} by {found.by or '-'}{runs}",
        "configuration": f"the configuration, proven on {found.on}",
        "nothing": "the configuration, NOT PROVEN",
    }[found.source]
    lines = [
        f"METER  {page.meter}",
        f"  factor         {found.factor:.5f}  ± {found.u_percent:.2f} % of a delivery; from {where}",
    ]
    lines += [f"    at {show_flow(flow):<22} {found.factor * share:.5f}" for flow, share in found.curve]
    lines.append(
        f"  changes        calibration {page.counts['calibration']}, configuration {page.counts['configuration']} "
        "(these counts never go back)"
    )
    lines += [f"    {each.at[:16]}  {each.kind} {each.number}  {_what(each.what)}" for each in page.events]
    lines.append(f"  since then     {page.fills} fills")
    for verdict in page.verdicts:
        lines += _chart_lines(verdict)
    return "\n".join([*lines, f"  DO NEXT        {page.advice}"])


def _what(what: dict[str, object]) -> str:
    changed = what.get("changed")
    if isinstance(changed, dict) and changed:
        return ", ".join(f"{key} {old} → {new}" for key, (old, new) in changed.items())
    if "proving" in what:
        return f"proving {what['proving']} taken, factor {what['factor']:.5f}"
    return str(what.get("why", ""))


def _chart_lines(verdict: Verdict) -> list[str]:
    def bar(value: float) -> str:
        return "#" * min(_BAR, round(_BAR * value / LIMIT))

    return [
        f"  {verdict.text}",
        f"    reads low   |{bar(verdict.low):<{_BAR}}| {verdict.low:.1f} of {verdict.limit:.1f}",
        f"    reads high  |{bar(verdict.high):<{_BAR}}| {verdict.high:.1f} of {verdict.limit:.1f}",
    ]
