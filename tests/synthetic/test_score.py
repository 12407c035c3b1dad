"""Made-up truth with made-up products: good ones pass, each defect fails its own row."""

import json
import math
from dataclasses import replace

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from astropy.io import fits
from astropy.wcs import WCS
from scipy.special import ndtr

from synthetic.score import main
from synthetic.score_bound import compute_bounds
from synthetic.score_calibration import score_calibration
from synthetic.score_detection import score_detection
from synthetic.score_fluxes import score_fluxes, score_pulls
from synthetic.score_positions import score_positions
from synthetic.score_smear import score_smear
from synthetic.score_stack import score_stack
from synthetic.score_stars import gather_stars
from synthetic.score_world import read_world

N_COLUMNS, N_STAGE, N_LINES, N_CLOSED = 1024, 1024, 5040, 6000
PERIOD, SCALE, BETA, ZERO_POINT = 0.0528, 0.55, 3.5, 28.9
SKY, GAIN, READ_NOISE, DARK, BIAS = 600.0, 1.8, 6.0, 0.05, 3.0
NIGHTS = ("2031-03-01", "2031-03-02", "2031-03-03")
SPACING = 40.0
POGSON = 2.5 / math.log(10.0)
BAD_COLUMN = 300
ROTATION, DECLINATION = 0.031, -46.19


def write_table(path, columns, *, metadata=None):
    path.parent.mkdir(parents=True, exist_ok=True)
    table = pa.table(columns)
    if metadata:
        table = table.replace_schema_metadata(metadata)
    pq.write_table(table, path)


def make_wcs():
    wcs = WCS(naxis=2)
    wcs.wcs.ctype = ["RA---TAN", "DEC--TAN"]
    wcs.wcs.crval = [60.0, DECLINATION]
    wcs.wcs.crpix = [N_COLUMNS / 2, N_LINES / 2]
    wcs.wcs.cdelt = [-SCALE / 3600.0, SCALE / 3600.0]
    return wcs


def make_stars(rng):
    """Stars on a loose grid, fluxes even in the logarithm of signal to noise."""
    lines = np.arange(N_STAGE + 40.0, N_LINES - 40.0, SPACING)
    columns = np.arange(32.0, N_COLUMNS - 30.0, SPACING)
    line, column = (g.ravel() for g in np.meshgrid(lines, columns, indexing="ij"))
    line = line + rng.uniform(-4.0, 4.0, line.size)
    column = column + rng.uniform(-4.0, 4.0, line.size)
    sn = np.exp(rng.uniform(math.log(1.5), math.log(800.0), line.size))
    # S/N = F / sqrt(F + noise^2) solved for F, with the noise of this seeing.
    noise2 = 190.0**2
    flux = (sn**2 + np.sqrt(sn**4 + 4.0 * sn**2 * noise2)) / 2.0
    ra, dec = make_wcs().all_pix2world(column, line, 0)
    x = 2.0 * column / (N_COLUMNS - 1) - 1.0
    n = line.size
    stars = {
        "star_id": np.arange(n),
        "line": line,
        "column": column,
        "flux": flux * (1.0 + 0.0014 * x),
        "flux_t0": flux,
        "transparency": np.ones(n),
        "mag": ZERO_POINT - 2.5 * np.log10(flux),
        "mjd_mid": np.full(n, 63000.0),
        "exposure": np.full(n, N_STAGE * PERIOD),
        "mom_ll": 1.0 / 12.0 + 0.17 * x**2,
        "mom_lc": 0.01 * x,
        "mom_cc": np.full(n, 0.012),
        "fwhm": np.full(n, 2.9),
        "complete": np.ones(n, dtype=bool),
        "ra": ra,
        "dec": dec,
    }
    background = SKY + DARK * N_STAGE * PERIOD + READ_NOISE**2 + GAIN**2 / 12.0
    bounds = compute_bounds(
        line,
        column,
        stars["flux"],
        fwhm=stars["fwhm"],
        moments=np.column_stack([stars["mom_ll"], stars["mom_lc"], stars["mom_cc"]]),
        response=np.ones(n),
        background=np.full(n, background),
        beta=BETA,
    )
    return stars, bounds


