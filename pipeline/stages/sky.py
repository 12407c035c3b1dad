"""The sky of a strip: its course along the lines, and a mesh of what columns differ by."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from pipeline.errors import CalibrationError
from pipeline.stages.colstats import LINE_BIN, ColumnSummary
from pipeline.stages.dark import DarkVector
from pipeline.stages.overscan import keep_of_variance
from pipeline.stages.response import ResponseVector
from pipeline.stages.series import choose_half_width, fill_gaps, smooth_running
from pipeline.stages.sky_course import SkyCourse, fit_course
from pipeline.stages.sky_lines import SkyLines, cubic_weights

__all__ = ["SkyModel", "SkyOptions", "fit_sky"]

_F = NDArray[np.float64]

_PLACES = 32  # places within a bin that stand for its lines
_NEIGHBOURS = 9  # bins whose median is the usual deviation of a cell
_OUTLYING = 4.0  # sigma by which a cell of the mesh may leave its usual deviation


@dataclass(frozen=True)
class SkyOptions:
    """How the mesh is made.

    Parameters
    ----------
    cell_columns : int
        Chip columns of one cell.
    clip : float
        Columns further than this many sigma from their cell's median are left out.
    iterations : int
        Clipping passes.
    min_columns : int
        A cell with fewer good columns is bridged from its neighbours.
    half_widths : tuple of int
        Half widths, in bins, among which the smoothing of the cells' deviations chooses.
    """

    cell_columns: int = 64
    clip: float = 2.5
    iterations: int = 4
    min_columns: int = 8
    half_widths: tuple[int, ...] = (0, 1, 2, 4, 8, 16)

    def __post_init__(self) -> None:
        if self.cell_columns < 1:
            msg = f"sky cell_columns must be at least 1, received {self.cell_columns}"
            raise ValueError(msg)
        if not self.clip > 1.0:
            msg = f"sky clip must exceed 1, received {self.clip}"
            raise ValueError(msg)
        if self.iterations < 1 or self.min_columns < 1:
            msg = (
                "sky iterations and min_columns must be at least 1, received "
                f"{self.iterations} and {self.min_columns}"
            )
            raise ValueError(msg)


@dataclass(frozen=True)
class SkyModel:
    """Sky of a whole strip: a course that all columns share, and deviations from it on a mesh.

    Parameters
    ----------
    lines : ndarray of shape (n_bins,)
        Global line to which each row of cells refers, increasing; in the ramp the mean line
        weighted with the rows that integrate.
    columns : ndarray of shape (n_cells,)
        Middle column of each cell, increasing.
    course : SkyCourse
        Mean over the cells, line by line.
    deviation : ndarray of shape (n_bins, n_cells)
        What a cell differs from it by; electrons per pixel for a response of 1 and an integration
        on all n_stage rows.
    error : ndarray of shape (n_bins, n_cells)
        Of the sky, course and smoothed deviation together.
    n_columns, n_stage : int
        Chip columns, and rows that integrate.
    half_width : int
        Smoothing of the deviations along the strip.
    """

    lines: _F
    columns: _F
    course: SkyCourse
    deviation: _F
    error: _F
    n_columns: int
    n_stage: int
    half_width: int

    @property
    def value(self) -> _F:
        """Sky of a full integration on the mesh, shape (n_bins, n_cells), electrons."""
        return self.course.evaluate_full(self.lines)[:, None] + self.deviation

    def evaluate(self, first_line: int, n_lines: int) -> NDArray[np.float32]:
        """Sky as it stands in the calibrated lines.

        The course is taken at each line. Deviations: cubic Hermite interpolation with the slopes
        of the parabola through neighbouring cells (four cells each way decide), linear beyond the
        outermost columns, held beyond the outermost lines; in the ramp they are multiplied by
        ``line / n_stage``, since they have collected on that share of the rows. A line's values
        do not depend on `first_line` or `n_lines`.

        Parameters
        ----------
        first_line, n_lines : int
            Global lines.

        Returns
        -------
        ndarray of float32 of shape (n_lines, n_columns)
            Electrons.

        Raises
        ------
        ValueError
            If a number is negative.
        """
        return self.prepare(first_line, n_lines).image()

    def prepare(self, first_line: int, n_lines: int) -> SkyLines:
        """What `evaluate` needs of these lines; their sky is then made where it is asked for.

        Parameters
        ----------
        first_line, n_lines : int
            Global lines.

        Returns
        -------
        SkyLines

        Raises
        ------
        ValueError
            If a number is negative.
        """
        if first_line < 0 or n_lines < 0:
            msg = (
                f"first_line and n_lines must not be negative, received {first_line} and {n_lines}"
            )
            raise ValueError(msg)
        wanted = np.arange(first_line, first_line + n_lines, dtype=np.float64)
        at, share = self._along(wanted)
        low, high = (int(at.min()), int(at.max()) + 1) if n_lines else (0, 0)
        # Only the rows of cells that these lines touch are spread over the columns.
        index, weights = cubic_weights(self.columns, np.arange(self.n_columns, dtype=np.float64))
        rows = np.zeros((high - low, self.n_columns))
        for k in range(4):
            rows += weights[:, k] * self.deviation[low:high][:, index[:, k]]
        return SkyLines(
            self.course.evaluate(wanted).astype(np.float32),
            rows.astype(np.float32), at - low, share.astype(np.float32),
        )  # fmt: skip

    def mean_of_lines(self, lines: _F) -> _F:
        """Mean of `evaluate` over all columns.

        Parameters
        ----------
        lines : ndarray of shape (n,)
            Global lines.

        Returns
        -------
        ndarray of shape (n,)
            Electrons.
        """
        index, weights = cubic_weights(self.columns, np.arange(self.n_columns, dtype=np.float64))
        of_cell = np.bincount(index.ravel(), weights.ravel(), minlength=self.columns.size)
        deviation = self.deviation @ (of_cell / self.n_columns)
        at, share = self._along(lines)
        return np.asarray(self.course.evaluate(lines) + np.sum(share * deviation[at], axis=1))

    def _along(self, lines: _F) -> tuple[NDArray[np.int64], _F]:
        """Rows of cells that bear on lines, and their weights."""
        held = np.clip(lines, self.lines[0], self.lines[-1])
        at, share = cubic_weights(self.lines, held)
        return at, share * (np.minimum(lines, self.n_stage) / self.n_stage)[:, None]


def _cell_edges(n_columns: int, cell: int) -> NDArray[np.int64]:
    """Edges of the cells; a remainder under half a cell joins the last."""
    number = max(1, int(np.floor(n_columns / cell + 0.5)))
    return np.round(np.linspace(0, n_columns, number + 1)).astype(np.int64)


def _cell_statistics(value: _F, error: _F, options: SkyOptions) -> tuple[_F, _F, NDArray[np.int64]]:
    """Clipped weighted mean, its error and the columns used, over the last axis."""
    good = np.isfinite(value) & np.isfinite(error) & (error > 0)
    v = np.where(good, value, np.nan)
    some = good.any(axis=-1)
    centre = np.full(value.shape[:-1], np.nan)
    # Star light only adds: the median of the columns is a safe place to begin.
    centre[some] = np.nanmedian(v[some], axis=-1)
    safe_error = np.where(good, error, 1.0)
    weight = np.where(good, 1.0 / safe_error**2, 0.0)
    w = weight
    for _ in range(options.iterations):
        near = np.abs(np.nan_to_num(value - centre[..., None])) <= options.clip * safe_error
        w = np.where(near, weight, 0.0)
        total = w.sum(axis=-1)
        safe = np.where(total > 0, total, 1.0)
        mean = (w * np.where(good, value, 0.0)).sum(axis=-1) / safe
        centre = np.where(total > 0, mean, centre)
    total = w.sum(axis=-1)
    used = (w > 0).sum(axis=-1)
    with np.errstate(divide="ignore"):
        err = np.sqrt(1.0 / (total * keep_of_variance(options.clip)))
    return np.where(used > 0, centre, np.nan), np.where(used > 0, err, np.nan), used


def fit_sky(
    summary: ColumnSummary,
    dark: DarkVector,
    response: ResponseVector,
    column_mask: NDArray[np.uint16],
    *,
    line_period: float,
    n_stage: int,
    options: SkyOptions,
) -> SkyModel:
    """Sky of a strip from its column summary.

    A cell is the clipped mean over its columns of
    ``(level - bias - n tau dark - intercept) / response``. In the ramp it is divided by the share
    of rows that have collected. The mean over all cells, precise, gives the course of the sky
    along the strip (`fit_course`), which follows changes within an integration and within a bin.
    The cells' deviations from it, noisy and slow, are smoothed along the strip as much as their
    noise asks for.

    Parameters
    ----------
    summary : ColumnSummary
        Of the whole strip, settled.
    dark : DarkVector
    response : ResponseVector
    column_mask : ndarray of uint16 of shape (n_columns,)
        Nonzero columns take no part.
    line_period : float
        Seconds.
    n_stage : int
        Rows that integrate.
    options : SkyOptions
        Tuning.

    Returns
    -------
    SkyModel

    Raises
    ------
    ValueError
        If the columns differ in number or the summary is not settled.
    CalibrationError
        If no cell holds data.
    """
    n_columns = summary.n_columns
    if dark.n_columns != n_columns or response.n_columns != n_columns:
        msg = (
            f"dark and response must have the summary's {n_columns} columns, "
            f"received {dark.n_columns} and {response.n_columns}"
        )
        raise ValueError(msg)
    if column_mask.shape != (n_columns,):
        msg = f"column_mask must be ({n_columns},), received {column_mask.shape}"
        raise ValueError(msg)
    if not summary.settled:
        msg = "summary must be settled (settle_overscan), received one with measured overscan"
        raise ValueError(msg)
    rows = summary.mean_rows(n_stage)
    share = rows / n_stage
    use = (column_mask == 0) & ~response.mask & np.isfinite(response.error)
    f = np.where(use & (response.value > 0), response.value, 1.0)
    offset = dark.offset(rows, line_period=line_period) + response.intercept
    with np.errstate(invalid="ignore", divide="ignore"):
        value = (summary.level - offset) / (f * share[:, None])
        own = np.asarray(summary.level_err, dtype=np.float64) ** 2 * summary.count
        # A bin's typical pixel noise, so that no column weighs by the chance of its own.
        typical = np.full(summary.n_bins, np.nan)
        known = np.isfinite(own[:, use]).any(axis=1)
        typical[known] = np.nanmedian(own[known][:, use], axis=1)
        error = np.sqrt(typical[:, None] / summary.count) / (f * share[:, None])
    bad = ~use[None, :] | (summary.count == 0)
    value = np.where(bad, np.nan, value)
    edges = _cell_edges(n_columns, options.cell_columns)
    n_cells = len(edges) - 1
    shape = (summary.n_bins, n_cells)
    cell, cell_err = np.full(shape, np.nan), np.full(shape, np.nan)
    for g in range(n_cells):
        part = slice(int(edges[g]), int(edges[g + 1]))
        least = min(options.min_columns, part.stop - part.start)
        mean, err, used = _cell_statistics(value[:, part], error[:, part], options)
        cell[:, g] = np.where(used >= least, mean, np.nan)
        cell_err[:, g] = np.where(used >= least, err, np.nan)
    if not np.isfinite(cell).any():
        msg = "no cell of the sky mesh holds data"
        raise CalibrationError(msg)
    middles = (edges[:-1] + edges[1:] - 1) / 2.0
    # Bins without data take no part.
    seen = np.isfinite(cell).any(axis=1)
    cell, cell_err, share = cell[seen], cell_err[seen], share[seen]
    places = _place_lines(summary)[seen]
    # In the ramp a line counts with the rows that it integrates on.
    weight = np.clip(places, 0.5, n_stage)
    lines = (weight * places).sum(axis=1) / weight.sum(axis=1)
    known = np.isfinite(cell)
    cell, cell_err = _fill_mesh(cell, cell_err, lines, middles)
    mean, mean_err = _average_cells(cell, cell_err)
    course, course_err = fit_course(
        mean * share,
        mean_err * share,
        places,
        n_lines=summary.first_line + summary.n_lines,
        n_stage=n_stage,
    )
    # Against the course rather than the mean: what a bin holds that is no course stays in its
    # cells, and goes no further.
    common = course.evaluate(places.ravel()).reshape(places.shape).mean(axis=1) / share
    deviation = cell - common[:, None]
    half_width = choose_half_width(
        deviation, np.where(known, cell_err, 0.0), candidates=options.half_widths
    )
    deviation, deviation_err = smooth_running(deviation, cell_err, half_width=half_width)
    error = np.sqrt((course_err / share)[:, None] ** 2 + deviation_err**2)
    return SkyModel(lines, middles, course, deviation, error, n_columns, n_stage, half_width)


def _place_lines(summary: ColumnSummary) -> _F:
    """Places that stand for the lines of each bin, shape (n_bins, _PLACES).

    Lines of a bin that misses some are taken to stand evenly about their mean.
    """
    start = summary.first_lines
    length = np.minimum(LINE_BIN, summary.first_line + summary.n_lines - start)
    present = np.where(summary.present > 0, summary.present, length)
    offset = (np.arange(_PLACES) + 0.5) / _PLACES - 0.5
    return np.asarray(summary.line[:, None] + present[:, None] * offset)


def _fill_mesh(cell: _F, cell_err: _F, lines: _F, columns: _F) -> tuple[_F, _F]:
    """Mesh without gaps; every bin has a cell with data."""
    known = np.isfinite(cell)
    # Gaps are filled along the strip first, then across, so that a gap in one cell does not look
    # like a change of the mean.
    filled = fill_gaps(cell, lines)
    empty = np.logical_not(known.any(axis=0))
    if empty.any():
        filled[:, empty] = np.array(
            [np.interp(columns[empty], columns[~empty], r[~empty]) for r in filled]
        )
    typical = float(np.median(cell_err[known]))
    return filled, np.where(known, np.nan_to_num(cell_err), typical)


def _average_cells(cell: _F, error: _F) -> tuple[_F, _F]:
    """Each bin's mean over the cells that deviate from it as they usually do, and its error.

    A galaxy, or the halo of a star, fills some cells for a bin or two. What only they hold is no
    change of the sky, and no change of the sky is as short as that. Such light only adds: the
    lower quartile of the cells says what the others hold.
    """
    deviation = cell - np.median(cell, axis=1)[:, None]
    usual = np.asarray(median_filter(deviation, size=(_NEIGHBOURS, 1), mode="nearest"))
    rest = cell - usual
    low = np.quantile(rest, 0.25, axis=1)
    scatter = 1.4826 * float(np.median(np.abs(rest - np.median(rest, axis=1)[:, None])))
    allowed = np.maximum(error, scatter)
    good = np.abs(rest - low[:, None] - 0.6745 * allowed) <= _OUTLYING * allowed
    good[4 * good.sum(axis=1) < cell.shape[1]] = True
    number = good.sum(axis=1)
    common = np.where(good, rest, 0.0).sum(axis=1) / number
    formal = np.where(good, error**2, 0.0).sum(axis=1)
    found = np.where(good, (rest - common[:, None]) ** 2, 0.0).sum(axis=1)
    return common + usual.mean(axis=1), np.sqrt(np.maximum(formal, found)) / number
