"""A whole simulated run: files, headers, truth tables, determinism."""

import json
import subprocess
import sys
import tomllib
from dataclasses import replace
from datetime import datetime

import numpy as np
import pyarrow.parquet as pq
import pytest
from astropy.io import fits
from astropy.time import Time

from synthetic.__main__ import main
from synthetic.field import adopt_stars, find_flux, find_snr, invent_stars, visit_stars
from synthetic.make import make
from synthetic.place import open_sight, to_catalogue_place
from synthetic.plain import build_plain
from synthetic.scenario import AmplifierSpec, CameraSpec, Seeing, Site
from synthetic.scenarios import NAMES, build_scenario


def read(path):
    return {n: np.array(v) for n, v in pq.read_table(path).to_pydict().items()}


@pytest.fixture(scope="module")
def scenario():
    """The small scenario, shortened."""
    small = build_scenario("small")
    strips = tuple(replace(s, n_lines=1500 if s.shutter_open else 600) for s in small.strips)
    return replace(small, strips=strips)


@pytest.fixture(scope="module")
def run(scenario, tmp_path_factory):
    """One run, made in this process."""
    return make(scenario, tmp_path_factory.mktemp("run"), workers=1)


def test_raw_headers_are_complete_and_standard(run, scenario):
    """Every segment: start of its first line, line period, filter, shutter, strip, number."""
    files = sorted((run / "raw").glob("*.fits"))
    assert len(files) == 2 * (2 + 1)
    for path in files:
        with fits.open(path, checksum=True) as hdus:
            header, raw = hdus[0].header, hdus[0].data
        assert raw.dtype == np.uint16
        assert header["BZERO"] == 32768
        assert header["BITPIX"] == 16
        assert header["TIMESYS"] == "UTC"
        assert header["FILTER"] == "r"
        assert header["CHIP"] == "1"
        assert "CHECKSUM" in header
        assert "DATASUM" in header
        assert "INVENTED" in str(header["COMMENT"])
        plan = next(s for s in scenario.strips if s.name == header["STRIP"])
        assert path.name == f"{plan.name}_{header['SEGMENT']:04d}.fits"
        assert header["SHUTTER"] == ("OPEN" if plan.shutter_open else "CLOSED")
        assert header["LINEPER"] == scenario.camera.line_period
        first = (header["SEGMENT"] - 1) * scenario.segment_lines
        assert raw.shape == (min(scenario.segment_lines, plan.n_lines - first), 256 + 32)
        seconds = (Time(header["DATE-BEG"], scale="utc") - Time(plan.mjd_start, format="mjd")).sec
        assert seconds == pytest.approx(
            first * scenario.camera.line_period + scenario.clock_error, abs=2e-6
        )
        datetime.fromisoformat(header["DATE-BEG"])
    assert not list(run.rglob("*.partial"))


def test_configuration_states_first_guesses(run, scenario):
    """The file parses, and differs from the truth where the scenario says."""
    config = tomllib.loads((run / "observatory.toml").read_text())
    truth = json.loads((run / "truth/scenario.json").read_text())
    assert config["camera"]["rotation"] == 0.0 != truth["rotation_deg"]
    assert config["camera"]["pixel_scale"] != truth["pixel_scale_arcsec"]
    assert config["camera"]["columns"] == 256
    assert [a["reversed"] for a in config["camera"]["amplifier"]] == [False, True]
    assert config["raw"]["keywords"]["start_time"] == "DATE-BEG"
    with fits.open(run / config["reference"]["path"]) as hdus:
        names = hdus[1].columns.names
    assert set(config["reference"]["columns"]) <= set(names)
    assert config["reference"]["magnitudes"]["r"] in names
    assert truth["clock_error_s"] == scenario.clock_error
    ratio = truth["line_period_s"] / truth["matched_line_period_s"]
    assert ratio == pytest.approx(1.0003, abs=1e-6)
    assert [s["strip"] for s in truth["strips"]] == [s.name for s in scenario.strips]


