"""How deep catalogues are: binned numbers of each, the table and the picture of several."""

from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.figure import Figure
from numpy.typing import NDArray

from pipeline.finite import middle
from pipeline.report.content import Column, Grid
from pipeline.report.figures import _STYLE, INK, PALETTE, _figure, _running_median

__all__ = ["depth_grid", "draw_depth", "measure_depth"]

_STEP = 0.25  # mag
_FEWEST = 10  # sources that make a curve
Depth = Mapping[str, Any]


def measure_depth(catalogue: Mapping[str, NDArray[Any]]) -> dict[str, Any]:
    """Errors and counts of unflagged sources per 0.25 mag.

    Parameters
    ----------
    catalogue : mapping of str to ndarray
        Of a strip, or the deep one.

    Returns
    -------
    dict
        Lists of numbers: ``rows`` of (from magnitude, sources, median error) for the table, of
        all bins with sources; ``edges``, ``counts``, and ``magnitude`` and ``error`` of bins with
        at least 5 sources for the curves, empty where sources are too few for one.
    """
    good = np.isfinite(catalogue["mag_psf"]) & (catalogue["flags"] == 0)
    mag, err = catalogue["mag_psf"][good], catalogue["mag_psf_err"][good]
    found: dict[str, Any] = {"rows": [], "edges": [], "counts": [], "magnitude": [], "error": []}
    if not mag.size:
        return found
    edges = np.arange(np.floor(mag.min()), np.ceil(mag.max()) + 0.01, _STEP)
    for low, high in pairwise(edges):
        inside = (mag >= low) & (mag < high)
        if inside.any():
            found["rows"].append([float(low), int(inside.sum()), float(middle(err[inside]))])
    if mag.size >= _FEWEST:
        centre, value, _ = _running_median(mag, err, edges=edges)
        found["edges"], found["counts"] = edges.tolist(), np.histogram(mag, edges)[0].tolist()
        found["magnitude"], found["error"] = centre.tolist(), value.tolist()
    return found


def depth_grid(sets: Sequence[tuple[str, Depth]]) -> Grid:
    """Table behind `draw_depth`.

    Parameters
    ----------
    sets : sequence of (label, depth)
        From `measure_depth`.

    Returns
    -------
    Grid
    """
    rows = [[label, *row] for label, depth in sets for row in depth["rows"]]
    heads = [Column("of"), Column("from magnitude", "mag", 2), Column("sources"),
             Column("median error", "mag", 4)]  # fmt: skip
    return Grid("error and counts per 0.25 mag", heads, rows)


def draw_depth(strips: Sequence[tuple[str, Depth]], deep: Depth | None) -> Figure:
    """Magnitude error against magnitude, and source counts, for every strip and for the stack.

    Parameters
    ----------
    strips : sequence of (label, depth)
        From `measure_depth`, of strips.
    deep : mapping or None
        That of the deep catalogue.

    Returns
    -------
    matplotlib.figure.Figure
    """
    sets = [(label, depth, PALETTE[i % len(PALETTE)]) for i, (label, depth) in enumerate(strips)]
    if deep is not None:
        sets.append(("stack", deep, "#000000"))
    with mpl.rc_context(_STYLE):
        fig = _figure(7.6, 3.6)
        left, right = fig.subplots(1, 2)
        for label, depth, colour in sets:
            if not depth["edges"]:
                continue
            left.plot(depth["magnitude"], depth["error"], color=colour, label=label)
            right.stairs(depth["counts"], depth["edges"], color=colour, label=label)
        left.set_yscale("log")
        left.set_xlabel("magnitude")
        left.set_ylabel("median magnitude error [mag]")
        left.axhline(0.2171, color=INK, lw=0.7, ls=":")  # 2.5 / ln 10 / 5: S/N of 5
        left.annotate("S/N 5", (0.02, 0.2171), xycoords=("axes fraction", "data"), va="bottom")
        right.set_yscale("log")
        right.set_xlabel("magnitude")
        right.set_ylabel("sources per 0.25 mag")
        if left.get_legend_handles_labels()[0]:
            left.legend(fontsize=8)
        left.set_title("Depth")
    return fig
