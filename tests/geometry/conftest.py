"""An invented telescope and star lists made with its own, known solution."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from pipeline.geometry.camera import Camera
from pipeline.geometry.match import Detections, References
from pipeline.geometry.solution import StripSolution

EARTH_RATE = 7.2921151e-5  # rad/s, rounded: only sets an almost matched line period


def make_pair(
    *,
    latitude=-46.2,
    n_columns=1024,
    n_stage=1024,
    n_lines=12000,
    pixel_scale=0.55,
    column_sign=1,
    declination_off=0.07,
    clock=27.0,
    rotation=0.3,
    scale=1.002,
    mjd_start=61234.1,
    mismatch=1.0007,
    optical_centre=None,
):
    """First guess and truth that differs from it by the given amounts."""
    camera = Camera.from_arcsec(
        pixel_scale=pixel_scale,
        n_columns=n_columns,
        n_stage=n_stage,
        column_sign=column_sign,
        optical_centre=optical_centre,
    )
    period = mismatch / (camera.scale * np.cos(np.radians(latitude)) * EARTH_RATE)
    guess = StripSolution.first_guess(
        latitude_deg=latitude,
        longitude_deg=-71.3,
        height_m=1120.0,
        axis_declination_deg=latitude,
        axis_hour_angle_deg=0.0,
        camera=camera,
        line_period=period,
        mjd_start=mjd_start,
        n_lines=n_lines,
    )
    truth = guess.with_parameters(
        declination_deg=latitude + declination_off,
        clock_offset_s=clock,
        rotation_deg=rotation,
        pixel_scale_arcsec=pixel_scale * scale,
    )
    return guess, truth


def simulate(
    truth, rng, *, n=300, undetected=0, lost=0.1, false=0.1, error=0.02, wander=None, columns=None
):
    """Star lists: `n` stars in reach of detection, `undetected` fainter ones in the catalogue."""
    source = truth if wander is None else replace(truth, wander=wander)
    total = n + undetected
    line = rng.uniform(truth.camera.n_stage, truth.n_lines - 1.0, total)
    low, high = (0.0, truth.camera.n_columns - 1.0) if columns is None else columns
    column = rng.uniform(low, high, total)
    ra, dec = source.strip_to_sky(line, column)
    mag = np.sort(20.0 - rng.exponential(1.8, total))  # counts grow as 10^(0.24 mag)
    seen = (np.arange(total) < n) & (rng.random(total) >= lost)
    k = np.flatnonzero(seen)
    n_false = int(false * n)
    noise = rng.normal(0.0, error, (2, len(k)))
    noisy_mag = mag[k] + rng.normal(0.0, 0.2, len(k))
    false_mag = rng.choice(noisy_mag, n_false)
    detections = Detections(
        line=np.concatenate([line[k] + noise[0], rng.uniform(0, truth.n_lines, n_false)]),
        column=np.concatenate(
            [column[k] + noise[1], rng.uniform(0, truth.camera.n_columns, n_false)]
        ),
        line_err=np.full(len(k) + n_false, error),
        column_err=np.full(len(k) + n_false, error),
        flux=10.0 ** (-0.4 * np.concatenate([noisy_mag, false_mag])),
    )
    shuffle = rng.permutation(total)
    zero = np.zeros(total)
    references = References(ra[shuffle], dec[shuffle], zero, zero, mag[shuffle])
    return SimpleNamespace(
        detections=detections,
        references=references,
        true_reference=np.concatenate([np.argsort(shuffle)[k], np.full(n_false, -1)]),
    )


@pytest.fixture(scope="session")
def telescope():
    """Functions that make solutions and star lists (plain functions cannot be imported here)."""
    return SimpleNamespace(make_pair=make_pair, simulate=simulate)
