"""Column vectors of one night from raw lines: saturated twilight is left out, and said."""

from pathlib import Path

import numpy as np
import pytest

from pipeline.config import load_config
from pipeline.errors import CalibrationError
from pipeline.io.provenance import make_provenance
from pipeline.io.tables import read_table_meta
from pipeline.stages.colstats import settle_overscan, summarise_columns
from pipeline.stages.response import fit_response
from pipeline.strip import Amplifier, Segment, Strip
from pipeline.tasks.night import make_vectors
from pipeline.tasks.night_products import make_remark_cards, write_night_vectors
from pipeline.tasks.options import make_options

CONFIG = load_config(Path(__file__).parents[2] / "configs" / "saltpan-ridge.toml")
OPTIONS = make_options(CONFIG)
W, N_STAGE, TAU, N_BINS = 128, 256, 0.05, 24
GAIN, NOISE, OFFSET, TOP = 2.0, 6.0, 1000.0, 60000
AMPLIFIERS = tuple(
    Amplifier(name, (64 * k, 64 * k + 64), (W + 16 * k, W + 16 * k + 16), (64 * k, 64 * k + 64),
              reversed=False, gain=GAIN, read_noise=NOISE, saturation=float(TOP))
    for k, name in enumerate("AB")
)  # fmt: skip
X = np.linspace(-1.0, 1.0, W)


def strip_of(name, *, shutter_open=True, n_bins=N_BINS):
    return Strip(
        name=name, night="2025-03-02", chip="1", filter="r", shutter_open=shutter_open,
        mjd_start=60737.1, line_period=TAU, n_lines=256 * n_bins, n_columns=W,
        n_raw_columns=W + 32, n_stage=N_STAGE, amplifiers=AMPLIFIERS,
        segments=(Segment(f"/nowhere/{name}.fits", 1, 0, 256 * n_bins),),
    )  # fmt: skip


def expose(rng, strip, response, bias, sky):
    """Raw lines of a sky (electrons a line of full integration), clipped where the camera is."""
    rows = np.minimum(np.arange(strip.n_lines), N_STAGE)[:, None]
    light = rng.poisson(np.maximum(response * sky[:, None] * rows / N_STAGE + rows * TAU * 0.05, 0))
    read = NOISE * rng.standard_normal((strip.n_lines, W + 32))
    adu = OFFSET + read / GAIN
    adu[:, :W] += (light + bias) / GAIN
    raw = np.clip(np.rint(adu), 0, TOP).astype(np.uint16)
    missing = np.zeros(strip.n_lines, dtype=bool)
    summary = summarise_columns(raw, missing, 0, AMPLIFIERS, options=OPTIONS.summary)
    return settle_overscan(summary, AMPLIFIERS, options=OPTIONS.summary.overscan)


def make_night(*, twilight, floor=400.0, moon=700.0, side=0.0, leak=0.0):
    """A dawn that saturates the chip (or none), the moon, and a strip with the shutter closed.

    In the last third of the night the moon may shine on one `side`; the shutter may `leak`.
    """
    rng = np.random.default_rng(5)
    f = 1.0 + 0.03 * np.cos(3.0 * X) + 0.01 * rng.standard_normal(W)
    f, bias = f / f.mean(), 2.0 * rng.standard_normal(W)
    science, closed = strip_of("s01"), strip_of("s02", shutter_open=False, n_bins=8)
    line = np.arange(science.n_lines)
    sky = floor + moon * np.sin(0.5 * np.pi * line / science.n_lines) ** 2
    sky += twilight * np.exp((line - science.n_lines) / 1000.0)
    late = np.where(line > 0.67 * science.n_lines, side, 0.0)
    summaries = {
        "s01": expose(rng, science, f * (1.0 + late[:, None] * X), bias, sky),
        "s02": expose(rng, closed, f, bias, leak * np.linspace(0.2, 1.0, closed.n_lines)),
    }
    return science, closed, summaries, f


@pytest.fixture(scope="module")
def nights():
    """The same night without a dawn and with one that saturates."""
    made = {}
    for name, twilight in (("dark", 0.0), ("bright", 2.5e5)):
        science, closed, summaries, f = make_night(twilight=twilight)
        vectors = make_vectors([science], [closed], summaries, options=OPTIONS)
        made[name] = (science, summaries, vectors, f)
    return made


