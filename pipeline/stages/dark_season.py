"""Bias and dark for a night that has none: the mean of other nights, with honest errors."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaincinv

from pipeline.stages.dark import DarkVector

__all__ = ["combine_darks"]

_F = NDArray[np.float64]


def _weigh(error: _F) -> _F:
    """Inverse variances of nights and columns; zero where nothing is known."""
    known = np.isfinite(error) & (error > 0)
    return np.where(known, 1.0 / np.where(known, error, 1.0) ** 2, 0.0)


def _average(value: _F, error: _F) -> tuple[_F, _F, _F]:
    """Weighted mean of nights, its variance, and the shares of the nights."""
    weight = _weigh(error)
    total = weight.sum(axis=0)
    safe = np.where(total > 0, total, 1.0)
    mean = (weight * np.where(weight > 0, value, 0.0)).sum(axis=0) / safe
    return mean, np.where(total > 0, 1.0 / safe, np.inf), weight / safe


def _scatter(value: _F, error: _F) -> float:
    """Variance by which nights differ beyond their errors, typical of the columns."""
    weight = _weigh(error)
    number = (weight > 0).sum(axis=0)
    enough = number > 1
    if not enough.any():
        return 0.0
    mean, _, _ = _average(value, error)
    square = (weight * np.where(weight > 0, value - mean, 0.0) ** 2).sum(axis=0)[enough]
    freedom = float(np.median(number[enough])) - 1.0
    # Median over columns, so that hot ones, which wander, decide nothing.
    ratio = float(np.median(square)) / float(2.0 * gammaincinv(0.5 * freedom, 0.5))
    typical = float(np.median((number / np.maximum(weight.sum(axis=0), 1e-30))[enough]))
    return max(0.0, ratio - 1.0) * typical


def combine_darks(darks: Sequence[DarkVector]) -> DarkVector:
    """Mean bias and dark of several nights, as an estimate for another one.

    Parameters
    ----------
    darks : sequence of DarkVector
        Of nights with shutter-closed strips, of one chip.

    Returns
    -------
    DarkVector
        Errors hold what nights differ by beyond their own errors; ``total`` is for the line
        period of the first.

    Raises
    ------
    ValueError
        If the list is empty or the columns differ in number.
    """
    if len(darks) == 0 or len({d.n_columns for d in darks}) > 1:
        msg = (
            "darks must hold at least one DarkVector, all of one width, "
            f"received {[d.n_columns for d in darks]}"
        )
        raise ValueError(msg)
    first = darks[0]
    same = [d.for_period(first.line_period) for d in darks]
    bias, bias_var, share = _average(
        np.array([d.bias for d in same]), np.array([d.bias_err for d in same])
    )
    dark, dark_var, _ = _average(
        np.array([d.dark for d in same]), np.array([d.dark_err for d in same])
    )
    # Bias and dark of a night are told apart by its few bins of the ramp; how far nights differ
    # shows in their sum. It is taken for the bias, as another night's own draw.
    more = _scatter(np.array([d.total for d in same]), np.array([d.total_err for d in same]))
    bias_err = np.sqrt(bias_var + more * (1.0 + 1.0 / len(same)))
    dark_err = np.sqrt(dark_var)
    covariance = (share**2 * np.array([d.covariance for d in same])).sum(axis=0)
    return DarkVector(
        bias, bias_err, dark, dark_err, covariance, bias, bias_err, first.n_stage,
        first.line_period, np.full(len(bias), np.nan), sum(d.n_strips for d in darks), (),
    ).for_period(first.line_period)  # fmt: skip