def test_truth_tables_agree_with_one_another(run, scenario):
    """Sources have stars, lines cover the strip, fluxes follow from magnitudes and exposure."""
    stars = read(run / "truth/stars.parquet")
    for plan in scenario.science:
        sources = read(run / f"truth/{plan.name}_sources.parquet")
        assert len(np.unique(sources["star_id"])) == len(sources["star_id"])
        assert np.isin(sources["star_id"], stars["star_id"]).all()
        assert sources["complete"].sum() > 50
        t0 = scenario.camera.exposure
        np.testing.assert_allclose(
            sources["flux"], sources["flux_t0"] * sources["exposure"] / t0, rtol=1e-12
        )
        np.testing.assert_allclose(
            sources["flux_t0"], 10 ** (-0.4 * (sources["mag"] - scenario.zero_point))
        )
        full = sources["complete"]
        np.testing.assert_allclose(sources["exposure"][full], t0, rtol=2e-3)
        late = sources["line"][full] / 86400 * scenario.camera.line_period + plan.mjd_start
        assert np.abs(sources["mjd_mid"][full] - late + 0.5 * t0 / 86400).max() * 86400 < 0.1
        lines = read(run / f"truth/{plan.name}_lines.parquet")
        np.testing.assert_array_equal(lines["line"], np.arange(plan.n_lines))
        assert lines["sky"][0] == 0
        assert (lines["sky"][256:] > 0).all()
    chip = read(run / "truth/detector.parquet")
    assert set(chip["bad"]) == {"", "dead", "hot", "noisy"}
    amplifiers = json.loads((run / "truth/amplifiers.json").read_text())
    assert [a["name"] for a in amplifiers] == ["A", "B"]


def test_levels_of_raw_lines_follow_the_truth(run, scenario):
    """Median electrons above bias, dark, of good columns: the sky as stated, in the ramp too."""
    plan = scenario.science[0]
    raw = np.concatenate(
        [fits.getdata(p) for p in sorted((run / "raw").glob(f"{plan.name}_*.fits"))]
    ).astype(float)
    chip = read(run / "truth/detector.parquet")
    lines = read(run / f"truth/{plan.name}_lines.parquet")
    a = scenario.camera.amplifiers[0]
    zero = raw[:, slice(*a.overscan)]
    columns = np.flatnonzero(chip["bad"][:128] == "")
    count = np.minimum(np.arange(plan.n_lines), 256)
    electrons = (raw[:, columns] - np.median(zero)) * a.gain - chip["bias"][columns]
    electrons -= count[:, None] * scenario.camera.line_period * chip["dark"][columns]
    electrons /= chip["response"][columns]
    for start in (40, 100, 300, 900, 1300):
        rows = slice(start, start + 20)
        expected = lines["sky"][rows] + lines["scattered"][rows]
        found = np.median(electrons[rows] - expected[:, None])
        # Clock drift of the zero level: up to two ADU; stars and medians: about an electron.
        assert found == pytest.approx(0, abs=2.2 * a.gain + 1.5)


def test_closed_strips_hold_bias_and_dark_only(run, scenario):
    """Column means of a strip with the shutter closed are bias plus rows times dark."""
    plan = next(s for s in scenario.strips if not s.shutter_open)
    raw = fits.getdata(run / f"raw/{plan.name}_0001.fits").astype(float)
    chip = read(run / "truth/detector.parquet")
    a = scenario.camera.amplifiers[0]
    level = (np.median(raw[300:, :128], axis=0) - raw[300:, slice(*a.overscan)].mean()) * a.gain
    expected = chip["bias"][:128] + scenario.camera.exposure * chip["dark"][:128]
    good = chip["bad"][:128] == ""
    # 300 lines: 6/sqrt(300)*1.25 electrons, and medians fall on whole ADU.
    assert (level - expected)[good].std() < 1.2
    hot = np.flatnonzero(chip["bad"][:128] == "hot")
    assert (level[hot] > expected[good].mean() + 10).all()


def test_artefacts_are_in_the_data(run, scenario):
    """Cosmic-ray pixels stand out by their electrons; the second night's satellite is listed."""
    plan = scenario.science[0]
    listed = np.load(run / f"truth/{plan.name}_artefacts.npz")
    raw = np.concatenate(
        [fits.getdata(p) for p in sorted((run / "raw").glob(f"{plan.name}_*.fits"))]
    ).astype(float)
    strong = (listed["cosmic_e"] > 3000) & (listed["cosmic"][:, 1] < 128)
    assert strong.any()
    for line, column in listed["cosmic"][strong]:
        around = raw[max(line - 3, 0) : line + 4, column]
        assert raw[line, column] > np.median(around) + 0.8 * 3000 / 1.8 / 2
    other = np.load(run / f"truth/{scenario.science[1].name}_artefacts.npz")
    assert len(listed["trail"]) == 0
    assert len(other["trail"]) > 100
    lines, columns = other["trail"].T
    assert np.corrcoef(lines, columns)[0, 1] ** 2 > 0.5


def test_same_seed_same_run_whatever_the_workers(run, scenario, tmp_path):
    """Byte for byte the same pixels and tables from two processes; another seed differs."""
    again = make(scenario, tmp_path / "again", workers=2)
    for path in sorted((run / "raw").glob("*.fits")):
        other = again / "raw" / path.name
        np.testing.assert_array_equal(fits.getdata(path), fits.getdata(other))
    for path in sorted((run / "truth").glob("*.parquet")):
        assert pq.read_table(path).equals(pq.read_table(again / "truth" / path.name))
    short = replace(scenario, strips=scenario.strips[1:2], seed=99)
    with pytest.raises(ValueError, match="at least one"):
        replace(scenario, strips=())
    science = replace(scenario.strips[0], n_lines=300)
    short = replace(scenario, strips=(science,), seed=99)
    third = make(short, tmp_path / "third", workers=1)
    name = f"{science.name}_0001.fits"
    assert (fits.getdata(third / "raw" / name) != fits.getdata(run / "raw" / name)[:300]).any()


