"""A season from summary files alone: register, products, and every kind of bad input."""

import re
import shutil
import sys
import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits
from typer.testing import CliRunner

from pipeline.cli import app
from pipeline.config import load_config
from pipeline.errors import CalibrationError
from pipeline.io.cards import make_header
from pipeline.io.provenance import checksum_file, make_provenance
from pipeline.io.register import read_register, write_register
from pipeline.io.summary_files import read_summary, summary_path, write_summary
from pipeline.io.tables import read_table, read_table_meta
from pipeline.season import make_season
from pipeline.stages.colstats import ColumnSummary
from pipeline.stages.overscan import OverscanLevels, keep_of_variance
from pipeline.stages.transfer import AmplifierTransfer
from pipeline.strip import Amplifier, Segment, Strip
from pipeline.tasks.night_products import make_transfer_cards, write_night_vectors
from pipeline.tasks.options import make_options
from pipeline.tasks.season_nights import make_season_night
from pipeline.tasks.season_vectors import choose_vectors, to_summary

W, N_STAGE, TAU, N_BINS = 128, 256, 0.05, 16
GAIN, READ, OFFSET = 2.0, 6.0, 1000.0
AMPLIFIERS = tuple(
    Amplifier(name, (64 * k, 64 * k + 64), (128 + 8 * k, 136 + 8 * k), (64 * k, 64 * k + 64),
              reversed=False, gain=GAIN, read_noise=READ, saturation=60000.0)
    for k, name in enumerate("AB")
)  # fmt: skip
CONFIG = f"""
[observatory]
name = "Nowhere (invented)"
latitude = -46.2
longitude = -71.3
height = 1120.0
[camera]
pixel_scale = 0.55
columns = {W}
n_stage = {N_STAGE}
[[camera.amplifier]]
name = "A"
data = [0, 64]
overscan = [128, 136]
chip = [0, 64]
gain = 2.0
read_noise = 6.0
saturation = 60000.0
[[camera.amplifier]]
name = "B"
data = [64, 128]
overscan = [136, 144]
chip = [64, 128]
gain = 2.0
read_noise = 6.0
saturation = 60000.0
[raw]
pattern = "*.fits*"
[raw.keywords]
start_time = "DATE-BEG"
line_period = "LINEPER"
filter = "FILTER"
shutter = "SHUTTER"
strip = "STRIP"
segment = "SEGMENT"
[reference]
path = "reference.fits"
[reference.columns]
ra = "ra"
dec = "dec"
[reference.magnitudes]
r = "mag_r"
[reference.options]
epoch = 2016.0
"""
X = np.linspace(-1.0, 1.0, W)
NIGHTS = ("2025-03-02", "2025-03-03", "2025-03-10", "2025-03-17", "2025-03-18", "2025-03-31")
CHANGED = "2025-03-17"


def chip(rng):
    f = 1.0 + 0.03 * np.cos(3.0 * X) + 0.01 * rng.standard_normal(W)
    bias = 2.0 * rng.standard_normal(W)
    dark = np.full(W, 0.02)
    return f / f.mean(), bias, dark


def cleaned(f):
    new = f * (1.0 + 0.02 * np.cos(2.0 * X + 1.0))
    new[80:86] *= 0.97
    return new / new.mean()


def strip_of(night, *, shutter_open=True, n_bins=N_BINS):
    name = f"{night}_s01" if shutter_open else f"{night}_s02"
    return Strip(
        name=name, night=night, chip="1", filter="r", shutter_open=shutter_open,
        mjd_start=60737.1, line_period=TAU, n_lines=256 * n_bins, n_columns=W, n_raw_columns=144,
        n_stage=N_STAGE, amplifiers=AMPLIFIERS,
        segments=(Segment(f"/nowhere/{name}.fits", 1, 0, 256 * n_bins),),
    )  # fmt: skip


