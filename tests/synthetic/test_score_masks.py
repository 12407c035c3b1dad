"""Made-up masks against made-up truth: each kind of mistake is counted in its own row."""

import json

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from astropy.io import fits

from synthetic.score_masks import score_masks
from synthetic.score_season import score_season
from synthetic.score_stars import gather_stars
from synthetic.score_world import read_world

LINES, COLUMNS, N_STAGE, SKY = 4096, 256, 128, 400.0
NIGHTS = ("2031-03-01", "2031-03-02")
BITS = {
    "DEAD": 1, "HOT": 2, "NOISY": 4, "NONLINEAR": 8, "SATURATED": 16, "BLEED": 32,
    "COSMIC_RAY": 64, "TRAIL": 128, "TRAP": 1024,
}  # fmt: skip
BAD = {7: "dead", 30: "hot", 60: "noisy", 90: "bent", 120: "trap", 200: "hot"}
REASONS = {7: "DEAD", 30: "HOT", 60: "NOISY", 90: "NONLINEAR", 120: "TRAP", 200: ""}
RAYS = "cosmic-ray pixels above 10 sigma that are masked"
FALSE_PIXELS = "good pixels masked as cosmic rays"
FALSE_STARS = "stars of S/N > 10 hit by a false cosmic ray"
TRAILS = "pixels of satellite trails above 3 sigma of the sky that are masked"
FALSE_TRAILS = "good pixels masked as a trail"
BLEEDS = "saturated and bled pixels that are masked"
REASON = "bad columns masked with their reason"
GOOD = "good columns masked"


def write_table(path, columns):
    path.parent.mkdir(parents=True, exist_ok=True)
    pq.write_table(pa.table(columns), path)


def place_bits(header):
    for name, value in BITS.items():
        header[f"BIT{value.bit_length() - 1}"] = f"{name}: in words"


def write_truth(out):
    """One strip a night with rays, a trail and a bleed; a second response from the second night."""
    rng = np.random.default_rng(5)
    truth = out / "truth"
    truth.mkdir(parents=True)
    strips = [
        {
            "strip": f"s{k}", "night": night, "shutter_open": True, "n_lines": LINES,
            "filter": "r", "mjd_start": 63000.0 + k,
        }
        for k, night in enumerate(NIGHTS)
    ]  # fmt: skip
    scenario = {
        "pixel_scale_arcsec": 0.55, "line_period": 0.05, "beta": 3.5, "strips": strips,
        "full_well_e": 1e5, "bent_loss": 0.3, "bent_level": 1000.0,
        "response_changes": [{"night": NIGHTS[1], "file": "detector_2.parquet"}],
    }  # fmt: skip
    (truth / "scenario.json").write_text(json.dumps(scenario))
    amplifier = {"name": "A", "gain": 1.8, "read_noise": 6.0, "saturation": 60000.0}
    (truth / "amplifiers.json").write_text(json.dumps([amplifier]))
    (out / "observatory.toml").write_text(
        f"[camera]\nn_stage = {N_STAGE}\n[[camera.amplifier]]\nname = 'A'\n"
        f"chip = [0, {COLUMNS}]\noverscan = [{COLUMNS}, {COLUMNS + 16}]\n"
    )
    dark = np.full(COLUMNS, 0.05)
    dark[30], dark[200] = 40.0, 5.0  # 256 and 32 electrons an integration
    detector = {
        "column": np.arange(COLUMNS), "response": np.ones(COLUMNS), "dark": dark,
        "bias": np.zeros(COLUMNS), "scattered": np.zeros(COLUMNS),
        "bad": [BAD.get(c, "") for c in range(COLUMNS)],
    }  # fmt: skip
    write_table(truth / "detector.parquet", detector)
    changed = 1.0 + 0.02 * np.sin(np.arange(COLUMNS) / 20.0)
    write_table(truth / "detector_2.parquet", {**detector, "response": changed})
    n = 400
    line, column = rng.uniform(300, LINES - 40, n), rng.uniform(130, 190, n)
    ones = np.ones(n)
    sources = {
        "star_id": np.arange(n), "line": line, "column": column, "flux": 5000.0 * ones,
        "flux_t0": 5000.0 * ones, "transparency": ones, "mag": 18.0 * ones,
        "mjd_mid": 63000.0 * ones, "exposure": 6.4 * ones, "mom_ll": 0.1 * ones,
        "mom_lc": 0.0 * ones, "mom_cc": 0.01 * ones, "fwhm": 2.7 * ones,
        "complete": ones.astype(bool), "ra": 60.0 * ones, "dec": -46.0 * ones,
    }  # fmt: skip
    write_table(
        truth / "stars.parquet",
        {"star_id": np.arange(n), "mag": 18.0 * ones, "kind": ["star"] * n},
    )
    # The first night's sky doubles and doubles again: there a bent column shows.
    skies = (SKY * np.linspace(1.0, 4.0, LINES), np.full(LINES, SKY))
    rays = np.column_stack([rng.integers(300, LINES, 600), rng.integers(210, 250, 600)])
    trail = np.column_stack([np.arange(500, 900), np.full(400, 20)])
    bleed = np.column_stack([np.arange(2000, 2120), np.full(120, 100)])
    for k, sky in enumerate(skies):
        write_table(truth / f"s{k}_sources.parquet", sources)
        flat = np.ones(LINES)
        write_table(
            truth / f"s{k}_lines.parquet",
            {
                "line": np.arange(LINES), "sky": sky, "transparency": flat, "fwhm": 2.7 * flat,
                "scattered": 0.0 * flat,
            },
        )  # fmt: skip
        np.savez(
            truth / f"s{k}_artefacts.npz", cosmic=np.unique(rays, axis=0),
            cosmic_e=np.full(len(np.unique(rays, axis=0)), 2000.0), trail=trail,
            trail_e=np.full(400, 600.0), bleed=bleed,
        )  # fmt: skip
    return np.unique(rays, axis=0), trail, bleed, sources


