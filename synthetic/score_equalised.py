"""Equalised tiles: one point spread from edge to edge, and fluxes as they were.

Stars of known place are measured on the tiles' pixels with means of this module alone.  Fluxes are
compared, star by star in the same wide apertures, with tiles of the same strips that were not
equalised, where such products lie in ``products_plain`` beside ``products``; nothing else is common
to both but the raw pixels, so that noise and crowding cancel.
"""

import math
import warnings
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from astropy.io import fits
from astropy.wcs import WCS, FITSFixedWarning
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from synthetic.score_rows import Row, judge, judge_unmeasurable, robust_spread
from synthetic.score_stars import Stars
from synthetic.score_world import World

__all__ = ["measure_widths", "score_equalised"]

FloatArray = NDArray[np.float64]

_WIDTH_FIGURE = "equalised: point-spread width from edge to edge"
_FLUX_FIGURE = "equalised: flux change of bright stars"
_WIDTH_LIMIT = 3.0
_FLUX_LIMIT = 1.0
_BINS = 16
_FEWEST = 5  # stars in a bin
_BRIGHT = 150.0
_PARTS = 4  # of the chip, in which changes of flux are judged
_HALF = 32  # px: half side of a stamp
# Px: radius of the aperture. Kernels reach some twenty px along the scan on top of the smear: a
# smaller aperture would take for lost what was moved.
_RADIUS = 30.0
_ALONE = 40.0  # px
_NEIGHBOURS = 0.02  # largest share of a star's flux that others within `_ALONE` may have
_MMAG = 1000.0 * 2.5 / math.log(10.0)


@dataclass
class _Found:
    """What was measured: column, strip, widths along y and x, change of flux in mmag."""

    column: list[float] = field(default_factory=list)
    strip: list[int] = field(default_factory=list)
    along: list[float] = field(default_factory=list)
    across: list[float] = field(default_factory=list)
    flux_column: list[float] = field(default_factory=list)
    change: list[float] = field(default_factory=list)


def measure_widths(stamp: FloatArray, y: float, x: float) -> tuple[float, float]:
    """Standard deviations along both axes of the Gaussian that matches a star.

    Parameters
    ----------
    stamp : ndarray of shape (n, n)
        Flux per pixel.
    y, x : float
        Place of the star in the stamp.

    Returns
    -------
    tuple of float
        NaN where there is none.
    """
    dy = np.arange(stamp.shape[0])[:, None] - y
    dx = np.arange(stamp.shape[1])[None, :] - x
    yy, xx, xy = 6.0, 6.0, 0.0
    for _ in range(60):
        det = yy * xx - xy * xy
        if not det > 0:
            return math.nan, math.nan
        weighted = stamp * np.exp(-0.5 * (xx * dy * dy - 2 * xy * dy * dx + yy * dx * dx) / det)
        total = float(weighted.sum())
        if not total > 0:
            return math.nan, math.nan
        # A Gaussian under a Gaussian weight of its own width has half its second moments.
        old = (yy, xx)
        yy = 2 * float((weighted * dy * dy).sum()) / total
        xx = 2 * float((weighted * dx * dx).sum()) / total
        xy = 2 * float((weighted * dy * dx).sum()) / total
        if max(abs(yy - old[0]), abs(xx - old[1])) < 1e-5:
            break
    return (math.sqrt(yy), math.sqrt(xx)) if yy > 0 and xx > 0 else (math.nan, math.nan)


def _choose(stars: Stars, index: int) -> NDArray[np.int64]:
    """Bright clean stars of a strip with little light around them."""
    t = stars.truth
    mine = np.flatnonzero(t["strip"] == index)
    place = np.column_stack([t["line"][mine], t["column"][mine]])
    bright = np.flatnonzero(stars.clean[mine] & (t["sn"][mine] > _BRIGHT))
    around = cKDTree(place).query_ball_point(place[bright], _ALONE)
    flux = t["flux"][mine]
    alone = [
        np.sum(flux[near]) - flux[b] < _NEIGHBOURS * flux[b]
        for b, near in zip(bright, around, strict=True)
    ]
    return np.asarray(mine[bright[np.asarray(alone, dtype=bool)]], dtype=np.int64)


def _read(path: Path) -> tuple[FloatArray, NDArray[np.int64], WCS, str, str]:
    with fits.open(path, memmap=False) as hdus, warnings.catch_warnings():
        warnings.simplefilter("ignore", FITSFixedWarning)
        head = hdus[0].header
        return (
            np.asarray(hdus["FLUX"].data, dtype=np.float64),
            np.asarray(hdus["MASK"].data, dtype=np.int64),
            WCS(hdus["FLUX"].header),
            str(head["STRIP"]),
            str(head.get("EQUALISE", "")),
        )


