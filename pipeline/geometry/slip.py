"""Lines that a strip lost: from some line on, all stars come too early by a whole number of lines.

A spline of the line of sight would smear such a jump over its knots. Here it is looked for among
all pairs of detections and reference stars: besides the offset at which the match was found there
is a second one, and the two are cut apart by one line, with the full jump between neighbours.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import gammainc

from pipeline.constants import SIGMA_PER_MAD
from pipeline.geometry.camera import FloatArray

__all__ = ["Slip", "find_slip", "near_slip", "put_back", "take_out"]

_SMALLEST = 2  # lines; less is within what wander and noise may do
_COLUMN_REACH = 5.0  # px between a star and its prediction across the scan
_TRIED = 12  # offsets looked at, most pairs first
_FEWEST = 8  # stars on the smaller side
_AGREE = 0.85  # share of the pairs of a stretch that belong to it
_NEIGHBOURS = 10  # stars on each side that show the jump
_CHANCE = 1e-8  # that unrelated stars look as good


@dataclass(frozen=True)
class Slip:
    """Lines lost at one place.

    Attributes
    ----------
    line : float
        First line, as numbered in the strip, after those that are missing.
    line_err : float
        Largest error: no star lies closer to it.
    lost : int
        Lines that are missing; negative where lines came twice.
    size, size_err : float
        The jump as the stars show it, lines.
    """

    line: float
    line_err: float
    lost: int
    size: float
    size_err: float

    def sentence(self, line_period: float) -> str:
        """The finding in words."""
        what = "lost" if self.lost > 0 else "written twice"
        return (
            f"{abs(self.lost)} lines were {what} at line {self.line:.0f} (+- {self.line_err:.0f}): "
            f"from there on stars come {abs(self.size):.2f} (+- {self.size_err:.2f}) lines "
            f"{'early' if self.lost > 0 else 'late'}, or "
            f"the clock jumped by {self.lost * line_period:+.3f} s. Positions and times on both "
            "sides are put right; sources at the place are flagged and tiles across it left out. "
            "Look for lost data between camera and disk"
        )


def near_slip(line: ArrayLike, slips: tuple[Slip, ...], *, margin: float) -> NDArray[np.bool_]:
    """Whether a place, as numbered in the strip, is where lines were lost or came twice.

    Parameters
    ----------
    line : array_like
        Lines.
    slips : tuple of Slip
    margin : float
        Lines on both sides that count as the place, beside its error.

    Returns
    -------
    ndarray of bool
    """
    line = np.asarray(line, np.float64)
    near = np.zeros(line.shape, bool)
    for slip in slips:
        reach = slip.line_err + margin + max(0, -slip.lost)
        near |= np.abs(line - slip.line) <= reach
    return near


def put_back(line: ArrayLike, slips: tuple[Slip, ...]) -> FloatArray:
    """Lines as they would be numbered had none been lost.

    Parameters
    ----------
    line : array_like
        As numbered in the strip.
    slips : tuple of Slip
        In order of line.

    Returns
    -------
    ndarray
    """
    line = np.asarray(line, np.float64)
    whole = line.copy()
    for slip in slips:
        whole = whole + np.where(line >= slip.line, float(slip.lost), 0.0)
    return np.asarray(whole)


def take_out(whole: ArrayLike, slips: tuple[Slip, ...]) -> FloatArray:
    """Lines as numbered in the strip; NaN for those lost: the inverse of `put_back`."""
    line = np.asarray(whole, np.float64).copy()
    for slip in slips:
        later = line - slip.lost
        after = later >= slip.line if slip.lost > 0 else line >= slip.line
        line = np.where(after, later, np.where(line >= slip.line, np.nan, line))
    return line


def _pairs(
    line: FloatArray, column: FloatArray, predicted: tuple[FloatArray, FloatArray], reach: float
) -> tuple[FloatArray, FloatArray]:
    """Lines of detections, and what they are ahead of reference stars of their column."""
    good = np.isfinite(predicted[0]) & np.isfinite(predicted[1])
    ref_line, ref_column = predicted[0][good], predicted[1][good]
    order = np.argsort(ref_line)
    ref_line, ref_column = ref_line[order], ref_column[order]
    low = np.searchsorted(ref_line, line - reach)
    count = np.searchsorted(ref_line, line + reach) - low
    i = np.repeat(np.arange(len(line)), count)
    start = np.repeat(low - np.concatenate([[0], np.cumsum(count)[:-1]]), count)
    j = np.arange(len(i)) + start
    near = np.abs(column[i] - ref_column[j]) < _COLUMN_REACH
    return line[i[near]], line[i[near]] - ref_line[j[near]]


def _cut(home: FloatArray, away: FloatArray) -> tuple[list[tuple[float, float]], bool, float]:
    """Stretch of lines that holds `away` rather than `home`.

    Returns
    -------
    ends : list of (float, float)
        Line and half gap of each end of the stretch that lies within the strip.
    to_the_end : bool
        Whether the stretch reaches the end of the strip.
    share : float
        Of the pairs that lie where they belong, the smaller of that within and without.
    """
    lines = np.concatenate([home, away])
    kind = np.concatenate([-np.ones(len(home)), np.ones(len(away))])
    order = np.argsort(lines, kind="stable")
    lines, kind = lines[order], kind[order]
    total = np.concatenate([[0.0], np.cumsum(kind)])
    lowest = np.minimum.accumulate(total)
    stop = int(np.argmax(total - lowest))
    start = int(np.argmin(total[: stop + 1]))
    inside = np.zeros(len(kind), bool)
    inside[start:stop] = True
    if inside.all() or not inside.any():
        return [], False, 0.0
    share = min(float(np.mean(kind[inside] > 0)), float(np.mean(kind[~inside] < 0)))
    ends = [
        (0.5 * float(lines[i - 1] + lines[i]), 0.5 * float(lines[i] - lines[i - 1]))
        for i in (start, stop)
        if 0 < i < len(lines)
    ]
    return ends, stop == len(lines), share


def _jump(
    line: FloatArray,
    ahead: FloatArray,
    at: float,
    before: NDArray[np.bool_],
    after: NDArray[np.bool_],
) -> tuple[float, float]:
    """Lines by which stars come ahead later, from the nearest on both sides, and the error."""
    values, errors = [], []
    for group in (before & (line <= at), after & (line > at)):
        index = np.flatnonzero(group)
        index = index[np.argsort(np.abs(line[index] - at))[:_NEIGHBOURS]]
        if len(index) < _FEWEST // 2:
            return np.nan, np.nan
        value = float(np.median(ahead[index]))
        spread = SIGMA_PER_MAD * float(np.median(np.abs(ahead[index] - value)))
        values.append(value)
        errors.append(1.2533 * spread / np.sqrt(len(index)))  # error of a Gaussian's median
    return values[1] - values[0], float(np.hypot(*errors))


def _examine(
    line: FloatArray, ahead: FloatArray, offset: int, expected: float, span: float
) -> tuple[Slip, ...]:
    """Slips by an offset; empty where the pairs do not show any.

    Lines lost within a file whose successor is placed by its own time are two slips: there, and
    back at the next file.
    """
    half = min(0.5 * abs(offset) - 0.25, 6.0)
    home, away = np.abs(ahead) < half, np.abs(ahead - offset) < half
    if np.count_nonzero(away) < _FEWEST or np.count_nonzero(home) < _FEWEST:
        return ()
    ends, to_the_end, share = _cut(line[home], line[away])
    if share < _AGREE or not ends:
        return ()
    first = 0.0 if len(ends) == 1 and not to_the_end else ends[0][0]
    last = span if to_the_end else ends[-1][0]
    # There the second offset must be far more crowded than chance makes it.
    n = int(np.count_nonzero(away & (line > first) & (line <= last)))
    if n < _FEWEST:
        return ()
    # Of n or more by a Poisson distribution.
    chance = gammainc(n, expected * 2 * half * (last - first) / span + 1e-9)
    if chance > (_CHANCE if len(ends) == 1 else _CHANCE**1.5):
        return ()
    slips = []
    for at, gap in ends:
        leaving = at == first
        before, after = (home, away) if leaving else (away, home)
        jump, error = _jump(line, ahead, at, before, after)
        # Slow wander comes by the offset too, but not between neighbours.
        if not abs(jump - (offset if leaving else -offset)) <= max(0.25 * abs(offset), 1.0):
            return ()
        if abs(jump) < _SMALLEST - 0.5:
            return ()
        slips.append(Slip(at, gap, round(-jump), -jump, error))
    return tuple(slips)


def find_slip(
    line: FloatArray,
    column: FloatArray,
    predicted: tuple[FloatArray, FloatArray],
    *,
    reach: float,
    n_lines: int,
) -> tuple[Slip, ...]:
    """Look for lost lines.

    Parameters
    ----------
    line, column : ndarray of shape (n,)
        Detections, pixels.
    predicted : tuple of ndarray of shape (m,)
        Line and column of the reference stars by a match of part of the strip at least.
    reach : float
        Most lines that may be lost at once.
    n_lines : int
        Of the strip.

    Returns
    -------
    tuple of Slip
        By the offset that most clearly is one, in order of line: none, one, or there and back.
    """
    at, ahead = _pairs(line, column, predicted, reach)
    if len(at) < 2 * _FEWEST:
        return ()
    whole = int(np.ceil(reach))
    counts = np.histogram(ahead, np.arange(-whole - 0.5, whole + 1.0))[0].astype(np.float64)
    expected = max(float(np.mean(np.minimum(counts, np.percentile(counts, 90)))), 1e-3)
    offsets = np.arange(-whole, whole + 1)
    smooth = np.convolve(counts, np.ones(3), mode="same")
    smooth[np.abs(offsets) < _SMALLEST] = 0.0
    found: list[tuple[Slip, ...]] = []
    for index in np.argsort(-smooth)[:_TRIED]:
        if smooth[index] < _FEWEST:
            break
        slips = _examine(at, ahead, int(offsets[index]), expected, float(n_lines))
        if slips:
            found.append(slips)
    return min(found, key=lambda s: abs(s[0].size - s[0].lost) + s[0].size_err, default=())