def write_truth(out, rng, stars):
    truth = out / "truth"
    strips = []
    for k, night in enumerate(NIGHTS):
        strips += [
            {"strip": f"s{k}", "night": night, "shutter_open": True, "n_lines": N_LINES},
            {"strip": f"d{k}", "night": night, "shutter_open": False, "n_lines": N_CLOSED},
        ]
    for strip in strips:
        strip.update(filter="r", mjd_start=63000.0)
    scenario = {
        "guess": {"pixel_scale": 0.5, "rotation": 0.0},
        "pixel_scale_arcsec": SCALE,
        "rotation_deg": ROTATION,
        "axis_declination_deg": DECLINATION,
        "line_period": PERIOD,
        "beta": BETA,
        "strips": strips,
    }
    truth.mkdir(parents=True)
    (truth / "scenario.json").write_text(json.dumps(scenario))
    amplifiers = [
        {"name": name, "gain": GAIN, "read_noise": READ_NOISE, "saturation": 60000.0}
        for name in "AB"
    ]
    (truth / "amplifiers.json").write_text(json.dumps(amplifiers))
    toml = f"[camera]\nn_stage = {N_STAGE}\n"
    for name, first in (("A", 0), ("B", 512)):
        toml += (
            f'[[camera.amplifier]]\nname = "{name}"\nchip = [{first}, {first + 512}]\n'
            f"overscan = [{N_COLUMNS + first // 32}, {N_COLUMNS + first // 32 + 16}]\n"
        )
    (out / "observatory.toml").write_text(toml)
    response = rng.normal(1.0, 0.01, N_COLUMNS)
    write_table(
        truth / "detector.parquet",
        {
            "column": np.arange(N_COLUMNS),
            "response": response,
            "dark": np.full(N_COLUMNS, DARK),
            "bias": np.full(N_COLUMNS, BIAS),
            "scattered": np.zeros(N_COLUMNS),
            "bad": ["dead" if c == BAD_COLUMN else "" for c in range(N_COLUMNS)],
        },
    )
    n = len(stars["line"])
    write_table(
        truth / "stars.parquet",
        {
            "star_id": stars["star_id"],
            "ra": stars["ra"],
            "dec": stars["dec"],
            "mag": stars["mag"],
            "kind": ["variable" if k < 3 else "star" for k in range(n)],
        },
    )
    line = np.arange(N_LINES)
    for k in range(len(NIGHTS)):
        write_table(truth / f"s{k}_sources.parquet", stars)
        write_table(
            truth / f"s{k}_lines.parquet",
            {
                "line": line,
                "sky": np.full(N_LINES, SKY),
                "transparency": np.ones(N_LINES),
                "fwhm": np.full(N_LINES, 2.9),
                "scattered": np.zeros(N_LINES),
            },
        )
        np.savez(
            truth / f"s{k}_artefacts.npz",
            cosmic=np.array([[1500, 200]], dtype=np.int32),
            cosmic_e=np.array([500.0]),
            trail=np.column_stack([np.arange(2000, 2400), np.full(400, 800)]).astype(np.int32),
        )
    return response


def make_catalogue(rng, stars, bounds):
    """A catalogue at the bound, a few entries that are nothing, and the noise of the fluxes."""
    n = len(stars["line"])
    found = rng.uniform(size=n) < ndtr(stars["flux"] / bounds.matched - 5.0)
    noise = {key: rng.normal(size=n) for key in ("line", "column", "ra", "dec", "psf", "aperture")}
    relative = bounds.flux / stars["flux"]
    arcsec = {"ra": bounds.line * SCALE, "dec": bounds.column * SCALE}
    # The response is known up to a factor: electrons are 1.3 % too many everywhere.
    electrons = 1.013 * stars["flux_t0"]
    columns = {
        "line": stars["line"] + noise["line"] * bounds.line,
        "line_err": bounds.line,
        "column": stars["column"] + noise["column"] * bounds.column,
        "column_err": bounds.column,
        "ra": stars["ra"] + noise["ra"] * arcsec["ra"] / 3600.0 / np.cos(np.radians(stars["dec"])),
        "dec": stars["dec"] + noise["dec"] * arcsec["dec"] / 3600.0,
        "ra_err": arcsec["ra"],
        "dec_err": arcsec["dec"],
        "mom_ll": 2.0 + 0.6 * stars["mom_ll"],
        "mom_lc": 0.6 * stars["mom_lc"],
        "mom_cc": 2.0 + 0.6 * stars["mom_cc"],
    }
    for kind, factor in (("psf", 1.0), ("aperture", 1.1)):
        share = factor * relative
        columns[f"flux_{kind}"] = electrons * (1.0 + noise[kind] * share)
        columns[f"flux_{kind}_err"] = electrons * share
        columns[f"mag_{kind}"] = stars["mag"] - POGSON * noise[kind] * share
        columns[f"mag_{kind}_err"] = POGSON * share
    columns = {key: values[found] for key, values in columns.items()}
    columns["flags"] = np.zeros(int(np.sum(found)), dtype=np.int32)
    nothing = 4
    for key in columns:
        extra = np.zeros(nothing, dtype=columns[key].dtype)
        columns[key] = np.concatenate([columns[key], extra])
    columns["line"][-nothing:] = rng.uniform(N_STAGE, N_LINES, nothing)
    columns["column"][-nothing:] = 5.0
    return columns, {kind: noise[kind] for kind in ("psf", "aperture")}


