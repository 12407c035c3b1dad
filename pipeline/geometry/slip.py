"""Lines that a strip lost: from some line on, all stars come too early by a whole number of lines.

A spline of the line of sight would smear such a jump over its knots. Here it is looked for among
all pairs of detections and reference stars: besides the offset at which the match was found there
is a second one, and the two are cut apart by one line, with the full jump between neighbours.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.stats import poisson

from pipeline.constants import SIGMA_PER_MAD
from pipeline.geometry.camera import FloatArray

__all__ = ["Slip", "find_slip", "near_slip", "put_back", "take_out"]

_SMALLEST = 2  # lines; less is within what wander and noise may do
_COLUMN_REACH = 5.0  # px between a star and its prediction across the scan
_TRIED = 12  # offsets looked at, most pairs first
_FEWEST = 8  # stars on the smaller side
_AGREE = 0.9  # share of the pairs on the side where they belong
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


def _cut(home: FloatArray, away: FloatArray) -> tuple[float, float, bool, float]:
    """Line that best parts two lists: line, half gap, whether `away` comes after, share right."""
    lines = np.concatenate([home, away])
    kind = np.concatenate([np.ones(len(home)), -np.ones(len(away))])
    order = np.argsort(lines, kind="stable")
    lines, kind = lines[order], kind[order]
    # +1 for every home star before the cut and every away star after it.
    score = np.concatenate([[0.0], np.cumsum(kind)])
    top, bottom = int(np.argmax(score)), int(np.argmin(score))
    total = len(lines)
    after_right = score[top] + len(away)
    before_right = -score[bottom] + len(home)
    after = bool(after_right >= before_right)
    at = top if after else bottom
    share = float(max(after_right, before_right)) / total
    if not 0 < at < total:
        return np.nan, np.nan, after, 0.0
    return (
        0.5 * float(lines[at - 1] + lines[at]),
        0.5 * float(lines[at] - lines[at - 1]),
        after,
        share,
    )


def _examine(
    line: FloatArray, ahead: FloatArray, offset: int, expected: float, span: float
) -> Slip | None:
    """Slip by an offset, or None where the pairs do not show one."""
    half = min(0.5 * abs(offset) - 0.25, 6.0)
    home, away = np.abs(ahead) < half, np.abs(ahead - offset) < half
    if np.count_nonzero(away) < _FEWEST or np.count_nonzero(home) < _FEWEST:
        return None
    at, gap, after, share = _cut(line[home], line[away])
    if share < _AGREE:
        return None
    # On its own side the second offset must be far more crowded than chance makes it.
    mine = away & ((line > at) == after)
    side = (span - at if after else at) / span
    n = int(np.count_nonzero(mine))
    if n < _FEWEST or poisson.sf(n - 1, expected * 2 * half * side + 1e-9) > _CHANCE:
        return None
    near, far = (
        np.flatnonzero(group)[np.argsort(np.abs(line[group] - at))[:_NEIGHBOURS]]
        for group in (home & ((line > at) != after), mine)
    )
    values = [float(np.median(ahead[group])) for group in (near, far)]
    errors = [
        1.2533 * SIGMA_PER_MAD * float(np.median(np.abs(ahead[group] - value)))
        / np.sqrt(len(group))
        for group, value in zip((near, far), values, strict=True)
    ]  # fmt: skip
    jump = values[1] - values[0]
    # Slow wander comes by the offset too, but not between neighbours.
    if abs(jump - offset) > max(0.25 * abs(offset), 1.0) or abs(jump) < _SMALLEST - 0.5:
        return None
    lost = -jump if after else jump
    return Slip(at, gap, round(lost), lost, float(np.hypot(*errors)))


def find_slip(
    line: FloatArray,
    column: FloatArray,
    predicted: tuple[FloatArray, FloatArray],
    *,
    reach: float,
    n_lines: int,
) -> Slip | None:
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
    Slip or None
        The one that most stars speak for.
    """
    at, ahead = _pairs(line, column, predicted, reach)
    if len(at) < 2 * _FEWEST:
        return None
    whole = int(np.ceil(reach))
    counts = np.histogram(ahead, np.arange(-whole - 0.5, whole + 1.0))[0].astype(np.float64)
    expected = max(float(np.mean(np.minimum(counts, np.percentile(counts, 90)))), 1e-3)
    offsets = np.arange(-whole, whole + 1)
    smooth = np.convolve(counts, np.ones(3), mode="same")
    smooth[np.abs(offsets) < _SMALLEST] = 0.0
    found: list[Slip] = []
    for index in np.argsort(-smooth)[:_TRIED]:
        if smooth[index] < _FEWEST:
            break
        slip = _examine(at, ahead, int(offsets[index]), expected, float(n_lines))
        if slip is not None:
            found.append(slip)
    return min(found, key=lambda s: abs(s.size - s.lost) + s.size_err, default=None)
