"""Stacks and the deep catalogue: depth, flux bias, and whether bright stars were clipped."""

import math
import warnings
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from astropy.io import fits
from astropy.wcs import WCS, FITSFixedWarning
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from synthetic.score_match import match_mutually
from synthetic.score_rows import Row, judge, judge_absent, judge_unmeasurable, robust_spread
from synthetic.score_stars import Stars
from synthetic.score_world import Columns, World, read_parquet

__all__ = ["score_stack"]

FloatArray = NDArray[np.float64]

_DEPTH_FIGURE = "stack: depth gain minus the expected gain"
_DEPTH_LIMIT = 0.05
_RESAMPLES = 200
_BIAS_LIMIT = 3.0
_KEPT_LIMIT = 99.0
# Signal to noise of single epochs.
_FAINT = (10.0, 50.0)
_BRIGHT = 200.0
_MIN_STARS = 100
_MIN_BRIGHT = 10
_MATCH_PIXELS = 2.0
# d(mag) = 2.5 / ln 10 * dF / F
_POGSON = 2.5 / math.log(10.0)
_MMAG = 1000.0
# The core is 3 x 3 pixels; the neighbourhood a ring of these radii, px.
_CORE = 1
_RING = (8, 14)
_UNEVEN = 0.1  # of the ring with another number of epochs than its median
# A cosmic ray this close takes an epoch from a star's core rightly, px.
_COSMIC_REACH = 4.0


def _group_epochs(world: World, stars: Stars, band: str) -> Columns:
    """One entry per star of a filter: mean place, magnitude, epochs and expected errors."""
    t = stars.truth
    strips = [k for k, strip in enumerate(world.science) if strip.filter == band]
    chosen = np.flatnonzero(t["star"] & t["complete"] & np.isin(t["strip"], strips))
    identity, first, inverse = np.unique(
        t["star_id"][chosen], return_index=True, return_inverse=True
    )
    count = np.bincount(inverse, minlength=identity.size)

    def mean(values: NDArray[np.generic]) -> FloatArray:
        total = np.bincount(inverse, weights=values[chosen].astype(float), minlength=identity.size)
        return np.asarray(total / count, dtype=np.float64)

    every = mean(stars.clean.astype(float)) == 1.0
    sn2 = np.where(np.isfinite(t["bound_flux"]), t["sn"] ** 2, 0.0)
    return {
        "star_id": identity,
        "ra": t["ra"][chosen][first],
        "dec": t["dec"][chosen][first],
        "mag": mean(t["mag"]),
        "count": count,
        "clean": every,
        "sn": mean(t["sn"]),
        # Signal to noise adds in squares over independent epochs of the same flux.
        "sn_sum": np.sqrt(mean(sn2) * count),
    }


def _match_deep(world: World, group: Columns, deep: Columns) -> tuple[NDArray[np.int64], ...]:
    """Pairs of stars and deep entries on the sky."""

    def to_plane(ra: FloatArray, dec: FloatArray) -> FloatArray:
        # Chords on the unit sphere, in pixels: no pole and no wrap to care about.
        a, d = np.radians(ra), np.radians(dec)
        unit = np.column_stack([np.cos(d) * np.cos(a), np.cos(d) * np.sin(a), np.sin(d)])
        return np.asarray(unit * 206264.806247 / world.pixel_scale, dtype=np.float64)

    # A star below the deep limit must not claim the entry of its neighbour.
    there = np.flatnonzero(group["sn_sum"] > 2.0)
    i, j = match_mutually(
        to_plane(group["ra"][there], group["dec"][there]),
        to_plane(deep["ra"].astype(float), deep["dec"].astype(float)),
        _MATCH_PIXELS,
    )
    return there[i], j


def _flags_of(deep: Columns) -> NDArray[np.int64]:
    if "flags" not in deep:
        return np.zeros(len(deep["ra"]), dtype=np.int64)
    return np.asarray(deep["flags"], dtype=np.int64)