def summarise(rng, signal, bias, dark):
    """What `summarise_columns` would have found, drawn from its statistics."""
    n_bins = signal.shape[0]
    rows = np.minimum(256.0 * np.arange(n_bins) + 127.5, N_STAGE)
    charge = signal * (rows / N_STAGE)[:, None] + (rows * TAU)[:, None] * dark
    variance = charge + READ**2 + GAIN**2 / 12.0
    count = np.full(charge.shape, 255.0)
    keep = keep_of_variance(3.0)
    level = bias + charge + rng.standard_normal(charge.shape) * np.sqrt(variance / count / keep)
    noise = variance * (1.0 + np.sqrt(3.0 / count) * rng.standard_normal(charge.shape))
    n_sub = n_bins * 8
    overscan = OverscanLevels(
        0, n_bins * 256, np.full((n_sub, 2), OFFSET), np.full((n_sub, 2), 0.1),
        np.full((n_sub, 2), (READ / GAIN) ** 2), np.full((n_sub, 2), 224, np.int32),
    )  # fmt: skip
    return ColumnSummary(
        0, n_bins * 256, 256.0 * np.arange(n_bins) + 127.5, np.full(n_bins, 256, np.int32),
        level.astype("f4"), np.sqrt(noise / count / keep).astype("f4"), noise.astype("f4"),
        count.astype(np.int16), overscan, settled=True,
    )  # fmt: skip


def make_sky(rng, *, low=300.0, high=1500.0):
    turn = (np.arange(N_BINS) + 0.5) / N_BINS
    return (low + (high - low) * np.exp(-turn / 0.25)) * rng.uniform(0.8, 1.2)


def keep(config, out, strip, summary):
    provenance = make_provenance(config, inputs=[(f"{strip.name}.fits", "datasum:1:2")])
    return write_summary(summary_path(out, strip), summary, strip, clip=3.0, provenance=provenance)


def configure(folder):
    path = folder / "observatory.toml"
    path.write_text(CONFIG, encoding="utf-8")
    return load_config(path)


@pytest.fixture
def config(tmp_path):
    return configure(tmp_path)


class World:
    """An invented season on disk: summaries and nothing else."""

    def __init__(self, config, out, seed=1):
        self.config, self.out = config, out
        self.rng = np.random.default_rng(seed)
        self.f, self.bias, self.dark = chip(self.rng)
        self.biases = {}

    def response(self, night):
        return self.f if night < CHANGED else cleaned(self.f)

    def add(self, night, *, sky=None, shape=1.0, closed=True, leak=0.0, ceiling=np.inf):
        sky = make_sky(self.rng) if sky is None else sky
        bias = self.bias + 0.3 * self.rng.standard_normal(W)  # bias is a matter of the night
        strip = strip_of(night)
        light = np.minimum(self.response(night) * sky[:, None] * shape, ceiling)
        keep(self.config, self.out, strip, summarise(self.rng, light, bias, self.dark))
        if closed:
            strip = strip_of(night, shutter_open=False, n_bins=6)
            light = leak * np.linspace(0.2, 1.0, 6)[:, None] * np.ones(W)
            keep(self.config, self.out, strip, summarise(self.rng, light, bias, self.dark))
        self.biases[night] = bias

    def total(self, night):
        """Bias and dark of a full integration."""
        return self.biases[night] + N_STAGE * TAU * self.dark


@pytest.fixture
def world(config, tmp_path):
    return World(config, tmp_path / "products")


@pytest.fixture(scope="module")
def six_nights(tmp_path_factory):
    """Summaries of a season, and what was made of them once."""
    folder = tmp_path_factory.mktemp("six")
    world = World(configure(folder), folder / "products")
    for night in NIGHTS:
        world.add(night)
    return world, make_season(world.config, world.out)


@pytest.fixture
def made(six_nights, tmp_path):
    """A copy of that season with its calibrations."""
    kept, _ = six_nights
    world = World(configure(tmp_path), tmp_path / "products", seed=2)
    world.f, world.bias, world.dark, world.biases = kept.f, kept.bias, kept.dark, dict(kept.biases)
    shutil.copytree(kept.out, world.out)
    return world