def test_segments_change_no_pixel_of_the_sky(scenario, tmp_path):
    """Cut elsewhere, the strip is the same, but for cosmic rays drawn per segment."""
    quiet = replace(
        scenario,
        strips=(replace(scenario.strips[0], n_lines=1024),),
        detector=replace(scenario.detector, cosmic_rate=0.0, full_well=3000.0),
    )
    one = make(replace(quiet, segment_lines=1024), tmp_path / "one", workers=1)
    two = make(replace(quiet, segment_lines=256), tmp_path / "two", workers=1)
    whole = fits.getdata(next((one / "raw").glob("*.fits")))
    parts = np.concatenate([fits.getdata(p) for p in sorted((two / "raw").glob("*.fits"))])
    np.testing.assert_array_equal(whole, parts)
    name = f"truth/{quiet.strips[0].name}_sources.parquet"
    truth, again = pq.read_table(one / name), pq.read_table(two / name)
    assert truth.schema == again.schema
    for column in truth.column_names:
        a, b = truth[column].to_numpy(), again[column].to_numpy()
        if a.dtype.kind == "f":
            # Sums over steps are cut elsewhere: some processors round their last digit otherwise.
            np.testing.assert_allclose(a, b, rtol=1e-12, atol=1e-12)
        else:
            np.testing.assert_array_equal(a, b)


def test_outside_stars_land_where_they_should(tmp_path):
    """Stars given as a table, away from the zenith: one at the axis as it passes."""
    scenario = build_plain(
        latitude=20.0,
        longitude=10.0,
        declination=-5.0,
        hour_angle=0.0,
        columns=128,
        n_stage=128,
        pixel_scale=13.75,
        n_lines=600,
        mjd_start=60737.9,
    )
    tau = scenario.camera.line_period
    # On the axis at 300 lines: half-way down, so it leaves as line 364.
    ra, dec = to_catalogue_place(
        open_sight(scenario.site, 60737.9, 300 * tau), 0.0, np.radians(-5.0)
    )
    stars = {"ra": [np.degrees(ra)], "dec": [np.degrees(dec)], "mag": [16.0]}
    out = make(scenario, tmp_path, workers=1, stars=stars)
    (path,) = (out / "truth").glob("*_sources.parquet")
    truth = read(path)
    assert truth["line"][0] == pytest.approx(364.0, abs=0.02)
    assert truth["column"][0] == pytest.approx(63.5, abs=0.02)
    raw = fits.getdata(next((out / "raw").glob("*.fits"))).astype(float)[:, :128] - 1000.0
    z = raw[352:377, 52:76]
    l, c = np.mgrid[352:377, 52:76]
    assert (l * z).sum() / z.sum() == pytest.approx(truth["line"][0], abs=0.02)
    assert (c * z).sum() / z.sum() == pytest.approx(truth["column"][0], abs=0.02)
    flux = z.sum() * scenario.camera.amplifiers[0].gain
    assert flux == pytest.approx(truth["flux"][0], rel=0.01)
    config = tomllib.loads((out / "observatory.toml").read_text())
    assert config["pointing"] == {"declination": -5.0, "hour_angle": 0.0}


def test_reference_errors_are_as_stated():
    """Positions scatter by 10 mas, magnitudes by 3 mmag; new and moving objects are not in it."""
    from synthetic.field import make_reference

    scenario = build_scenario("wide")
    stars = invent_stars(scenario)
    reference = make_reference(scenario, stars)
    flux = 10 ** (-0.4 * (stars.mag - scenario.zero_point))
    known = np.isin(stars.kind, ["star", "variable"])
    listed = known & (find_snr(scenario, flux) >= scenario.stars.reference_snr)
    n = listed.sum()
    assert len(reference["ra"]) == n > 1000
    east = (reference["ra"] - stars.ra[listed]) * np.cos(np.radians(stars.dec[listed])) * 3.6e6
    north = (reference["dec"] - stars.dec[listed]) * 3.6e6
    tolerance = 4 / np.sqrt(2 * n)
    assert east.std() == pytest.approx(10.0, rel=tolerance)
    assert north.std() == pytest.approx(10.0, rel=tolerance)
    assert (reference["mag_r"] - stars.mag[listed]).std() == pytest.approx(0.003, rel=tolerance)