def test_saturated_twilight_changes_no_response(nights):
    *_, dark, f = nights["dark"]
    strip, summaries, bright, _ = nights["bright"]
    one, two = dark.response, bright.response
    for found in (one, two):
        pull = (found.value - f) / found.error
        assert np.std(pull) == pytest.approx(1.0, abs=0.2)
        assert np.abs(pull).max() < 4.5
    # What is left of the dawn is light that the other night lacks.
    assert (two.error <= one.error).all()
    assert np.std((two.value - one.value) / np.hypot(one.error, two.error)) < 1.2
    # With the saturated bins in it, the response would be wrong by many of its errors: the test
    # can fail.
    bent = fit_response(
        [summaries["s01"]], bright.dark, line_periods=[TAU], n_stage=strip.n_stage,
        options=OPTIONS.response,
    )  # fmt: skip
    assert np.std((bent.value - f) / two.error) > 10.0


def test_saturated_twilight_is_said_and_recorded(nights, tmp_path):
    assert not any("saturation" in p for p in nights["dark"][2].problems)
    strip, summaries, vectors, _ = nights["bright"]
    (text,) = [p for p in vectors.problems if "saturation" in p]
    assert text.startswith("s01: ")
    assert "bins near saturation (twilight?) are left out of the response" in text
    number = int(text.split()[1])
    full = np.median(summaries["s01"].level, axis=1) > 0.95 * (TOP - OFFSET) * GAIN
    assert full.sum() <= number <= full.sum() + 3
    write_night_vectors(
        CONFIG, tmp_path, strip, vectors, provenance=make_provenance(CONFIG, inputs=[])
    )
    folder = tmp_path / "calibration" / strip.night
    for suffix in ("fits", "parquet"):
        meta, _ = read_table_meta(folder / f"1_r_response.{suffix}")
        remarks = [v for k, v in meta.items() if k.startswith("REMARK")]
        assert [t for t in remarks if "saturation" in t] == [text]
        meta, _ = read_table_meta(folder / f"1_dark.{suffix}")
        assert not any("saturation" in str(v) for k, v in meta.items() if k.startswith("REMARK"))


def test_a_night_of_nothing_but_saturated_twilight_says_why():
    science, closed, summaries, _ = make_night(twilight=0.0, floor=2e5)
    with pytest.raises(CalibrationError, match=r"at least 3 bins.*s01: 24 of 24 bins near satur"):
        make_vectors([science], [closed], summaries, options=OPTIONS)


def test_more_remarks_than_keywords_can_count():
    """A season of 150 nights may have a remark of each."""
    cards = make_remark_cards([f"night {n}" for n in range(150)])
    assert len(cards) == 99
    assert max(len(k) for k in cards) == 8
    assert cards["REMARK98"] == ("night 97", "")
    assert cards["REMARK99"][0].startswith("and 52 more")


def record(folder, science, closed, summaries):
    """Vectors of a night, and the remarks of its dark and response as they are on disk."""
    vectors = make_vectors([science], [closed], summaries, options=OPTIONS)
    provenance = make_provenance(CONFIG, inputs=[])
    write_night_vectors(CONFIG, folder, science, vectors, provenance=provenance)
    found = []
    for name in ("1_dark", "1_r_response"):
        meta, _ = read_table_meta(folder / "calibration" / science.night / f"{name}.fits")
        found.append("\n".join(str(v) for k, v in meta.items() if k.startswith("REMARK")))
        if name == "1_r_response":
            found.append(meta["CHOICE"])
    return vectors, *found


def test_too_little_sky_range_is_said_and_recorded(tmp_path):
    science, closed, summaries, f = make_night(twilight=0.0, moon=0.0)
    vectors, _, response, choice = record(tmp_path, science, closed, summaries)
    assert choice == "ratio"
    assert "the sky level ranges only from" in response
    assert "the response is a ratio of levels" in response
    pull = (vectors.response.value - f) / vectors.response.error
    assert np.std(pull) == pytest.approx(1.0, abs=0.35)


def test_moonlight_on_one_side_is_said_and_recorded_and_bends_nothing(tmp_path):
    science, closed, summaries, f = make_night(twilight=0.0, side=0.03)
    vectors, _, response, _ = record(tmp_path, science, closed, summaries)
    assert "the sky is up to 3." in response or "the sky is up to 2.9" in response
    assert "moonlight or twilight on one side" in response
    pull = (vectors.response.value - f) / vectors.response.error
    assert np.std(pull) == pytest.approx(1.0, abs=0.3)
    science, closed, summaries, _ = make_night(twilight=0.0)
    assert "on one side" not in record(tmp_path, science, closed, summaries)[2]


def test_light_in_a_closed_strip_is_said_and_recorded(tmp_path):
    science, closed, summaries, _ = make_night(twilight=0.0, leak=60.0)
    vectors, dark, response, _ = record(tmp_path, science, closed, summaries)
    assert vectors.dark_problems
    for text in (dark, response):
        assert "the level of a shutter-closed strip wanders" in text