@pytest.fixture
def season(made):
    """A copy of that season without its calibrations."""
    shutil.rmtree(made.out / "calibration")
    return made


def register_of(world):
    return world.out / "calibration" / "register.toml"


def remarks(out, kind="response", night=None):
    register = read_register(out / "calibration" / "register.toml")
    return "\n".join(
        text for e in register.entries
        if e.kind == kind and (night is None or e.covers(night)) for text in e.remarks
    )  # fmt: skip


def test_intervals_products_and_register(six_nights):
    season, made = six_nights
    assert [(r.valid_from, r.valid_to, r.n_nights) for r in made.intervals] == [
        (NIGHTS[0], NIGHTS[2], 3), (NIGHTS[3], NIGHTS[5], 3),
    ]  # fmt: skip
    assert made.failures == []
    assert made.intervals[0].change == ""
    assert "smooth change" in made.intervals[1].change
    columns = re.search(r"local change: columns (\d+)-(\d+) by -[12]", made.intervals[1].change)
    assert abs(int(columns[1]) - 80) <= 3
    assert abs(int(columns[2]) - 85) <= 3
    assert made.n_darks == 6
    register = read_register(made.register)
    assert len(register.entries) == 8
    for night in NIGHTS:
        entry = register.choose("response", "1", "r", night)
        path = register.open(entry)
        table = read_table(path)
        truth = season.response(night)
        miss = table["response"] - truth
        miss -= np.polyval(np.polyfit(X, miss, 1), X)
        assert np.std(miss / table["response_err"]) == pytest.approx(1.0, abs=0.25)
        assert np.std(miss) < 0.001
        meta, provenance = read_table_meta(path)
        assert meta["VALIDBEG"] <= night <= meta["VALIDEND"]
        assert meta["CALID"] == entry.id
        assert meta["NNIGHTS"] == 3
        assert meta["GAIN_A"] == pytest.approx(GAIN, rel=0.05)
        assert len(provenance.inputs) == 6
        assert all(c.startswith("sha256:") for _, c in provenance.inputs)
        dark = read_table(register.open(register.choose("dark", "1", "", night)))
        pull = (dark["total"] - season.total(night)) / dark["total_err"]
        assert np.std(pull) == pytest.approx(1.0, abs=0.2)
    nights = read_table(season.out / "calibration" / "season" / "1_r_nights.parquet")
    assert sorted(set(nights["night"])) == sorted(NIGHTS)
    assert made.picture.read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"


def test_the_register_is_short_toml_that_a_human_reads(six_nights):
    season, made = six_nights
    text = made.register.read_text(encoding="utf-8")
    tables = tomllib.loads(text)["calibration"]
    assert {t["kind"] for t in tables} == {"dark", "response"}
    assert "response changed between 2025-03-10 and 2025-03-17" in text
    assert len(text) < 20000
    assert str(season.out) not in text


def test_no_raw_file_is_opened(season, tmp_path):
    """The raw files of the summaries exist nowhere, and nothing but summaries is read from OUT."""
    opened = []
    watching = True

    def watch(event, arguments):
        if watching and event == "open" and isinstance(arguments[0], str | Path):
            opened.append((str(arguments[0]), str(arguments[1])))

    sys.addaudithook(watch)
    try:
        made = make_season(season.config, season.out)
    finally:
        watching = False
    inside = {n for n, mode in opened if n.startswith(str(tmp_path)) and n.endswith(".fits")}
    before = {n for n in inside if "/summaries/" in n}
    assert len(before) == made.n_summaries == 12
    assert all("/calibration/season/" in n for n in inside - before)
    size = sum(p.stat().st_size for p in (season.out / "summaries").glob("*/*.fits"))
    assert made.n_bytes == size


