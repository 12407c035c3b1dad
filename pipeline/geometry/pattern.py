"""Votes of the brightest stars for the offset between a strip and the reference catalogue."""

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from pipeline.geometry.camera import FloatArray
from pipeline.geometry.solution import StripSolution

__all__ = ["BOX", "MatchOptions", "Peak", "search_pattern"]

IntArray = NDArray[np.int64]
LN10 = float(np.log(10.0))
BOX = 3  # histogram cells a side in which pairs are counted
EARLY_STOP = -30.0  # log10 false alarm beyond which no deeper list is tried
FEWEST_PAIRS = 4.0  # in a box
DEPTHS = (1.0, 3.0, 0.3, 10.0, 30.0)  # reference stars per detection, tried in turn
MOST_PAIRS = 3_000_000  # more would only cost time: the pattern is lost in chance


@dataclass(frozen=True)
class MatchOptions:
    """How wrong the first guess may be, and how sure the match must be.

    Attributes
    ----------
    clock_range_s, pointing_range_arcmin, scale_range, rotation_range_deg : float
        Largest errors of the first guess searched for: clock, pointing (both ways), relative
        scale, and rotation.
    n_brightest : int
        Brightest detections used for the pattern.
    bin_px : float
        Cell of the histogram of offsets, pixels.
    false_alarm : float
        Largest accepted probability that a chance coincidence looks as good.
    radius_px : float
        Radius of the final nearest-neighbour match.
    known : bool
        The first guess is good to `radius_px`: every star is paired with the reference nearest to
        it. A pattern of the brightest needs the same stars to be brightest on both sides, which a
        list without saturated stars breaks the more, the longer the strip.
    """

    clock_range_s: float = 30.0
    pointing_range_arcmin: float = 5.0
    scale_range: float = 0.003
    rotation_range_deg: float = 0.5
    n_brightest: int = 300
    bin_px: float = 4.0
    false_alarm: float = 1e-8
    radius_px: float = 3.0
    known: bool = False

    def __post_init__(self) -> None:
        for f in fields(self):
            value = getattr(self, f.name)
            if isinstance(value, bool):
                continue
            if not (np.isfinite(value) and value > 0):
                raise ValueError(f"{f.name} must be positive, got {value}")


@dataclass(frozen=True)
class Peak:
    """Best hypothesis of the pattern match: ``d line = a0 + a1 x``, ``d column = b0 + b1 x``."""

    log10_false_alarm: float
    a0: float
    a1: float
    b0: float
    b1: float
    n_detections: int
    n_references: int
    pairs: float
    expected: float


def _pairs(d_line: FloatArray, r_line: FloatArray, reach: float) -> tuple[IntArray, IntArray]:
    """Indices of all pairs whose lines differ by at most `reach`."""
    order = np.argsort(r_line)
    low = np.searchsorted(r_line[order], d_line - reach)
    high = np.searchsorted(r_line[order], d_line + reach)
    count = high - low
    i = np.repeat(np.arange(len(d_line)), count)
    start = np.repeat(low - np.concatenate([[0], np.cumsum(count)[:-1]]), count)
    return i, order[np.arange(len(i)) + start]


def _chance(n: FloatArray, expected: FloatArray) -> FloatArray:
    """log10 of an upper bound (Chernoff's) to the chance that Poisson counts reach `n`."""
    excess = np.maximum(n, expected)
    return np.asarray((excess - expected - excess * np.log(excess / expected)) / LN10)


def _box(values: NDArray[np.float64]) -> FloatArray:
    """Sums over BOX neighbours along the first axis."""
    return np.asarray(values[:-2] + values[1:-1] + values[2:])


