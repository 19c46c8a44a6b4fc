"""A recorded fill drawn on one time axis: pressures, flow, litres, relays, alarms. Decides nothing.

The drawing is matplotlib's, which is loaded only here: it comes with the extra `plot`.
"""

from __future__ import annotations

from dataclasses import fields
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rig.control.words.values import Outputs
from rig.run.curves import Curves
from rig.run.refused import Refused
from rig.units import KPA_PER_PSI

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_FORMATS = (".svg", ".png")
_OUTPUTS = tuple(each.name for each in fields(Outputs))


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
            for alarm in curves.alarms:
                axes.axvline(alarm.t_s, color="tab:red", linewidth=1)
        try:
            figure.savefig(into, metadata={"Date": None} if into.suffix == ".svg" else None)
        except OSError as error:
            raise Refused(f"{into}: cannot be written ({error.strerror}); check the disk and the folder") from error


def _draw(curves: Curves, pressure: Axes, flow: Axes, litres: Axes, relays: Axes) -> None:
    setup, t_s = curves.setup, curves.t_s
    pressure.plot(t_s, _gaps(curves.line_kpa), label="line gauge", linewidth=0.8)
    low, high = _gaps(curves.low_kpa), _gaps(curves.high_kpa)
    pressure.fill_between(t_s, low, high, alpha=0.25, color="tab:orange", linewidth=0)
    pressure.plot(t_s, _gaps(curves.tyre_kpa), label="tyre, as believed", linewidth=1.2)
    pressure.set_ylabel("kPa")
    psi = pressure.secondary_yaxis("right", functions=(_as_psi, _as_kpa))
    psi.set_ylabel("psi")
    flow.plot(t_s, [60 * each for each in curves.flow_lps], linewidth=0.8)
    flow.set_ylabel("flow, L/min")
    litres.plot(t_s, curves.in_tyre_l, label="in the tyre, counted")
    litres.set_ylabel("L")
    if setup is not None:
        pressure.axhline(setup.window.ceiling_kpa, color="grey", linestyle=":", label="ceiling")
        pressure.axhline(setup.trip_kpa, color="tab:red", linestyle=":", label="trip")
        litres.axhline(setup.target_l, color="grey", linestyle=":", label="target")
    pressure.legend(loc="lower left", bbox_to_anchor=(0, 1), ncols=4, fontsize="small", frameon=False)
    litres.legend(loc="lower right", fontsize="small")
    used = [name for name in _OUTPUTS if any(name in each for each in curves.on)]
    for row, name in enumerate(used):
        on = [name in each for each in curves.on]
        relays.fill_between(t_s, row - 0.35, row + 0.35, where=on, step="post")
    relays.set_yticks(range(len(used)), [name.replace("_", " ") for name in used])
    relays.set_xlabel("s")
    for alarm in curves.alarms:
        pressure.annotate(
            alarm.name.replace("_", " "), (alarm.t_s, 1), xycoords=("data", "axes fraction"), rotation=90,
            color="tab:red", ha="right", va="top", fontsize="small",
        )  # fmt: skip


def _gaps(values: list[float | None]) -> list[float]:
    """The values with a gap where there is none."""
    return [float("nan") if value is None else value for value in values]


def _as_psi(kpa: Any) -> Any:  # noqa: ANN401  # whatever array the library scales
    return kpa / KPA_PER_PSI


def _as_kpa(psi: Any) -> Any:  # noqa: ANN401
    return psi * KPA_PER_PSI
