"""Figures of the report: each takes finished tables or images and returns a Matplotlib figure."""

from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.figure import Figure
from numpy.typing import NDArray

from pipeline.constants import SIGMA_PER_MAD

__all__ = [
    "INK",
    "PALETTE",
    "draw_calibration",
    "draw_conditions",
    "draw_residuals",
    "draw_tile",
]

Table = Mapping[str, NDArray]

# Okabe and Ito's colours (2008), told apart with every common colour vision.
PALETTE = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#E69F00", "#56B4E9")
INK = "#333333"

_STYLE: dict[Any, Any] = {
    "font.size": 9,
    "font.family": "DejaVu Sans",
    "axes.edgecolor": "#888888",
    "axes.labelcolor": INK,
    "axes.titlesize": 10,
    "axes.titlelocation": "left",
    "axes.spines.top": False,
    "axes.spines.right": False,
    "xtick.color": INK,
    "ytick.color": INK,
    "axes.grid": True,
    "grid.color": "#e6e6e6",
    "grid.linewidth": 0.6,
    "lines.linewidth": 1.3,
    "legend.frameon": False,
    "figure.facecolor": "white",
}


def _figure(width: float, height: float) -> Figure:
    return Figure(figsize=(width, height), layout="constrained")


def _running_median(x: NDArray, y: NDArray, *, edges: NDArray) -> tuple[NDArray, NDArray, NDArray]:
    """Median of y in bins of x, with the error of the median from the spread."""
    centre, value, error = [], [], []
    for low, high in pairwise(edges):
        inside = y[(x >= low) & (x < high) & np.isfinite(y)]
        if inside.size < 5:
            continue
        spread = SIGMA_PER_MAD * np.median(np.abs(inside - np.median(inside)))
        centre.append(0.5 * (low + high))
        value.append(np.median(inside))
        error.append(1.2533 * spread / np.sqrt(inside.size))  # error of a Gaussian's median
    return np.array(centre), np.array(value), np.array(error)


def draw_conditions(curves: Table, *, title: str) -> Figure:
    """Sky level, seeing, zero point and star count along one strip.

    Parameters
    ----------
    curves : mapping of str to ndarray of shape (n_bins,)
        The strip's ``curves`` product.
    title : str
        What the reader sees above the panels.

    Returns
    -------
    matplotlib.figure.Figure
    """
    minutes = (curves["mjd"] - curves["mjd"][:1]) * 1440.0
    with mpl.rc_context(_STYLE):
        fig = _figure(7.6, 6.2)
        axes = fig.subplots(4, 1, sharex=True)
        axes[0].set_title(title)
        axes[0].plot(minutes, curves["sky"], color=PALETTE[0])
        axes[0].set_ylabel("sky\n[electron/px]")
        axes[1].errorbar(
            minutes, curves["fwhm"], curves["fwhm_err"], color=PALETTE[2], elinewidth=0.8
        )
        axes[1].set_ylabel("seeing FWHM\n[px]")
        axes[2].plot(minutes, curves["zero_point"], color=PALETTE[1])
        axes[2].fill_between(
            minutes,
            curves["zero_point"] - curves["zero_point_err"],
            curves["zero_point"] + curves["zero_point_err"],
            color=PALETTE[1],
            alpha=0.25,
            linewidth=0,
        )
        cloudy = np.asarray(curves["cloudy"], dtype=bool)
        if cloudy.any():
            for ax in axes:
                ax.fill_between(
                    minutes,
                    0,
                    1,
                    where=cloudy,
                    color="#999999",
                    alpha=0.25,
                    transform=ax.get_xaxis_transform(),
                    linewidth=0,
                )
            axes[2].annotate(
                "grey: cloud, or zero point uncertain",
                (0.99, 0.05),
                xycoords="axes fraction",
                ha="right",
                color=INK,
            )
        axes[2].set_ylabel("zero point\n[mag]")
        axes[3].step(minutes, curves["n_stars"], where="mid", color=PALETTE[3])
        axes[3].set_ylabel("sources\nper bin")
        axes[3].set_xlabel("minutes since the first line")
        for ax, name in zip(axes, ("sky", "fwhm", "zero_point", "n_stars"), strict=True):
            if not np.isfinite(curves[name]).any():
                ax.set_yticks([])
                ax.annotate(
                    "not measured", (0.5, 0.5), xycoords="axes fraction", ha="center", va="center",
                    color=INK,
                )  # fmt: skip
        fig.align_ylabels(axes)
    return fig