def test_making_it_again_changes_no_file(made):
    path = register_of(made)
    kept = {p: p.read_bytes() for p in path.parent.rglob("*.fits")}
    register = read_register(path)
    again = make_season(made.config, made.out)
    assert {p: p.read_bytes() for p in kept if "nights" not in p.name} == {
        p: b for p, b in kept.items() if "nights" not in p.name
    }
    assert read_register(again.register).entries == register.entries


def test_a_new_night_makes_only_its_interval_anew(made):
    path = register_of(made)
    before = {e.id: e.checksum for e in read_register(path).entries}
    made.add("2025-04-02")
    again = make_season(made.config, made.out)
    after = {e.id: e.checksum for e in read_register(again.register).entries}
    changed = {name for name in before if after[name] != before[name]}
    assert changed == {"1_r_2025-03-17_response"}
    assert set(after) - set(before) == {"1_2025-04-02_dark"}
    assert [r.valid_to for r in again.intervals] == ["2025-03-10", "2025-04-02"]


def test_what_was_added_or_marked_by_hand_stays(made):
    path = register_of(made)
    register = read_register(path)
    mine = register.entries[-1].model_copy(update={"id": "by_hand", "file": "mine/flat.fits"})
    marked = register.entries[-1].model_copy(update={"preferred": True})
    write_register(path, [*register.entries[:-1], marked, mine])
    again = make_season(made.config, made.out)
    after = read_register(again.register)
    assert {"by_hand", marked.id} <= {e.id for e in after.entries}
    assert next(e for e in after.entries if e.id == marked.id).preferred
    assert any(f"by_hand both claim {CHANGED}" in p or "by_hand both claim" in p
               for p in again.problems)  # fmt: skip
    assert (path.parent / "register-previous.toml").exists()


def test_a_validity_widened_by_hand_survives_the_season(made, tmp_path):
    """Kept, said in the run and the register, used for its nights, recorded in their product."""
    path = register_of(made)
    register = read_register(path)
    changes = {"1_r_2025-03-02_response": "2025-03-14", "1_2025-03-10_dark": "2025-03-14"}
    write_register(
        path,
        [
            e.model_copy(update={"valid_to": changes[e.id]}) if e.id in changes else e
            for e in register.entries
        ],
    )
    again = make_season(made.config, made.out)
    after = {e.id: e for e in read_register(path).entries}
    untouched = {e.id: e for e in register.entries if e.id not in changes}
    assert {n: after[n] for n in untouched} == untouched
    for name in changes:
        old, kept = register_entry(register, name), after[name]
        assert (kept.valid_from, kept.valid_to) == (old.valid_from, "2025-03-14")
        assert (kept.computed_from, kept.computed_to) == (old.valid_from, old.valid_to)
        # The calibration itself did not change: nothing that was reduced with it is outdated.
        assert (kept.checksum, kept.made) == (old.checksum, old.made)
        said = (
            f"set by hand: {old.valid_from} to 2025-03-14 is kept, the season found "
            f"{old.valid_from} to {old.valid_to}"
        )
        assert kept.remarks == (*old.remarks, said)
        assert f"{name}: {said}" in again.problems
    # A night in between is reduced with it, and its product tells that a hand said so.
    strip, summaries = load(made, NIGHTS[2])
    other = replace(strip, night="2025-03-13")
    vectors, chosen = choose_vectors(
        made.config, made.out, [other], {other.name: summaries[strip.name]},
        make_options(made.config),
    )  # fmt: skip
    assert [c.split()[0] for c in chosen] == ["1_2025-03-10_dark", "1_r_2025-03-02_response"]
    write_night_vectors(
        made.config, tmp_path / "new", other, vectors,
        provenance=make_provenance(made.config, inputs=[]),
    )  # fmt: skip
    for product, name in (("1_dark", chosen[0]), ("1_r_response", chosen[1])):
        file = tmp_path / "new" / "calibration" / "2025-03-13" / f"{product}.fits"
        cards, _ = read_table_meta(file)
        recorded = [str(v) for k, v in cards.items() if k.startswith("REMARK")]
        text = f"{name.split()[0]}: used for night 2025-03-13 beyond the nights it was made for"
        assert any(text in r and "set by hand" in r for r in recorded)
    own, _ = choose_vectors(made.config, made.out, [strip], summaries, make_options(made.config))
    assert not any("set by hand" in p for p in own.problems)


