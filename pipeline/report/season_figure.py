"""Picture of a season: the response of every interval, and how each night differs."""

from collections.abc import Sequence
from dataclasses import dataclass

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from pipeline.report.figures import _STYLE, INK, PALETTE

__all__ = ["SeasonPanel", "draw_season"]


@dataclass(frozen=True)
class SeasonPanel:
    """One chip and filter.

    Parameters
    ----------
    title : str
    nights : sequence of str
        In order.
    response : ndarray of shape (n_nights, n_columns)
        Of each night alone; NaN where a column is masked.
    first : sequence of int
        Position of the first night of each interval.
    intervals : ndarray of shape (n_intervals, n_columns)
        Combined response.
    """

    title: str
    nights: Sequence[str]
    response: NDArray[np.float64]
    first: Sequence[int]
    intervals: NDArray[np.float64]


def draw_season(panels: Sequence[SeasonPanel]) -> Figure:
    """Responses of a season against column and night, with the nights of change marked.

    Parameters
    ----------
    panels : sequence of SeasonPanel

    Returns
    -------
    matplotlib.figure.Figure

    Raises
    ------
    ValueError
        If there is no panel.
    """
    if len(panels) == 0:
        msg = "panels must hold at least one SeasonPanel, received none"
        raise ValueError(msg)
    tallest = max(len(p.nights) for p in panels)
    with mpl.rc_context(_STYLE):
        high = 2.6 + min(4.5, max(1.6, 0.28 * tallest))
        fig = Figure(figsize=(8.0, 0.5 + high * len(panels)), layout="constrained")
        axes = fig.subplots(
            2 * len(panels), 1, squeeze=False,
            height_ratios=[2.4, high - 2.4] * len(panels),
        )[:, 0]  # fmt: skip
        for number, panel in enumerate(panels):
            upper, lower = axes[2 * number], axes[2 * number + 1]
            _draw_intervals(upper, panel)
            image, limit = _draw_nights(lower, panel)
            bar = fig.colorbar(image, ax=lower, pad=0.015, aspect=14, extend="both")
            bar.set_label("against the first\ninterval [%]")
            bar.set_ticks([-limit, 0.0, limit])
            bar.outline.set_visible(False)
    return fig


def _draw_intervals(ax: Axes, panel: SeasonPanel) -> None:
    ax.set_title(panel.title, pad=22)  # room for the legend
    for number, (first, values) in enumerate(zip(panel.first, panel.intervals, strict=True)):
        stop = panel.first[number + 1] if number + 1 < len(panel.first) else len(panel.nights)
        names = panel.nights[first], panel.nights[stop - 1]
        label = names[0] if names[0] == names[1] else f"{names[0]} to {names[1]}"
        ax.plot(values, color=PALETTE[number % len(PALETTE)], linewidth=0.9, label=label)
    ax.set_xlim(-0.5, panel.response.shape[1] - 0.5)
    ax.set_ylabel("response\n[relative]")
    ax.set_xlabel("column [px]")
    if len(panel.first) <= len(PALETTE):
        ax.legend(
            loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=min(3, len(panel.first)),
            fontsize=8, borderaxespad=0.0,
        )  # fmt: skip


def _draw_nights(ax: Axes, panel: SeasonPanel) -> tuple[mpl.cm.ScalarMappable, float]:
    with np.errstate(invalid="ignore", divide="ignore"):
        change = 100.0 * (panel.response / panel.intervals[0] - 1.0)
    known = np.abs(change[np.isfinite(change)])
    # Nearly all columns within the scale; dust may leave it.
    limit = float(np.quantile(known, 0.98)) if known.size else 1.0
    step = 10.0 ** np.floor(np.log10(max(limit, 0.05)))
    limit = float(np.ceil(limit / step) * step)
    colours = mpl.colormaps["PuOr_r"].with_extremes(bad="#d9d9d9")
    image = ax.imshow(
        np.ma.masked_invalid(change), aspect="auto", cmap=colours, vmin=-limit, vmax=limit,
        interpolation="nearest",
    )  # fmt: skip
    ax.grid(visible=False)
    n = len(panel.nights)
    ax.set_ylim(n - 0.5, -0.5)
    shown = np.unique(np.linspace(0, n - 1, min(n, 14)).round().astype(int))
    ax.set_yticks(shown, [panel.nights[i] for i in shown])
    ax.set_xlabel("column [px]   (grey: masked)")
    ax.set_ylabel("night")
    for first in panel.first[1:]:
        ax.axhline(first - 0.5, color=INK, linewidth=1.6)
        ax.annotate(
            f"response changed before {panel.nights[first]}",
            (0.99, first - 0.5), xycoords=("axes fraction", "data"), xytext=(0, -3),
            textcoords="offset points", ha="right", va="top", fontsize=8, color=INK,
            bbox={"boxstyle": "round,pad=0.25", "fc": "white", "ec": "none", "alpha": 0.85},
        )  # fmt: skip
    return image, limit