def write_calibration(products, rng, response):
    n_closed, n_open = N_CLOSED - N_STAGE, N_LINES - N_STAGE
    pixel = READ_NOISE**2 + DARK * N_STAGE * PERIOD + GAIN**2 / 12.0
    column = np.arange(N_COLUMNS)
    for night in NIGHTS:
        folder = products / "calibration" / night
        folder.mkdir(parents=True)
        total = BIAS + N_STAGE * PERIOD * DARK
        total = total + rng.normal(0.0, math.sqrt(pixel / n_closed), N_COLUMNS)
        floor = np.sqrt(response * SKY * n_open + pixel * n_open) / (response * SKY * n_open)
        measured = 1.02 * response * (1.0 + rng.normal(0.0, 1.0, N_COLUMNS) * floor)
        mask = (column == BAD_COLUMN).astype(np.int16)
        for name, key, values in (("dark", "total", total), ("r_response", "response", measured)):
            values[BAD_COLUMN] = np.nan
            hdu = fits.BinTableHDU.from_columns(
                [
                    fits.Column("column", "J", array=column),
                    fits.Column(key, "D", array=values),
                    fits.Column("mask", "I", array=mask),
                ]
            )
            hdu.header["BIT0"] = "DEAD: column with no or too little response"
            for amplifier in "AB":
                hdu.header[f"GAIN_{amplifier}"] = GAIN * 1.003
                hdu.header[f"RDN_{amplifier}"] = READ_NOISE * 0.995
            hdu.writeto(folder / f"main_{name}.fits")


def write_products(out, rng, stars, bounds, response):
    products = out / "products"
    write_calibration(products, rng, response)
    grid = np.linspace(0.0, N_COLUMNS - 1.0, 65)
    x = 2.0 * grid / (N_COLUMNS - 1) - 1.0
    noises = []
    for k, night in enumerate(NIGHTS):
        folder = products / "strips" / night / f"s{k}"
        catalogue, noise = make_catalogue(rng, stars, bounds)
        noises.append(noise)
        write_table(
            folder / "catalogue.parquet", catalogue, metadata={"detection_threshold": "5.0"}
        )
        solution = {
            "parameters": {
                "rotation_deg": ROTATION + 0.001 * (k - 1),
                "pixel_scale_arcsec": SCALE * (1.0 + 2e-5),
                "declination_deg": DECLINATION + 1e-4,
            },
            "smear_table": {
                "column": grid.tolist(),
                "ll": (1.0 / 12.0 + 0.17 * x**2).tolist(),
                "lc": (0.01 * x).tolist(),
                "cc": np.full(grid.size, 0.0121).tolist(),
            },
        }
        (folder / "solution.json").write_text(json.dumps(solution))
    share = bounds.flux / stars["flux"]
    deep = {"ra": stars["ra"], "dec": stars["dec"]}
    for kind in ("psf", "aperture"):
        # The nights are alike, so their mean is the inverse-variance mean.
        mean = np.mean([noise[kind] for noise in noises], axis=0)
        deep[f"mag_{kind}"] = stars["mag"] - POGSON * share * mean
    deep["flags"] = np.zeros(share.size, dtype=np.int32)
    write_table(products / "deep" / "r.parquet", deep)
    epochs = np.full((N_LINES, N_COLUMNS), len(NIGHTS), dtype=np.int16)
    header = make_wcs().to_header()
    (products / "stacks").mkdir()
    fits.HDUList([fits.PrimaryHDU(), fits.ImageHDU(epochs, header=header, name="EPOCHS")]).writeto(
        products / "stacks" / "t0_r.fits"
    )


