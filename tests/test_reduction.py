"""Whole reductions: the same strips give the same catalogue however they are cut and shared out."""

import json
import warnings
from datetime import datetime, timedelta

import numpy as np
import pyarrow.parquet as pq
import pytest
from astropy import units
from astropy.io import fits
from astropy.table import Table
from astropy.wcs import WCS
from scipy.spatial import cKDTree

from pipeline.graph import open_runner
from pipeline.io.columns import CURVES, DARK, DEEP_CATALOGUE, RESPONSE, STRIP_CATALOGUE
from pipeline.io.tables import read_table

pytestmark = pytest.mark.xdist_group("reduction")


def catalogues(products):
    """Every strip catalogue and the deep catalogue, by path."""
    paths = sorted(products.glob("strips/*/*/catalogue.parquet"))
    paths += sorted(products.glob("deep/*.parquet"))
    return {str(p.relative_to(products)): read_table(p) for p in paths}


def assert_same(one, other):
    assert one.keys() == other.keys()
    for name, table in one.items():
        for column, values in table.items():
            np.testing.assert_array_equal(values, other[name][column], err_msg=f"{name} {column}")


def test_products_are_all_there(reduced):
    products, summary = reduced
    assert not summary.failures
    assert len(summary.strips) == 2
    for pattern in (
        "calibration/*/*_dark.fits", "calibration/*/*_response.fits", "strips/*/*/catalogue.fits",
        "strips/*/*/curves.parquet", "strips/*/*/solution.json", "strips/*/*/summary.fits",
        "tiles/*/*.fits", "stacks/*.fits", "deep/*.parquet", "deep/*.fits", "coverage.fits",
        "obscore.parquet", "ledger.jsonl", "report/index.html",
    ):  # fmt: skip
        assert list(products.glob(pattern)), pattern
    assert not list(products.rglob("*.partial*"))
    assert not (products / "run.lock").exists()
    lines = (products / "ledger.jsonl").read_text().splitlines()
    records = [json.loads(line) for line in lines]
    assert {record["state"] for record in records} == {"begun", "ok"}
    assert records[-1]["state"] == "ok"  # nothing was begun after the last that ended


def test_every_fits_product_is_standard_and_has_right_checksums(reduced):
    products, _ = reduced
    paths = sorted(products.rglob("*.fits"))
    assert len(paths) > 15
    with warnings.catch_warnings():
        warnings.simplefilter("error")  # astropy warns where a checksum does not fit
        for path in paths:
            with fits.open(path, checksum=True, disable_image_compression=True) as hdus:
                hdus.verify("exception")
                if path.name != "coverage.fits":  # written by the library of coverage maps
                    assert all("CHECKSUM" in h.header and "DATASUM" in h.header for h in hdus), path


def test_every_column_has_its_unit_and_ucd_in_both_formats(reduced):
    products, _ = reduced
    schemas = {
        "strips/*/*/catalogue": STRIP_CATALOGUE, "strips/*/*/curves": CURVES,
        "calibration/*/*_dark": DARK, "calibration/*/*_response": RESPONSE,
        "deep/*": DEEP_CATALOGUE,
    }  # fmt: skip
    for pattern, schema in schemas.items():
        known = {c.name: c for c in schema}
        for path in products.glob(f"{pattern}.fits"):
            fields = {f.name: f for f in pq.read_schema(path.with_suffix(".parquet"))}
            with fits.open(path) as hdus:
                header, columns = hdus[1].header, hdus[1].columns
                assert columns.names == list(fields)
                for number, column in enumerate(columns, 1):
                    expected = known[column.name]
                    assert (column.unit or "") == expected.unit
                    assert header[f"TUCD{number}"] == expected.ucd
                    about = fields[column.name].metadata
                    assert about[b"unit"].decode() == expected.unit
                    assert about[b"ucd"].decode() == expected.ucd
                    if "electron" not in expected.unit:  # no unit of the standard, but used
                        units.Unit(expected.unit, format="fits")
            one, other = read_table(path), read_table(path.with_suffix(".parquet"))
            for name, values in one.items():
                np.testing.assert_array_equal(values, other[name], err_msg=f"{path} {name}")


def test_a_catalogue_goes_through_a_votable_and_back(reduced, tmp_path):
    """Another program's table format takes units and values as they are."""
    products, _ = reduced
    table = Table.read(next(products.glob("deep/*.fits")), hdu=1)
    table.meta.clear()
    table.write(tmp_path / "sources.xml", format="votable")
    back = Table.read(tmp_path / "sources.xml", format="votable")
    assert back.colnames == table.colnames
    for name in table.colnames:
        kind = table[name].dtype.kind
        values = np.ma.filled(back[name].data, np.nan) if kind == "f" else np.asarray(back[name])
        expected = np.asarray(table[name])
        np.testing.assert_array_equal(values, expected.astype(str) if kind == "S" else expected)
        if str(table[name].unit or "") != "electron":
            assert back[name].unit == table[name].unit


