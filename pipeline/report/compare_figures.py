"""Pictures of a comparison: each takes rows of its tables and returns a Matplotlib figure."""

from collections.abc import Mapping, Sequence
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from pipeline.report.figures import _STYLE, INK, PALETTE

__all__ = [
    "draw_depths",
    "draw_magnitudes",
    "draw_overview",
    "draw_positions",
    "draw_responses",
    "draw_trend",
]

Rows = Sequence[Mapping[str, Any]]
_MARKS = {"psf": ("o", PALETTE[0]), "aperture": ("s", PALETTE[1]), "total": ("^", PALETTE[2])}
_MOST_PANELS = 6


def _values(rows: Rows, name: str, factor: float = 1.0) -> NDArray[np.float64]:
    return factor * np.array([r[name] for r in rows], dtype=np.float64)


def _open_axis(ax: Axes, least: float, *, axis: str = "y", about: float = 0.0) -> None:
    """A line at no change, and never an axis so narrow that rounding looks like a change."""
    (ax.axhline if axis == "y" else ax.axvline)(about, color=INK, lw=0.7, zorder=1)
    low, high = getattr(ax, f"get_{axis}lim")()
    getattr(ax, f"set_{axis}lim")(min(low, about - least), max(high, about + least))


def _put_legend_above(ax: Axes) -> None:
    """Between title and frame, where it hides no point."""
    ax.legend(
        fontsize=8, ncols=4, loc="lower left", bbox_to_anchor=(-0.02, 1.0),
        columnspacing=0.8, handletextpad=0.2, borderaxespad=0.1,
    )  # fmt: skip


def draw_overview(strips: Rows) -> Figure:
    """Every strip: change of its magnitudes and zero point, and the trend of bright stars.

    Parameters
    ----------
    strips : sequence of mapping
        Rows of the table of strips.

    Returns
    -------
    matplotlib.figure.Figure
    """
    y = np.arange(len(strips), dtype=np.float64)
    with mpl.rc_context(_STYLE):
        fig = Figure(figsize=(7.6, 1.9 + 0.3 * len(strips)), layout="constrained")
        left, right = fig.subplots(1, 2, sharey=True)
        for step, kind in enumerate(_MARKS):
            mark, colour = _MARKS[kind]
            left.errorbar(
                _values(strips, f"mag_{kind}_change", 1e3), y + 0.17 * (step - 1.5),
                xerr=_values(strips, f"mag_{kind}_change_err", 1e3),
                fmt=mark, ms=4, color=colour, lw=1.0, label=kind,
            )  # fmt: skip
        left.errorbar(
            _values(strips, "zero_point_change", 1e3), y + 0.255,
            xerr=_values(strips, "zero_point_change_err", 1e3),
            fmt="D", ms=4, mfc="none", color=PALETTE[3], lw=1.0, label="zero point",
        )  # fmt: skip
        for step, (side, mark, colour) in enumerate(
            (("old", "D", "#777777"), ("new", "o", PALETTE[0]))
        ):
            right.errorbar(
                _values(strips, f"trend_{side}", 1e3), y + 0.2 * (step - 0.5),
                xerr=_values(strips, f"trend_{side}_err", 1e3),
                fmt=mark, ms=4, color=colour, lw=1.0, label=side,
            )  # fmt: skip
        _open_axis(left, 0.5, axis="x")
        _open_axis(right, 0.5, axis="x")
        left.set_yticks(y, [str(r["strip"]) for r in strips])
        left.set_ylim(len(strips) - 0.5, -0.5)
        left.set_title("Median change of magnitude", pad=22)
        left.set_xlabel("new minus old [mmag]")
        right.set_title("Trend of bright stars with column", pad=22)
        right.set_xlabel("last column minus first [mmag]")
        _put_legend_above(left)
        _put_legend_above(right)
    return fig


