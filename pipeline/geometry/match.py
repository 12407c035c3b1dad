"""Which detection is which reference star, from a first guess that may be far off."""

import logging
from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from pipeline.errors import MirrorError, SolutionError
from pipeline.geometry.camera import FloatArray
from pipeline.geometry.pattern import BOX, MatchOptions, Peak, search_pattern
from pipeline.geometry.solution import StripSolution

__all__ = ["Detections", "Match", "MatchOptions", "References", "match_nearest", "match_stars"]

logger = logging.getLogger(__name__)

IntArray = NDArray[np.int64]
MOST_VOTERS = 5000  # detections that vote at most
SURE = -90.0  # log10 false alarm beyond which no mirror image is tried


class _Table:
    """Checks shared by the star lists: equal lengths, one dimension."""

    def __post_init__(self) -> None:
        lengths = {}
        for f in fields(self):  # type: ignore[arg-type]
            value = np.asarray(getattr(self, f.name), np.float64)
            if value.ndim != 1:
                raise ValueError(f"{f.name} must be one-dimensional, got shape {value.shape}")
            object.__setattr__(self, f.name, value)
            lengths[f.name] = len(value)
        if len(set(lengths.values())) > 1:
            raise ValueError(f"all arrays must have the same length, got {lengths}")


@dataclass(frozen=True, eq=False)
class Detections(_Table):
    """Detected stars of a strip.

    Attributes
    ----------
    line, column : ndarray of shape (n,)
        Pixels.
    line_err, column_err : ndarray of shape (n,)
        Standard errors, pixels.
    flux : ndarray of shape (n,)
        Any linear unit; only the order counts.
    """

    line: FloatArray
    column: FloatArray
    line_err: FloatArray
    column_err: FloatArray
    flux: FloatArray

    def __len__(self) -> int:
        return len(self.line)


@dataclass(frozen=True, eq=False)
class References(_Table):
    """Reference stars at the epoch of observation.

    Attributes
    ----------
    ra_deg, dec_deg : ndarray of shape (n,)
        ICRS, degrees, proper motion applied.
    ra_err_mas, dec_err_mas : ndarray of shape (n,)
        Standard errors on the sky, milliarcseconds (0 where unknown).
    mag : ndarray of shape (n,)
        Magnitude; only the order counts. NaN counts as faintest.
    """

    ra_deg: FloatArray
    dec_deg: FloatArray
    ra_err_mas: FloatArray
    dec_err_mas: FloatArray
    mag: FloatArray

    def __len__(self) -> int:
        return len(self.ra_deg)


@dataclass(frozen=True, eq=False)
class Match:
    """Pairs found, and the first guess brought into line with them.

    Attributes
    ----------
    detection, reference : ndarray of int
        Indices, one to one.
    guess : StripSolution
        With clock, axis declination, scale and rotation adjusted.
    log10_false_alarm : float
        Of the pattern match.
    """

    detection: IntArray
    reference: IntArray
    guess: StripSolution
    log10_false_alarm: float


def match_nearest(
    line: FloatArray,
    column: FloatArray,
    predicted_line: FloatArray,
    predicted_column: FloatArray,
    *,
    radius: float,
) -> tuple[IntArray, IntArray]:
    """Mutual nearest neighbours within a radius: one to one by construction.

    Parameters
    ----------
    line, column : ndarray of shape (n,)
        Detections, pixels.
    predicted_line, predicted_column : ndarray of shape (m,)
        References, pixels; NaN never matches.
    radius : float
        Pixels.

    Returns
    -------
    detection, reference : ndarray of int
    """
    good_d = np.flatnonzero(np.isfinite(line) & np.isfinite(column))
    good_r = np.flatnonzero(np.isfinite(predicted_line) & np.isfinite(predicted_column))
    if len(good_d) == 0 or len(good_r) == 0:
        return np.zeros(0, np.int64), np.zeros(0, np.int64)
    d = np.column_stack([line[good_d], column[good_d]])
    r = np.column_stack([predicted_line[good_r], predicted_column[good_r]])
    distance, to_r = cKDTree(r).query(d, distance_upper_bound=radius)
    i = np.flatnonzero(np.isfinite(distance))
    _, back = cKDTree(d).query(r[to_r[i]])  # of those alone: most references are near nothing
    mutual = back == i
    return good_d[i[mutual]], good_r[to_r[i[mutual]]]