def _around(marginal: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Mean over a sixth of the cells about each (cut at the ends), and how many cells those are."""
    n = len(marginal)
    half = max(n // 12, 2 * BOX)
    total = np.concatenate([[0.0], np.cumsum(marginal)])
    low = np.maximum(np.arange(n) - half, 0)
    high = np.minimum(np.arange(n) + half + 1, n)
    return np.asarray((total[high] - total[low]) / (high - low)), np.asarray(high - low)


def _expected(counts: NDArray[np.int64], row: IntArray, col: IntArray, n: FloatArray) -> FloatArray:
    """Chance pairs in the box about a cell, had its own `n` pairs not been there.

    Chance pairs spread as the product of a distribution of lines and one of columns, both smooth
    and densest at small offsets, where the lists overlap most.
    """
    by_row, rows = _around(counts.sum(axis=1).astype(np.float64))
    by_col, cols = _around(counts.sum(axis=0).astype(np.float64))
    others = np.maximum(float(counts.sum()) - n, 1.0)
    along = np.maximum(by_row[row] - n / rows[row], 0.0)
    across = np.maximum(by_col[col] - n / cols[col], 0.0)
    floor = 0.1 * others / counts.size
    return np.asarray(BOX * BOX * np.maximum(along * across / others, floor) + 1e-3)


def _vote(
    dl: FloatArray,
    dc: FloatArray,
    x: FloatArray,
    *,
    reach: tuple[float, float],
    shears: FloatArray,
    stretches: FloatArray,
    cell: float,
) -> tuple[float, float, float, float, float, float, float]:
    """Most significant cell: (log10 p, a0, a1, b0, b1, pairs, expected) over all hypotheses."""
    bins_l = 2 * int(np.ceil(reach[0] / cell)) + BOX
    bins_c = 2 * int(np.ceil(reach[1] / cell)) + BOX
    trials = bins_l * bins_c * len(shears) * len(stretches)
    best = (0.0,) * 7
    for a1 in shears:
        row = np.floor((dl - a1 * x) / cell + bins_l / 2)
        in_row = (row >= 0) & (row < bins_l)
        for b1 in stretches:
            col = np.floor((dc - b1 * x) / cell + bins_c / 2)
            inside = in_row & (col >= 0) & (col < bins_c)
            flat = (row[inside] * bins_c + col[inside]).astype(np.int64)
            counts = np.bincount(flat, minlength=bins_l * bins_c).reshape(bins_l, bins_c)
            # BOX x BOX cells about each inner cell; no pair of interest lies at the rim.
            boxes = _box(_box(counts.astype(np.float64)).T).T
            high = np.flatnonzero(boxes >= max(FEWEST_PAIRS, 0.5 * float(boxes.max())))
            if len(high) == 0:
                continue
            n = boxes.flat[high]
            k, m = np.divmod(high, bins_c - 2)
            expected = _expected(counts, k + 1, m + 1, n)
            chances = _chance(n, expected)
            top = int(np.argmin(chances))
            log_p = float(chances[top]) + float(np.log10(trials))
            if log_p < best[0]:
                a0 = float(k[top] + 1.5 - bins_l / 2) * cell
                b0 = float(m[top] + 1.5 - bins_c / 2) * cell
                pairs, chance = float(n[top]), float(expected[top])
                best = (log_p, a0, float(a1), b0, float(b1), pairs, chance)
    return best


def search_pattern(
    guess: StripSolution,
    *,
    line: FloatArray,
    column: FloatArray,
    predicted: tuple[FloatArray, FloatArray],
    by_mag: IntArray,
    options: MatchOptions,
) -> Peak:
    """Pattern match of the brightest stars, for several depths of the reference list.

    Parameters
    ----------
    guess : StripSolution
    line, column : ndarray of shape (n,)
        The detections that vote, pixels.
    predicted : tuple of ndarray
        Line and column of all references, pixels.
    by_mag : ndarray of int
        References in reach, brightest first.
    options : MatchOptions

    Returns
    -------
    Peak
        The most significant one; not necessarily significant.
    """
    camera = guess.camera
    pointing = options.pointing_range_arcmin * 60.0 / camera.pixel_scale
    reach_l = 1.1 * (options.clock_range_s / guess.line_period + pointing) + 10.0 * options.bin_px
    reach_c = 1.1 * pointing + 10.0 * options.bin_px
    half = 0.5 * camera.n_columns
    cell = options.bin_px

    def steps(limit: float) -> FloatArray:
        n = int(np.ceil(limit * half / cell))
        return np.asarray(np.linspace(-limit, limit, 2 * n + 1) if n else np.zeros(1), np.float64)

    shears = steps(float(np.tan(np.radians(options.rotation_range_deg))))
    stretches = steps(options.scale_range)
    n_detections = len(line)
    best = Peak(0.0, 0.0, 0.0, 0.0, 0.0, n_detections, 0, 0.0, 0.0)
    tried: set[int] = set()
    for depth in DEPTHS:
        n_references = int(np.clip(depth * n_detections, 1, len(by_mag)))
        if n_references in tried:
            continue
        tried.add(n_references)
        ri = by_mag[:n_references]
        pl, pc = predicted[0][ri], predicted[1][ri]
        # The shear may carry a pair into reach from outside.
        i, j = _pairs(line, pl, reach_l + 2.0 * half * float(np.max(shears)) + cell)
        if not 0 < len(i) <= MOST_PAIRS:
            continue
        dl = line[i] - pl[j]
        dc = column[i] - pc[j]
        near = np.abs(dc) < reach_c + 2.0 * half * options.scale_range + cell
        votes = _vote(
            dl[near],
            dc[near],
            pc[j][near] - camera.centre_column,
            reach=(reach_l, reach_c),
            shears=shears,
            stretches=stretches,
            cell=cell,
        )
        log_p, a0, a1, b0, b1, n, expected = votes
        if log_p < best.log10_false_alarm:
            best = Peak(log_p, a0, a1, b0, b1, n_detections, n_references, n, expected)
        if best.log10_false_alarm < EARLY_STOP:
            break
    return best