def draw_magnitudes(columns: Rows, magnitudes: Rows, lines: Rows, *, title: str) -> Figure:
    """Change of magnitudes by column and by magnitude, and of the zero point along a strip.

    Parameters
    ----------
    columns, magnitudes, lines : sequence of mapping
        The strip's rows of those tables.
    title : str
        Name of the strip.

    Returns
    -------
    matplotlib.figure.Figure
    """
    with mpl.rc_context(_STYLE):
        fig = Figure(figsize=(7.6, 7.0), layout="constrained")
        top, middle, bottom = fig.subplots(3, 1)
        for ax, rows, low, high in (
            (top, columns, "column_from", "column_to"),
            (middle, magnitudes, "mag_from", "mag_to"),
        ):
            centre = 0.5 * (_values(rows, low) + _values(rows, high))
            width = _values(rows, high) - _values(rows, low)
            for step, (kind, (mark, colour)) in enumerate(_MARKS.items()):
                ax.errorbar(
                    centre + 0.16 * (step - 1) * width, _values(rows, f"mag_{kind}_change", 1e3),
                    _values(rows, f"mag_{kind}_change_err", 1e3),
                    fmt=mark, ms=4, color=colour, lw=1.0, label=kind,
                )  # fmt: skip
            _open_axis(ax, 0.5)
            ax.set_ylabel("magnitude, new\nminus old [mmag]")
        top.set_title(f"{title}: medians of unflagged sources with their errors", pad=20)
        top.set_xlabel("column [px]")
        _put_legend_above(top)
        middle.set_xlabel("magnitude, old [mag]")
        line = _values(lines, "line")
        change = _values(lines, "zero_point_change", 1e3)
        error = _values(lines, "zero_point_change_err", 1e3)
        bottom.plot(line, change, color=PALETTE[3])
        bottom.fill_between(
            line, change - error, change + error, color=PALETTE[3], alpha=0.25, linewidth=0
        )
        known = np.isfinite(change) & np.isfinite(error)
        if known.any():  # the ends of a strip, where errors soar, must not set the scale
            reach = 1.1 * float(np.abs(change[known]).max() + np.median(error[known]))
            bottom.set_ylim(-reach, reach)
        else:
            bottom.set_xticks([])
            bottom.annotate(
                "no curves on one side", (0.5, 0.6), xycoords="axes fraction", ha="center"
            )
        _open_axis(bottom, 0.5)
        bottom.set_ylabel("zero point, new\nminus old [mmag]")
        bottom.set_xlabel("line [px]")
        fig.align_ylabels()
    return fig


def draw_trend(columns: Rows, *, title: str) -> Figure:
    """Bright stars against the reference before and after, and the ratio of the responses.

    Parameters
    ----------
    columns : sequence of mapping
        The strip's rows of the table of columns.
    title : str
        Name of the strip, and the trends.

    Returns
    -------
    matplotlib.figure.Figure
    """
    centre = 0.5 * (_values(columns, "column_from") + _values(columns, "column_to"))
    width = _values(columns, "column_to") - _values(columns, "column_from")
    with mpl.rc_context(_STYLE):
        fig = Figure(figsize=(7.6, 4.6), layout="constrained")
        top, bottom = fig.subplots(2, 1, sharex=True)
        for step, (side, mark, colour) in enumerate(
            (("old", "D", "#777777"), ("new", "o", PALETTE[0]))
        ):
            top.errorbar(
                centre + 0.2 * (step - 0.5) * width,
                _values(columns, f"bright_offset_{side}", 1e3),
                _values(columns, f"bright_offset_{side}_err", 1e3),
                fmt=mark, ms=4, color=colour, lw=1.0, label=side,
            )  # fmt: skip
        bottom.errorbar(
            centre, _values(columns, "response_ratio") * 100.0 - 100.0,
            _values(columns, "response_ratio_err", 100.0),
            fmt="s", ms=4, color=PALETTE[1], lw=1.0,
        )  # fmt: skip
        _open_axis(top, 0.5)
        _open_axis(bottom, 0.02)
        top.set_title(f"{title}: bright stars and response", pad=20)
        top.set_ylabel("bright stars, measured\nminus reference [mmag]")
        _put_legend_above(top)
        bottom.set_ylabel("response, new over\nold, minus one [%]")
        bottom.set_xlabel("column [px]")
        fig.align_ylabels()
    return fig


def draw_positions(columns: Rows, *, title: str) -> Figure:
    """Change of the positions by column.

    Parameters
    ----------
    columns : sequence of mapping
        The strip's rows of the table of columns.
    title : str
        Name of the strip.

    Returns
    -------
    matplotlib.figure.Figure
    """
    centre = 0.5 * (_values(columns, "column_from") + _values(columns, "column_to"))
    with mpl.rc_context(_STYLE):
        fig = Figure(figsize=(7.6, 2.6), layout="constrained")
        ax = fig.subplots()
        width = _values(columns, "column_to") - _values(columns, "column_from")
        for step, (axis, mark, colour) in enumerate(
            (("line", "o", PALETTE[0]), ("column", "s", PALETTE[1]))
        ):
            ax.errorbar(
                centre + 0.2 * (step - 0.5) * width, _values(columns, f"{axis}_change", 1e3),
                _values(columns, f"{axis}_change_err", 1e3),
                fmt=mark, ms=4, color=colour, lw=1.0, label=f"along the {axis} axis",
            )  # fmt: skip
        _open_axis(ax, 0.5)
        ax.set_title(f"{title}: positions", pad=20)
        ax.set_ylabel("new minus old\n[0.001 px]")
        ax.set_xlabel("column [px]")
        _put_legend_above(ax)
    return fig