def _measure_tile(
    path: Path, plain: Path, stars: Stars, chosen: dict[str, NDArray[np.int64]], found: _Found
) -> str:
    """Add the stars of one tile; returns the target of its equalisation, empty without."""
    flux, mask, wcs, strip, target = _read(path)
    if not target or strip not in chosen:
        return target
    t, rows = stars.truth, chosen[strip]
    x, y = wcs.all_world2pix(t["ra"][rows], t["dec"][rows], 0)
    size = flux.shape
    before = _read(plain)[:2] if plain.exists() else None
    at = np.arange(-_HALF, _HALF + 1)
    for row, cy, cx in zip(rows, y, x, strict=True):
        iy, ix = round(float(cy)), round(float(cx))
        if min(iy, ix) < _HALF or iy >= size[0] - _HALF or ix >= size[1] - _HALF:
            continue
        cut = (slice(iy - _HALF, iy + _HALF + 1), slice(ix - _HALF, ix + _HALF + 1))
        if (mask[cut] != 0).any():
            continue
        along, across = measure_widths(flux[cut], cy - iy + _HALF, cx - ix + _HALF)
        if not math.isfinite(along):
            continue
        found.column.append(float(t["column"][row]))
        found.strip.append(int(t["strip"][row]))
        found.along.append(along)
        found.across.append(across)
        if before is None or (before[1][cut] != 0).any():
            continue
        inside = (at[:, None] - cy + iy) ** 2 + (at - cx + ix) ** 2 <= _RADIUS**2
        old, new = (float(image[cut][inside].sum()) for image in (before[0], flux))
        if old > 0 and new > 0:
            found.flux_column.append(float(t["column"][row]))
            found.change.append(-_MMAG * math.log(new / old))
    return target


def _bin(
    column: FloatArray, values: FloatArray, n_columns: int, *, bins: int = _BINS
) -> tuple[FloatArray, FloatArray, NDArray[np.int64]]:
    """Median, its error and number of stars in bins of columns that have enough."""
    index = np.clip((column + 0.5) * bins / n_columns, 0, bins - 1).astype(int)
    parts = [values[index == b] for b in range(bins)]
    parts = [p for p in parts if p.size >= _FEWEST]
    middle = np.array([np.median(p) for p in parts])
    error = np.array([1.2533 * robust_spread(p) / math.sqrt(p.size) for p in parts])
    return middle, error, np.array([p.size for p in parts], dtype=np.int64)


def _score_widths(world: World, found: _Found, targets: set[str]) -> Row:
    unit = "per cent"
    worst, error, notes = -1.0, 0.0, [f"target {', '.join(sorted(targets))}"]
    for name, values in (("along", found.along), ("across", found.across)):
        # Every strip has a target of its own.
        relative = np.array(values)
        for s in set(found.strip):
            mine = np.array(found.strip) == s
            relative[mine] /= np.median(relative[mine])
        middle, err, _ = _bin(np.array(found.column), relative, world.camera.n_columns)
        if middle.size < _BINS / 2:
            reason = f"only {middle.size} of {_BINS} bins of columns hold {_FEWEST} bright stars"
            return judge_unmeasurable(_WIDTH_FIGURE, reason, high=_WIDTH_LIMIT, unit=unit)
        off = 100.0 * np.abs(middle - 1.0)
        k = int(np.argmax(off))
        notes.append(
            f"{name} the scan {off[k]:.2f} (median width {np.median(values):.2f} px, "
            f"bins {100 * np.ptp(middle):.2f} from least to most)"
        )
        if off[k] > worst:
            worst, error = float(off[k]), 100.0 * float(err[k])
    return judge(
        _WIDTH_FIGURE, worst, high=_WIDTH_LIMIT, n=len(found.along), unit=unit, error=error,
        notes=[f"largest difference of {_BINS} bins of columns from the median", *notes],
    )  # fmt: skip


def _score_change(world: World, found: _Found) -> Row:
    unit = "mmag"
    if not found.change:
        reason = "no tiles of the same strips without equalisation in products_plain/tiles"
        return judge_unmeasurable(_FLUX_FIGURE, reason, high=_FLUX_LIMIT, strict=True, unit=unit)
    values = np.array(found.change)
    column, width = np.array(found.flux_column), world.camera.n_columns
    middle, err, _ = _bin(column, values, width, bins=_PARTS)
    if middle.size < _PARTS:
        reason = f"only {middle.size} of {_PARTS} parts of the chip hold {_FEWEST} bright stars"
        return judge_unmeasurable(_FLUX_FIGURE, reason, high=_FLUX_LIMIT, strict=True, unit=unit)
    total = float(np.median(values))
    k = int(np.argmax(np.abs(middle)))
    fine, fine_err, _ = _bin(column, values, width)
    notes = [
        f"worst of {_PARTS} parts of the chip: {middle[k]:+.2f}",
        f"median of all {total:+.2f}, scatter {robust_spread(values):.2f}",
    ]
    if fine.size:
        j = int(np.argmax(np.abs(fine)))
        notes.append(f"worst of {fine.size} bins of columns {fine[j]:+.2f} +- {fine_err[j]:.2f}")
    return judge(
        _FLUX_FIGURE, abs(float(middle[k])), high=_FLUX_LIMIT, strict=True, n=values.size,
        unit=unit, error=float(err[k]), notes=notes,
    )  # fmt: skip


def score_equalised(world: World, stars: Stars) -> list[Row]:
    """Rows of equalised tiles; none where no tile says that it is equalised.

    Parameters
    ----------
    world : World
        Truth, and where the products are.
    stars : Stars
        The joined table.

    Returns
    -------
    list of Row
    """
    chosen = {s.name: _choose(stars, k) for k, s in enumerate(world.science)}
    found, targets = _Found(), set[str]()
    for path in sorted((world.products / "tiles").glob("*/*.fits")):
        plain = world.out / "products_plain" / "tiles" / path.parent.name / path.name
        target = _measure_tile(path, plain, stars, chosen, found)
        if not target:
            return []
        targets.add(target)
    if not targets:
        return []
    return [_score_widths(world, found, targets), _score_change(world, found)]
