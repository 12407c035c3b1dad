"""The invented sky: stars, a variable, a new star, a moving object, a reference catalogue."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from synthetic.moffat import find_noise_area
from synthetic.place import find_rotation_angle, open_sight, to_catalogue_place
from synthetic.scenario import ARCSEC_PER_RADIAN, Scenario, StripPlan

__all__ = [
    "EPOCH",
    "Stars",
    "Visit",
    "adopt_stars",
    "find_flux",
    "find_snr",
    "invent_stars",
    "make_reference",
    "visit_stars",
]

Floats = NDArray[np.float64]

EPOCH = 2016.0
_MAS = math.pi / (180.0 * 3600.0 * 1000.0)
_MARGIN = 80.0  # px of sky beyond the chip's edges that holds stars
_POSITION_ERROR = 10.0  # mas per axis in the reference catalogue
_MAG_ERROR = 0.003


@dataclass(frozen=True)
class Stars:
    """Catalogue truth: degrees (ICRS, epoch 2016.0), mas/yr, mag, kind."""

    star_id: NDArray[np.int64]
    ra: Floats
    dec: Floats
    pm_ra: Floats
    pm_dec: Floats
    mag: Floats
    kind: NDArray[np.str_]


@dataclass(frozen=True)
class Visit:
    """The same stars as one strip finds them: rad at line 0, rad/s, mag; absent stars left out."""

    index: NDArray[np.int64]
    ra: Floats
    dec: Floats
    ra_rate: Floats
    dec_rate: Floats
    mag: Floats


def _noise_variance(scenario: Scenario) -> float:
    """Background variance of a pixel under the darkest sky, square electrons."""
    camera = scenario.camera
    level = min(plan.sky.level for plan in scenario.science)
    noise = max(a.read_noise for a in camera.amplifiers)
    return (level + scenario.detector.dark) * camera.exposure + noise**2


def _noise_area(scenario: Scenario) -> float:
    width = np.mean([0.5 * (p.seeing.low + p.seeing.high) for p in scenario.science])
    return find_noise_area(float(width) / scenario.camera.pixel_scale, scenario.beta)


def find_flux(scenario: Scenario, snr: float) -> float:
    """Electrons of a star with a given signal to noise under the darkest sky."""
    background = _noise_variance(scenario) * _noise_area(scenario)
    return 0.5 * snr**2 + math.sqrt(0.25 * snr**4 + snr**2 * background)


def find_snr(scenario: Scenario, flux: Floats) -> Floats:
    """Signal to noise of a flux (electrons) under the darkest sky."""
    background = _noise_variance(scenario) * _noise_area(scenario)
    return np.asarray(flux / np.sqrt(flux + background), dtype=np.float64)


def _band(scenario: Scenario) -> tuple[float, float, float, float, StripPlan]:
    """Hour-angle range at the first strip's start and declination range (rad) of all strips."""
    camera = scenario.camera
    plans = scenario.science
    first = min(plans, key=lambda p: p.mjd_start)
    zero = find_rotation_angle(scenario.site, first.mjd_start)
    scale = camera.pixel_scale / ARCSEC_PER_RADIAN
    margin = _MARGIN * scale
    d0 = math.radians(camera.axis_declination)
    tilt = abs(math.sin(math.radians(camera.rotation)))
    half = 0.52 * (camera.columns + tilt * camera.n_stage) * scale + margin
    offset = abs(camera.centre[0] - 0.5 * (camera.columns - 1)) * scale
    low, high = max(d0 - half - offset, -1.57), min(d0 + half + offset, 1.57)
    reach = (0.5 * camera.n_stage + tilt * camera.columns + _MARGIN) * scale
    reach /= max(math.cos(max(abs(low), abs(high))), 0.05)
    turns = []
    for plan in plans:
        late = find_rotation_angle(scenario.site, plan.mjd_start) - zero
        late = (late + math.pi) % (2 * math.pi) - math.pi
        length = plan.n_lines * camera.line_period * 2 * math.pi / 86164.0905
        turns += [late - reach, late + length + reach]
    return min(turns), max(turns), low, high, first