def draw_responses(responses: Sequence[Mapping[str, NDArray[Any]]]) -> Figure:
    """Ratio of every response vector, new over old: curves of a few, a map of many.

    Parameters
    ----------
    responses : sequence of mapping
        Tables of the responses, one a vector.

    Returns
    -------
    matplotlib.figure.Figure
    """
    labels = [f"{t['night'][0]}  {t['vector'][0]}" for t in responses]
    percent = [100.0 * (t["response_ratio"] - 1.0) for t in responses]
    known = np.concatenate(percent)
    known = np.abs(known[np.isfinite(known)])
    errors = 100.0 * np.concatenate([t["response_ratio_err"] for t in responses])
    errors = errors[np.isfinite(errors)]
    top = max(0.02, float(np.percentile(known, 99.5)) if known.size else 0.0)
    band = float(np.median(errors)) if errors.size else 0.0
    with mpl.rc_context(_STYLE):
        if len(responses) > _MOST_PANELS:
            return _map_responses(responses, labels, percent, top)
        fig = Figure(figsize=(7.6, 1.0 + 1.25 * len(responses)), layout="constrained")
        axes = fig.subplots(len(responses), 1, sharex=True, sharey=True, squeeze=False)[:, 0]
        for ax, table, label, values in zip(axes, responses, labels, percent, strict=True):
            error = 100.0 * table["response_ratio_err"]
            ax.fill_between(
                table["column"], values - error, values + error,
                color=PALETTE[1], alpha=0.25, linewidth=0,
            )  # fmt: skip
            ax.plot(table["column"], values, color=PALETTE[1], lw=0.8)
            ax.axhline(0.0, color=INK, lw=0.7)
            ax.annotate(label, (0.01, 0.97), xycoords="axes fraction", va="top", fontsize=8)
        axes[0].set_ylim(-1.2 * top - 1.5 * band, 1.2 * top + 1.5 * band)
        axes[0].set_title("Response, new over old (band: stated errors)")
        axes[-1].set_xlabel("column [px]")
        fig.supylabel("ratio minus one [%]", fontsize=9, color=INK)
    return fig


def _map_responses(
    responses: Sequence[Mapping[str, NDArray[Any]]],
    labels: Sequence[str],
    percent: Sequence[NDArray[np.float64]],
    top: float,
) -> Figure:
    longest = max(int(t["column"].max()) + 1 for t in responses)
    image = np.full((len(percent), longest), np.nan)
    for row, table, values in zip(image, responses, percent, strict=True):
        row[table["column"]] = values
    fig = Figure(figsize=(7.6, 1.6 + 0.2 * len(percent)), layout="constrained")
    ax = fig.subplots()
    ax.grid(visible=False)
    shown = ax.imshow(
        image, aspect="auto", interpolation="nearest", vmin=-top, vmax=top,
        cmap=mpl.colormaps["PuOr"].with_extremes(bad="#888888"),
    )  # fmt: skip
    ax.set_yticks(range(len(labels)), labels, fontsize=8)
    ax.set_title("Response, new over old (grey: masked)")
    ax.set_xlabel("column [px]")
    fig.colorbar(shown, ax=ax, label="ratio minus one [%]", extend="both")
    return fig


def draw_depths(stacks: Rows) -> Figure:
    """Change of the depth of every stack, and of its noise.

    Parameters
    ----------
    stacks : sequence of mapping
        Rows of the table of stacks.

    Returns
    -------
    matplotlib.figure.Figure
    """
    with mpl.rc_context(_STYLE):
        fig = Figure(figsize=(7.6, 3.5), layout="constrained")
        left, right = fig.subplots(1, 2)
        depth = _values(stacks, "depth_old")
        left.plot(
            depth, _values(stacks, "depth_deep_change", 1e3), "s", ms=5, mfc="none",
            color=PALETTE[1], label="deep catalogue",
        )  # fmt: skip
        left.plot(
            depth, _values(stacks, "depth_change", 1e3), "o", ms=4, color=PALETTE[0],
            label="variance",
        )  # fmt: skip
        _open_axis(left, 0.5)
        left.set_title("Depth (positive: deeper)")
        left.set_xlabel("5 sigma magnitude, old [mag]")
        left.set_ylabel("new minus old [mmag]")
        left.legend(fontsize=8)
        stated = 100.0 * _values(stacks, "noise_ratio") - 100.0
        measured = 100.0 * _values(stacks, "spread_ratio") - 100.0
        right.plot(stated, measured, "o", ms=4, color=PALETTE[2])
        _open_axis(right, 0.05, axis="x")
        _open_axis(right, 0.05)
        low, high = right.get_xlim()
        right.plot([low, high], [low, high], ":", color=INK, lw=0.9, zorder=1)
        right.set_xlim(low, high)
        right.set_title("Noise of a pixel (dotted: both agree)")
        right.set_xlabel("from the variance, new over old, minus one [%]")
        right.set_ylabel("spread of the pixels, minus one [%]")
    return fig