def test_star_counts_follow_the_power_law():
    """A tenfold flux leaves the share of a power law that ends at the bright limit."""
    scenario = build_scenario("demo")
    stars = invent_stars(scenario)
    flux = 10 ** (-0.4 * (stars.mag - scenario.zero_point))
    above = (find_snr(scenario, flux) > 5).sum()
    ten = (flux > 10 * flux[find_snr(scenario, flux) > 5].min()).sum()
    spec = scenario.stars
    end = (spec.bright / find_flux(scenario, 5.0)) ** -spec.slope
    wanted = (10**-spec.slope - end) / (1.0 - end)
    assert ten / above == pytest.approx(wanted, rel=0.06)
    plan = scenario.science[0]
    visit = visit_stars(scenario, plan, stars)
    assert len(visit.mag) < len(stars.mag)  # the new star is not there yet


def test_specials_change_between_nights():
    """Variables vary, the new star is absent at first, the moving object moves 30 arcsec/h."""
    scenario = build_scenario("demo")
    stars = invent_stars(scenario)
    visits = [visit_stars(scenario, plan, stars) for plan in scenario.science]
    new = int(stars.star_id[stars.kind == "new"][0])
    assert [new in v.index for v in visits] == [False, False, True]
    variable = int(stars.star_id[stars.kind == "variable"][0])
    mags = [float(v.mag[v.index == variable][0]) for v in visits]
    assert np.ptp(mags) == pytest.approx(0.6)
    moving = int(stars.star_id[stars.kind == "moving"][0])
    places = [(v.ra[v.index == moving][0], v.dec[v.index == moving][0]) for v in visits]
    hours = (scenario.science[1].mjd_start - scenario.science[0].mjd_start) * 24
    east = (places[1][0] - places[0][0]) * np.cos(places[0][1])
    moved = np.degrees(np.hypot(east, places[1][1] - places[0][1])) * 3600
    assert moved / hours == pytest.approx(30.0, rel=1e-3)


@pytest.mark.parametrize("name", NAMES)
def test_named_scenarios_are_well_formed(name):
    """Every name builds; strips have unique names and follow one another in time."""
    scenario = build_scenario(name, columns=512, lines=5000, seed=4)
    assert scenario.seed == 4
    starts = [s.mjd_start for s in scenario.strips]
    assert starts == sorted(starts)
    assert scenario.science[0].shutter_open
    first = scenario.science[0]
    if name == "night":
        assert scenario.camera.columns == 512
        assert first.n_lines == 5000


def test_bad_requests_are_refused(tmp_path, capsys):
    """Messages name the parameter, the rule and the value."""
    with pytest.raises(ValueError, match="scenario must be one of"):
        build_scenario("nowhere")
    with pytest.raises(ValueError, match="workers must be >= 1, got 0"):
        make(build_scenario("small"), tmp_path, workers=0)
    with pytest.raises(ValueError, match="'mag' is missing"):
        adopt_stars({"ra": [1.0], "dec": [2.0]})
    with pytest.raises(ValueError, match=r"stars\['dec'\] must be finite and of length 1"):
        adopt_stars({"ra": [1.0], "dec": [np.nan], "mag": [3.0]})
    with pytest.raises(ValueError, match="latitude must be within"):
        Site(latitude=100.0)
    with pytest.raises(ValueError, match="low must be positive"):
        Seeing(2.0, 1.0)
    with pytest.raises(ValueError, match="cover"):
        CameraSpec(columns=64, amplifiers=(AmplifierSpec("A", (0, 32), (64, 80), (0, 32)),))
    with pytest.raises(ValueError, match="as wide as chip"):
        AmplifierSpec("A", (0, 32), (64, 80), (0, 16))
    assert main(["make", "night", str(tmp_path / "x"), "--columns", "4"]) == 2
    assert "columns must be >= 8" in capsys.readouterr().err


def test_command_makes_a_night(tmp_path, capsys):
    """The command line writes a run of the size asked for."""
    out = tmp_path / "night"
    options = ["--columns", "64", "--lines", "500", "--stages", "48", "--workers", "1"]
    assert main(["make", "night", str(out), *options, "--seed", "3"]) == 0
    assert "night made in" in capsys.readouterr().out
    raw = fits.getdata(min((out / "raw").glob("*_s01_*.fits")))
    assert raw.shape == (500, 64 + 32)
    assert json.loads((out / "truth/scenario.json").read_text())["n_stage"] == 48


def test_simulator_does_not_load_what_it_judges():
    """Importing and describing a scenario leaves the reduction code out of memory."""
    code = (
        "import sys, synthetic.__main__, synthetic.segment, synthetic.plain;"
        "print([m for m in sys.modules if m.split('.')[0] in ('pipeline', 'dask')])"
    )
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert found.stdout.strip() == "[]"