def register_entry(register, name):
    return next(e for e in register.entries if e.id == name)


def test_nights_that_a_narrowed_validity_leaves_out_are_named(made):
    path = register_of(made)
    entries = [
        e.model_copy(update={"valid_to": NIGHTS[1]}) if e.id == "1_r_2025-03-02_response" else e
        for e in read_register(path).entries
    ]
    write_register(path, entries)
    again = make_season(made.config, made.out)
    text = "set by hand: no response holds now for 2025-03-10, which it was made from"
    assert f"1_r_2025-03-02_response: {text}" in again.problems
    with pytest.raises(CalibrationError, match="night 2025-03-10: no response"):
        read_register(path).choose("response", "1", "r", NIGHTS[2])


def test_files_of_intervals_that_are_gone_go_too(made):
    path = register_of(made)
    gone = path.parent / "season" / "1_r_2025-03-17_response.fits"
    assert gone.exists()
    for night in NIGHTS[3:]:
        for path in (made.out / "summaries" / night).glob("*.fits"):
            path.unlink()
    make_season(made.config, made.out)
    assert not gone.exists()


# Bad input: each is found, said, and recorded in the product.


def test_too_little_sky_range(world):
    world.add(NIGHTS[0])
    world.add(NIGHTS[1], sky=np.full(N_BINS, 500.0))
    make_season(world.config, world.out)
    text = remarks(world.out)
    assert f"night {NIGHTS[1]}: the sky level ranges only from" in text
    path = next((world.out / "calibration" / "season").glob("*_response.fits"))
    assert "intercepts are held by bias and dark" in str(read_table_meta(path)[0]["REMARK1"])


def test_saturated_twilight(world):
    """Bins near saturation are left out; with them the response would be bent."""
    world.add(NIGHTS[0])
    sky = make_sky(world.rng)
    sky[2:5] = 2e5, 1.15e5, 4e4
    full = (60000.0 - OFFSET) * GAIN
    world.add(NIGHTS[1], sky=sky, ceiling=full)
    made = make_season(world.config, world.out)
    assert f"night {NIGHTS[1]}: {NIGHTS[1]}_s01: " in remarks(world.out)
    assert "bins near saturation (twilight?) are left out" in remarks(world.out)
    assert len(made.intervals) == 1
    table = read_table(next((world.out / "calibration" / "season").glob("*_response.fits")))
    miss = table["response"] - world.f
    miss -= np.polyval(np.polyfit(X, miss, 1), X)
    assert np.std(miss) < 0.001


def test_moonlight_on_one_side(world):
    """For part of the night it is fitted by bins; all night it is told from no response."""
    lit = np.zeros(N_BINS)
    lit[10:] = 0.03
    for night in NIGHTS[:3]:
        world.add(night)
    world.add("2025-03-11", shape=1.0 + lit[:, None] * X)
    world.add("2025-03-12", shape=1.0 + 0.03 * X)
    made = make_season(world.config, world.out)
    assert len(made.intervals) == 1
    text = remarks(world.out)
    assert "night 2025-03-11: the sky is up to 3." in text
    assert "moonlight or twilight on one side" in text
    assert "night 2025-03-12: its response slopes by +" in text
    table = read_table(next((world.out / "calibration" / "season").glob("*_response.fits")))
    assert np.std(table["response"] - world.f) < 0.001