def test_no_source_stands_twice(reduced):
    products, _ = reduced
    for name, table in catalogues(products).items():
        deep = name.startswith("deep")
        axes = ("ra", "dec") if deep else ("line", "column")
        scale = 3600.0 if deep else 1.0
        points = np.column_stack([table[a] for a in axes]) * scale
        points = points[np.isfinite(points).all(axis=1)]
        distance, _ = cKDTree(points).query(points, k=2)
        # Two real stars may be close, but not within a tenth of a star's width.
        assert distance[:, 1].min() > 0.2, name


def test_stack_pixels_lead_wcslib_to_the_catalogue(reduced):
    """The deep catalogue's positions and astropy's reading of the stack's header agree."""
    products, _ = reduced
    deep = Table.read(next(products.glob("deep/*.fits")), hdu=1)
    name = deep["tile"][0].strip()
    mine = deep[[t.strip() == name for t in deep["tile"]]]
    with fits.open(next(products.glob(f"stacks/{name}_*.fits"))) as hdus:
        wcs = WCS(hdus["FLUX"].header)
    ra, dec = wcs.all_pix2world(mine["x"], mine["y"], 0)
    np.testing.assert_allclose(3600 * (ra - mine["ra"]), 0.0, atol=1e-6)
    np.testing.assert_allclose(3600 * (dec - mine["dec"]), 0.0, atol=1e-6)


def test_catalogue_agrees_with_the_truth(small, reduced):
    products, _ = reduced
    for path in sorted(products.glob("strips/*/*/catalogue.parquet")):
        table = read_table(path)
        truth = read_table(small / "truth" / f"{path.parent.name}_sources.parquet")
        points = np.column_stack([truth["line"], truth["column"]])
        distance, index = cKDTree(points).query(np.column_stack([table["line"], table["column"]]))
        use = (table["flags"] == 0) & (table["flux_psf"] > 50 * table["flux_psf_err"])
        use &= (distance < 2) & truth["complete"][index]
        assert use.sum() > 20
        rows = index[use]
        sky = np.cos(np.radians(truth["dec"][rows]))
        d_ra = 3600 * (table["ra"][use] - truth["ra"][rows]) * sky
        d_dec = 3600 * (table["dec"][use] - truth["dec"][rows])
        d_mag = table["mag_psf"][use] - truth["mag"][rows]
        d_time = 86400 * (table["mjd_mid"][use] - truth["mjd_mid"][rows])
        assert np.median(np.abs(d_ra)) < 0.05 * 0.55
        assert np.median(np.abs(d_dec)) < 0.05 * 0.55
        assert abs(np.median(d_mag)) < 0.01
        # Each source has its own mid-exposure time. Clock and hour angle of the axis cannot be
        # told apart by positions, so only the constant may differ, by the clock's own error.
        assert np.std(d_time) < 0.01


@pytest.mark.slow
def test_workers_and_size_of_blocks_change_nothing(small, reduced, run_reduction, tmp_path):
    with open_runner(workers=2) as runner:
        run_reduction(small, tmp_path, runner=runner, detection__block_lines=512)
    assert_same(catalogues(reduced[0]), catalogues(tmp_path))


def cut_again(source, target, lengths):
    """The same strips, in segments of other lengths."""
    strips = {}
    for path in sorted(source.glob("*.fits")):
        with fits.open(path) as hdus:
            hdu = hdus[0] if hdus[0].data is not None else hdus[1]
            strips.setdefault(hdu.header["STRIP"], []).append((hdu.header.copy(), hdu.data.copy()))
    for name, parts in strips.items():
        parts.sort(key=lambda p: p[0]["SEGMENT"])
        header, data = parts[0][0], np.concatenate([p[1] for p in parts])
        begin = datetime.fromisoformat(header["DATE-BEG"])
        line, number = 0, 0
        while line < len(data):
            number += 1
            length = lengths[(number - 1) % len(lengths)]
            fresh = header.copy()
            for key in ("CHECKSUM", "DATASUM", "BZERO", "BSCALE"):
                fresh.remove(key, ignore_missing=True)
            time = begin + timedelta(seconds=line * header["LINEPER"])
            fresh["DATE-BEG"] = header["DATE-BEG"] if line == 0 else time.isoformat()
            fresh["SEGMENT"] = number
            fits.PrimaryHDU(data[line : line + length], fresh).writeto(
                target / f"{name}_{number:03d}.fits"
            )
            line += length


@pytest.mark.slow
def test_segments_and_size_of_blocks_change_nothing(small, reduced, run_reduction, tmp_path):
    raw = tmp_path / "raw"
    raw.mkdir()
    cut_again(small / "raw", raw, [777, 1, 1300])
    run_reduction(small, tmp_path / "products", raw=raw, detection__block_lines=1280)
    assert_same(catalogues(reduced[0]), catalogues(tmp_path / "products"))