def _draw_flux(rng: np.random.Generator, scenario: Scenario, count: int, low: float) -> Floats:
    """Power law between `low` and the bright limit."""
    slope = scenario.stars.slope
    cut = (scenario.stars.bright / low) ** -slope
    u = rng.uniform(cut, 1.0, size=count)
    return np.asarray(low * u ** (-1.0 / slope), dtype=np.float64)


def invent_stars(scenario: Scenario) -> Stars:
    """Scatter stars uniformly over the band of sky that the strips cross.

    Parameters
    ----------
    scenario : Scenario
        Counts, slope, special objects, seed.

    Returns
    -------
    Stars
        The moving object's place is that at the start of the first science strip.
    """
    camera, spec = scenario.camera, scenario.stars
    rng = np.random.default_rng([scenario.seed, 21])
    start, stop, low, high, first = _band(scenario)
    scale = camera.pixel_scale / ARCSEC_PER_RADIAN
    area = (stop - start) * (math.sin(high) - math.sin(low)) / scale**2
    flux5 = find_flux(scenario, 5.0)
    faint = spec.faint * flux5
    expected = spec.density * area / (4 * 1024**2) * spec.faint**-spec.slope
    count = int(rng.poisson(expected))
    special = ["variable"] * spec.variables + ["new"] * spec.new + ["moving"] * spec.moving
    flux = _draw_flux(rng, scenario, count, faint)
    kind = np.array(["star"] * count + special)
    # Specials: comfortably bright, away from the edges and the ends.
    n = len(special)
    flux = np.concatenate([flux, flux5 * rng.uniform(15.0, 60.0, size=n)])
    part = np.where(np.array(special) == "moving", 0.3, rng.uniform(0.4, 0.7, n))
    turn = np.concatenate([rng.uniform(start, stop, count), start + (stop - start) * part])
    sine = np.concatenate(
        [
            rng.uniform(math.sin(low), math.sin(high), count),
            math.sin(low) + (math.sin(high) - math.sin(low)) * rng.uniform(0.35, 0.65, n),
        ]
    )
    sight = open_sight(scenario.site, first.mjd_start)
    ra, dec = to_catalogue_place(
        sight, math.radians(camera.axis_hour_angle) - turn, np.arcsin(sine)
    )
    pm_ra, pm_dec = rng.normal(0.0, spec.proper_motion, size=(2, len(ra)))
    still = kind == "moving"
    pm_ra[still] = pm_dec[still] = 0.0
    years = _julian_year(first.mjd_start) - EPOCH
    ra = ra - pm_ra * years * _MAS / np.cos(dec)
    dec = dec - pm_dec * years * _MAS
    return Stars(
        star_id=np.arange(len(ra), dtype=np.int64),
        ra=np.degrees(ra) % 360.0,
        dec=np.degrees(dec),
        pm_ra=pm_ra,
        pm_dec=pm_dec,
        mag=scenario.zero_point - 2.5 * np.log10(flux),
        kind=kind,
    )


def adopt_stars(table: Mapping[str, ArrayLike]) -> Stars:
    """Take stars from outside.

    Parameters
    ----------
    table : mapping
        `ra`, `dec` (deg, ICRS, epoch 2016.0) and `mag`; optional `pm_ra`, `pm_dec` (mas/yr,
        with cos dec).

    Returns
    -------
    Stars

    Raises
    ------
    ValueError
        If a column is missing, has another length or is not finite.
    """
    for name in ("ra", "dec", "mag"):
        if name not in table:
            msg = f"stars must have the columns ra, dec, mag; {name!r} is missing"
            raise ValueError(msg)
    ra = np.atleast_1d(np.asarray(table["ra"], dtype=np.float64))
    values = [ra]
    for name in ("dec", "mag", "pm_ra", "pm_dec"):
        column = np.asarray(table[name] if name in table else np.zeros(len(ra)), dtype=np.float64)
        column = np.atleast_1d(column)
        if column.shape != ra.shape or not np.isfinite(column).all():
            msg = f"stars[{name!r}] must be finite and of length {len(ra)}, got {column.shape}"
            raise ValueError(msg)
        values.append(column)
    ra, dec, mag, pm_ra, pm_dec = values
    kind = np.full(len(ra), "star", dtype="<U8")
    return Stars(np.arange(len(ra), dtype=np.int64), ra, dec, pm_ra, pm_dec, mag, kind)


def _julian_year(mjd: float) -> float:
    return 2000.0 + (mjd - 51544.5) / 365.25