@pytest.fixture(scope="module")
def good(tmp_path_factory):
    """Output directory with faultless products."""
    out = tmp_path_factory.mktemp("score") / "out"
    rng = np.random.default_rng(20310301)
    stars, bounds = make_stars(rng)
    response = write_truth(out, rng, stars)
    write_products(out, rng, stars, bounds, response)
    return out


@pytest.fixture(scope="module")
def judged(good):
    """World and joined table of the faultless products."""
    world = read_world(good)
    return world, gather_stars(world)


def change(stars, **columns):
    """The joined table with other measured columns."""
    return replace(stars, measured={**stars.measured, **columns})


def find_short(rows):
    """Figures that fall short."""
    return {row.figure for row in rows if row.ok is False}


def test_faultless_products_meet_every_target(good, tmp_path, capsys):
    """All rows are measured and ok, the exit code is 0, the JSON file says the same."""
    path = tmp_path / "score.json"
    code = main(good, path)
    rows = json.loads(path.read_text())
    not_ok = {row["figure"] for row in rows if row["ok"] is not True}
    assert not_ok == {row["figure"] for row in rows if "no calibrated strip" in row["note"]}
    assert len(not_ok) == 6
    assert code == 0
    assert len(rows) == 43
    for row in rows:
        if row["figure"] in not_ok:
            continue
        assert set(row) == {"figure", "value", "target", "ok", "n", "unit", "note"}
        assert math.isfinite(row["value"])
        assert row["n"] > 0
    assert "37 ok, 0 fall short" in capsys.readouterr().out


def test_scatter_at_the_bound_measures_one(judged):
    """Noise drawn from the bound comes back as a ratio of one, flux in any scale."""
    rows = [row for row in score_positions(*judged) if "Cramer-Rao" in row.figure]
    assert len(rows) == 3
    for row in rows:
        # The spread of n Gaussian values by percentiles is uncertain by about 1 / sqrt(n).
        assert row.value == pytest.approx(1.0, abs=4.0 / math.sqrt(row.n))


def test_shifted_positions_fall_short(judged):
    """0.05 px along the lines: the bright row and the edge bias of that axis pair."""
    world, stars = judged
    moved = change(stars, line=stars.measured["line"] + 0.05)
    assert find_short(score_positions(world, moved)) == {
        "positions, bright stars, every column: line",
        "edge-column bias: line, column",
        # In units of bounds that differ from star to star a shift is a scatter too.
        "positions (line), S/N 10-100: scatter over Cramer-Rao bound",
    }


def test_shift_at_one_edge_is_seen_by_the_edge_row(judged):
    """0.02 px in declination at the last columns only."""
    world, stars = judged
    edge = stars.truth["column"] > 960
    moved = change(stars, dec=stars.measured["dec"] + np.where(edge, 0.02 * SCALE / 3600.0, 0.0))
    assert find_short(score_positions(world, moved)) == {"edge-column bias: ra, dec"}


def test_large_error_in_one_column_bin_is_not_averaged_away(judged):
    """0.04 px in one sixteenth of the columns spoils the row that promises every column."""
    world, stars = judged
    bin_ = (stars.truth["column"] > 512) & (stars.truth["column"] < 576)
    moved = change(stars, column=stars.measured["column"] + np.where(bin_, 0.04, 0.0))
    assert "positions, bright stars, every column: column" in find_short(
        score_positions(world, moved)
    )


def test_extra_scatter_exceeds_the_bound(judged):
    """Deviations of faint stars multiplied by 1.3, bright ones left alone."""
    world, stars = judged
    t, m = stars.truth, stars.measured
    factor = np.where(t["sn"] < 100.0, 1.3, 1.0)
    noisy = change(
        stars,
        column=t["column"] + factor * (m["column"] - t["column"]),
        flux_psf=1.013 * t["flux_t0"] + factor * (m["flux_psf"] - 1.013 * t["flux_t0"]),
    )
    assert find_short(score_positions(world, noisy)) == {
        "positions (column), S/N 10-100: scatter over Cramer-Rao bound",
        "PSF fluxes, S/N 10-100: scatter over Cramer-Rao bound",
    }