def write_masks(out, masks, columns):
    """Calibrated strips in two files each, and response vectors."""
    for k, night in enumerate(NIGHTS):
        folder = out / "products" / "strips" / night / f"s{k}"
        folder.mkdir(parents=True, exist_ok=True)
        for number, start in enumerate((0, 2048), start=1):
            rows = slice(start, start + 2048)
            primary = fits.PrimaryHDU()
            primary.header["LINE0"] = start
            image = np.zeros((2048, COLUMNS), np.float32)
            hdu = fits.ImageHDU(masks[k][rows], name="MASK")
            place_bits(hdu.header)
            fits.HDUList(
                [primary, fits.ImageHDU(image, name="IMAGE"), fits.ImageHDU(image, name="SKY"), hdu]
            ).writeto(folder / f"calibrated-{number:04d}.fits", overwrite=True)
        folder = out / "products" / "calibration" / night
        folder.mkdir(parents=True, exist_ok=True)
        truth = pq.read_table(out / "truth" / ("detector.parquet", "detector_2.parquet")[k])
        table = fits.BinTableHDU.from_columns(
            [
                fits.Column("column", "J", array=np.arange(COLUMNS)),
                fits.Column("response", "D", array=truth["response"].to_numpy()),
                fits.Column("mask", "J", array=columns[k]),
            ]
        )
        place_bits(table.header)
        table.writeto(folder / "1_r_response.fits", overwrite=True)


@pytest.fixture
def made(tmp_path):
    rays, trail, bleed, sources = write_truth(tmp_path)
    mask = np.zeros((LINES, COLUMNS), dtype=np.uint16)
    for place, name in ((rays, "COSMIC_RAY"), (trail, "TRAIL"), (bleed, "BLEED")):
        mask[place[:, 0], place[:, 1]] |= np.uint16(BITS[name])
    columns = np.zeros(COLUMNS, dtype=np.int32)
    for column, name in REASONS.items():
        columns[column] = BITS.get(name, 0)
    return tmp_path, [mask, mask.copy()], [columns, columns.copy()], rays, sources


def judge(out, masks, columns):
    write_masks(out, masks, columns)
    world = read_world(out)
    return {row.figure: row for row in score_masks(world, gather_stars(world))}


def test_faultless_masks_are_ok(made):
    """All rows but that of stars, of which 800 cannot prove a thousandth."""
    out, masks, columns, rays, _ = made
    rows = judge(out, masks, columns)
    assert {f for f, row in rows.items() if row.ok is not True} == {FALSE_STARS}
    assert rows[RAYS].n == 2 * len(rays)
    assert {rows[f].value for f in (RAYS, TRAILS, BLEEDS, REASON)} == {100.0}
    # The second night's sky is steady: a bent column cannot show there.
    assert rows[REASON].n == 9


