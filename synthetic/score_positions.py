"""Positions of bright stars, edge-column bias, and faint stars against the Cramer-Rao bound."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from synthetic.score_rows import (
    Row,
    clipped_mean,
    clipped_rms,
    judge,
    judge_absent,
    judge_unmeasurable,
    robust_spread,
)
from synthetic.score_stars import Stars
from synthetic.score_world import World

__all__ = ["compute_residual", "measure_flux_scale", "score_positions"]

FloatArray = NDArray[np.float64]
Mask = NDArray[np.bool_]

BRIGHT = 200.0
_RMS_LIMIT = 0.03
_EDGE_LIMIT = 0.01
_BOUND_LIMIT = 1.15
_FAINT = (10.0, 100.0)
# The edge is the outer sixteenth of the columns on either side; "every column" is sixteen bins.
_BINS = 16
_MIN_PER_BIN = 8
_MIN_STARS = 20
# Stars for the edge bias: fainter ones too, weighted by their bound and an allowance of 0.01 px
# for anything that does not shrink with flux.
_EDGE_SN = 20.0
_EDGE_ALLOWANCE = 0.01
# Spread over bound is uncertain by about one over the root of the number of stars.
_MIN_FAINT = 100


def measure_flux_scale(stars: Stars, key: str) -> FloatArray:
    """Catalogue electrons per true electron of every strip.

    The response is only known up to a factor, so a constant per strip is free. It is the median
    over clean stars, of signal to noise above 100 where there are ten such.

    Parameters
    ----------
    stars : Stars
        The joined table.
    key : str
        ``flux_psf`` or ``flux_aperture``.

    Returns
    -------
    ndarray of shape (strips,)
        NaN for a strip without stars.
    """
    scale = np.full(len(stars.catalogues), np.nan)
    ratio = stars.measured[key] / stars.truth["flux_t0"]
    for strip in range(scale.size):
        own = stars.clean & stars.usable & (stars.truth["strip"] == strip) & np.isfinite(ratio)
        for limit in (100.0, 10.0):
            chosen = own & (stars.truth["sn"] > limit)
            if np.sum(chosen) >= 10:
                scale[strip] = np.median(ratio[chosen])
                break
    return scale


def compute_residual(world: World, stars: Stars, key: str) -> FloatArray:
    """Measured minus true value of every source.

    Parameters
    ----------
    world : World
        For the pixel scale.
    stars : Stars
        The joined table.
    key : str
        ``line``, ``column`` (px), ``ra``, ``dec`` (px on the sky, along the axis), ``flux_psf``,
        ``flux_aperture`` (true electron, one scale per strip removed), ``mag_psf``,
        ``mag_aperture`` (mag, nothing removed).

    Returns
    -------
    ndarray of shape (n,)
        NaN where not measured.
    """
    truth, measured = stars.truth, stars.measured
    if key in ("ra", "dec"):
        degrees = measured[key] - truth[key]
        if key == "ra":
            degrees = (degrees + 180.0) % 360.0 - 180.0
            degrees = degrees * np.cos(np.radians(truth["dec"]))
        return np.asarray(degrees * 3600.0 / world.pixel_scale, dtype=np.float64)
    if key.startswith("flux"):
        scale = measure_flux_scale(stars, key)[truth["strip"]]
        return np.asarray(measured[key] / scale - truth["flux_t0"], dtype=np.float64)
    reference = "mag" if key.startswith("mag") else key
    return np.asarray(measured[key] - truth[reference], dtype=np.float64)


def _find_worst_strip(
    world: World, stars: Stars, values: FloatArray, chosen: Mask
) -> tuple[float, str]:
    worst = (math.nan, "")
    for index, strip in enumerate(world.science):
        own = chosen & (stars.truth["strip"] == index)
        if np.sum(own) < _MIN_PER_BIN:
            continue
        rms, _ = clipped_rms(values[own], n_sigma=5.0, allowed=0.01)
        if not rms <= worst[0]:
            worst = (rms, strip.name)
    return worst


def _score_bright(world: World, stars: Stars, key: str) -> Row:
    figure = f"positions, bright stars, every column: {key}"
    target = stars.clean & (stars.truth["sn"] > BRIGHT)
    if np.sum(target) < _MIN_STARS:
        reason = f"only {int(np.sum(target))} clean stars of S/N > {BRIGHT:g}"
        return judge_unmeasurable(figure, reason, high=_RMS_LIMIT, unit="px rms")
    reason = stars.describe_lack((key,))
    values = compute_residual(world, stars, key)
    chosen = target & stars.usable & np.isfinite(values)
    if not np.any(chosen):
        reason = reason or "no bright star was measured"
        return judge_absent(figure, reason, high=_RMS_LIMIT, unit="px rms")
    overall, share = clipped_rms(values[chosen], n_sigma=5.0, allowed=0.01)
    width = world.camera.n_columns / _BINS
    where = np.clip((stars.truth["column"] // width).astype(int), 0, _BINS - 1)
    bins = []
    for b in range(_BINS):
        own = chosen & (where == b)
        if np.sum(own) >= _MIN_PER_BIN:
            bins.append((clipped_rms(values[own], n_sigma=5.0, allowed=0.01)[0], b))
    worst = max(bins, default=(overall, -1))
    strip = _find_worst_strip(world, stars, values, chosen)
    failure, remark = stars.describe_share(target)
    return judge(
        figure,
        max(overall, worst[0]),
        n=int(np.sum(chosen)),
        notes=[
            f"all columns together {overall:.4f}, mean {np.mean(values[chosen]):+.4f}",
            f"worst of {len(bins)} filled column bins: {worst[0]:.4f} (bin {worst[1]} of {_BINS})"
            if bins
            else "too few stars for column bins",
            f"worst strip {strip[0]:.4f} ({strip[1]})" if strip[1] else "",
            f"{100 * share:.2f} % outliers",
            remark,
        ],
        failures=[reason, failure],
        high=_RMS_LIMIT,
        unit="px rms",
    )


@dataclass(frozen=True)
class _Edge:
    mean: float
    error: float
    label: str
    n: int


def _score_edge(world: World, stars: Stars, keys: tuple[str, str]) -> Row:
    figure = f"edge-column bias: {keys[0]}, {keys[1]}"
    t = stars.truth
    target = stars.clean & (t["sn"] > _EDGE_SN)
    outer = world.camera.n_columns / _BINS
    sides = {
        "low": target & (t["column"] < outer),
        "high": target & (t["column"] > world.camera.n_columns - 1 - outer),
    }
    if min(np.sum(side) for side in sides.values()) < _MIN_STARS:
        reason = f"fewer than {_MIN_STARS} clean stars of S/N > {_EDGE_SN:g} at an edge"
        return judge_unmeasurable(figure, reason, high=_EDGE_LIMIT, unit="px")
    reason = stars.describe_lack(keys)
    found = []
    for key in keys:
        values = compute_residual(world, stars, key)
        bound = t["bound_line" if key in ("line", "ra") else "bound_column"]
        for side, where in sides.items():
            chosen = where & stars.usable & np.isfinite(values)
            weights = 1.0 / (bound[chosen] ** 2 + _EDGE_ALLOWANCE**2)
            mean, error = clipped_mean(values[chosen], weights, n_sigma=4.0)
            found.append(_Edge(mean, error, f"{key} at the {side} edge", int(np.sum(chosen))))
    if all(math.isnan(edge.mean) for edge in found):
        return judge_absent(
            figure, reason or "no edge star was measured", high=_EDGE_LIMIT, unit="px"
        )
    worst = max(found, key=lambda edge: (math.isnan(edge.mean), abs(edge.mean)))
    error = max((edge.error for edge in found if math.isfinite(edge.error)), default=math.inf)
    return judge(
        figure,
        abs(worst.mean),
        high=_EDGE_LIMIT,
        n=sum(edge.n for edge in found) // 2,
        unit="px",
        error=error,
        notes=[
            *(f"{edge.label} {edge.mean:+.4f} +- {edge.error:.4f}" for edge in found),
        ],
        failures=[reason],
    )


def _score_against_bound(world: World, stars: Stars, key: str) -> Row:
    low, high = _FAINT
    kind = "PSF fluxes" if key == "flux_psf" else f"positions ({key})"
    figure = f"{kind}, S/N {low:g}-{high:g}: scatter over Cramer-Rao bound"
    t = stars.truth
    target = stars.clean & (t["sn"] >= low) & (t["sn"] <= high)
    if np.sum(target) < _MIN_FAINT:
        reason = f"only {int(np.sum(target))} clean stars; {_MIN_FAINT} are needed"
        return judge_unmeasurable(figure, reason, high=_BOUND_LIMIT)
    reason = stars.describe_lack((key,))
    values = compute_residual(world, stars, key)
    if key == "flux_psf":
        # The bound holds for the electrons collected; the residual is for the nominal exposure.
        scaled = values / (t["bound_flux"] * t["flux_t0"] / t["flux"])
    else:
        scaled = values / t[f"bound_{key}"]
    chosen = target & stars.usable & np.isfinite(scaled)
    if not np.any(chosen):
        return judge_absent(figure, reason or "no such star was measured", high=_BOUND_LIMIT)
    value = robust_spread(scaled[chosen])
    parts = []
    for first, last in ((10, 20), (20, 50), (50, 100)):
        own = chosen & (t["sn"] >= first) & (t["sn"] < last)
        if np.sum(own) >= _MIN_PER_BIN:
            parts.append(f"S/N {first}-{last}: {robust_spread(scaled[own]):.3f}")
    failure, remark = stars.describe_share(target)
    n = int(np.sum(chosen))
    return judge(
        figure,
        value,
        high=_BOUND_LIMIT,
        n=n,
        error=value / math.sqrt(n),
        tolerance=_BOUND_LIMIT - 1.0,
        notes=[
            *parts,
            f"median {np.median(scaled[chosen]):+.3f} bounds",
            remark,
        ],
        failures=[reason, failure],
    )


def score_positions(world: World, stars: Stars) -> list[Row]:
    """Rows of positions, and of faint positions and fluxes against the bound.

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
    return [
        *(_score_bright(world, stars, key) for key in ("line", "column", "ra", "dec")),
        _score_edge(world, stars, ("line", "column")),
        _score_edge(world, stars, ("ra", "dec")),
        *(_score_against_bound(world, stars, key) for key in ("line", "column", "flux_psf")),
    ]
