"""Bad input: a clear message, exit status 2 for a mistake, and the rest of the night goes on."""

import shutil
import subprocess
import sys

import numpy as np
import pytest
from astropy.io import fits
from astropy.table import Table

from pipeline.errors import ProductError, RawError
from pipeline.io.tables import read_table

pytestmark = pytest.mark.xdist_group("faults")


@pytest.fixture
def night(small, tmp_path):
    """A copy of the small observatory with one night only, to be spoilt."""
    (tmp_path / "raw").mkdir()
    for path in sorted((small / "raw").glob("2025-03-02_*.fits")):
        shutil.copy(path, tmp_path / "raw")
    for name in ("observatory.toml", "reference.fits"):
        shutil.copy(small / name, tmp_path)
    return tmp_path


def segments(folder, shutter="OPEN"):
    return [
        p
        for p in sorted((folder / "raw").glob("*.fits"))
        if fits.getheader(p)["SHUTTER"] == shutter
    ]


def drive(*arguments):
    return subprocess.run(
        [sys.executable, "-m", "pipeline.cli", *map(str, arguments)],
        capture_output=True, text=True, check=False,
    )  # fmt: skip


def only_catalogue(products):
    (path,) = products.glob("strips/*/*/catalogue.parquet")
    return read_table(path)


def no_partial(products):
    assert not list(products.rglob("*.partial*"))


def test_empty_folder_is_a_mistake(night):
    (night / "empty").mkdir()
    done = drive("reduce", night / "observatory.toml", night / "empty", night / "products")
    assert done.returncode == 2
    assert "empty" in done.stderr
    assert "raw.pattern" in done.stderr
    assert not (night / "products").exists()


def test_wrong_key_is_a_mistake_and_named(night):
    path = night / "observatory.toml"
    path.write_text(path.read_text().replace("pixel_scale", "pixel_scal"))
    done = drive("reduce", path, night / "raw", night / "products")
    assert done.returncode == 2
    assert "pixel_scal" in done.stderr


def test_missing_keyword_is_named_with_its_file(night):
    path = segments(night)[1]
    with fits.open(path, mode="update") as hdus:
        del hdus[0].header["LINEPER"]
    done = drive("check", night / "observatory.toml", night / "raw")
    assert done.returncode == 1
    text = done.stderr.replace("\n", "")
    assert path.name in text
    assert "LINEPER" in text


def test_truncated_segment_costs_its_own_lines(night, run_reduction):
    first, path = segments(night)[:2]
    lost = fits.getheader(first)["NAXIS2"]
    data = path.read_bytes()
    path.write_bytes(data[: len(data) // 2])
    summary = run_reduction(night, night / "products")
    assert any(path.name in text for text in summary.failures)
    table = only_catalogue(night / "products")
    inside = (table["line"] > lost + 20) & (table["line"] < 2 * lost - 20)
    assert not inside.any()
    assert (table["line"] > 2 * lost + 20).any()
    no_partial(night / "products")


def test_missing_middle_segment_is_bridged(night, run_reduction):
    paths = segments(night)
    lines = [fits.getheader(p)["NAXIS2"] for p in paths]
    paths[1].unlink()
    summary = run_reduction(night, night / "products")
    assert any("missing" in text for text in summary.problems)
    table = only_catalogue(night / "products")
    assert (table["line"] > lines[0] + lines[1]).any()
    # Positions beyond the gap are right: the reference stars there still agree.
    beyond = (table["line"] > lines[0] + lines[1] + 300) & (table["flags"] == 0)
    offset = table["ref_ra_offset"][beyond]
    assert np.isfinite(offset).sum() > 5
    assert np.nanmedian(np.abs(offset)) < 0.1


def test_no_shutter_closed_strip_is_said_and_survived(night, run_reduction):
    for path in segments(night, "CLOSED"):
        path.unlink()
    summary = run_reduction(night, night / "products")
    assert any("no shutter-closed strip" in text for text in summary.problems)
    table = only_catalogue(night / "products")
    assert np.isfinite(table["mag_psf"]).sum() > 100


def test_no_reference_stars_leaves_a_catalogue_in_pixels(night, run_reduction):
    path = night / "reference.fits"
    table = Table.read(path)
    table["dec"] = table["dec"] + 60.0
    table.write(path, overwrite=True)
    summary = run_reduction(night, night / "products")
    assert any("no sky positions" in text for text in summary.failures)
    catalogue = only_catalogue(night / "products")
    assert catalogue["line"].size > 100
    assert np.isnan(catalogue["ra"]).all()
    assert summary.n_tiles == 0


def test_reference_file_missing_is_a_failure_that_leaves_pixels(night, run_reduction):
    (night / "reference.fits").unlink()
    summary = run_reduction(night, night / "products")
    assert any("reference.path" in text for text in summary.failures)
    assert only_catalogue(night / "products")["line"].size > 100


def test_all_cloud_strip_does_not_stop_the_night(night, run_reduction):
    rng = np.random.default_rng(3)
    for path in segments(night):
        with fits.open(path) as hdus:
            header, data = hdus[0].header.copy(), hdus[0].data
        noise = rng.normal(np.median(data, axis=0), 15.0, data.shape)
        for key in ("BZERO", "BSCALE", "CHECKSUM", "DATASUM"):
            header.remove(key, ignore_missing=True)
        fits.PrimaryHDU(np.round(noise).astype(np.uint16), header).writeto(path, overwrite=True)
    summary = run_reduction(night, night / "products")
    text = " ".join([*summary.problems, *summary.failures])
    assert "star" in text
    assert (night / "products" / "report" / "index.html").exists()
    no_partial(night / "products")


def test_two_runs_in_one_folder_are_kept_apart(night, run_reduction):
    products = night / "products"
    products.mkdir()
    (products / "run.lock").write_text('{"pid": 1, "host": "elsewhere"}\n')
    with pytest.raises(ProductError, match=r"another run works in this folder"):
        run_reduction(night, products)


def test_full_disk_leaves_no_half_written_product(night, run_reduction, monkeypatch):
    """Every write fails as on a full disk: each is named, nothing is left behind."""
    import errno

    from pipeline.io import tables

    def refuse(*_args, **_keywords):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(tables, "_write_parquet", refuse)
    try:
        summary = run_reduction(night, night / "products")
        text = " ".join(summary.failures)
    except ProductError as error:
        text = str(error)
    assert "space" in text
    no_partial(night / "products")
    assert not list((night / "products").rglob("*.parquet"))


def test_strip_shorter_than_the_chip_is_refused_with_the_reason(night, run_reduction):
    for path in segments(night)[1:]:
        path.unlink()
    (path,) = segments(night)
    with fits.open(path) as hdus:
        header, data = hdus[0].header.copy(), hdus[0].data[:100]
    for key in ("BZERO", "BSCALE", "CHECKSUM", "DATASUM"):
        header.remove(key, ignore_missing=True)
    fits.PrimaryHDU(np.ascontiguousarray(data), header).writeto(path, overwrite=True)
    try:
        summary = run_reduction(night, night / "products")
        text = " ".join([*summary.problems, *summary.failures])
    except RawError as error:
        text = str(error)
    assert "n_stage" in text
    no_partial(night / "products")
