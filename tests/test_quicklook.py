"""A quick look at one strip: beside the truth, beside photutils, and on strips that are bad."""

import json
import warnings
from dataclasses import replace
from pathlib import Path

import astropy.units as u
import html5lib
import numpy as np
import pyarrow.parquet as pq
import pytest
from astropy.io import fits
from astropy.stats import SigmaClip
from astropy.time import Time
from photutils.aperture import ApertureStats, CircularAperture
from photutils.background import MeanBackground
from photutils.detection import find_peaks
from photutils.psf import fit_fwhm

from pipeline.cli import app
from pipeline.config import load_config
from pipeline.constants import FWHM_PER_SIGMA
from pipeline.io.growing import StripFinder
from pipeline.io.raw_read import read_lines
from pipeline.quicklook import take_quicklook
from pipeline.stages.glance import describe_shape, robust_mean
from pipeline.strip import index_raw_columns
from pipeline.tasks.glance import HALF_SIZE, PreviewMaker, choose_blocks, look_at_block
from pipeline.tasks.glance_geometry import measure_fluxes
from pipeline.tasks.options import make_options

pytestmark = pytest.mark.xdist_group("reduction")

STRIP = "2025-03-03_s01"
READINGS = {
    "sky", "FWHM of stars", "seeing", "elongation", "bright stars a block", "most dimming",
    "saturated pixels", "masked pixels", "focus trend", "line period, advised",
    "rotation of the camera",
}  # fmt: skip


def value_of(glance, name):
    return next(r for r in glance.readings if r.name == name)


@pytest.fixture(scope="module")
def config(small):
    return load_config(small / "observatory.toml")


@pytest.fixture(scope="module")
def glance(small, config, tmp_path_factory):
    out = tmp_path_factory.mktemp("quicklook")
    return take_quicklook(config, small / "raw" / f"{STRIP}_0002.fits", out)


@pytest.fixture(scope="module")
def truth(small):
    lines = pq.read_table(small / "truth" / f"{STRIP}_lines.parquet").to_pydict()
    scenario = json.loads((small / "truth" / "scenario.json").read_text())
    return {k: np.array(v) for k, v in lines.items()}, scenario


def test_every_number_is_there_and_near_the_truth(glance, truth):
    look, _ = glance
    lines, scenario = truth
    assert {r.name for r in look.readings if np.isfinite(r.value)} >= READINGS
    assert look.missing == ()
    at = look.blocks["line"].astype(int)
    # The sky holds bias and dark, some electrons in hundreds.
    np.testing.assert_allclose(look.blocks["sky"], lines["sky"][at], rtol=0.05)
    seeing = lines["fwhm"][at] * scenario["pixel_scale_arcsec"]
    # Of few stars in some blocks none is single.
    assert np.isfinite(look.blocks["seeing"]).mean() > 0.7
    assert np.nanmedian(look.blocks["seeing"] / seeing) == pytest.approx(1.0, abs=0.04)
    for name, true in (
        ("line period, advised", scenario["matched_line_period_s"]),
        ("rotation of the camera", scenario["rotation_deg"]),
    ):
        found = value_of(look, name)
        assert abs(found.value - true) < 4 * found.error, name
        assert found.error < 0.1 * abs(true)
    # Less what the aperture loses.
    zero = value_of(look, "zero point, clear").value
    assert -0.1 < zero - scenario["zero_point"] < 0.03


