"""A recorded fill drawn on one time axis: pressures, flow, litres, relays, alarms. Decides nothing.

The drawing is matplotlib's, which is loaded only here: it comes with the extra `plot`.
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rig.control.decide import Decision
from rig.control.unsafe import tyre_shown
from rig.control.values import Outputs, Setup
from rig.run.refused import Refused
from rig.run.scans import Scan
from rig.units import KPA_PER_PSI

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_FORMATS = (".svg", ".png")
_OUTPUTS = tuple(each.name for each in fields(Outputs))


@dataclass
class Curves:
    """What is drawn, one value a scan."""

    t_s: list[float] = field(default_factory=list)
    """Seconds from the first scan; an interruption has no length."""
    line_kpa: list[float | None] = field(default_factory=list)
    tyre_kpa: list[float | None] = field(default_factory=list)
    """What the controller takes for the tyre's pressure."""
    flow_lpm: list[float] = field(default_factory=list)
    in_tyre_l: list[float] = field(default_factory=list)
    relays: list[Outputs] = field(default_factory=list)
    alarms: list[tuple[float, str]] = field(default_factory=list)
    setup: Setup | None = None
    _since_s: float = 0.0
    _last_s: float = 0.0

    def see(self, setup: Setup, scan: Scan, decision: Decision) -> None:
        """Take in one scan."""
        now_s, facts = scan.reading.now_s, decision.facts
        if self.setup is None or now_s < self._last_s:
            self._since_s = now_s - (self.t_s[-1] if self.t_s else 0.0)
        self.setup, self._last_s = setup, now_s
        self.t_s.append(now_s - self._since_s)
        self.line_kpa.append(facts.reading.line_kpa)
        self.tyre_kpa.append(tyre_shown(setup, decision.state, facts).kpa)
        self.flow_lpm.append(60 * facts.flow_lps)
        self.in_tyre_l.append(facts.in_tyre_l)
        self.relays.append(decision.outputs)
        self.alarms += [(self.t_s[-1], str(data["name"])) for kind, data in scan.entries if kind == "alarm"]


def plotted(curves: Curves, title: str, into: Path) -> None:
    """Draw into a file by its suffix; Refused for another suffix, without matplotlib, or if it cannot be written."""
    if into.suffix not in _FORMATS:
        raise Refused(f"--plot {into}: name a file that ends with {' or '.join(_FORMATS)}")
    try:
        import matplotlib as mpl
        from matplotlib.figure import Figure
    except ImportError as error:
        raise Refused("--plot needs matplotlib: install this program with its extra, `ballast-rig[plot]`") from error
    # Letters as text, so that the names in a drawing can be found; no date, so that the same fill is the same file.
    with mpl.rc_context({"svg.fonttype": "none", "svg.hashsalt": title}):
        figure = Figure(figsize=(11, 8), layout="constrained")
        pressure, flow, litres, relays = figure.subplots(4, 1, sharex=True, height_ratios=(3, 2, 2, 1.5))
        figure.suptitle(f"fill {title}")
        _draw(curves, pressure, flow, litres, relays)
        for axes in (pressure, flow, litres, relays):
            for at_s, _ in curves.alarms:
                axes.axvline(at_s, color="tab:red", linewidth=1)
        try:
            figure.savefig(into, metadata={"Date": None} if into.suffix == ".svg" else None)
        except OSError as error:
            raise Refused(f"{into}: cannot be written ({error.strerror}); check the disk and the folder") from error


def _draw(curves: Curves, pressure: Axes, flow: Axes, litres: Axes, relays: Axes) -> None:
    setup, t_s = curves.setup, curves.t_s
    pressure.plot(t_s, _gaps(curves.line_kpa), label="line gauge", linewidth=0.8)
    pressure.plot(t_s, _gaps(curves.tyre_kpa), label="tyre, as believed", linewidth=1.2)
    pressure.set_ylabel("kPa")
    psi = pressure.secondary_yaxis("right", functions=(_as_psi, _as_kpa))
    psi.set_ylabel("psi")
    flow.plot(t_s, curves.flow_lpm, linewidth=0.8)
    flow.set_ylabel("flow, L/min")
    litres.plot(t_s, curves.in_tyre_l, label="in the tyre, counted")
    litres.set_ylabel("L")
    if setup is not None:
        pressure.axhline(setup.window.ceiling_kpa, color="grey", linestyle=":", label="ceiling")
        pressure.axhline(setup.trip_kpa, color="tab:red", linestyle=":", label="trip")
        litres.axhline(setup.target_l, color="grey", linestyle=":", label="target")
    pressure.legend(loc="lower left", bbox_to_anchor=(0, 1), ncols=4, fontsize="small", frameon=False)
    litres.legend(loc="lower right", fontsize="small")
    used = [name for name in _OUTPUTS if any(getattr(each, name) for each in curves.relays)]
    for row, name in enumerate(used):
        on = [getattr(each, name) for each in curves.relays]
        relays.fill_between(t_s, row - 0.35, row + 0.35, where=on, step="post")
    relays.set_yticks(range(len(used)), [name.replace("_", " ") for name in used])
    relays.set_xlabel("s")
    for at_s, name in curves.alarms:
        pressure.annotate(
            name.replace("_", " "), (at_s, 1), xycoords=("data", "axes fraction"), rotation=90, color="tab:red",
            ha="right", va="top", fontsize="small",
        )  # fmt: skip


def _gaps(values: list[float | None]) -> list[float]:
    """The values with a gap where there is none."""
    return [float("nan") if value is None else value for value in values]


def _as_psi(kpa: Any) -> Any:  # noqa: ANN401  # whatever array the library scales
    return kpa / KPA_PER_PSI


def _as_kpa(psi: Any) -> Any:  # noqa: ANN401
    return psi * KPA_PER_PSI