def _collect(
    world: World, stars: Stars
) -> tuple[list[tuple[str, Columns, Columns]], list[str], bool]:
    """Per filter the truth and what the deep catalogue says; what is missing; whether it is due."""
    found: list[tuple[str, Columns, Columns]] = []
    failures: list[str] = []
    due = False
    for band in sorted({strip.filter for strip in world.science}):
        group = _group_epochs(world, stars, band)
        if not np.any(group["count"] > 1):
            continue
        due = True
        path = world.products / "deep" / f"{band}.parquet"
        if not path.exists():
            failures.append(f"no deep catalogue of {band}")
            continue
        try:
            deep = read_parquet(path)
        except (OSError, ValueError) as error:
            failures.append(f"deep catalogue of {band}: {error}")
            continue
        if not {"ra", "dec"} <= set(deep):
            failures.append(f"the deep catalogue of {band} has no ra, dec")
            continue
        i, j = _match_deep(world, group, deep)
        measured: Columns = {"flags": np.full(len(group["ra"]), -1, dtype=np.int64)}
        measured["flags"][i] = _flags_of(deep)[j]
        for key in ("mag_psf", "mag_aperture"):
            measured[key] = np.full(len(group["ra"]), np.nan)
            if key in deep:
                measured[key][i] = deep[key].astype(float)[j]
            else:
                failures.append(f"the deep catalogue of {band} has no column {key}")
        found.append((band, group, measured))
    return found, failures, due


@dataclass(frozen=True)
class _Depth:
    """Deviations of faint stars in units of their bounds, paired star by star.

    Attributes
    ----------
    stack, ideal : ndarray of shape (n,)
        Of the deep catalogue, and of the inverse-variance mean of the same stars' magnitudes in
        the strip catalogues.
    single : ndarray of shape (m,)
        Of the single epochs.
    expected, root : ndarray of shape (n,)
        Depth gain (mag) from the noise of every epoch, and 1.25 log10 N.
    wanted : int
        Number of stars that ought to have been measured.
    """

    stack: FloatArray
    ideal: FloatArray
    single: FloatArray
    expected: FloatArray
    root: FloatArray
    wanted: int


def _measure_depth(
    world: World, stars: Stars, band: str, group: Columns, measured: Columns
) -> _Depth:
    low, high = _FAINT
    wanted = group["clean"] & (group["count"] > 1) & (group["sn"] > low) & (group["sn"] < high)
    t = stars.truth
    strips = [k for k, strip in enumerate(world.science) if strip.filter == band]
    own = np.isin(t["strip"], strips) & np.isin(t["star_id"], group["star_id"][wanted])
    own &= stars.usable & np.isfinite(stars.measured["mag_psf"])
    place = np.searchsorted(group["star_id"], t["star_id"][own])
    deviation = stars.measured["mag_psf"][own] - t["mag"][own]
    n = group["star_id"].size
    weight = t["sn"][own] ** 2
    total = np.bincount(place, weights=weight, minlength=n)
    mean = np.bincount(place, weights=weight * deviation, minlength=n) / np.where(
        total > 0, total, 1.0
    )
    everywhere = np.bincount(place, minlength=n) == group["count"]
    use = wanted & everywhere & (measured["flags"] == 0) & np.isfinite(measured["mag_psf"])
    scale = _POGSON / group["sn_sum"][use]
    return _Depth(
        stack=(measured["mag_psf"] - group["mag"])[use] / scale,
        ideal=mean[use] / scale,
        single=deviation * t["sn"][own] / _POGSON,
        expected=2.5 * np.log10(group["sn_sum"][use] / group["sn"][use]),
        root=1.25 * np.log10(group["count"][use]),
        wanted=int(np.sum(wanted)),
    )


def _resample_loss(stack: FloatArray, ideal: FloatArray) -> float:
    """Standard error of the loss, by drawing the stars anew."""
    rng = np.random.default_rng(0)
    losses = []
    for _ in range(_RESAMPLES):
        pick = rng.integers(0, stack.size, stack.size)
        losses.append(2.5 * math.log10(robust_spread(stack[pick]) / robust_spread(ideal[pick])))
    return float(np.std(losses))


