"""Map of a whole strip's level by column and line."""

import warnings

import matplotlib as mpl
import numpy as np
from matplotlib.figure import Figure
from numpy.typing import NDArray

from pipeline.config_base import LINE_BIN
from pipeline.report.figures import _STYLE

__all__ = ["draw_level", "level_change"]

_MOST = (512, 1024)  # bins and columns drawn: what the picture has pixels for


def _medians(values: NDArray[np.float32], axis: int) -> NDArray[np.float32]:
    """Medians of the values that are not NaN; NaN where there is none."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # of a line or column without a value
        return np.asarray(np.nanmedian(values, axis=axis, keepdims=True))


def level_change(level: NDArray[np.floating]) -> NDArray[np.float32]:
    """Level over the median of its line and of its column.

    Parameters
    ----------
    level : ndarray of shape (n_bins, n_columns)
        Any unit; not finite where unknown.

    Returns
    -------
    ndarray of float32 of shape (n_bins, n_columns)
        Per cent; NaN where unknown.
    """
    # In single precision and in place: that of a whole night has hundreds of megabytes.
    change = np.array(level, dtype=np.float32)
    for axis in (1, 0):
        change[~np.isfinite(change)] = np.nan
        with np.errstate(invalid="ignore", divide="ignore"):
            change /= _medians(change, axis)
    change[~np.isfinite(change)] = np.nan
    change -= 1.0
    change *= 100.0
    return change


def _average(values: NDArray[np.float32], steps: tuple[int, int]) -> NDArray[np.float32]:
    """Averages of what is known in boxes of so many rows and columns; the last may be cut off."""
    known = ~np.isnan(values)
    total = np.where(known, values, np.float32(0))
    count = known.astype(np.int32)
    for axis, step in enumerate(steps):
        firsts = np.arange(0, values.shape[axis], step)
        total = np.add.reduceat(total, firsts, axis=axis)
        count = np.add.reduceat(count, firsts, axis=axis)
    return np.where(count > 0, total / np.maximum(count, 1), np.float32(np.nan)).astype(np.float32)


def draw_level(change: NDArray[np.float32], *, title: str) -> Figure:
    """Map of a level against its medians.

    Parameters
    ----------
    change : ndarray of shape (n_bins, n_columns)
        From `level_change`; averaged where there are more than the picture can show.
    title : str

    Returns
    -------
    matplotlib.figure.Figure
    """
    n_bins, n_columns = change.shape
    along, across = -(-n_bins // _MOST[0]), -(-n_columns // _MOST[1])
    change = _average(change, (along, across))
    known = np.abs(change[np.isfinite(change)])
    limit = max(float(np.quantile(known, 0.98)) if known.size else 1.0, 0.01)
    with mpl.rc_context(_STYLE):
        fig = Figure(figsize=(7.6, 4.2), layout="constrained")
        ax = fig.subplots()
        image = ax.imshow(
            np.ma.masked_invalid(change), aspect="auto", origin="lower", vmin=-limit, vmax=limit,
            cmap=mpl.colormaps["PuOr_r"].with_extremes(bad="#999999"), interpolation="nearest",
            extent=(-0.5, change.shape[1] * across - 0.5, 0, change.shape[0] * along * LINE_BIN),
        )  # fmt: skip
        ax.set_xlim(-0.5, n_columns - 0.5)
        ax.set_ylim(0, n_bins * LINE_BIN)
        ax.grid(visible=False)
        ax.set_title(title)
        ax.set_xlabel("column [px]")
        ax.set_ylabel("line [px]")
        bar = fig.colorbar(image, ax=ax, extend="both")
        bar.set_label("against the medians [%]")
    return fig