def test_missed_pixels_are_counted(made):
    """A tenth of the rays and half of the trail not masked."""
    out, masks, columns, rays, _ = made
    lost = rays[::10]
    masks[0][lost[:, 0], lost[:, 1]] = 0
    masks[1][500:900, 20] = 0
    rows = judge(out, masks, columns)
    assert rows[RAYS].value == pytest.approx(100.0 * (1.0 - len(lost) / (2 * len(rays))))
    assert rows[RAYS].ok is False
    assert rows[TRAILS].value == pytest.approx(50.0)
    assert rows[TRAILS].ok is False
    assert rows[FALSE_PIXELS].ok is True


def test_false_alarms_are_counted(made):
    """Two hundred pixels beside hits count as pixels; alarms on stars harm these as well."""
    out, masks, columns, rays, sources = made
    masks[0][rays[:200, 0], rays[:200, 1] - 1] |= np.uint16(BITS["COSMIC_RAY"])
    line = np.rint(sources["line"][:40]).astype(int)
    column = np.rint(sources["column"][:40]).astype(int)
    masks[1][line, column] |= np.uint16(BITS["COSMIC_RAY"])
    masks[1][3000:3300, 128] |= np.uint16(BITS["TRAIL"])
    rows = judge(out, masks, columns)
    assert rows[FALSE_PIXELS].value == pytest.approx(100.0 * 240 / (2 * LINES * COLUMNS), rel=0.05)
    assert rows[FALSE_PIXELS].ok is False
    # Neighbours within a full width are harmed too.
    assert 40 <= round(rows[FALSE_STARS].value * rows[FALSE_STARS].n / 100.0) < 60
    assert rows[FALSE_STARS].ok is False
    assert rows[FALSE_TRAILS].value == pytest.approx(100.0 * 300 / (2 * LINES * COLUMNS))
    assert rows[FALSE_TRAILS].ok is False


def test_wrong_reasons_and_good_columns_are_counted(made):
    """A noisy column called hot is missed; a good column that is masked is an alarm."""
    out, masks, columns, _, _ = made
    columns[0][60] = BITS["HOT"]
    columns[1][[140, 141]] = BITS["TRAP"]
    rows = judge(out, masks, columns)
    assert rows[REASON].value == pytest.approx(100.0 * 8 / 9)
    assert "noisy column 60 masked for another reason" in rows[REASON].note
    assert rows[GOOD].value == pytest.approx(100.0 * 2 / (2 * (COLUMNS - len(BAD))))
    assert "TRAP 2" in rows[GOOD].note
    assert rows[GOOD].ok is False


def test_strips_without_masks_are_not_measured(made):
    out, masks, columns, _, _ = made
    write_masks(out, masks, columns)
    for path in (out / "products").rglob("calibrated-*.fits"):
        path.unlink()
    world = read_world(out)
    rows = {row.figure: row for row in score_masks(world, gather_stars(world))}
    assert {rows[f].ok for f in (RAYS, FALSE_PIXELS, FALSE_STARS, TRAILS, BLEEDS)} == {None}
    assert "products.calibrated_strips" in rows[RAYS].note
    assert rows[REASON].ok is True


def write_register(out, begins):
    folder = out / "products" / "calibration"
    lines = []
    for k, first in enumerate(begins):
        last = begins[k + 1] if k + 1 < len(begins) else NIGHTS[-1]
        night = NIGHTS[0] if k == 0 and len(begins) > 1 else NIGHTS[-1]
        last = night if len(begins) > 1 else last
        lines += [
            "[[calibration]]", f'id = "r{k}"', 'kind = "response"', 'chip = "1"', 'filter = "r"',
            f'valid_from = "{first}"', f'valid_to = "{last}"',
            f'file = "{night}/1_r_response.fits"',
        ]  # fmt: skip
    (folder / "register.toml").write_text("\n".join(lines) + "\n")
    return {row.figure: row for row in score_season(read_world(out))}


def test_changes_of_response_are_judged_by_night(made):
    """Found, missed, and no register at all."""
    out, masks, columns, _, _ = made
    write_masks(out, masks, columns)
    rows = score_season(read_world(out))
    assert {row.ok for row in rows} == {None}
    found = write_register(out, NIGHTS)
    assert {row.ok for row in found.values()} == {True}
    missed = write_register(out, NIGHTS[:1])
    assert {row.ok for row in missed.values()} == {False}
    changes = missed["response changes missed or invented"]
    assert changes.value == 1
    assert f"missed: {NIGHTS[1]} r" in changes.note
    (out / "products" / "calibration" / "register.toml").write_text("[[calibration]\n")
    assert {row.ok for row in score_season(read_world(out))} == {False}
