"""Least squares for the fits of a rig: nuisances projected out by stroke, uncertainties that hold for strokes.

The optimiser is scipy's, which comes with the extra `fit` and is loaded only here.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from rig.run.refused import Refused

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Numbers = NDArray[np.float64]


_DIFF = 1e-4
"""Relative step of the numerical derivatives: beyond the small jumps of the models' tables."""


@dataclass(frozen=True, slots=True)
class Fitted:
    """Parameters of one fit, each with its half-width at 95 %."""

    values: tuple[float, ...]
    u95: tuple[float, ...]
    covariance: tuple[tuple[float, ...], ...]
    rms: float
    """Of the residuals."""
    groups: int
    """Strokes, or fills, that they come from."""

    def u95_of(self, weights: Sequence[float]) -> float:
        """Half-width at 95 % of a weighted sum of the parameters."""
        scaled = sum(a * b * self.covariance[i][j] for i, a in enumerate(weights) for j, b in enumerate(weights))
        return float(max(scaled, 0.0) ** 0.5) * _t95(self.groups)


def needed() -> None:
    """Refused, with what to do, where the optimiser is not installed."""
    try:
        import scipy.optimize  # noqa: F401
    except ImportError as error:
        raise Refused("a fit needs scipy: install this program with its extra, `ballast-rig[fit]`") from error


def without(nuisances: Numbers, residuals: Numbers) -> Numbers:
    """What is left of residuals after the best linear combination of the columns of ``nuisances`` (n rows)."""
    import numpy as np

    basis, _ = np.linalg.qr(nuisances)
    return residuals - basis @ (basis.T @ residuals)


def fit(
    residuals: Callable[[Numbers], list[Numbers]],
    start: Sequence[float],
    bounds: tuple[Sequence[float], Sequence[float]],
    scale: Sequence[float],
) -> Fitted:
    """Fit parameters to residuals that come in groups (strokes): errors within a group may depend on each other.

    The covariance is the larger of that of independent residuals and the sandwich of the groups (Liang and Zeger,
    Biometrika 73 (1986) 13, from memory), for each parameter; the quantile is Student's with one less than the groups.
    """
    import numpy as np
    from scipy.optimize import least_squares

    def flat(values: Numbers) -> Numbers:
        return np.concatenate(residuals(values))

    found: Any = least_squares(
        flat, np.asarray(start, float), bounds=bounds, x_scale=np.asarray(scale), diff_step=_DIFF, method="trf"
    )
    parts = residuals(found.x)
    cuts = np.cumsum([len(part) for part in parts])[:-1]
    sizes = np.asarray(scale)
    jac = found.jac * sizes
    jacobians = np.split(jac, cuts)
    _, singular, rows = np.linalg.svd(jac, full_matrices=False)
    # What the residuals hardly see stays uncertain: nothing is cut off.
    inverse = rows.T @ np.diag(np.maximum(singular, 1e-9 * singular[0]) ** -2.0) @ rows
    free = max(len(found.fun) - len(found.x), 1)
    plain = inverse * float(found.fun @ found.fun) / free
    scores = np.array([jacobian.T @ part for jacobian, part in zip(jacobians, parts, strict=True)])
    groups = len(parts)
    robust = inverse @ (scores.T @ scores) @ inverse * groups / max(groups - 1, 1)
    grows = np.sqrt(np.maximum(np.diag(robust) / np.maximum(np.diag(plain), 1e-300), 1.0))
    covariance = plain * np.outer(grows * sizes, grows * sizes)
    u95 = np.sqrt(np.diag(covariance)) * _t95(groups)
    return Fitted(
        tuple(float(each) for each in found.x),
        tuple(float(each) for each in u95),
        tuple(tuple(float(each) for each in row) for row in covariance),
        float(np.sqrt(np.mean(found.fun**2))),
        groups,
    )


def _t95(groups: int) -> float:
    from scipy.stats import t

    return float(t.ppf(0.975, max(groups - 1, 1)))
