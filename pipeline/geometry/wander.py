"""Slow wander of the line of sight along a strip: uniform cubic splines of the line."""

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.geometry.camera import FloatArray

__all__ = ["Wander", "mean_weights", "spline_weights"]

INVERSE_STEPS = 50
INVERSE_TOLERANCE = 1e-10  # lines


def spline_weights(
    line: ArrayLike, *, first: float, step: float, n_intervals: int
) -> tuple[NDArray[np.int64], FloatArray]:
    """First coefficient and the four weights of a uniform cubic B-spline at each line.

    Parameters
    ----------
    line : array_like
        Lines; values outside the knots are moved to the nearest end.
    first, step : float
        First knot and knot interval, lines.
    n_intervals : int
        Number of intervals; the spline has ``n_intervals + 3`` coefficients.

    Returns
    -------
    index : ndarray of int
        Index of the first of the four coefficients.
    weights : ndarray of shape (..., 4)
    """
    x = np.clip((np.asarray(line, np.float64) - first) / step, 0.0, n_intervals)
    x = np.where(np.isfinite(x), x, 0.0)
    index = np.minimum(x.astype(np.int64), n_intervals - 1)
    t = x - index
    s = 1.0 - t
    weights = np.stack(
        [
            s**3 / 6.0,
            2.0 / 3.0 - t * t + 0.5 * t**3,
            2.0 / 3.0 - s * s + 0.5 * s**3,
            t**3 / 6.0,
        ],
        axis=-1,
    )
    return index, weights


def mean_weights(n_intervals: int) -> FloatArray:
    """Weights of the coefficients in the spline's mean over all its intervals; they sum to 1.

    Parameters
    ----------
    n_intervals : int

    Returns
    -------
    ndarray of shape (n_intervals + 3,)
    """
    # The integrals of the four weights over one interval.
    one = np.array([1.0, 11.0, 11.0, 1.0]) / 24.0
    return np.convolve(np.ones(n_intervals), one) / n_intervals


@dataclass(frozen=True, eq=False)
class Wander:
    """Offsets of line and column as functions of the line that a steady telescope would give.

    Parameters
    ----------
    first, step : float
        First knot and knot interval, lines.
    line, column : ndarray
        Coefficients of the cubic B-splines, pixels; ``n_intervals + 3`` each.

    Raises
    ------
    ValueError
        If there are fewer than four coefficients or the two differ in number.
    """

    first: float
    step: float
    line: FloatArray = field(repr=False)
    column: FloatArray = field(repr=False)

    def __post_init__(self) -> None:
        if len(self.line) != len(self.column) or len(self.line) < 4:
            raise ValueError(
                "wander.line and wander.column need the same number of coefficients, at least 4, "
                f"got {len(self.line)} and {len(self.column)}"
            )
        if not self.step > 0:
            raise ValueError(f"wander.step must be positive (lines), got {self.step}")

    @property
    def n_intervals(self) -> int:
        """Number of knot intervals."""
        return len(self.line) - 3

    def evaluate(self, line: ArrayLike) -> tuple[FloatArray, FloatArray]:
        """Offsets of line and column at steady lines, pixels."""
        index, weights = spline_weights(
            line, first=self.first, step=self.step, n_intervals=self.n_intervals
        )
        four = index[..., None] + np.arange(4)
        return (
            np.sum(self.line[four] * weights, axis=-1),
            np.sum(self.column[four] * weights, axis=-1),
        )

    def steady_line(self, line: ArrayLike) -> FloatArray:
        """Line that a steady telescope would have given: solves ``steady + offset = line``."""
        line = np.asarray(line, np.float64)
        steady = line
        for _ in range(INVERSE_STEPS):
            update = line - self.evaluate(steady)[0]
            change = np.nanmax(np.abs(update - steady), initial=0.0)
            steady = update
            if change < INVERSE_TOLERANCE:
                break
        return steady

    def to_dict(self) -> dict[str, Any]:
        """Plain numbers for JSON."""
        return {
            "first": float(self.first),
            "step": float(self.step),
            "line": [float(c) for c in self.line],
            "column": [float(c) for c in self.column],
        }

    @classmethod
    def from_dict(cls, values: dict[str, Any]) -> "Wander":
        """The inverse of `to_dict`."""
        return cls(
            first=float(values["first"]),
            step=float(values["step"]),
            line=np.asarray(values["line"], np.float64),
            column=np.asarray(values["column"], np.float64),
        )