def test_closed_strips_with_light(world):
    """The night gets the bias and dark of the others, and its own entry says so."""
    for night in NIGHTS[:2]:
        world.add(night)
    world.add(NIGHTS[2], leak=60.0)
    make_season(world.config, world.out)
    text = remarks(world.out, "dark", NIGHTS[2])
    assert "the level of a shutter-closed strip wanders" in text
    assert f"the mean of 2 other night(s), {NIGHTS[0]}, {NIGHTS[1]}" in text
    register = read_register(world.out / "calibration" / "register.toml")
    lent = read_table(register.open(register.choose("dark", "1", "", NIGHTS[2])))
    own = read_table(register.open(register.choose("dark", "1", "", NIGHTS[0])))
    # What nights differ by (0.3 electrons each way) counts in what is lent.
    assert np.median(lent["total_err"]) > 1.2 * np.median(own["total_err"])
    pull = (lent["total"] - world.total(NIGHTS[2])) / lent["total_err"]
    assert np.std(pull) == pytest.approx(1.0, abs=0.3)


def test_no_closed_strip_in_the_whole_season(world):
    for night in NIGHTS[:2]:
        world.add(night, closed=False)
    made = make_season(world.config, world.out)
    assert "no night of the season has a usable shutter-closed strip" in remarks(world.out, "dark")
    assert len(made.intervals) == 1


def test_missing_summary_of_a_reduced_strip(season):
    strip = strip_of(NIGHTS[1])
    (season.out / "strips" / strip.night / strip.name).mkdir(parents=True)
    summary_path(season.out, strip).unlink()
    made = make_season(season.config, season.out)
    (text,) = [f for f in made.failures if "missing, although the strip was reduced" in f]
    assert f"{strip.name}.fits" in text
    assert "missing, although the strip was reduced" in remarks(season.out, night=NIGHTS[1])
    assert len(made.intervals) == 2


@pytest.mark.parametrize("how", ["cut", "flipped bit", "other file"])
def test_damaged_summary(season, how):
    path = summary_path(season.out, strip_of(NIGHTS[4]))
    data = bytearray(path.read_bytes())
    if how == "cut":
        data = data[: len(data) // 2]
    elif how == "flipped bit":
        data[8 * 2880 + 1200] ^= 0x10
    else:
        data = bytearray(b"not a FITS file")
    path.write_bytes(data)
    made = make_season(season.config, season.out)
    assert any(str(path) in f for f in made.failures)
    assert len(made.intervals) == 2
    assert path.name in remarks(season.out, night=NIGHTS[4])


def test_no_summary_at_all(config, tmp_path):
    with pytest.raises(CalibrationError, match=r"no column summary of a strip.*Reduce the nights"):
        make_season(config, tmp_path / "empty")


def test_register_with_a_typo_stops_the_season(made):
    path = register_of(made)
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("valid_to", "valid_too", 1), encoding="utf-8")
    with pytest.raises(CalibrationError, match=r"register.toml: calibration\[0\].valid_too: unknown"
                                               r" key; did you mean 'valid_to'"):  # fmt: skip
        make_season(made.config, made.out)


# The choice for a night.


def load(world, night):
    stored = read_summary(summary_path(world.out, strip_of(night)))
    return stored.strip, {stored.strip.name: to_summary(stored)}


def test_vectors_of_a_night_come_from_its_interval(made):
    for night in (NIGHTS[2], NIGHTS[3]):
        strip, summaries = load(made, night)
        vectors, chosen = choose_vectors(
            made.config, made.out, [strip], summaries, make_options(made.config)
        )
        miss = vectors.response.value - made.response(night)
        miss -= np.polyval(np.polyfit(X, miss, 1), X)
        assert np.std(miss) < 0.001
        register = read_register(made.out / "calibration" / "register.toml")
        entries = (register.choose("dark", "1", "", night),
                   register.choose("response", "1", "r", night))  # fmt: skip
        assert chosen == tuple(f"{e.id} {e.checksum}" for e in entries)
        # Bias of the night, from its closed strip and its sky together.
        whole = vectors.dark.total + vectors.response.intercept
        assert np.std(whole - made.total(night)) < 0.25
        assert not vectors.column_mask.any()
    # 2025-03-17 has a response of another interval than the night before: the remark travels.
    assert any("response changed between" in p for p in vectors.problems)


