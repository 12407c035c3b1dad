"""Figures of a quick look: each takes what was found and returns a Matplotlib figure."""

from collections.abc import Mapping
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from pipeline.glance import Glance, Preview
from pipeline.report.figures import _STYLE, INK, PALETTE
from pipeline.report.moments_figure import draw_moments

__all__ = [
    "draw_course", "draw_glance_moments", "draw_preview", "draw_response", "draw_shares",
    "fold_rows",
]  # fmt: skip

_ROW = 900  # cells side by side, at most
_NO_DATA = "#3b4a6b"
_WIDTH = 7.6  # inch
_LEAST = 0.05  # mag; axis of the dimming
_DOWN = 0.25  # inch from an axis to its label, numbers between
# A title stays where it is put: to look for one above all numbers, each is measured twice.
_FIXED: dict[Any, Any] = {**_STYLE, "axes.titley": 1.0}


def _settle(
    fig: Figure, edges: tuple[float, float, float, float], *, gap: float = 0.0, wide: float = 0.0,
    out: float = 0.0,
) -> None:  # fmt: skip
    """Give axes and their labels fixed places: to search for them takes as long as to draw.

    Parameters
    ----------
    fig : Figure
        With axes that share one grid.
    edges : tuple of float
        Left, bottom, right and top margins, inch.
    gap, wide : float
        Between rows and between columns of axes, inch.
    out : float
        From an axis to the label on its left, inch; room for the numbers.
    """
    fig.set_layout_engine(None)
    across, up = fig.get_size_inches()
    left, bottom, right, top = edges
    place = fig.axes[0].get_subplotspec()
    assert place is not None  # `subplots` made them
    rows, columns = place.get_gridspec().get_geometry()
    height = (up - bottom - top - (rows - 1) * gap) / rows
    width = (across - left - right - (columns - 1) * wide) / columns
    fig.subplots_adjust(
        left / across, bottom / up, 1.0 - right / across, 1.0 - top / up, wide / width,
        gap / height,
    )  # fmt: skip
    for ax in fig.axes:
        box = ax.get_position()
        ax.xaxis.set_label_coords(0.5, -_DOWN / (box.height * up))
        ax.yaxis.set_label_coords(-out / (box.width * across), 0.5)


