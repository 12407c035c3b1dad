"""Picture of what equalisation does to a strip: widths of stars, noise and depth against column."""

from collections.abc import Mapping
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.figure import Figure

from pipeline.report.figures import _STYLE, INK, PALETTE

__all__ = ["describe_cost", "draw_equalisation"]

_WIDTHS = (("along", "Width along the scan"), ("across", "Width across the scan"))


def draw_equalisation(content: Mapping[str, Any], *, title: str) -> Figure:
    """Gain and cost of equalisation in 16 bins of columns, at the strip's median seeing.

    Parameters
    ----------
    content : mapping
        A strip's ``equalisation.json``: ``target_widths``, ``table``.
    title : str
        What the reader sees above the panels.

    Returns
    -------
    matplotlib.figure.Figure
        Above widths before and after, below the noise of pixels and the depth.
    """
    table = {k: np.asarray(v, dtype=float) for k, v in content["table"].items()}
    at = table["column"]
    with mpl.rc_context(_STYLE):
        fig = Figure(figsize=(7.6, 4.6), layout="constrained")
        fig.suptitle(title, fontsize=10, x=0.01, ha="left", color=INK)
        (first, second), (noise, depth) = fig.subplots(2, 2, sharex=True)
        for axis, (name, label) in zip((first, second), _WIDTHS, strict=True):
            axis.plot(at, table[f"{name}_before"], "o-", ms=3.5, color=PALETTE[0], label="before")
            axis.plot(at, table[f"{name}_after"], "s-", ms=3.5, color=PALETTE[1], label="after")
            wanted = content["target_widths"][name]
            axis.axhline(wanted, color=INK, ls=":", lw=1, label="target")
            axis.set_title(label)
            axis.set_ylabel("standard deviation [px]")
            most = max(wanted, table[f"{name}_before"].max(), table[f"{name}_after"].max())
            axis.set_ylim(0.0, 1.12 * most)
        first.legend(fontsize=8, loc="best")
        noise.plot(at, table["noise"], "s-", ms=3.5, color=PALETTE[1])
        noise.axhline(1.0, color=PALETTE[0], lw=1)
        noise.set_title("Variance of a pixel")
        noise.set_ylabel("after / before")
        noise.set_ylim(bottom=0.0)
        depth.plot(at, table["depth_plain"], "s-", ms=3.5, color=PALETTE[1], label="white noise")
        depth.plot(at, table["depth_best"], "o--", ms=3.5, color=PALETTE[0], label="noise known")
        depth.set_title("Depth lost, point-spread fit")
        depth.set_ylabel("magnitude")
        depth.legend(fontsize=8, loc="best")
        for axis in (noise, depth):
            axis.set_xlabel("column [px]")
    return fig


def describe_cost(content: Mapping[str, Any]) -> str:
    """What was gained and what it cost, in a sentence.

    Parameters
    ----------
    content : mapping
        A strip's ``equalisation.json``.

    Returns
    -------
    str
    """
    table = {k: np.asarray(v, dtype=float) for k, v in content["table"].items()}
    spans = [
        f"{name} the scan by {100 * np.ptp(before) / before.min():.0f} % before and "
        f"{100 * np.ptp(after) / after.min():.1f} % after"
        for name in ("along", "across")
        for before, after in [(table[f"{name}_before"], table[f"{name}_after"])]
    ]
    loss = table["depth_plain"]
    return (
        f'Tiles equalised, target "{content["target"]}": widths of stars differ from column to '
        f"column {spans[0]}, {spans[1]}; point-spread fits lose {loss.min():.2f} to "
        f"{loss.max():.2f} mag of depth where they take the noise for white."
    )