def test_gain_and_read_noise_of_the_season_are_carried(made, tmp_path):
    """From the season's cards to the night's vectors and on to the product that a run writes."""
    strip, summaries = load(made, NIGHTS[1])
    options = make_options(made.config)
    vectors, _ = choose_vectors(made.config, made.out, [strip], summaries, options)
    register = read_register(register_of(made))
    entry = register.choose("response", "1", "r", NIGHTS[1])
    cards, _ = read_table_meta(register.open(entry))
    single = [
        make_season_night(
            [read_summary(p) for p in sorted((made.out / "summaries" / n).glob("*.fits"))], None,
            options=options,
        ).vectors.transfer
        for n in NIGHTS[:3]
    ]  # fmt: skip
    for number, (amplifier, found) in enumerate(zip(AMPLIFIERS, vectors.transfer, strict=True)):
        assert found.name == amplifier.name
        assert found.gain == cards[f"GAIN_{found.name}"]
        assert found.gain_err == cards[f"EGN_{found.name}"]
        assert abs(found.gain - GAIN) < 4 * found.gain_err < 0.04 * GAIN
        assert abs(found.read_noise - READ) < 4 * found.read_noise_err < 0.04 * READ
        # Three nights know it better than any of them.
        assert found.gain_err < 0.75 * min(n[number].gain_err for n in single)
        assert found.n_points == sum(n[number].n_points for n in single)
    assert not any("measured gain" in p for p in vectors.problems)
    provenance = make_provenance(made.config, inputs=[])
    write_night_vectors(made.config, tmp_path / "new", strip, vectors, provenance=provenance)
    product = tmp_path / "new" / "calibration" / NIGHTS[1] / "1_r_response.fits"
    written, _ = read_table_meta(product)
    for word in ("GAIN_A", "EGN_A", "RDN_A", "ERDN_A", "GAIN_B", "EGN_B", "RDN_B", "ERDN_B"):
        assert written[word] == pytest.approx(cards[word])
    for name in ("linearity", "linearity_err"):
        np.testing.assert_array_equal(
            read_table(product)[name], read_table(register.open(entry))[name]
        )
    assert np.isfinite(read_table(product)["linearity_err"]).all()


def test_cards_of_amplifiers_with_the_longest_names_fit():
    """The configuration allows three letters, FITS eight in a keyword."""
    names = ("AB1", "AB2")
    measured = [AmplifierTransfer(n, GAIN, 0.01, READ, 0.02, 500, ()) for n in names]
    assert [k for k in make_header(make_transfer_cards(measured)) if k.endswith("AB2")] == [
        "GAIN_AB2", "EGN_AB2", "RDN_AB2", "ERDN_AB2", "NBIN_AB2",
    ]  # fmt: skip


def test_carried_gain_that_is_not_the_configured_one_is_said(made):
    strip, summaries = load(made, NIGHTS[1])
    wrong = tuple(replace(a, gain=a.gain * (1.1 if a.name == "B" else 1.0)) for a in AMPLIFIERS)
    vectors, _ = choose_vectors(
        made.config, made.out, [replace(strip, amplifiers=wrong)], summaries,
        make_options(made.config),
    )  # fmt: skip
    (text,) = [p for p in vectors.problems if "measured gain" in p]
    assert re.search(
        r"1_r_2025-03-02_response: amplifier B: measured gain .* configured 2.200", text
    )
    assert vectors.transfer[1].problems


def test_a_season_without_gain_is_said(made):
    """As of nights with borrowed darks only: nothing is written, and the run says why."""
    path = register_of(made)
    register = read_register(path)
    entry = register.choose("response", "1", "r", NIGHTS[1])
    with fits.open(register.file_of(entry), mode="update") as hdus:
        del hdus[1].header["RDN_B"]
        hdus[1].add_checksum()
    changed = entry.model_copy(update={"checksum": checksum_file(register.file_of(entry))})
    write_register(path, [changed if e.id == entry.id else e for e in register.entries])
    strip, summaries = load(made, NIGHTS[1])
    vectors, _ = choose_vectors(
        made.config, made.out, [strip], summaries, make_options(made.config)
    )
    assert vectors.transfer == ()
    assert any("were not measured in the season (no RDN_B)" in p for p in vectors.problems)