def fold_rows(preview: Preview) -> list[tuple[int, int]]:
    """Ranges of cells that stand in one row of the folded picture, all about equally long.

    Parameters
    ----------
    preview : Preview

    Returns
    -------
    list of (int, int)
        Half-open.
    """
    n = len(preview.cells)
    rows = max(1, -(-n // _ROW))
    length = -(-n // rows)
    return [(i, min(i + length, n)) for i in range(0, n, length)]


def _stretch(cells: NDArray[np.float32]) -> NDArray[np.float64]:
    """Levels between black and white: sky and its changes below, stars above, by arcsinh."""
    known = cells[np.isfinite(cells)]
    if not known.size:
        return np.full(cells.shape, np.nan)
    low, middle, high = np.percentile(known, [1.0, 50.0, 90.0])
    scale = max(float(high - low), 1e-3 * abs(float(middle)), 1e-6)
    value = np.arcsinh(3.0 * (cells - low) / scale) / np.arcsinh(12.0)
    return np.asarray(np.clip(value, 0.0, 1.0), dtype=float)


def draw_preview(glance: Glance, preview: Preview) -> Figure:
    """The whole strip, folded into rows that are read like lines of text.

    Parameters
    ----------
    glance : Glance
    preview : Preview
        Of at least one cell.

    Returns
    -------
    matplotlib.figure.Figure
    """
    rows = fold_rows(preview)
    image = _stretch(preview.cells)
    minutes = preview.step * glance.line_period / 60.0
    long = rows[0][1] - rows[0][0]
    across = preview.cells.shape[1]
    with mpl.rc_context(_FIXED):
        # True proportions where they can be read; a very short strip is not blown up.
        height = float(np.clip((_WIDTH - 1.0) * across / long, 0.35, 3.2))
        gap, edges = 0.33, (0.62, 0.42, 0.12, 0.3)
        fig = Figure(figsize=(_WIDTH, len(rows) * (height + gap) - gap + edges[1] + edges[3]))
        axes = fig.subplots(len(rows), 1, squeeze=False)[:, 0]
        _settle(fig, edges, gap=gap, out=0.38)
        cmap = mpl.colormaps["gray"].with_extremes(bad=_NO_DATA)
        for number, (ax, (first, stop)) in enumerate(zip(axes, rows, strict=True)):
            ax.grid(visible=False)
            ax.imshow(
                image[first:stop].T, origin="lower", cmap=cmap, vmin=0.0, vmax=1.0, aspect="auto",
                interpolation="nearest",
                extent=(first * minutes, stop * minutes, -0.5, glance.n_columns - 0.5),
            )  # fmt: skip
            ax.set_xlim(first * minutes, (first + long) * minutes)
            ax.set_yticks([0, glance.n_columns - 1])
            ax.tick_params(labelsize=8)
            for spine in ax.spines.values():
                spine.set_visible(False)
            here = [m for m in glance.blocks["minutes"] if first * minutes <= m < stop * minutes]
            ax.plot(
                here, [1.04] * len(here), "v", ms=3, color=PALETTE[1], clip_on=False,
                transform=ax.get_xaxis_transform(),
            )  # fmt: skip
            if number == len(rows) // 2:
                ax.set_ylabel("column [px]")
        axes[0].set_title(f"Strip {glance.name}, time from left to right, row by row", pad=10)
        axes[-1].set_xlabel("minutes since the first line")
    return fig


def _dots(ax: Axes, x: NDArray, y: NDArray, err: NDArray | None, colour: str, label: str) -> None:
    """Samples are points: nothing is known between them, so no line joins them."""
    known = np.isfinite(y)
    if not known.any():
        ax.annotate(
            "not measured", (0.5, 0.5), xycoords="axes fraction", ha="center", va="center",
            color=INK,
        )  # fmt: skip
        return
    bars = None if err is None else np.nan_to_num(err[known])
    ax.errorbar(
        x[known], y[known], bars, fmt="o", ms=3.2, elinewidth=0.9, color=colour, label=label
    )


def draw_course(glance: Glance) -> Figure:
    """Sky, seeing, dimming, star counts and elongation against time.

    Parameters
    ----------
    glance : Glance

    Returns
    -------
    matplotlib.figure.Figure
    """
    b = glance.blocks
    x = b["minutes"]
    with mpl.rc_context(_FIXED):
        fig = Figure(figsize=(_WIDTH, 7.4))
        axes = fig.subplots(5, 1, sharex=True)
        _settle(fig, (1.08, 0.45, 0.08, 0.3), gap=0.18, out=0.66)
        for ax in axes:  # nothing stands above an axis but the title
            ax.ticklabel_format(axis="y", style="plain", useOffset=False)
        _dots(axes[0], x, b["sky"], None, PALETTE[0], "sky")
        axes[0].set_ylabel("sky\n[electron/px]")
        _dots(axes[1], x, b["fwhm"], b["fwhm_err"], PALETTE[3], "stars as they are")
        _dots(axes[1], x, b["seeing"], b["seeing_err"], PALETTE[2], "seeing alone")
        if glance.focus is not None:
            ends = np.array([np.nanmin(x), np.nanmax(x)])
            line = glance.focus.value + glance.focus.slope * (ends / 60.0 - glance.focus.hours)
            axes[1].plot(ends, line, "--", lw=1, color=INK, label="trend")
        axes[1].set_ylabel("FWHM\n[arcsec]")
        if axes[1].get_legend_handles_labels()[0]:
            axes[1].legend(fontsize=8, ncols=3, loc="best")
        _dots(axes[2], x, b["dimming"], b["dimming_err"], PALETTE[1], "dimming")
        low, high = axes[2].get_ylim()
        axes[2].set_ylim(max(high, _LEAST), min(low, -_LEAST))  # downwards; noise is not blown up
        axes[2].set_ylabel("dimming\n[mag]")
        counts = b["n_stars"]
        _dots(axes[3], x, counts, np.sqrt(np.nan_to_num(counts)), PALETTE[4], "stars")
        axes[3].set_ylabel("bright stars\na block")
        axes[3].set_ylim(bottom=0)
        _dots(axes[4], x, b["elongation"], b["elongation_err"], PALETTE[5], "elongation")
        axes[4].set_ylabel("elongation\n(axis ratio)")
        axes[4].set_xlabel("minutes since the first line")
        axes[0].set_title(f"Along {glance.name}: one point a block that was read")
    return fig


def draw_shares(glance: Glance) -> Figure:
    """Saturated and masked share of the pixels against time.

    Parameters
    ----------
    glance : Glance

    Returns
    -------
    matplotlib.figure.Figure
    """
    b = glance.blocks
    with mpl.rc_context(_FIXED):
        fig = Figure(figsize=(_WIDTH, 3.2))
        axes = fig.subplots(2, 1, sharex=True)
        _settle(fig, (1.08, 0.45, 0.08, 0.3), gap=0.18, out=0.66)
        for ax, name, colour in zip(axes, ("saturated", "masked"), PALETTE[1::-1], strict=True):
            _dots(ax, b["minutes"], 100.0 * b[name], None, colour, name)
            ax.set_ylabel(f"{name}\n[% of pixels]")
            most = float(np.nanmax(np.append(100.0 * b[name], 0.0)))
            ax.set_ylim(0, max(1.15 * most, 0.01))
        axes[0].set_title("Pixels that cannot be used")
        axes[1].set_xlabel("minutes since the first line")
    return fig


def draw_response(glance: Glance) -> Figure:
    """Level of every column against that of its neighbours.

    Parameters
    ----------
    glance : Glance
        With a response.

    Returns
    -------
    matplotlib.figure.Figure
    """
    ratio, bad = 100.0 * (glance.response["ratio"] - 1.0), glance.response["bad"].astype(bool)
    column = np.arange(ratio.size)
    good = ratio[~bad]
    reach = max(1.0, 1.3 * float(np.percentile(np.abs(good), 99.5))) if good.size else 10.0
    with mpl.rc_context(_FIXED):
        fig = Figure(figsize=(_WIDTH, 2.7))
        ax = fig.subplots()
        _settle(fig, (0.78, 0.45, 0.08, 0.3), out=0.36)
        shown = np.where(bad, np.nan, ratio)
        ax.plot(column, shown, color=PALETTE[0], lw=0.7, label="columns")
        off = np.flatnonzero(bad)
        if off.size:
            edge = np.where(np.nan_to_num(ratio[off], nan=-1.0) < 0, -reach, reach)
            ax.plot(off, edge, "x", color=PALETTE[1], ms=5, label="off by half, or unknown")
            ax.legend(fontsize=8, loc="best")
        ax.set_ylim(-1.1 * reach, 1.1 * reach)
        ax.set_xlabel("column [px]")
        ax.set_ylabel("level against\nneighbours [%]")
        ax.set_title("Response against column" + ("" if glance.calibration.startswith("column vec")
                                                  else ", provisional"))  # fmt: skip
    return fig


def draw_glance_moments(table: Mapping[str, Any]) -> Figure:
    """The picture of the report, with fixed places.

    Parameters
    ----------
    table : mapping
        See `draw_moments`.

    Returns
    -------
    matplotlib.figure.Figure
    """
    with mpl.rc_context({"axes.titley": 1.0}):
        fig = draw_moments(table, title="Second moments of bright single stars")
    _settle(fig, (0.9, 0.45, 0.14, 0.56), gap=0.16, wide=0.52, out=0.54)
    return fig