def _score_depth(
    world: World,
    stars: Stars,
    found: list[tuple[str, Columns, Columns]],
    failures: list[str],
) -> Row:
    figure, unit = _DEPTH_FIGURE, "mag"
    parts = [_measure_depth(world, stars, *item) for item in found]
    stack = np.concatenate([part.stack for part in parts])
    ideal = np.concatenate([part.ideal for part in parts])
    single = np.concatenate([part.single for part in parts])
    wanted = sum(part.wanted for part in parts)
    if wanted < _MIN_STARS:
        reason = f"only {wanted} clean stars of S/N {_FAINT[0]:g}-{_FAINT[1]:g} in several epochs"
        return judge_unmeasurable(figure, reason, low=-_DEPTH_LIMIT, high=_DEPTH_LIMIT, unit=unit)
    reasons = [*failures, stars.describe_missing()]
    if stack.size < wanted / 2:
        reasons.append("more than half of the faint stars are lost or flagged somewhere")
        text = "; ".join(reason for reason in reasons if reason)
        return judge_absent(figure, text, low=-_DEPTH_LIMIT, high=_DEPTH_LIMIT, unit=unit)
    spreads = [robust_spread(values) for values in (stack, ideal, single)]
    loss = 2.5 * math.log10(spreads[0] / spreads[1])
    direct = 2.5 * math.log10(spreads[0] / spreads[2])
    # Two independent spreads, each uncertain by one over the root of its number.
    direct_error = 1.0857 * math.hypot(stack.size**-0.5, single.size**-0.5)
    expected = float(np.median(np.concatenate([part.expected for part in parts])))
    root = float(np.median(np.concatenate([part.root for part in parts])))
    if abs(direct) > _DEPTH_LIMIT + 2.0 * direct_error:
        reasons.append("the gain over the scatter of single epochs is outside the target as well")
    return judge(
        figure,
        -loss,
        low=-_DEPTH_LIMIT,
        high=_DEPTH_LIMIT,
        n=stack.size,
        unit=unit,
        error=_resample_loss(stack, ideal),
        notes=[
            "against the inverse-variance mean of the same stars' single epochs",
            f"against the scatter of single epochs {-direct:+.3f} +- {direct_error:.3f}",
            f"gained {expected - direct:.3f}",
            f"expected from the noise of every epoch {expected:.3f}",
            f"1.25 log10 N {root:.3f}",
            f"scatter over bound: stack {spreads[0]:.3f}",
            f"mean of epochs {spreads[1]:.3f}",
            f"single epochs {spreads[2]:.3f}",
        ],
        failures=reasons,
    )


def _score_bias(found: list[tuple[str, Columns, Columns]], failures: list[str], key: str) -> Row:
    figure, unit = f"stack: flux bias of bright stars, {key}", "mmag"
    differences, wanted, per_band = [], 0, []
    for band, group, measured in found:
        bright = group["clean"] & (group["count"] > 1) & (group["sn"] > _BRIGHT)
        wanted += int(np.sum(bright))
        use = bright & (measured["flags"] == 0) & np.isfinite(measured[key])
        values = _MMAG * (measured[key] - group["mag"])[use]
        differences.append(values)
        if values.size:
            per_band.append(f"{band} {np.median(values):+.2f}")
    values = np.concatenate(differences)
    if wanted < _MIN_BRIGHT:
        reason = f"only {wanted} clean stars of S/N > {_BRIGHT:g} in several epochs"
        return judge_unmeasurable(figure, reason, high=_BIAS_LIMIT, strict=True, unit=unit)
    if values.size < wanted / 2:
        reason = "more than half of the bright stars are lost or flagged in the stack"
        return judge_absent(
            figure, "; ".join([*failures, reason]), high=_BIAS_LIMIT, strict=True, unit=unit
        )
    # Standard error of a median: 1.2533 sigma / sqrt(n).
    error = 1.2533 * robust_spread(values) / math.sqrt(values.size)
    return judge(
        figure,
        abs(float(np.median(values))),
        high=_BIAS_LIMIT,
        strict=True,
        n=values.size,
        unit=unit,
        error=error,
        notes=[
            f"median {', '.join(per_band)}",
            f"scatter {robust_spread(values):.2f}",
        ],
        failures=failures,
    )


def _find_hit(world: World, stars: Stars, band: str) -> NDArray[np.generic]:
    """Identities of stars whose core a cosmic ray hit in some epoch."""
    t = stars.truth
    hit = []
    for index, strip in enumerate(world.science):
        if strip.filter != band or len(strip.cosmic) == 0:
            continue
        own = np.flatnonzero((t["strip"] == index) & (t["sn"] > _BRIGHT))
        place = np.column_stack([t["line"][own], t["column"][own]])
        if own.size:
            near = cKDTree(strip.cosmic).query(place)[0] < _COSMIC_REACH
            hit.append(t["star_id"][own[near]])
    return np.concatenate(hit) if hit else np.empty(0)