@pytest.mark.parametrize("factor", [1.0 / 1.3, 1.3])
@pytest.mark.parametrize("key", ["line", "dec", "mag_psf", "flux_psf"])
def test_wrong_errors_spoil_their_pull_only(judged, key, factor):
    """Errors too small or too large by 1.3."""
    world, stars = judged
    wrong = change(stars, **{f"{key}_err": factor * stars.measured[f"{key}_err"]})
    assert find_short(score_pulls(world, wrong)) == {f"pull: {key}"}


def test_flux_trend_falls_short(judged):
    """Two per cent from edge to edge, and nothing else: rms and trend of that flux."""
    world, stars = judged
    tilt = 0.02 * (stars.truth["column"] / N_COLUMNS - 0.5)
    tilted = change(stars, mag_aperture=stars.measured["mag_aperture"] + tilt)
    rows = score_fluxes(world, tilted)
    assert find_short(rows) == {
        "fluxes, bright stars: mag_aperture",
        "fluxes, trend with column: mag_aperture",
    }
    trend = next(row for row in rows if row.figure == "fluxes, trend with column: mag_aperture")
    assert trend.value == pytest.approx(20.0, rel=0.05)


def test_zero_point_error_is_no_trend_but_spoils_the_rms(judged):
    """A constant of 4 mmag is not removed from bright fluxes."""
    world, stars = judged
    shifted = change(stars, mag_psf=stars.measured["mag_psf"] + 0.004)
    assert find_short(score_fluxes(world, shifted)) == {"fluxes, bright stars: mag_psf"}


def test_step_at_the_amplifier_boundary_is_reported(judged):
    """A step of 5 mmag at column 512 falls short, and stands in the trend's note."""
    world, stars = judged
    step = np.where(stars.truth["column"] > 511.5, 0.005, 0.0)
    rows = score_fluxes(world, change(stars, mag_psf=stars.measured["mag_psf"] + step))
    note = next(row.note for row in rows if row.figure == "fluxes, trend with column: mag_psf")
    value = float(note.split("step at column 511.5: ")[1].split(" ")[0])
    # The parabola takes a part of a step: over the inner quarter, 1 - 0.19 of it remains.
    assert 3.0 < value < 5.0
    row = next(row for row in rows if row.figure.endswith("amplifier boundary: mag_psf"))
    assert row.ok is False
    assert row.value == pytest.approx(value, abs=0.01)


def test_flagging_everything_does_not_pass(judged):
    """Stars that are flagged are not judged, so most must be unflagged."""
    world, stars = judged
    few = np.arange(len(stars.truth["line"])) % 3 == 0
    flagged = change(stars, flags=np.where(few, stars.measured["flags"], 1))
    assert len(find_short(score_pulls(world, flagged))) == 6


def test_missing_column_falls_short(judged):
    """A catalogue without the error column cannot have right errors."""
    world, stars = judged
    nothing = np.full(len(stars.truth["line"]), np.nan)
    lacking = replace(change(stars, line_err=nothing), absent=("line_err",))
    row = next(row for row in score_pulls(world, lacking) if row.figure == "pull: line")
    assert row.ok is False
    assert "line_err" in row.note


def test_lost_faint_stars_cost_depth(judged):
    """A catalogue cut at twice the threshold is 0.75 mag too shallow."""
    world, stars = judged
    cut = []
    for catalogue in stars.catalogues:
        keep = catalogue["flux_psf"] > 2.0 * 5.0 * catalogue["flux_psf_err"] * 0.97
        cut.append({key: values[keep] for key, values in catalogue.items()})
    shallow = replace(
        stars, catalogues=tuple(cut), claimed=tuple(np.ones(len(c["line"]), bool) for c in cut)
    )
    rows = score_detection(world, shallow)
    assert find_short(rows) == {"50 % completeness against the ideal matched filter"}
    assert rows[0].value == pytest.approx(0.75, abs=0.1)


def test_false_entries_are_counted(judged):
    """Three per cent of entries without a star."""
    world, stars = judged
    more, claimed = [], []
    for catalogue, claim in zip(stars.catalogues, stars.claimed, strict=True):
        n = len(claim) * 3 // 100
        own = {key: np.concatenate([v, v[:n]]) for key, v in catalogue.items()}
        own["line"][-n:] += 17.0
        more.append(own)
        claimed.append(np.concatenate([claim, np.zeros(n, dtype=bool)]))
    wrong = replace(stars, catalogues=tuple(more), claimed=tuple(claimed))
    rows = score_detection(world, wrong)
    assert find_short(rows) == {"false detections"}
    assert rows[1].value == pytest.approx(3.2, abs=0.5)