def _trend(
    line: FloatArray, residual: FloatArray, *, shortest: float
) -> tuple[FloatArray, FloatArray]:
    """Medians of residuals in bins of the line, at least 20 stars and `shortest` lines each."""
    order = np.argsort(line)
    l, r = line[order], residual[order]
    span = l[-1] - l[0]
    n = int(max(1, min(len(l) // 20, span // max(shortest, 1.0))))
    parts = np.array_split(np.arange(len(l)), n)
    return (
        np.array([np.median(l[p]) for p in parts]),
        np.array([np.median(r[p]) for p in parts]),
    )


def _refine(
    guess: StripSolution,
    detections: Detections,
    *,
    by_flux: IntArray,
    predicted: tuple[FloatArray, FloatArray],
    by_mag: IntArray,
    peak: Peak,
    options: MatchOptions,
) -> tuple[IntArray, IntArray, tuple[float, float, float, float]]:
    """Nearest neighbours with shrinking radius, correcting shift, shear, stretch, and trend."""
    line, column = detections.line, detections.column
    a = np.array([peak.a0, peak.a1])
    b = np.array([peak.b0, peak.b1])
    x_all = predicted[1] - guess.camera.centre_column
    knots: FloatArray = np.zeros(1)
    trend_l: FloatArray = np.zeros(1)
    trend_c: FloatArray = np.zeros(1)
    start = BOX * options.bin_px
    radii = [start, start, *np.geomspace(start, min(options.radius_px, start), 5)[1:]]
    radii.append(radii[-1])
    di, ri = np.zeros(0, np.int64), np.zeros(0, np.int64)
    for turn, radius in enumerate(radii):
        bright = turn < 2  # the pattern's own stars first: the lists are sparse there
        sub_d = by_flux[: peak.n_detections] if bright else by_flux
        sub_r = by_mag[: peak.n_references] if bright else by_mag
        pl = predicted[0] + a[0] + a[1] * x_all
        pc = predicted[1] + b[0] + b[1] * x_all
        pl = pl + np.interp(predicted[0], knots, trend_l)
        pc = pc + np.interp(predicted[0], knots, trend_c)
        i, j = match_nearest(line[sub_d], column[sub_d], pl[sub_r], pc[sub_r], radius=radius)
        di, ri = sub_d[i], sub_r[j]
        if len(di) < 4:
            break
        x = x_all[ri]
        a = a + _robust_line(x, line[di] - pl[ri])
        b = b + _robust_line(x, column[di] - pc[ri])
        if not bright and len(di) >= 40:
            # Slow wander along the strip, so that the radius can shrink below it.
            left_l = line[di] - predicted[0][ri] - a[0] - a[1] * x
            left_c = column[di] - predicted[1][ri] - b[0] - b[1] * x
            shortest = 0.5 * guess.camera.n_stage
            knots, trend_l = _trend(predicted[0][ri], left_l, shortest=shortest)
            _, trend_c = _trend(predicted[0][ri], left_c, shortest=shortest)
            trend_l = trend_l - np.median(trend_l)
            trend_c = trend_c - np.median(trend_c)
    return di, ri, (float(a[0]), float(a[1]), float(b[0]), float(b[1]))


def _robust_line(x: FloatArray, y: FloatArray) -> FloatArray:
    """Intercept and slope, iteratively clipped; the slope only where the points allow one."""
    use = np.ones(len(x), bool)
    solution = np.zeros(2)
    for _ in range(5):
        span = np.ptp(x[use])
        if np.count_nonzero(use) >= 6 and span > 1.0:
            scaled = (x - np.mean(x[use])) / span
            slope, middle = np.polyfit(scaled[use], y[use], 1)
            solution = np.array([middle - slope / span * np.mean(x[use]), slope / span])
        else:
            solution = np.array([np.median(y[use]), 0.0])
        left = y - solution[0] - solution[1] * x
        scale = 1.4826 * np.median(np.abs(left[use])) + 1e-3  # MAD to sigma of a Gaussian
        use = np.abs(left) < 3.0 * scale
        if np.count_nonzero(use) < 4:
            break
    return solution


def _turn_lines(line: FloatArray, edges: Sequence[int]) -> FloatArray:
    """Lines with each file turned round; those before the first file stay."""
    bounds = np.asarray(edges, np.float64)
    file = np.clip(np.searchsorted(bounds, line + 0.5, side="right") - 1, 0, len(bounds) - 2)
    turned = bounds[file] + bounds[file + 1] - 1.0 - line
    return np.where(line + 0.5 >= bounds[0], turned, line)


def _pair_nearest(
    guess: StripSolution,
    detections: Detections,
    predicted: tuple[FloatArray, FloatArray],
    *,
    radius: float,
) -> Match:
    """Pairs of a geometry that is known to within the radius, unless chance gives as many."""
    di, ri = match_nearest(detections.line, detections.column, *predicted, radius=radius)
    line, column = predicted
    size = guess.n_lines, guess.camera.n_columns
    with np.errstate(invalid="ignore"):
        inside = (line >= 0) & (line < size[0]) & (column >= 0) & (column < size[1])
    density = np.count_nonzero(inside) / (size[0] * size[1])
    # In a crowd some reference lies near any place: what is judged is a circle that is empty, by
    # chance, every second time or more often.
    within = min(radius, np.sqrt(np.log(2.0) / (np.pi * max(density, 1e-12))))
    share = 1.0 - np.exp(-density * np.pi * within**2)
    distance = np.hypot(detections.line[di] - line[ri], detections.column[di] - column[ri])
    n, found = len(detections.line), int(np.count_nonzero(distance < within))
    chance, scatter = n * share, np.sqrt(n * share * (1.0 - share))
    if found < chance + 5.0 * scatter + 3.0:
        raise SolutionError(
            f"only {found} of {n} stars lie within {within:.2g} px of a reference star, where "
            f"chance alone gives {chance:.0f} +- {scatter:.0f}"
        )
    return Match(di, ri, guess, -np.inf)


def match_stars(
    guess: StripSolution,
    detections: Detections,
    references: References,
    *,
    options: MatchOptions,
    file_edges: Sequence[int] | None = None,
) -> Match:
    """Match detections to reference stars without knowing clock and pointing well.

    The brightest stars vote for offsets of line and column, for a range of rotations and scales;
    the best cell must be too full for chance. The same is tried with columns mirrored and lines
    reversed, to name such a mistake rather than to correct it.

    Parameters
    ----------
    guess : StripSolution
    detections : Detections
    references : References
    options : MatchOptions
    file_edges : sequence of int, optional
        First lines of the strip's files, and its end: lines that are stored backwards are so
        within each file. The strip is one file where None.

    Returns
    -------
    Match

    Raises
    ------
    SolutionError
        If there are too few stars or no significant pattern.
    MirrorError
        If the stars match once columns or lines are turned round.
    """
    finite = np.isfinite(detections.line) & np.isfinite(detections.column)
    by_flux = np.argsort(np.where(np.isfinite(detections.flux), -detections.flux, np.inf))
    by_flux = by_flux[finite[by_flux]]
    if len(by_flux) < 4:
        raise SolutionError(
            f"only {len(by_flux)} stars detected in the strip, at least 4 are needed; "
            "lower detection.threshold, use a longer strip, or look for cloud and a closed dome"
        )
    predicted = guess.sky_to_strip(references.ra_deg, references.dec_deg)
    if options.known:
        return _pair_nearest(guess, detections, predicted, radius=options.radius_px)
    pointing = options.pointing_range_arcmin * 60.0 / guess.camera.pixel_scale
    reach = options.clock_range_s / guess.line_period + pointing + guess.camera.n_stage
    with np.errstate(invalid="ignore"):
        covered = (
            (predicted[0] > -reach)
            & (predicted[0] < guess.n_lines + reach)
            & (predicted[1] > -pointing - 50.0)
            & (predicted[1] < guess.camera.n_columns + pointing + 50.0)
        )
    by_mag = np.argsort(np.where(np.isfinite(references.mag), references.mag, np.inf))
    by_mag = by_mag[covered[by_mag]]
    if len(by_mag) < 4:
        raise SolutionError(
            f"only {len(by_mag)} reference stars lie on the strip, at least 4 are needed; check "
            "that the reference catalogue covers its declination and right ascension, the "
            "latitude, longitude and pointing.declination, and the start time in the header"
        )
    mirrored = 2.0 * guess.camera.centre_column - detections.column
    reversed_ = _turn_lines(detections.line, file_edges or (0, guess.n_lines))
    candidates = {
        "": (detections.line, detections.column),
        "columns": (detections.line, mirrored),
        "lines": (reversed_, detections.column),
        "both": (reversed_, mirrored),
    }
    limit = float(np.log10(options.false_alarm))
    n_voters = min(options.n_brightest, len(by_flux))
    while True:
        voters = by_flux[:n_voters]
        peaks: dict[str, Peak] = {}
        for name, (l, c) in candidates.items():
            peaks[name] = search_pattern(
                guess,
                line=l[voters],
                column=c[voters],
                predicted=predicted,
                by_mag=by_mag,
                options=options,
            )
            # Clusters make mirror images look like more than chance, by some powers of ten.
            if peaks[name].log10_false_alarm < SURE:
                break
        best = min(peaks, key=lambda name: peaks[name].log10_false_alarm)
        peak = peaks[best]
        # The brightest detections may all be spurious: look deeper before giving up.
        if peak.log10_false_alarm <= limit or n_voters >= min(len(by_flux), MOST_VOTERS):
            break
        n_voters = min(4 * n_voters, len(by_flux))
    if peak.log10_false_alarm > limit:
        raise SolutionError(
            f"no pattern of the {peak.n_detections} brightest detections fits the "
            f"{len(by_mag)} reference stars in reach, mirrored or not (best chance probability "
            f"10^{peak.log10_false_alarm:.1f}, {options.false_alarm:g} allowed); check the start "
            "time and what it refers to, the sign of latitude and longitude, the pixel scale, and "
            f"that clock and pointing are right to {options.clock_range_s:g} s and "
            f"{options.pointing_range_arcmin:g} arcmin, or widen these ranges"
        )
    if best:
        wrong = {
            "columns": f"camera.column_sign is wrong: use {-guess.camera.column_sign}",
            "lines": "raw.flip_lines is wrong: the lines run backwards in time",
            "both": "camera.column_sign and raw.flip_lines are both wrong",
        }[best]
        raise MirrorError(
            f"the stars match as a mirror image; {wrong} "
            f"(chance probability 10^{peak.log10_false_alarm:.0f}, as configured "
            f"10^{peaks[''].log10_false_alarm:.0f})",
            columns=best != "lines",
            lines=best != "columns",
        )
    di, ri, (a0, a1, b0, b1) = _refine(
        guess,
        detections,
        by_flux=by_flux,
        predicted=predicted,
        by_mag=by_mag,
        peak=peak,
        options=options,
    )
    if len(di) < 4:
        raise SolutionError(
            f"only {len(di)} stars remain matched within {options.radius_px:g} px; check the "
            "pixel scale and the optical distortion, or widen the match radius"
        )
    logger.info(
        "matched %d stars (offset %.1f lines, %.1f columns; chance 10^%.0f)",
        len(di),
        a0,
        b0,
        peak.log10_false_alarm,
    )
    return Match(di, ri, _adjust(guess, a0, a1, b0, b1), peak.log10_false_alarm)


def _adjust(guess: StripSolution, a0: float, a1: float, b0: float, b1: float) -> StripSolution:
    """First guess with shift, shear and stretch turned into its parameters.

    Shear and stretch act about the optical axis, where the shift has moved the stars by then.
    """
    old = guess.parameters
    scale = old["pixel_scale_arcsec"] / (1.0 + b1)
    shift_deg = guess.camera.column_sign * b0 * scale / 3600.0
    return guess.with_parameters(
        clock_offset_s=old["clock_offset_s"] - (a0 - a1 * b0) * guess.line_period,
        declination_deg=old["declination_deg"] - shift_deg,
        rotation_deg=old["rotation_deg"] + float(np.degrees(np.arctan(a1))),
        pixel_scale_arcsec=scale,
    )