def _moving_rates(scenario: Scenario, dec: Floats) -> tuple[Floats, Floats]:
    """Rates (rad/s of coordinate) of the moving objects, mostly along the drift."""
    rate = scenario.stars.moving_rate / 3600.0 / ARCSEC_PER_RADIAN
    angle = np.radians(88.0)
    return rate * np.sin(angle) / np.cos(dec), np.full_like(dec, rate * np.cos(angle))


def visit_stars(scenario: Scenario, plan: StripPlan, stars: Stars) -> Visit:
    """Bring the stars to the epoch of a strip.

    Parameters
    ----------
    scenario, plan : Scenario, StripPlan
        What is observed.
    stars : Stars
        Catalogue truth.

    Returns
    -------
    Visit
    """
    camera = scenario.camera
    first = min(scenario.science, key=lambda p: p.mjd_start)
    night = scenario.nights.index(plan.night)
    middle = plan.mjd_start + 0.5 * plan.n_lines * camera.line_period / 86400.0
    years = _julian_year(middle) - EPOCH
    ra, dec = np.radians(stars.ra), np.radians(stars.dec)
    moving = stars.kind == "moving"
    years_each = np.where(moving, 0.0, years)
    now_ra = ra + stars.pm_ra * years_each * _MAS / np.cos(dec)
    now_dec = dec + stars.pm_dec * years_each * _MAS
    ra_rate, dec_rate = np.zeros_like(ra), np.zeros_like(ra)
    ra_rate[moving], dec_rate[moving] = _moving_rates(scenario, dec[moving])
    since = (plan.mjd_start - first.mjd_start) * 86400.0
    now_ra += ra_rate * since
    now_dec += dec_rate * since
    mag = stars.mag.copy()
    for number, row in enumerate(np.flatnonzero(stars.kind == "variable")):
        # Even ones step from night to night, odd ones follow a sinusoid of a few days.
        days = plan.mjd_start - first.mjd_start
        wave = (-1.0) ** night if number % 2 == 0 else math.sin(2 * math.pi * days / 3.7 + 1.0)
        mag[row] += 0.5 * scenario.stars.amplitude * wave
    absent = (stars.kind == "new") & (night < math.ceil(len(scenario.nights) / 2))
    if len(scenario.nights) == 1:
        absent[:] = False
    keep = np.flatnonzero(~absent)
    return Visit(
        index=keep,
        ra=now_ra[keep],
        dec=now_dec[keep],
        ra_rate=ra_rate[keep],
        dec_rate=dec_rate[keep],
        mag=mag[keep],
    )


def make_reference(scenario: Scenario, stars: Stars) -> dict[str, Floats]:
    """Invented reference catalogue: the bright stars, with errors as stated in it.

    Parameters
    ----------
    scenario : Scenario
        Signal to noise from which stars are listed; filters.
    stars : Stars
        Catalogue truth.

    Returns
    -------
    dict of str to ndarray
        Columns ra, dec (deg, epoch 2016.0), pm_ra, pm_dec (mas/yr), ra_err, dec_err (mas),
        mag_<filter>, mag_<filter>_err.
    """
    rng = np.random.default_rng([scenario.seed, 22])
    flux = 10.0 ** (-0.4 * (stars.mag - scenario.zero_point))
    known = np.isin(stars.kind, ["star", "variable"])
    keep = known & (find_snr(scenario, flux) >= scenario.stars.reference_snr)
    count = int(keep.sum())
    shift = rng.normal(0.0, _POSITION_ERROR, size=(2, count)) / 3.6e6
    dec = stars.dec[keep]
    out = {
        "ra": (stars.ra[keep] + shift[0] / np.cos(np.radians(dec))) % 360.0,
        "dec": dec + shift[1],
        "pm_ra": stars.pm_ra[keep],
        "pm_dec": stars.pm_dec[keep],
        "ra_err": np.full(count, _POSITION_ERROR),
        "dec_err": np.full(count, _POSITION_ERROR),
    }
    for name in sorted({p.filter for p in scenario.science}):
        out[f"mag_{name}"] = stars.mag[keep] + rng.normal(0.0, _MAG_ERROR, size=count)
        out[f"mag_{name}_err"] = np.full(count, _MAG_ERROR)
    return out
