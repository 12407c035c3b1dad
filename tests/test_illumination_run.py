"""A flat that is wrong for stars, from raw lines to the deep catalogue: told, and taken out.

In the scenario ``stray`` some of the sky's light reaches the chip beside the optics, by up to 8 %
of what comes through them and smoothly by column. It follows the sky exactly, so the response made
from the sky holds it, and the fluxes of stars, which have none of it, are too faint by as much.
"""

from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest
from astropy.wcs import WCS
from scipy.spatial import cKDTree

from pipeline.io.images import read_image
from pipeline.io.solution import read_json
from pipeline.io.tables import read_table_meta

pytestmark = [pytest.mark.slow, pytest.mark.xdist_group("illumination")]

RADIUS = 6.0  # px of our own aperture on tiles: some 2.5 widths of the seeing


def read(path):
    return {k: np.array(v) for k, v in pq.read_table(path).to_pydict().items()}


def one(folder, pattern):
    (path,) = sorted(folder.glob(pattern))
    return path


def sum_stars(path, truth):
    """Magnitudes of the true stars on a tile by summing its pixels: no code of the pipeline's."""
    images, _, heads = read_image(path)
    flux, mask = images["FLUX"], images["MASK"]
    x, y = WCS(heads["FLUX"]).all_world2pix(truth["ra"], truth["dec"], 0)
    reach = int(RADIUS) + 1
    inside = (x > reach) & (x < flux.shape[1] - reach - 1)
    inside &= (y > reach) & (y < flux.shape[0] - reach - 1)
    mag = np.full(x.size, np.nan)
    dy, dx = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    for n in np.flatnonzero(inside):
        row, column = round(y[n]), round(x[n])
        box = np.s_[row - reach : row + reach + 1, column - reach : column + reach + 1]
        near = np.hypot(dy + row - y[n], dx + column - x[n]) < RADIUS
        if np.isfinite(flux[box][near]).all() and not (mask[box][near] & 1).any():
            total = flux[box][near].sum()
            mag[n] = 25.0 - 2.5 * np.log10(total) if total > 0 else np.nan
    return mag


def measure(products, truth):
    """Measured less true magnitudes of bright single stars, of every product that has fluxes."""
    strip = read(one(products, "strips/*/*_s01/catalogue.parquet"))
    _, near = cKDTree(np.c_[strip["line"], strip["column"]]).query(
        np.c_[truth["line"], truth["column"]]
    )
    found = {f"strip {k}": strip[f"mag_{k}"][near] - truth["mag"] for k in ("psf", "aperture")}
    shrink = np.cos(np.radians(truth["dec"].mean()))
    deep = read(one(products, "deep/*.parquet"))
    distance, near = cKDTree(np.c_[deep["ra"] * shrink, deep["dec"]]).query(
        np.c_[truth["ra"] * shrink, truth["dec"]]
    )
    lost = distance * 3600.0 > 0.5
    for kind in ("psf", "aperture"):
        found[f"deep {kind}"] = np.where(lost, np.nan, deep[f"mag_{kind}"][near] - truth["mag"])
    for what in ("tiles/*/*.fits", "stacks/*.fits"):
        each = [sum_stars(path, truth) - truth["mag"] for path in sorted(products.glob(what))]
        # A tile's own constant is no trend.
        each = [e - np.nanmedian(e) for e in each if np.isfinite(e).sum() > 5]
        count = np.isfinite(each).sum(axis=0)
        found[what.split("/")[0]] = np.where(
            count > 0, np.nansum(each, axis=0) / np.maximum(count, 1), np.nan
        )
    return found


def regress(values, pattern):
    """How much of a pattern values hold, and the error from their scatter; outliers left out."""
    use = np.isfinite(values)
    for _ in range(6):
        design = np.c_[np.ones(use.sum()), pattern[use]]
        solution, *_ = np.linalg.lstsq(design, values[use], rcond=None)
        rest = values - solution[0] - solution[1] * pattern
        spread = 1.4826 * np.median(np.abs(rest[use]))
        use = np.isfinite(values) & (np.abs(rest) < 3.0 * spread)
    inverse = np.linalg.inv(design.T @ design)
    return solution[1], spread * np.sqrt(inverse[1, 1]), rest


@pytest.fixture(scope="module")
def world(tmp_path_factory, run_reduction):
    """The scenario reduced as it is by default, and again with the illumination applied."""
    from synthetic.make import make
    from synthetic.scenarios import build_scenario

    out = tmp_path_factory.mktemp("stray")
    make(build_scenario("stray"), out, workers=1)
    detector = read(out / "truth" / "detector.parquet")
    truth = read(one(out / "truth", "*_s01_sources.parquet"))
    listed = read(out / "truth" / "stars.parquet")
    assert set(listed["kind"]) == {"star"}
    tree = cKDTree(np.c_[truth["line"], truth["column"]])
    light = np.array([truth["flux"][i].sum() for i in tree.query_ball_point(tree.data, 15.0)])
    bright = truth["flux"] > np.sort(truth["flux"])[-400]
    alone = light < 1.005 * truth["flux"]
    calm = truth["flux"] < 60_000 * np.pi * truth["fwhm"] ** 2  # far from full well
    chosen = truth["complete"] & bright & alone & calm
    truth = {name: values[chosen] for name, values in truth.items()}
    stray = np.interp(truth["column"], np.arange(detector["stray"].size), detector["stray"])
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("pipeline.report.page.write_report", lambda *_: None)
        measured, choice = {}, {}
        for name in ("report", "apply"):
            run_reduction(out, out / "products", calibration__illumination=name)
            measured[name] = measure(out / "products", truth)
            choice[name] = describe(out / "products")
    return measured, choice, -2.5 * np.log10(1.0 / (1.0 + stray))


def describe(products: Path):
    """What the products record of the choice."""
    told = [read_table_meta(one(products, f"strips/*/*_s01/catalogue.{k}"))[0]["ILLUMIN"]
            for k in ("fits", "parquet")]  # fmt: skip
    told += [read_image(p)[1]["ILLUMIN"] for p in sorted(products.glob("tiles/*/*.fits"))]
    (text,) = set(told)
    return text, read_json(one(products, "strips/*/*_s01/solution.json"))["illumination"]


def test_the_world_is_wrong_by_several_per_cent(world):
    """Every kind of flux shows the whole pattern where the illumination is only reported."""
    measured, choice, pattern = world
    assert np.ptp(pattern) > 0.05
    for name, values in measured["report"].items():
        share, error, _ = regress(values, pattern)
        assert error < 0.12, name
        assert share == pytest.approx(1.0, abs=4 * error), name
    text, found = choice["report"]
    assert text == "not applied"
    assert not found["applied"]
    assert found["extent_mag"] == pytest.approx(np.ptp(pattern), abs=4 * found["extent_mag_err"])


def test_applied_no_flux_depends_on_the_column(world):
    measured, choice, pattern = world
    assert choice["apply"][0] == "applied"
    assert choice["apply"][1]["applied"]
    for name, values in measured["apply"].items():
        share, error, rest = regress(values, pattern)
        assert error < 0.12, name
        assert abs(share) < 4 * error, name
        before, _, _ = regress(measured["report"][name], pattern)
        assert abs(share) < 0.2 * before, name
        assert np.isfinite(rest).sum() > 40, name
