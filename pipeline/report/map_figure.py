"""Map of a whole strip's level by column and line."""

import matplotlib as mpl
import numpy as np
from matplotlib.figure import Figure
from numpy.typing import NDArray

from pipeline.config_base import LINE_BIN
from pipeline.report.figures import _STYLE

__all__ = ["draw_level", "level_change"]


def _medians(values: NDArray[np.float64], axis: int) -> NDArray[np.float64]:
    """Medians of the finite values; NaN where there is none."""
    masked = np.ma.masked_invalid(values)
    return np.ma.filled(np.ma.median(masked, axis=axis, keepdims=True), np.nan)  # type: ignore[no-untyped-call]


def level_change(level: NDArray[np.float64]) -> NDArray[np.float64]:
    """Level over the median of its line and of its column.

    Parameters
    ----------
    level : ndarray of shape (n_bins, n_columns)
        Any unit; NaN where unknown.

    Returns
    -------
    ndarray of shape (n_bins, n_columns)
        Per cent; NaN where unknown.
    """
    with np.errstate(invalid="ignore", divide="ignore"):
        over_line = level / _medians(level, 1)
        change = 100.0 * (over_line / _medians(over_line, 0) - 1.0)
    return np.where(np.isfinite(change), change, np.nan)


def draw_level(level: NDArray[np.float64], *, title: str) -> Figure:
    """Map of `level_change`.

    Parameters
    ----------
    level : ndarray of shape (n_bins, n_columns)
    title : str

    Returns
    -------
    matplotlib.figure.Figure
    """
    change = level_change(level)
    known = np.abs(change[np.isfinite(change)])
    limit = max(float(np.quantile(known, 0.98)) if known.size else 1.0, 0.01)
    n_bins, n_columns = level.shape
    with mpl.rc_context(_STYLE):
        fig = Figure(figsize=(7.6, 4.2), layout="constrained")
        ax = fig.subplots()
        image = ax.imshow(
            np.ma.masked_invalid(change), aspect="auto", origin="lower", vmin=-limit, vmax=limit,
            cmap=mpl.colormaps["PuOr_r"].with_extremes(bad="#999999"), interpolation="nearest",
            extent=(-0.5, n_columns - 0.5, 0, n_bins * LINE_BIN),
        )  # fmt: skip
        ax.grid(visible=False)
        ax.set_title(title)
        ax.set_xlabel("column [px]")
        ax.set_ylabel("line [px]")
        bar = fig.colorbar(image, ax=ax, extend="both")
        bar.set_label("against the medians [%]")
    return fig