def draw_calibration(
    responses: Sequence[tuple[str, Table]],
    darks: Sequence[tuple[str, Table]],
    changes: Mapping[str, tuple[NDArray, int]],
) -> Figure:
    """Column response, its change against other nights, and bias+dark vectors of a night.

    Parameters
    ----------
    responses, darks : sequence of (label, table)
        ``response`` and ``dark`` products.
    changes : mapping of str to (ndarray, int)
        By label of a response: relative change against the median of so many other nights, NaN
        where it is not known.

    Returns
    -------
    matplotlib.figure.Figure
    """
    with mpl.rc_context(_STYLE):
        fig = _figure(7.6, 5.6)
        axes = fig.subplots(3, 1, sharex=True)
        for i, (label, table) in enumerate(responses):
            good = table["mask"] == 0
            colour = PALETTE[i % len(PALETTE)]
            axes[0].plot(table["column"][good], table["response"][good], color=colour, label=label,
                         lw=0.8)  # fmt: skip
            if label in changes:
                change, others = changes[label]
                axes[1].plot(table["column"], 100.0 * change, color=colour, lw=0.7,
                             label=f"{label}, {others} other night(s)")  # fmt: skip
        for i, (label, table) in enumerate(darks):
            good = table["mask"] == 0
            axes[2].plot(
                table["column"][good],
                table["total"][good],
                color=PALETTE[i % len(PALETTE)],
                lw=0.7,
                label=label,
            )
        axes[0].set_title("Column vectors (masked columns left out)")
        axes[0].set_ylabel("response")
        axes[1].set_ylabel("against the\nother nights [%]")
        axes[2].set_ylabel("bias + dark\n[electron]")
        axes[2].set_xlabel("column")
        if responses:
            axes[0].legend(ncols=4, fontsize=8)
        if changes:
            axes[1].axhline(0.0, color=INK, lw=0.6)
            axes[1].legend(ncols=3, fontsize=8)
        else:
            axes[1].set_yticks([])
            axes[1].annotate(
                "no other night to compare with", (0.5, 0.5), xycoords="axes fraction",
                ha="center", va="center", color=INK,
            )  # fmt: skip
        fig.align_ylabels(axes)
    return fig


def draw_residuals(catalogue: Table, n_columns: int, *, title: str) -> Figure:
    """Position and magnitude residuals against the reference catalogue, by column and by line.

    Parameters
    ----------
    catalogue : mapping of str to ndarray
        A strip catalogue with reference offsets.
    n_columns : int
        Columns of the chip.
    title : str
        What the reader sees above the panels.

    Returns
    -------
    matplotlib.figure.Figure
    """
    rows = (
        ("ref_ra_offset", "RA residual\n[mas]", 1000.0),
        ("ref_dec_offset", "Dec residual\n[mas]", 1000.0),
        ("ref_mag_offset", "mag residual\n[mmag]", 1000.0),
    )
    use = (catalogue["ref_index"] >= 0) & (catalogue["flags"] == 0)
    with mpl.rc_context(_STYLE):
        fig = _figure(7.6, 5.6)
        axes = fig.subplots(3, 2, sharey="row")
        for row, (name, label, factor) in enumerate(rows):
            y = catalogue[name][use] * factor
            known = y[np.isfinite(y)]
            spread = SIGMA_PER_MAD * np.median(np.abs(known)) if known.size else 1.0
            for col, axis in enumerate(("column", "line")):
                x = catalogue[axis][use]
                ax = axes[row, col]
                ax.plot(x, y, ".", ms=2, alpha=0.35, color="#7a7a7a", rasterized=True)
                top = n_columns if axis == "column" else (x.max() + 1 if x.size else 1)
                centre, value, error = _running_median(x, y, edges=np.linspace(0, top, 17))
                ax.errorbar(centre, value, error, fmt="o", ms=4, color=PALETTE[1], zorder=3, lw=1.2)
                ax.axhline(0.0, color=INK, lw=0.6)
                if np.isfinite(spread) and spread > 0:
                    ax.set_ylim(-5 * spread, 5 * spread)
            axes[row, 0].set_ylabel(label)
        axes[0, 0].set_title(f"{title}: measured minus reference; bin medians in orange")
        axes[2, 0].set_xlabel("column")
        axes[2, 1].set_xlabel("line")
        fig.align_ylabels(axes[:, 0])
    return fig


def draw_tile(
    flux: NDArray, variance: NDArray, *, title: str, pixel_scale: float, max_side: int = 900
) -> Figure:
    """A tile, stretched so that the noise and the stars are both seen.

    Parameters
    ----------
    flux, variance : ndarray of shape (ny, nx)
        Planes of a tile or stack.
    title : str
        What the reader sees above the picture.
    pixel_scale : float
        Arcsec per pixel, for the axes.
    max_side : int
        The picture is binned so that no side has more pixels.

    Returns
    -------
    matplotlib.figure.Figure
    """
    step = max(1, int(np.ceil(max(flux.shape) / max_side)))
    ny, nx = (n // step * step for n in flux.shape)
    cells = flux[:ny, :nx].reshape(ny // step, step, nx // step, step)
    holes = ~np.isfinite(cells)
    count = (~holes).sum(axis=(1, 3))
    image = np.where(holes, 0.0, cells).sum(axis=(1, 3)) / np.maximum(count, 1)
    image[count == 0] = np.nan
    good = np.isfinite(variance) & (variance > 0)
    sigma = float(np.sqrt(np.median(variance[good]))) / step if good.any() else 1.0
    scaled = np.arcsinh(image / (3.0 * sigma))
    with mpl.rc_context(_STYLE):
        fig = _figure(6.4, 6.4 * ny / nx + 0.5)
        ax = fig.subplots()
        ax.grid(visible=False)
        extent = (0, nx * pixel_scale / 60.0, 0, ny * pixel_scale / 60.0)
        cmap = mpl.colormaps["gray"].with_extremes(bad="#3b4a6b")
        ax.imshow(
            scaled,
            origin="lower",
            extent=extent,
            cmap=cmap,
            vmin=-0.6,
            vmax=np.arcsinh(100.0),
            interpolation="nearest",
        )
        ax.set_title(title)
        ax.set_xlabel("across the drift [arcmin]")
        ax.set_ylabel("along the drift [arcmin]")
    return fig