def test_a_whole_strip_is_read_where_it_is_short_and_blocks_where_it_is_long(glance, small, config):
    strip = StripFinder(small / "raw" / f"{STRIP}_0001.fits", config).look().strip
    starts = choose_blocks(strip, 1)
    assert starts == list(range(256, strip.n_lines // 256 * 256, 256))  # behind the ramp
    assert choose_blocks(strip, 4) == [256, 1280, 2304, 2560]  # with the newest one
    assert glance[0].n_read <= strip.n_lines


def test_vectors_of_a_reduction_take_the_response_out(small, config, reduced, tmp_path, glance):
    raw = small / "raw" / f"{STRIP}_0001.fits"
    flat, _ = take_quicklook(config, raw, tmp_path, vectors=reduced[0])
    assert flat.calibration.startswith("column vectors of night 2025-03-03")
    rough = glance[0].response
    good = ~rough["bad"] & ~flat.response["bad"]
    spread = [np.std(r["ratio"][good]) for r in (rough, flat.response)]
    assert spread[1] < 0.5 * spread[0]
    nothing, _ = take_quicklook(config, raw, tmp_path, vectors=small)
    assert nothing.calibration.startswith("none: ")
    assert "--vectors" in nothing.calibration
    (why,) = [m.why for m in nothing.missing if "calibrations" in m.what]
    assert str(small) in why
    assert not any("calibrations" in m.what for m in flat.missing)


def test_without_a_catalogue_it_goes_on_and_says_so(small, config, tmp_path):
    lost = config.with_value("reference.path", "nowhere.fits")
    look, page = take_quicklook(lost, small / "raw" / f"{STRIP}_0001.fits", tmp_path)
    assert np.isfinite(value_of(look, "seeing").value)
    assert not np.isfinite(value_of(look, "rotation of the camera").value)
    why = next(m.why for m in look.missing if "rotation" in m.what)
    assert "nowhere.fits: no such file" in why
    assert "nowhere.fits" in page.read_text()


# -- beside photutils ------------------------------------------------------------------------


@pytest.fixture(scope="module")
def blocks(small, config):
    """Blocks of a strip without a satellite, and the same pixels as photutils gets them."""
    strip = StripFinder(small / "raw" / "2025-03-02_s01_0001.fits", config).look().strip
    options = make_options(config)
    index = index_raw_columns(strip.amplifiers, n_columns=strip.n_columns)
    found = []
    for start in choose_blocks(strip, 1):
        look = look_at_block(config, options, strip, start)
        raw, _ = read_lines(strip, config.raw, look.start, look.stop)
        image = np.empty((look.stop - look.start, strip.n_columns))
        for a in strip.amplifiers:
            zero = np.median(raw[:, a.overscan[0] : a.overscan[1]])
            image[:, a.chip[0] : a.chip[1]] = (raw[:, index[slice(*a.chip)]] - zero) * a.gain
        found.append((look, image))
    return found


def test_sky_is_that_of_photutils(blocks):
    for look, image in blocks:
        theirs = MeanBackground(sigma_clip=SigmaClip(3.0))(image)
        assert robust_mean(look.level)[0] == pytest.approx(theirs, rel=0.01)


def test_widths_are_those_that_photutils_fits(blocks):
    """Of the core, as ours: with the wings a Gaussian comes out 5 % wider."""
    ours, theirs = [], []
    for look, _ in blocks:
        stars = look.stars.select(look.stamped)
        for i, stamp in enumerate(look.stamps):
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                width = fit_fwhm(stamp, xypos=(HALF_SIZE, HALF_SIZE), fit_shape=(5, 5))
            theirs.append(float(np.squeeze(width)))
            one = stars.select(np.array([i] * 5))
            total = describe_shape(one.var_ll, one.var_lc, one.var_cc)["fwhm"][0]
            # photutils integrates over the pixel: its width is without that.
            ours.append(np.sqrt(total**2 - FWHM_PER_SIGMA**2 / 12))
    assert len(ours) > 40
    ratio = np.array(ours) / np.array(theirs)
    assert np.median(ratio) == pytest.approx(1.0, abs=0.03)
    assert np.percentile(np.abs(ratio - 1.0), 68) < 0.06


def test_fluxes_are_those_in_the_apertures_of_photutils(blocks):
    looks = [look for look, _ in blocks]
    fwhm = 3.0
    cut, stars = measure_fluxes(looks, None, fwhm)
    stamps = np.concatenate([look.stamps for look in looks])
    theirs = [
        ApertureStats(
            stamp, CircularAperture((HALF_SIZE + dc, HALF_SIZE + dl), 2.5 * fwhm),
            sum_method="exact",
        ).sum
        for stamp, dl, dc in zip(stamps, cut.d_line, cut.d_column, strict=True)
    ]  # fmt: skip
    np.testing.assert_allclose(stars.flux, theirs, rtol=1e-4)


def test_counts_are_those_of_photutils_but_for_what_is_no_star(blocks):
    def inside(line, column, margin):
        return (np.abs(line - 127.5) < 127.5 - margin) & (np.abs(column - 127.5) < 127.5 - margin)

    n_ours = n_theirs = n_alone = 0
    for look, image in blocks:
        clean = image - look.level
        # Slightly below our threshold: both take the overscan off in their own way.
        peaks = find_peaks(clean, 19.5 * look.noise, box_size=5)
        y, x = (np.asarray(peaks[name], dtype=float) for name in ("y_peak", "x_peak"))
        line, column = look.stars.line - look.start, look.stars.column
        for l, c in zip(line, column, strict=True):
            n_alone += inside(l, c, 10) and np.hypot(y - l, x - c).min() > 1.6
        n_ours += np.count_nonzero(inside(line, column, 10))
        # A cosmic ray has a dark neighbour; a saturated star is left out by us.
        rows, columns = y.astype(int), x.astype(int)
        top = clean[rows, columns]
        beside = sum(
            clean[np.clip(rows + a, 0, 255), np.clip(columns + b, 0, 255)]
            for a, b in ((0, 1), (0, -1), (1, 0), (-1, 0))
        )
        star = (beside > 4 * 0.4 * top) & (image[rows, columns] < 0.9 * 50_000 * 1.8)
        n_theirs += np.count_nonzero(star & inside(y, x, 10) & (top > 20 * look.noise))
    assert n_ours > 40
    assert n_alone == 0
    assert n_ours == pytest.approx(n_theirs, rel=0.05)


# -- the picture of the whole strip ----------------------------------------------------------


def test_the_picture_holds_means_of_lines_that_were_read_across_files_and_growth(
    small, config, tmp_path, monkeypatch
):
    monkeypatch.setattr("pipeline.tasks.glance._AREA", 6000)  # a strip longer than it is
    paths = [small / "raw" / f"{STRIP}_000{i}.fits" for i in (1, 2)]
    data = np.concatenate([fits.getdata(p) for p in paths])[:2000]
    header = fits.getheader(paths[0])
    begin = Time(header["DATE-BEG"], scale="utc", precision=6)
    for number, (first, stop) in enumerate(((0, 994), (994, 2000)), start=1):
        hdu = fits.PrimaryHDU(data[first:stop])
        for key in ("TIMESYS", "LINEPER", "FILTER", "SHUTTER", "STRIP", "CHIP"):
            hdu.header[key] = header[key]
        hdu.header["SEGMENT"] = number
        hdu.header["DATE-BEG"] = (begin + first * header["LINEPER"] * u.s).isot
        hdu.writeto(tmp_path / f"{number}.fits")
    strip = StripFinder(tmp_path, config).look().strip
    made = PreviewMaker(config)
    made.update(strip)
    assert (made.step, made.group) == (16, 4)
    assert made.cells.shape == (125, 16)
    for cell in (3, 62, 124):  # the second from both files
        lines = data[16 * cell : 16 * cell + 4].astype(float)
        a = strip.amplifiers[0]
        zero = np.median(lines[:, slice(*a.overscan)])
        expected = (lines[:, :16].mean() - zero) * a.gain
        assert made.cells[cell, 0] == pytest.approx(expected, rel=1e-5)
    assert np.isfinite(made.cells).all()
    grown = PreviewMaker(config)
    for n_lines in (300, 999, 2000):
        cut = tuple(
            replace(s, n_lines=min(s.n_lines, n_lines - s.first_line))
            for s in strip.segments
            if s.first_line < n_lines
        )
        grown.update(replace(strip, segments=cut, n_lines=n_lines))
    assert (grown.step, grown.cells.shape) == (made.step, made.cells.shape)
    # Read at other lines of the same cells: the same sky, within its noise.
    off = np.abs(grown.cells - made.cells)
    assert np.median(off) < 0.05 * np.median(made.cells)


# -- bad strips ------------------------------------------------------------------------------


def make_strip(folder, small, change, *, drop=(), **cards):
    """The first two segments of the strip as one file, with changed lines and header."""
    paths = [small / "raw" / f"{STRIP}_000{i}.fits" for i in (1, 2)]
    data = np.concatenate([fits.getdata(p) for p in paths])
    header = fits.getheader(paths[0])
    hdu = fits.PrimaryHDU(change(data))
    for key in ("TIMESYS", "DATE-BEG", "LINEPER", "FILTER", "SHUTTER", "STRIP", "CHIP", "SEGMENT"):
        if key not in drop:
            hdu.header[key] = cards.get(key, header[key])
    path = folder / "strip.fits"
    hdu.writeto(path)
    return path


def flat_sky(level, noise=12.0):
    """Nothing but sky: the overscan stays."""

    def change(data):
        new = data.copy()
        rng = np.random.default_rng(3)
        sky = rng.normal(level, noise, (len(data), 256))
        new[:, :256] = np.clip(sky, 0, 65535).astype(data.dtype)
        return new

    return change


def lose(data):
    new = data.copy()
    new[600:1000] = 0
    return new


BAD = {
    "shorter than the detector": (lambda d: d[:200], {}, "fewer than the 256 rows", "sky"),
    "one line": (lambda d: d[:1], {}, "no line with data", None),
    "no star": (flat_sky(1200.0), {}, "0 bright stars", "sky"),
    "only cloud": (
        lambda d: flat_sky(1500.0)(d) + (np.arange(len(d)) % 512 // 2)[:, None].astype(d.dtype),
        {}, "cloud", "sky",
    ),
    "saturated twilight": (flat_sky(70000.0), {}, "the sky saturates", "saturated pixels"),
    "no times": (lambda d: d, {"drop": ("DATE-BEG",)}, "keyword DATE-BEG", "seeing"),
    "neither time nor line period": (
        lambda d: d, {"drop": ("DATE-BEG", "LINEPER")}, "keyword LINEPER", "seeing",
    ),
    "lost lines": (lose, {}, "", "rotation of the camera"),
    "shutter closed": (lambda d: d, {"SHUTTER": "CLOSED"}, "the shutter was closed", "sky"),
}  # fmt: skip


@pytest.mark.parametrize("name", BAD)
def test_the_page_of_a_bad_strip_tells_what_is_missing_and_why(small, config, tmp_path, name):
    change, cards, reason, measured = BAD[name]
    path = make_strip(tmp_path, small, change, **cards)
    look, page = take_quicklook(config, path, tmp_path / "out")
    text = page.read_text()
    html5lib.HTMLParser(strict=True).parse(text)
    if reason:
        told = [m for m in look.missing if reason in m.why]
        assert told
        assert all(m.what in text for m in told)
    if measured:
        assert np.isfinite(value_of(look, measured).value)
    if name == "lost lines":
        assert 0 < look.blocks["masked"].max() <= 1.0
        assert np.isnan(look.preview.cells).any()
        assert value_of(look, "masked pixels").value > 5.0
    if name == "saturated twilight":
        assert value_of(look, "saturated pixels").value > 90.0
    numbers = json.loads((tmp_path / "out" / "numbers.json").read_text())
    assert len(numbers["not_measured"]) == len(look.missing)


def test_another_kind_of_file_is_a_mistake_in_words(small, tmp_path):
    from typer.testing import CliRunner

    from pipeline.errors import RawError

    other = tmp_path / "strip.fits"
    other.write_text("no FITS at all\n" * 500)
    done = CliRunner().invoke(app, ["quicklook", str(small / "observatory.toml"), str(other)])
    assert isinstance(done.exception, RawError)  # which `main` turns into status 2
    assert "not a FITS file" in str(done.exception)


def test_the_command_prints_a_summary_and_the_place_of_the_page(small, tmp_path):
    from typer.testing import CliRunner

    command = ["quicklook", str(small / "observatory.toml"), str(small / "raw"), "--strip", STRIP,
               "--out", str(tmp_path)]  # fmt: skip
    done = CliRunner().invoke(app, command)
    assert done.exit_code == 0
    assert STRIP in done.output
    assert "seeing" in done.output
    assert "Set the line period to" in done.output
    assert (tmp_path / "index.html").exists()
    assert not list(Path(tmp_path).glob("*.partial"))


def test_the_measure_of_speed_finds_truth_beside_what_was_found(glance, small, measuring):
    speed = measuring("quicklook_speed")
    rows = speed.compare(small, STRIP, glance[1].parent, lengthened=False)
    assert len(rows) == 4
    for what, value, error, true, unit in rows:
        assert abs(value - true) < max(4 * error, 0.05 * abs(true)), what
        assert unit
