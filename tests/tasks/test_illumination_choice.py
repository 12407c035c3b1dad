"""Which stars tell the illumination of a strip, and when it is not measured."""

from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from pipeline.config import load_config
from pipeline.flags import SourceFlag
from pipeline.stages.zeropoint import ZeroPointOptions, fit_zero_point
from pipeline.tasks.catalogue import (
    _fit_zero_points,
    _measure_illumination,
    _separate_illumination,
)
from pipeline.tasks.options import make_options

CONFIG = load_config(Path(__file__).parents[2] / "configs" / "saltpan-ridge.toml")
N_COLUMNS, N_LINES, N_STAGE, N = 1024, 12_000, 1024, 900
STRIP = SimpleNamespace(name="s", filter="r", n_columns=N_COLUMNS)


def bowl(column):
    x = (column - 511.5) / 511.5
    return 0.012 * (x**2 - 1.0 / 3.0)


def observe(*, cloud=0.0):
    """Catalogue columns of reference stars through a bowl, and in a cloud with a wrong tilt."""
    rng = np.random.default_rng(8)
    line, column = rng.uniform(N_STAGE, N_LINES, N), rng.uniform(0, N_COLUMNS - 1, N)
    mag = rng.uniform(14.0, 16.0, N)
    inside = (line > 5000) & (line < 8000)
    lost = np.where(inside, cloud, 0.0)
    tilt = np.where(inside, 0.2 * cloud * (column / N_COLUMNS - 0.5), 0.0)
    flux = 10.0 ** (-0.4 * (mag - 25.0 + lost + tilt - bowl(column)))
    flux *= 1.0 + 0.005 * rng.standard_normal(N)
    columns = {
        "line": line, "column": column, "flux_psf": flux, "flux_psf_err": 0.005 * flux,
        "fwhm": np.full(N, 2.7), "extendedness": np.zeros(N), "extendedness_err": np.full(N, 0.1),
    }  # fmt: skip
    catalogue = SimpleNamespace(mag=mag, mag_err=np.full(N, 0.003))
    curve = fit_zero_point(
        line, mag + 2.5 * np.log10(flux), np.full(N, 0.008), n_lines=N_LINES, n_stage=N_STAGE,
        options=ZeroPointOptions(),
    )  # fmt: skip
    return columns, catalogue, curve


def measure(columns, catalogue, curve, *, choice="report", flags=None):
    flags = np.zeros(N, dtype=np.int32) if flags is None else flags
    return _measure_illumination(
        CONFIG.with_value("calibration.illumination", choice), STRIP, columns, flags,
        np.arange(N), catalogue, curve,
    )  # fmt: skip


def test_bowl_is_measured_by_default_and_not_applied():
    assert CONFIG.calibration.illumination == "report"
    found = measure(*observe())
    at = np.arange(N_COLUMNS)
    assert np.max(np.abs(found.value(at) - bowl(at))) < 0.003
    extent, error = found.extent
    assert extent == pytest.approx(0.012, abs=5 * error)


def test_stars_in_cloud_do_not_count():
    """A cloud of 1 mag whose depth changes across the field would tilt the curve by 0.05 mag."""
    found = measure(*observe(cloud=1.0))
    at = np.arange(N_COLUMNS)
    assert np.max(np.abs(found.value(at) - bowl(at))) < 0.005
    assert found.n_stars < 0.85 * N


def test_not_measured_where_switched_off_or_stars_are_few():
    observed = observe()
    assert measure(*observed, choice="off") is None
    flags = np.full(N, int(SourceFlag.SATURATED), dtype=np.int32)
    flags[:40] = 0
    assert measure(*observed, flags=flags) is None


def test_zero_point_and_illumination_are_told_apart_where_stars_drift_across_the_chip():
    """As in a field whose stars lie on the left at first and on the right at last.

    A zero point fitted without regard to columns takes the slope for extinction.
    """
    rng = np.random.default_rng(3)
    line = rng.uniform(N_STAGE, N_LINES, N)
    turn = (line - N_STAGE) / (N_LINES - N_STAGE)
    column = np.clip((0.15 + 0.7 * turn + 0.12 * rng.standard_normal(N)), 0, 1) * (N_COLUMNS - 1)
    slope = 0.04 * (column / (N_COLUMNS - 1) - 0.5)
    mag = rng.uniform(14.0, 16.0, N)
    flux = 10.0 ** (-0.4 * (mag - 25.0 - slope)) * (1.0 + 0.005 * rng.standard_normal(N))
    columns = {
        "line": line, "column": column, "flux_psf": flux, "flux_psf_err": 0.005 * flux,
        "fwhm": np.full(N, 2.7), "extendedness": np.zeros(N), "extendedness_err": np.full(N, 0.1),
    }  # fmt: skip
    strip = SimpleNamespace(
        name="s", filter="r", n_columns=N_COLUMNS, n_lines=N_LINES, n_stage=N_STAGE
    )
    catalogue = SimpleNamespace(mag=mag, mag_err=np.full(N, 0.003))
    fitted = (CONFIG, strip, columns, np.zeros(N, dtype=np.int32), np.arange(N), catalogue)
    options = make_options(CONFIG)
    curve = _fit_zero_points(*fitted, options)
    once = _measure_illumination(*fitted, curve)
    found, even = _separate_illumination(*fitted, curve, options)
    assert np.ptp(curve.value([2000.0, 11000.0])) > 0.015
    assert found.extent[0] > once.extent[0] + 0.005
    assert np.ptp(even.value([2000.0, 11000.0])) < np.ptp(curve.value([2000.0, 11000.0]))
