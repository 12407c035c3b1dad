"""Picture of a strip's star moments beside what its geometry predicts."""

from collections.abc import Mapping
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.figure import Figure

from pipeline.report.figures import _STYLE, INK, PALETTE

__all__ = ["draw_moments"]

_PANELS = (("ll", "Along the scan"), ("lc", "Mixed"), ("cc", "Across the scan"))


def _numbers(values: Any) -> np.ndarray:
    """Values as read from JSON, where what is not known is None."""
    return np.asarray([np.nan if v is None else v for v in values], dtype=float)


def draw_moments(table: Mapping[str, Any], *, title: str) -> Figure:
    """Measured second moments of bright stars in bins of columns, and the prediction.

    Parameters
    ----------
    table : mapping
        ``star_moments`` of a strip's solution: ``column``, ``predicted`` and, where there were
        enough stars, ``check``.
    title : str
        What the reader sees above the panels.

    Returns
    -------
    matplotlib.figure.Figure
        Above the moments, below their differences from the prediction; thick bars are the standard
        errors of bins from the scatter of their stars, thin ones hold the allowance as well.
    """
    at = _numbers(table["column"])
    check = table.get("check")
    with mpl.rc_context(_STYLE):
        fig = Figure(figsize=(7.6, 4.4), layout="constrained")
        fig.suptitle(title, fontsize=10, x=0.01, ha="left", color=INK)
        axes = fig.subplots(2, 3, sharex=True, height_ratios=(3, 2))
        for (name, label), (top, low) in zip(_PANELS, axes.T, strict=True):
            level = check["level"] if check and name != "lc" else 0.0
            curve = _numbers(table["predicted"][name]) + level
            top.plot(at, curve, color=PALETTE[1], label="predicted")
            if optics := table.get("with_optics"):
                with_optics = _numbers(optics[name]) + level
                top.plot(at, with_optics, color=INK, ls=":", lw=1, label="with optical term")
                low.plot(at, with_optics - curve, color=INK, ls=":", lw=1)
            low.axhline(0.0, color=PALETTE[1])
            top.set_title(label)
            low.set_xlabel("column [px]")
            if check:
                panel = check[name]
                column = _numbers(check["column"])
                difference = _numbers(panel["difference"])
                noise, error = _numbers(panel["noise"]), _numbers(panel["error"])
                dots = {"fmt": "o", "ms": 3.5, "color": PALETTE[0], "zorder": 3}
                value = difference + np.interp(column, at, curve)
                top.errorbar(column, value, noise, **dots, elinewidth=1.8, label="stars")
                low.errorbar(column, difference, error, **dots, elinewidth=0.7)
                low.errorbar(column, difference, noise, **dots, elinewidth=1.8)
                wrong = name in check["disagreeing"]
                reach = 1.15 * float(np.nanmax(np.abs(difference) + error))
                low.set_ylim(-reach, 1.6 * reach)
                low.annotate(
                    f"χ² {panel['chi2']:.1f} / {panel['n_bins']}" + ", disagrees" * wrong,
                    (0.03, 0.97), xycoords="axes fraction", va="top", fontsize=8,
                    color=PALETTE[1] if wrong else INK, weight="bold" if wrong else "normal",
                )  # fmt: skip
            else:
                low.annotate(
                    "too few bright stars", (0.03, 0.97), xycoords="axes fraction", va="top",
                    fontsize=8, color=INK,
                )  # fmt: skip
        axes[0, 0].set_ylabel("second moment [px²]")
        axes[1, 0].set_ylabel("stars minus\npredicted [px²]")
        axes[0, 0].legend(fontsize=8, loc="best")
        fig.align_ylabels(axes[:, 0])
    return fig