def test_a_night_that_no_validity_covers(made):
    strip, summaries = load(made, NIGHTS[2])
    other = replace(strip, night="2025-03-14")
    with pytest.raises(
        CalibrationError, match=r"register.toml: night 2025-03-14: no dark of chip 1 holds.*Run "
    ):
        choose_vectors(
            made.config, made.out, [other], {other.name: summaries[strip.name]},
            make_options(made.config),
        )  # fmt: skip


def test_two_that_claim_the_night(made, tmp_path):
    path = register_of(made)
    entries = list(read_register(path).entries)
    first = next(e for e in entries if e.kind == "response")
    entries.append(first.model_copy(update={"id": "another"}))
    write_register(path, entries)
    strip, summaries = load(made, NIGHTS[1])
    arguments = (made.config, made.out, [strip], summaries, make_options(made.config))
    with pytest.raises(CalibrationError, match=r"2 calibrations claim it.*another.*preferred ="):
        choose_vectors(*arguments)
    entries[-1] = entries[-1].model_copy(update={"preferred": True})
    write_register(path, entries)
    vectors, chosen = choose_vectors(*arguments)
    assert chosen[1].startswith("another sha256:")
    assert any("another was used" in p and "marked as preferred" in p for p in vectors.problems)
    write_night_vectors(
        made.config, tmp_path / "new", strip, vectors,
        provenance=make_provenance(made.config, inputs=[]),
    )  # fmt: skip
    product = tmp_path / "new" / "calibration" / NIGHTS[1] / "1_r_response.fits"
    recorded = [str(v) for k, v in read_table_meta(product)[0].items() if k.startswith("REMARK")]
    assert any("another was used" in r and "marked as preferred" in r for r in recorded)


def test_a_calibration_changed_behind_the_register(made):
    path = register_of(made)
    register = read_register(path)
    path = register.file_of(register.choose("response", "1", "r", NIGHTS[1]))
    with fits.open(path, mode="update") as hdus:
        hdus[1].data["response"][5] = 2.0
    strip, summaries = load(made, NIGHTS[1])
    with pytest.raises(CalibrationError, match="was changed after it was registered"):
        choose_vectors(made.config, made.out, [strip], summaries, make_options(made.config))


def test_another_register_may_be_named(made, tmp_path):
    path = register_of(made)
    elsewhere = made.config.folder / "flats" / "register.toml"
    elsewhere.parent.mkdir()
    for entry in read_register(path).entries:
        target = elsewhere.parent / entry.file
        target.parent.mkdir(exist_ok=True)
        target.write_bytes((path.parent / entry.file).read_bytes())
    elsewhere.write_bytes(path.read_bytes())
    config = made.config.with_value("calibration.register_file", "flats/register.toml")
    strip, summaries = load(made, NIGHTS[1])
    _, chosen = choose_vectors(config, tmp_path / "other", [strip], summaries, make_options(config))
    assert chosen[1].startswith("1_r_2025-03-02_response sha256:")


def test_command_prints_the_intervals(season):
    done = CliRunner().invoke(
        app, ["season", str(season.config.folder / "observatory.toml"), str(season.out)],
        env={"COLUMNS": "200"},
    )  # fmt: skip
    assert done.exit_code == 0, done.output
    lines = done.stdout.splitlines()
    assert lines[0].split()[:6] == ["chip", "filter", "from", "to", "nights", "error"]
    assert ["1", "r", NIGHTS[0], NIGHTS[2], "3"] == lines[1].split()[:5]
    assert ["1", "r", NIGHTS[3], NIGHTS[5], "3"] == lines[2].split()[:5]
    assert "12 summaries" in done.stdout
    assert "no raw file" in done.stdout
    assert "register.toml" in done.stdout
