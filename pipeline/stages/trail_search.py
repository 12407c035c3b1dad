"""The search of one window of the coarse map for straight trails."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numba import njit
from numpy.typing import NDArray

__all__ = ["TrailOptions", "measure_distance", "search_window"]

_F = NDArray[np.float64]

# Middle half of a trail's cells, which the line meets here in the middle, there at the rim: up to
# half of its height; the rest is for stars on it.
_UNEVEN = 1.0
_CANDIDATES = 40  # lines with most votes that are looked at closely


@dataclass(frozen=True)
class TrailOptions:
    """What counts as a trail.

    Parameters
    ----------
    step : int
        Pixels of the map's cells in both directions; divides 256.
    pixel_limit : float
        A pixel counts at most this many sigma either way: a bright star gives no more votes than
        the trail's own pixels.
    cell_sigma : float
        Cells above this many sigma vote.
    score : float
        Votes along a line beyond those of as many cells elsewhere, in binomial sigma.
    min_cells : int
        Shortest trail, cells.
    fill : float
        Least fraction of voting cells along the trail, beyond the field's own fraction and in
        units of what is left to it.
    min_angle : float
        Lines closer than this to the direction of the scan are bleeds or bad columns, degrees.
    min_sideways : float
        Cells that a trail must cross sideways: less may be two bleeds in neighbouring columns.
    max_trails : int
        Trails sought per window.
    margin : float
        Pixels masked on either side beyond the measured width.
    """

    step: int = 8
    pixel_limit: float = 3.0
    cell_sigma: float = 2.5
    score: float = 11.0
    min_cells: int = 30
    fill: float = 0.55
    min_angle: float = 4.0
    min_sideways: float = 4.0
    max_trails: int = 8
    margin: float = 4.0

    def __post_init__(self) -> None:
        if self.step < 1 or 256 % self.step:
            msg = f"trails step must divide 256, received {self.step}"
            raise ValueError(msg)
        for name in ("pixel_limit", "cell_sigma", "score", "fill", "margin", "min_sideways"):
            if not getattr(self, name) > 0:
                msg = f"trails {name} must be positive, received {getattr(self, name)}"
                raise ValueError(msg)
        if self.min_cells < 8 or self.max_trails < 1:
            msg = (
                "trails min_cells must be at least 8 and max_trails at least 1, received "
                f"{self.min_cells} and {self.max_trails}"
            )
            raise ValueError(msg)
        if not 0 < self.min_angle < 45:
            msg = f"trails min_angle must lie within 0..45, received {self.min_angle}"
            raise ValueError(msg)


@njit(cache=True, error_model="numpy")
def _find_strongest(
    rows: np.ndarray,
    cells: np.ndarray,
    cosines: np.ndarray,
    sines: np.ndarray,
    offset: float,
    chord: np.ndarray,
    least: float,
    base: float,
    most: int,
) -> np.ndarray:
    """Places of the lines with the highest scores, in falling order, of equal ones the first.

    Hough transform: every voting cell adds one to each line through it. A line shorter than
    `least` cells scores as if it had these, and at least 0: one that only crosses part of the
    window still has many votes in absolute number.
    """
    number = chord.shape[1]
    counts = np.empty(number, dtype=np.int32)
    others = np.empty(number, dtype=np.int32)
    score = np.empty(number)
    bins = np.empty(rows.size, dtype=np.int32)
    top = np.full(most, -np.inf)
    place = np.full(most, -1, dtype=np.int64)
    for a in range(cosines.size):
        co, si = cosines[a], sines[a]
        for k in range(rows.size):
            bins[k] = np.int32(rows[k] * co + cells[k] * si + offset + 0.5)
        counts[:] = 0
        others[:] = 0
        # Neighbouring cells often vote for the same line: two counts need not wait for each other.
        for k in range(0, rows.size - 1, 2):
            counts[bins[k]] += 1
            others[bins[k + 1]] += 1
        if rows.size % 2:
            counts[bins[-1]] += 1
        length = chord[a]
        limit = top[-1]
        higher = 0
        for b in range(number):
            short = length[b] < least
            cells_met = least if short else length[b]
            votes = float(counts[b] + others[b])
            s = (votes - base * cells_met) / np.sqrt(cells_met * base * (1.0 - base))
            s = 0.0 if short and s < 0.0 else s
            score[b] = s
            higher += s > limit
        if higher == 0:
            continue
        for b in range(number):
            s = score[b]
            if not s > top[-1]:
                continue
            at = most - 1
            while at > 0 and top[at - 1] < s:
                top[at] = top[at - 1]
                place[at] = place[at - 1]
                at -= 1
            top[at] = s
            place[at] = a * number + b
    return place[place >= 0]


def _long_runs(hot: NDArray[np.bool_], limit: int) -> NDArray[np.bool_]:
    """Cells of runs along the scan of more than `limit` cells."""
    n = len(hot)
    if n <= limit:
        return np.zeros_like(hot)
    # Opening with a segment: cells of any all-true stretch of limit + 1.
    total = np.concatenate([np.zeros((1, hot.shape[1]), dtype=np.int64), np.cumsum(hot, axis=0)])
    full = (total[limit + 1 :] - total[: -limit - 1]) == limit + 1
    out = np.zeros_like(hot)
    for k in range(limit + 1):
        out[k : k + len(full)] |= full
    return out


def _angles(n_rows: int, n_cells: int, min_angle: float) -> _F:
    """Directions of the lines' normals, measured from the line axis; steps of half a cell.

    The normal at 90 degrees belongs to lines that run along the scan.
    """
    reach = float(np.hypot(n_rows, n_cells))
    number = int(np.ceil(np.pi * reach / 1.0))
    angles = (np.arange(number) + 0.5) * (np.pi / number)
    return angles[np.abs(angles - np.pi / 2) > np.radians(min_angle)]


def _clip_line(co: float, si: float, rho: float, n_rows: int, n_cells: int) -> tuple[_F, _F] | None:
    """Cells (row, cell) along ``row co + cell si = rho`` in steps of one cell, or None."""
    r0, c0 = rho * co, rho * si
    # Along the line: (r, c) = (r0, c0) + t (-si, co).
    low, high = -np.inf, np.inf
    for start, slope, size in ((r0, -si, n_rows), (c0, co, n_cells)):
        if abs(slope) < 1e-12:
            if not -0.5 <= start <= size - 0.5:
                return None
            continue
        a, b = (-0.5 - start) / slope, (size - 0.5 - start) / slope
        low, high = max(low, min(a, b)), min(high, max(a, b))
    if not high - low >= 1.0:
        return None
    t = np.arange(low + 0.5, high, 1.0)
    return r0 - si * t, c0 + co * t


def _strip_of(
    hot: NDArray[np.bool_], rows: _F, cells: _F, co: float, si: float, shift: float
) -> NDArray[np.bool_]:
    """Votes along a line moved sideways by `shift` cells; a cell off the map does not vote."""
    r = np.round(rows + shift * co).astype(np.intp)
    c = np.round(cells + shift * si).astype(np.intp)
    inside = (r >= 0) & (r < hot.shape[0]) & (c >= 0) & (c < hot.shape[1])
    out = np.zeros(len(rows), dtype=bool)
    out[inside] = hot[r[inside], c[inside]]
    return out


def _longest(along: NDArray[np.bool_], base: float, fill: float) -> tuple[int, int]:
    """Stretch with the largest sum of (vote - threshold): where the line really is."""
    gain = along - (base + fill * (1.0 - base)) * 0.8
    best, best_range = 0.0, (0, 0)
    total, start = 0.0, 0
    for k, g in enumerate(gain):
        if total <= 0.0:
            total, start = 0.0, k
        total += g
        if total > best:
            best, best_range = total, (start, k + 1)
    return best_range


def search_window(
    value: NDArray[np.float32], options: TrailOptions
) -> list[tuple[float, float, float, float, float, float]]:
    """Trails of one window: ends (row, cell), width in cells, and score."""
    n_rows, n_cells = value.shape
    known = np.isfinite(value)
    hot = known & (np.nan_to_num(value) > options.cell_sigma)
    # Long runs along the scan are bleeds or bad columns: they must not lend their cells to slanted
    # lines. A line at the least angle allowed stays in one column for 1/tan cells.
    limit = int(np.ceil(1.3 / np.tan(np.radians(options.min_angle))))
    hot &= ~_long_runs(hot, limit)
    cosines, sines, rho, chord = _prepare_lines(n_rows, n_cells, options.min_angle)
    offset = -float(rho[0])
    found: list[tuple[float, float, float, float, float, float]] = []
    for _ in range(options.max_trails):
        rows, cells = np.nonzero(hot)
        if len(rows) < options.min_cells:
            break
        base = float(np.clip(hot.sum() / max(int(known.sum()), 1), 1e-3, 0.9))
        accepted = None
        for position in _find_strongest(
            rows.astype(np.float64), cells.astype(np.float64), cosines, sines, offset, chord,
            float(options.min_cells), base, _CANDIDATES,
        ):  # fmt: skip
            a, b = np.unravel_index(position, chord.shape)
            accepted = _verify(
                hot, value, float(cosines[a]), float(sines[a]), float(rho[b]), base, options
            )
            if accepted is not None:
                break
        if accepted is None:
            break
        found.append(accepted)
        _erase(hot, accepted)
    return found


@lru_cache(maxsize=1)
def _prepare_lines(n_rows: int, n_cells: int, min_angle: float) -> tuple[_F, _F, _F, _F]:
    """Lines of the transform: cosines and sines, distances, lengths; windows of a strip share them.

    rho = row co + cell si runs from -n_rows (co = -1) to n_rows + n_cells.
    """
    angles = _angles(n_rows, n_cells, min_angle)
    cosines, sines = np.cos(angles), np.sin(angles)
    rho: _F = np.arange(2 * n_rows + n_cells + 4, dtype=np.float64) - float(n_rows + 1)
    chord = _chords(cosines, sines, rho, n_rows, n_cells)
    for array in (cosines, sines, rho, chord):
        array.flags.writeable = False
    return cosines, sines, rho, chord


@njit(cache=True, error_model="numpy")
def _chords(
    cosines: np.ndarray, sines: np.ndarray, rho: np.ndarray, n_rows: int, n_cells: int
) -> np.ndarray:
    """Length within the window of every line of the transform, cells met (largest-axis count).

    The transform's bins are one cell wide, so a line collects about one cell per unit length.
    """
    out = np.empty((cosines.size, rho.size))
    for k in range(cosines.size):
        co, si = cosines[k], sines[k]
        along = -si if abs(si) >= 1e-9 else 1e-9
        across = co if abs(co) >= 1e-9 else 1e-9
        row = out[k]
        for m in range(rho.size):
            r0, c0 = rho[m] * co, rho[m] * si
            a, b = (-0.5 - r0) / along, (n_rows - 0.5 - r0) / along
            c, d = (-0.5 - c0) / across, (n_cells - 0.5 - c0) / across
            low = max(min(a, b), min(c, d))
            high = min(max(a, b), max(c, d))
            row[m] = max(high - low, 0.0)
    return out


def _verify(
    hot: NDArray[np.bool_],
    value: NDArray[np.float32],
    co: float,
    si: float,
    rho: float,
    base: float,
    options: TrailOptions,
) -> tuple[float, float, float, float, float, float] | None:
    """Refine a candidate and test its stretch against the field beside it."""
    for _ in range(3):
        line = _clip_line(co, si, rho, *hot.shape)
        if line is None or len(line[0]) < options.min_cells:
            return None
        rows, cells = line
        along = _strip_of(hot, rows, cells, co, si, 0.0)
        for shift in (-0.5, 0.5):
            along |= _strip_of(hot, rows, cells, co, si, shift)
        beside = np.mean(
            [
                _strip_of(hot, rows, cells, co, si, shift - 0.5)
                | _strip_of(hot, rows, cells, co, si, shift)
                | _strip_of(hot, rows, cells, co, si, shift + 0.5)
                for shift in (-6.0, -4.0, 4.0, 6.0)
            ]
        )
        local = min(max(float(beside), base, 1e-3), 0.95)
        start, stop = _longest(along, local, options.fill)
        if stop - start < options.min_cells:
            return None
        rows, cells = rows[start:stop], cells[start:stop]
        # Weighted straight fit to the map across the line.
        shifts = np.arange(-2.0, 2.01, 0.5)
        excess = np.array([_sample(value, rows + d * co, cells + d * si) for d in shifts])
        weight = np.clip(excess, 0.0, 8.0)
        total = weight.sum(axis=0)
        seen = total > 0
        if seen.sum() < options.min_cells // 2:
            return None
        centre = (weight[:, seen] * shifts[:, None]).sum(axis=0) / total[seen]
        t = np.arange(len(rows))[seen] - (len(rows) - 1) / 2.0
        slope, intercept = np.polyfit(t, centre, 1, w=np.sqrt(total[seen]))
        middle_r = float(rows.mean()) + intercept * co
        middle_c = float(cells.mean()) + intercept * si
        turn = np.arctan(slope)
        # The line runs along (-si, co); turning it towards the normal turns the normal back.
        direction_r = -si * np.cos(turn) + co * np.sin(turn)
        direction_c = co * np.cos(turn) + si * np.sin(turn)
        co, si = float(direction_c), float(-direction_r)
        rho = middle_r * co + middle_c * si
    if abs(np.degrees(np.arctan2(abs(co), abs(si)))) < options.min_angle:
        return None
    line = _clip_line(co, si, rho, *hot.shape)
    if line is None:
        return None
    rows, cells = line
    along = _strip_of(hot, rows, cells, co, si, 0.0)
    for shift in (-0.5, 0.5):
        along |= _strip_of(hot, rows, cells, co, si, shift)
    start, stop = _longest(along, local, options.fill)
    number = stop - start
    if number < options.min_cells:
        return None
    share = float(along[start:stop].mean())
    score = (share - local) * number / np.sqrt(number * local * (1.0 - local))
    if score < options.score or share - local < options.fill * (1.0 - local):
        return None
    if not _is_continuous(value, rows[start:stop], cells[start:stop], co, si):
        return None
    start, stop = _prolong(value, rows, cells, co, si, start, stop)
    rows, cells = rows[start:stop], cells[start:stop]
    if abs(cells[-1] - cells[0]) < options.min_sideways:
        return None
    # Width: where the median profile across stays above that of the field.
    shifts = np.arange(-6.0, 6.01, 0.5)
    profile = np.array([np.median(_sample(value, rows + d * co, cells + d * si)) for d in shifts])
    field = float(np.median(profile[np.abs(shifts) >= 4.0]))
    noise = 1.2533 / np.sqrt(number)
    above = profile > field + max(4.0 * noise, 0.5)
    # Walk out from the middle: stars further off are not the trail.
    middle = len(shifts) // 2
    low = high = middle
    while low > 0 and above[low - 1]:
        low -= 1
    while high < len(shifts) - 1 and above[high + 1]:
        high += 1
    # One cell is the map's own resolution.
    half = float(max(-shifts[low], shifts[high], 0.5))
    width = max(2.0 * (half - 0.5), 0.5)
    ends = (float(rows[0]), float(cells[0]), float(rows[-1]), float(cells[-1]))
    return (*ends, width, float(score))


def _is_continuous(value: NDArray[np.float32], rows: _F, cells: _F, co: float, si: float) -> bool:
    """Whether a stretch is of one brightness without gaps: stars in a row are not.

    The faintest quarter must stand out of the field, and the middle half must not differ among
    itself by much more than noise and the height of the line.
    """
    low, middle, high = np.percentile(_sample(value, rows, cells), (25.0, 50.0, 75.0))
    sides = [_sample(value, rows + d * co, cells + d * si) for d in (-6.0, -4.0, 4.0, 6.0)]
    field = np.percentile(sides, (25.0, 50.0))
    # A quartile of n Gaussians has an error of 1.36 / sqrt(n).
    error = 4.0 * 1.36 / np.sqrt(len(rows))
    if low - field[0] < max(error, 0.7):
        return False
    return bool(high - low < 1.35 + error + _UNEVEN * (middle - field[1]))


def _prolong(
    value: NDArray[np.float32], rows: _F, cells: _F, co: float, si: float, start: int, stop: int
) -> tuple[int, int]:
    """Walk on at both ends, eight cells at a time, while their median stands out of the field.

    Votes need a cell to stand out by itself; eight together show a fainter end.
    """
    on = _sample(value, rows, cells)
    sides = [_sample(value, rows + d * co, cells + d * si) for d in (-6.0, -4.0, 4.0, 6.0)]
    field = float(np.median(sides))
    # The median of eight has an error of 0.44 sigma of a cell.
    limit = field + 1.3
    while start > 0 and np.median(on[max(start - 8, 0) : start]) > limit:
        start = max(start - 8, 0)
    while stop < len(on) and np.median(on[stop : stop + 8]) > limit:
        stop = min(stop + 8, len(on))
    return start, stop


def _sample(value: NDArray[np.float32], rows: _F, cells: _F) -> _F:
    """Map values at the nearest cells; 0 off the map or without data."""
    r, c = np.round(rows).astype(np.intp), np.round(cells).astype(np.intp)
    inside = (r >= 0) & (r < value.shape[0]) & (c >= 0) & (c < value.shape[1])
    out = np.zeros(len(rows))
    out[inside] = np.nan_to_num(value[r[inside], c[inside]])
    return out


def _erase(hot: NDArray[np.bool_], trail: tuple[float, float, float, float, float, float]) -> None:
    """Take a trail's cells out of the vote, in place."""
    r0, c0, r1, c1, width, _ = trail
    rows, cells = np.nonzero(hot)
    distance, t = measure_distance(rows, cells, r0, c0, r1, c1)
    near = (distance <= width / 2 + 1.5) & (t > -4.0) & (t < np.hypot(r1 - r0, c1 - c0) + 4.0)
    hot[rows[near], cells[near]] = False


def measure_distance(
    lines: NDArray, columns: NDArray, l0: float, c0: float, l1: float, c1: float
) -> tuple[_F, _F]:
    """Distance from a line, and the position along it, of points."""
    length = float(np.hypot(l1 - l0, c1 - c0))
    ul, uc = (l1 - l0) / length, (c1 - c0) / length
    dl, dc = lines - l0, columns - c0
    return np.abs(dl * uc - dc * ul), dl * ul + dc * uc