def copy_products(good, tmp_path):
    """A directory of its own with the same files, to be spoilt."""
    out = tmp_path / "out"
    for path in good.rglob("*"):
        if path.is_file() and "stacks" not in path.parts:
            target = out / path.relative_to(good)
            target.parent.mkdir(parents=True, exist_ok=True)
            target.write_bytes(path.read_bytes())
    (out / "products" / "stacks").mkdir()
    return out


def test_missing_products_fall_short_and_set_the_exit_code(good, tmp_path):
    """One strip's products are damaged: every row over strips falls short; exit code 1."""
    out = copy_products(good, tmp_path)
    folder = out / "products" / "strips" / NIGHTS[1] / "s1"
    for path in folder.iterdir():
        path.write_bytes(b"damaged")
    (out / "products" / "deep" / "r.parquet").write_bytes(b"damaged")
    code = main(out, tmp_path / "score.json")
    rows = {row["figure"]: row for row in json.loads((tmp_path / "score.json").read_text())}
    assert code == 1
    assert rows["bias+dark vector error"]["ok"] is True
    for figure in ("pull: line", "false detections", "rotation", "fluxes, bright stars: mag_psf"):
        assert rows[figure]["ok"] is False
        assert "s1" in rows[figure]["note"]
    assert rows["stack: bright stars not clipped"]["ok"] is False


def test_no_products_at_all(good, tmp_path):
    """Nothing reduced: nothing is ok, and nothing breaks."""
    out = tmp_path / "bare"
    for path in good.rglob("*"):
        if path.is_file() and "products" not in path.parts:
            target = out / path.relative_to(good)
            target.parent.mkdir(parents=True, exist_ok=True)
            target.write_bytes(path.read_bytes())
    code = main(out, tmp_path / "score.json")
    rows = json.loads((tmp_path / "score.json").read_text())
    assert code == 1
    assert {row["ok"] for row in rows if "no calibrated strip" not in row["note"]} == {False}


def test_no_truth_is_an_error_of_use(tmp_path, capsys):
    """Exit code 2 and a message instead of a table."""
    assert main(tmp_path, None) == 2
    assert "cannot judge" in capsys.readouterr().out


def rewrite_vector(path, key, function, **keywords):
    with fits.open(path, mode="update") as hdus:
        hdus[1].data[key] = function(hdus[1].data[key])
        hdus[1].header.update(keywords)


def test_broken_calibration_falls_short(good, tmp_path):
    """A tilt in the bias, a ripple in the response, a gain off by 2 per cent."""
    out = copy_products(good, tmp_path)
    ripple = np.sin(np.arange(N_COLUMNS) / 7.0)
    for night in NIGHTS:
        folder = out / "products" / "calibration" / night
        rewrite_vector(folder / "main_dark.fits", "total", lambda v: v + 0.15 * ripple)
        rewrite_vector(
            folder / "main_r_response.fits",
            "response",
            lambda v: v * (1.0 + 0.002 * ripple),
            GAIN_B=GAIN * 1.02,
        )
    assert find_short(score_calibration(read_world(out))) == {
        "bias+dark vector error",
        "column response error",
        "column response error, one night",
        "gain",
    }


def test_response_of_a_later_night_is_judged_against_its_own_truth(good, tmp_path):
    """After a change of response the old vector falls short, the new one does not."""
    out = copy_products(good, tmp_path)
    truth = out / "truth"
    detector = pq.read_table(truth / "detector.parquet").to_pydict()
    factor = 1.0 + 0.02 * np.sin(np.arange(N_COLUMNS) / 50.0)
    detector["response"] = np.array(detector["response"]) * factor
    write_table(truth / "detector_new.parquet", detector)
    scenario = json.loads((truth / "scenario.json").read_text())
    scenario["response_changes"] = [{"night": NIGHTS[2], "file": "detector_new.parquet"}]
    (truth / "scenario.json").write_text(json.dumps(scenario))
    figures = {"column response error", "column response error, one night"}
    assert find_short(score_calibration(read_world(out))) == figures
    path = out / "products" / "calibration" / NIGHTS[2] / "main_r_response.fits"
    rewrite_vector(path, "response", lambda v: v * factor)
    assert find_short(score_calibration(read_world(out))) == set()