def _check_cores(path: Path, group: Columns, bright: NDArray[np.bool_]) -> tuple[int, int]:
    """Bright stars on a stack, and those whose core kept the epochs of its neighbourhood."""
    with fits.open(path, memmap=False) as hdus:
        epochs = np.asarray(hdus["EPOCHS"].data, dtype=np.float64)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", FITSFixedWarning)
            wcs = WCS(hdus["EPOCHS"].header)
            if not wcs.has_celestial:
                wcs = WCS(hdus["FLUX"].header)
    ra, dec = group["ra"][bright], group["dec"][bright]
    x, y = wcs.all_world2pix(ra, dec, 0)
    offset = np.arange(-_RING[1], _RING[1] + 1)
    radius = np.hypot(offset[:, None], offset[None, :])
    ring = (radius >= _RING[0]) & (radius <= _RING[1])
    on_tile = kept = 0
    for row, column in zip(np.rint(y), np.rint(x), strict=True):
        if not (math.isfinite(row) and math.isfinite(column)):
            continue
        r, c = int(row), int(column)
        reach = _RING[1]
        if min(r, c) < reach or r >= epochs.shape[0] - reach or c >= epochs.shape[1] - reach:
            continue
        stamp = epochs[r - reach : r + reach + 1, c - reach : c + reach + 1]
        around = float(np.median(stamp[ring]))
        # Where an epoch begins or ends beside a star, fewer epochs are no rejection.
        if around < 2 or np.mean(stamp[ring] != around) > _UNEVEN:
            continue
        core = stamp[reach - _CORE : reach + _CORE + 1, reach - _CORE : reach + _CORE + 1]
        on_tile += 1
        kept += int(np.min(core) >= around)
    return on_tile, kept


def _score_kept(world: World, stars: Stars, *, due: bool) -> Row:
    figure, unit = "stack: bright stars not clipped", "per cent"
    total = kept = files = wanted = 0
    failures: list[str] = []
    worst = (math.inf, "")
    for band in sorted({strip.filter for strip in world.science}):
        group = _group_epochs(world, stars, band)
        bright = group["clean"] & (group["count"] > 1) & (group["sn"] > _BRIGHT)
        bright &= ~np.isin(group["star_id"], _find_hit(world, stars, band))
        wanted += int(np.sum(bright))
        paths = sorted((world.products / "stacks").glob(f"*_{band}.fits"))
        files += len(paths)
        if not paths and np.any(bright):
            failures.append(f"no stack of {band}")
        for path in paths:
            try:
                on_tile, good = _check_cores(path, group, bright)
            except (OSError, KeyError) as error:
                failures.append(f"{path.name}: {error}")
                continue
            total, kept = total + on_tile, kept + good
            if on_tile:
                worst = min(worst, (100.0 * good / on_tile, path.stem))
    if not due or wanted < _MIN_BRIGHT:
        reason = f"only {wanted} clean bright stars in several epochs"
        return judge_unmeasurable(figure, reason, low=_KEPT_LIMIT, high=100.0, unit=unit, n=total)
    if total < wanted / 2:
        reason = f"of {wanted} bright stars only {total} lie on {files} stacks"
        return judge_absent(
            figure, "; ".join([*failures, reason]), low=_KEPT_LIMIT, high=100.0, unit=unit
        )
    return judge(
        figure,
        100.0 * kept / total,
        low=_KEPT_LIMIT,
        high=100.0,
        n=total,
        unit=unit,
        notes=[
            "cores whose EPOCHS reach the median of the ring around",
            "cosmic-ray hits and stars beside the edge of an epoch left out",
            f"worst stack {worst[0]:.1f} % ({worst[1]})",
        ],
        failures=failures,
    )


def score_stack(world: World, stars: Stars) -> list[Row]:
    """Rows of depth gain, flux bias and clipping of the stacks.

    Parameters
    ----------
    world : World
        Truth.
    stars : Stars
        The joined table.

    Returns
    -------
    list of Row
    """
    found, failures, due = _collect(world, stars)
    figures = [
        (_DEPTH_FIGURE, -_DEPTH_LIMIT, _DEPTH_LIMIT, "mag"),
        ("stack: flux bias of bright stars, mag_psf", None, _BIAS_LIMIT, "mmag"),
        ("stack: flux bias of bright stars, mag_aperture", None, _BIAS_LIMIT, "mmag"),
    ]
    rows = []
    for k, (figure, low, high, unit) in enumerate(figures):
        strict = low is None
        if not due:
            reason = "no star is in more than one epoch of a filter"
            rows.append(
                judge_unmeasurable(figure, reason, low=low, high=high, strict=strict, unit=unit)
            )
        elif not found:
            reason = "; ".join(failures)
            rows.append(judge_absent(figure, reason, low=low, high=high, strict=strict, unit=unit))
        elif k == 0:
            rows.append(_score_depth(world, stars, found, failures))
        else:
            key = ("mag_psf", "mag_aperture")[k - 1]
            lack = [text for text in failures if "has no column" not in text or key in text]
            rows.append(_score_bias(found, lack, key))
    return [*rows, _score_kept(world, stars, due=due)]