def test_unreadable_products_fall_short(judged, good, tmp_path):
    """A damaged vector and a stack without its plane of epochs fail their rows, not the run."""
    out = copy_products(good, tmp_path)
    _, stars = judged
    folder = out / "products" / "calibration" / NIGHTS[0]
    for name in ("main_dark.fits", "main_r_response.fits"):
        (folder / name).write_bytes(b"no FITS file")
    fits.PrimaryHDU().writeto(out / "products" / "stacks" / "t0_r.fits")
    world = read_world(out)
    rows = [*score_calibration(world), score_stack(world, stars)[-1]]
    assert [row.ok for row in rows] == [False] * 6
    assert NIGHTS[0] in rows[0].note
    assert "EPOCHS" in rows[-1].note


def test_constant_bias_error_is_not_forgiven(good, tmp_path):
    """No constant is removed from the bias+dark vector."""
    out = copy_products(good, tmp_path)
    for night in NIGHTS:
        path = out / "products" / "calibration" / night / "main_dark.fits"
        rewrite_vector(path, "total", lambda v: v + 0.2)
    assert find_short(score_calibration(read_world(out))) == {"bias+dark vector error"}


def test_wrong_geometry_falls_short(judged, good, tmp_path):
    """Smear 5 per cent off, rotation 0.01 deg off, scale 2e-4 off."""
    out = copy_products(good, tmp_path)
    _, stars = judged
    for k, night in enumerate(NIGHTS):
        path = out / "products" / "strips" / night / f"s{k}" / "solution.json"
        solution = json.loads(path.read_text())
        solution["smear_table"]["ll"] = [1.05 * v for v in solution["smear_table"]["ll"]]
        solution["parameters"]["rotation_deg"] += 0.01
        solution["parameters"]["pixel_scale_arcsec"] *= 1.0 + 2e-4
        path.write_text(json.dumps(solution))
    rows = score_smear(read_world(out), stars)
    assert [row.ok for row in rows] == [False, False, False]
    assert rows[0].value == pytest.approx(5.0, rel=0.05)


def test_shallow_biased_stack_falls_short(judged, good, tmp_path):
    """Noise of two nights instead of three, 5 mmag too faint, cores clipped."""
    out = copy_products(good, tmp_path)
    world, stars = judged
    path = out / "products" / "deep" / "r.parquet"
    deep = pq.read_table(path).to_pydict()
    mag = np.array(pq.read_table(world.science[0].folder / "s0_sources.parquet")["mag"])
    # Independent noise of half the variance on top of what the three nights have.
    extra = np.random.default_rng(7).normal(size=mag.size) * math.sqrt(0.5 / len(NIGHTS))
    clean_mag = np.array(deep["mag_psf"])
    deep["mag_psf"] = clean_mag + extra * (POGSON / stars.truth["sn"][: mag.size])
    deep["mag_aperture"] = np.array(deep["mag_aperture"]) + 0.005
    write_table(path, deep)
    epochs = np.full((N_LINES, N_COLUMNS), len(NIGHTS), dtype=np.int16)
    t = stars.truth
    for line, column in zip(t["line"][t["sn"] > 400], t["column"][t["sn"] > 400], strict=True):
        epochs[round(line), round(column)] -= 1
    fits.HDUList(
        [fits.PrimaryHDU(), fits.ImageHDU(epochs, make_wcs().to_header(), name="EPOCHS")]
    ).writeto(out / "products" / "stacks" / "t0_r.fits")
    rows = score_stack(read_world(out), stars)
    assert find_short(rows) == {
        "stack: depth gain minus the expected gain",
        "stack: flux bias of bright stars, mag_aperture",
        "stack: bright stars not clipped",
    }
    # Noise up by sqrt(1.5): 2.5 log10 sqrt(1.5) = 0.220 mag lost.
    assert rows[0].value == pytest.approx(-0.220, abs=0.06)


def test_too_few_stars_are_not_measured(judged):
    """A scenario without clean stars decides nothing, and says so."""
    world, stars = judged
    none = replace(stars, truth={**stars.truth, "star": np.zeros_like(stars.truth["star"])})
    rows = [*score_positions(world, none), *score_fluxes(world, none), *score_pulls(world, none)]
    assert {row.ok for row in rows} == {None}
    assert all(row.note for row in rows)
