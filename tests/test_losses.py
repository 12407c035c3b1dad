"""Nights with several faults at once: each is named, its night pays for it, the others do not."""

import errno
import shutil
import subprocess
import sys
from collections import Counter
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits
from astropy.table import Table
from typer.testing import CliRunner

from pipeline.cli import app
from pipeline.errors import ProductError
from pipeline.io import atomic
from pipeline.io.ledger import read_ledger
from pipeline.io.runlock import hold_lock
from pipeline.io.tables import read_table
from pipeline.runners import InlineRunner

pytestmark = pytest.mark.xdist_group("reduction")
BAD, GOOD = "2025-03-02", "2025-03-03"  # nights of the small observatory


@pytest.fixture
def nights(small, tmp_path):
    """A copy of the small observatory, to be spoilt."""
    shutil.copytree(small / "raw", tmp_path / "raw")
    for name in ("observatory.toml", "reference.fits"):
        shutil.copy(small / name, tmp_path)
    return tmp_path


def science(folder, night=BAD):
    return sorted((folder / "raw").glob(f"{night}_s01_*.fits"))


def rewrite(path, *, data=None, **cards):
    """The same segment with other pixels or other header values; None removes a keyword."""
    with fits.open(path) as hdus:
        header, old = hdus[0].header.copy(), hdus[0].data.copy()
    for key in ("BZERO", "BSCALE", "CHECKSUM", "DATASUM"):
        header.remove(key, ignore_missing=True)
    for key, value in cards.items():
        if value is None:
            del header[key]
        else:
            header[key] = value
    fits.PrimaryHDU(old if data is None else data, header).writeto(path, overwrite=True)


def check(folder):
    """Status and complaints of the command that lists strips."""
    done = CliRunner().invoke(app, ["check", str(folder / "observatory.toml"), str(folder / "raw")])
    return done.exit_code, done.stderr


def drive(folder, *options):
    places = (folder / "observatory.toml", folder / "raw", folder / "products")
    return subprocess.run(
        [sys.executable, "-m", "pipeline.cli", "reduce", *map(str, places), "--workers", "1",
         *options],
        cwd=Path(__file__).parents[1], capture_output=True, text=True, check=False,
    )  # fmt: skip


def leftovers(folder):
    return [p for p in folder.rglob("*") if ".partial" in p.name or p.name == "run.lock"]


@pytest.mark.parametrize(
    "keyword", ["DATE-BEG", "LINEPER", "FILTER", "SHUTTER", "STRIP", "SEGMENT"]
)
def test_every_missing_keyword_is_named_with_its_file_and_our_word(nights, keyword):
    path = science(nights)[1]
    rewrite(path, **{keyword: None})
    status, text = check(nights)
    assert status == 1
    (line,) = [t for t in text.splitlines() if t.startswith("rejected: ")]
    assert path.name in line
    assert f"keyword {keyword} (raw.keywords." in line
    assert "found none, expected a value" in line


@pytest.mark.parametrize(
    ("cards", "words"),
    [
        ({"LINEPER": 0.0529}, "keyword LINEPER: found a line period of 0.0529 s, expected 0.05287"),
        ({"LINEPER": -1.0}, "found -1.0, expected a positive number"),
        ({"LINEPER": "slow"}, "found 'slow', expected a positive number"),
        ({"FILTER": "g"}, "keyword FILTER: found filter 'g', expected 'r'"),
        ({"SHUTTER": "CLOSED"}, "keyword SHUTTER: found shutter state False, expected True"),
        ({"SEGMENT": 1}, "duplicate segment number 1"),
        ({"SEGMENT": 1.5}, "found 1.5, expected a whole number"),
        ({"DATE-BEG": "2025-03-03T00:29:43.0"}, "segment times contradict each other"),
        ({"DATE-BEG": "yesterday"}, "found 'yesterday'"),
    ],
    ids=lambda v: "-".join(f"{k}={x}" for k, x in v.items()) if isinstance(v, dict) else "",
)
def test_contradictions_name_what_was_found_and_expected(nights, cards, words):
    path = science(nights)[1]
    rewrite(path, **cards)
    status, text = check(nights)
    assert status == 1
    line = next(t for t in text.splitlines() if t.startswith("rejected: ") and path.name in t)
    assert words in line
    assert any(word in line for word in ("correct", "set raw", "remove the wrong file"))


@pytest.mark.parametrize(
    ("shape", "words"),
    [((1024, 200), "NAXIS1: found 200, expected at least 288"),
     ((1024, 300), "NAXIS1: found raw columns 300, expected 288"),
     ((288, 1024), "NAXIS1: found raw columns 1024, expected 288")],
    ids=["narrow", "wide", "turned"],
)  # fmt: skip
def test_wrong_dimensions_are_told(nights, shape, words):
    path = science(nights)[1]
    rewrite(path, data=np.full(shape, 1500, dtype=np.uint16))
    status, text = check(nights)
    assert status == 1
    assert words in text
    assert path.name in text


def test_a_night_of_broken_files_costs_that_night_only(nights, reduced):
    """Garbage, half a file and a narrow image: no science is left of one night."""
    first, second, third = science(nights)
    first.write_bytes(np.random.default_rng(1).bytes(100_000))
    second.write_bytes(second.read_bytes()[:200_000])
    rewrite(third, data=np.full((952, 200), 1500, dtype=np.uint16))
    done = drive(nights)
    assert done.returncode == 1, done.stderr
    assert "Traceback" not in done.stderr
    lines = done.stderr.splitlines()
    for path in (first, second, third):
        assert sum(path.name in t and t.startswith("failed: ") for t in lines) == 1
    products = nights / "products"
    assert [p.name for p in (products / "strips").iterdir()] == [GOOD]
    # What is left comes out as if the other night had never been.
    ours, theirs = (
        read_table(p / "strips" / GOOD / f"{GOOD}_s01" / "catalogue.parquet")
        for p in (products, reduced[0])
    )
    for name, values in theirs.items():
        np.testing.assert_array_equal(ours[name], values, err_msg=name)
    assert list(products.glob("stacks/*.fits"))
    states = Counter(r["state"] for r in read_ledger(products / "ledger.jsonl"))
    assert states["failed"] == 3
    page = (products / "report" / "index.html").read_text()
    assert second.name in page
    assert not leftovers(nights)


def test_no_sound_file_at_all_is_a_mistake(nights):
    for path in (nights / "raw").iterdir():
        path.write_text("not an image\n" * 999)
    done = drive(nights)
    assert done.returncode == 2
    assert "no strip with the shutter open" in done.stderr
    assert "2025-03-02_s01_0001.fits" in done.stderr
    assert not (nights / "products").exists()


def test_a_lock_that_is_held_keeps_a_second_run_out(nights):
    products = nights / "products"
    products.mkdir()
    with hold_lock(products) as lock:
        done = drive(nights)
        assert lock.exists()
    assert done.returncode == 2
    assert "another run works in this folder" in done.stderr
    assert str(lock) in done.stderr
    assert list(products.iterdir()) == []


def test_a_wrong_grid_shows_before_the_work(nights, run_reduction):
    with pytest.raises(ValueError, match=r"tiles\.size"):
        run_reduction(nights, nights / "products", tiles__size=256, tiles__overlap=120)
    assert not (nights / "products").exists()


def damage(path):
    """Tile-compress a segment and overwrite some of its tiles: headers and size stay sound."""
    with fits.open(path) as hdus:
        header, data = hdus[0].header.copy(), hdus[0].data.copy()
    for key in ("BZERO", "BSCALE", "CHECKSUM", "DATASUM"):
        header.remove(key, ignore_missing=True)
    image = fits.CompImageHDU(data, header, compression_type="GZIP_1")
    fits.HDUList([fits.PrimaryHDU(), image]).writeto(path, overwrite=True)
    data = bytearray(path.read_bytes())
    middle = len(data) // 2
    data[middle : middle + 3000] = b"\xff" * 3000
    path.write_bytes(bytes(data))


@pytest.mark.slow
def test_damage_inside_a_file_is_a_loss_that_is_told(nights, run_reduction):
    damage(science(nights)[1])
    assert check(nights)[0] == 0  # nothing to see from outside
    summary = run_reduction(nights, nights / "products", nights=[BAD], stack__min_epochs=2)
    (text,) = summary.failures
    assert text.startswith("2025-03-02_s01: ")
    assert "cannot be read" in text
    rows = read_ledger(nights / "products" / "ledger.jsonl")
    assert [r["strip"] for r in rows if r["state"] == "failed"] == ["2025-03-02_s01"]
    assert len(summary.strips) == 1


class Vanishing(InlineRunner):
    """A runner under which a raw file goes away once the work has begun."""

    path: Path

    def run(self, *arguments, **keywords):
        self.path.unlink(missing_ok=True)
        return super().run(*arguments, **keywords)


@pytest.mark.slow
def test_a_file_that_goes_away_meanwhile_costs_its_own_lines(nights, run_reduction):
    runner = Vanishing()
    runner.path = science(nights)[1]
    summary = run_reduction(
        nights, nights / "products", nights=[BAD], runner=runner, stack__min_epochs=2
    )
    assert summary.failures == [
        "2025-03-02_s01: 1024 lines cannot be read; is a file damaged? --verbose says which"
    ]
    (path,) = (nights / "products").glob("strips/*/*/catalogue.parquet")
    line = read_table(path)["line"]
    assert ((line > 256) & (line < 1000)).any()
    assert (line > 2100).any()
    assert not ((line > 1040) & (line < 2030)).any()


class FullDisk:
    """A disk that takes a number of files, and no more."""

    def __init__(self, monkeypatch, room):
        self.room = room
        self._flush = atomic._flush
        monkeypatch.setattr(atomic, "_flush", self)

    def __call__(self, path, *, cached=True):
        if path.suffix == ".partial":
            if self.room == 0:
                raise OSError(errno.ENOSPC, "No space left on device")
            self.room -= 1
        self._flush(path, cached=cached)


@pytest.mark.slow
@pytest.mark.parametrize("room", [0, 3, 5, 11, 14])
def test_a_disk_that_fills_up_leaves_whole_files_only(nights, run_reduction, monkeypatch, room):
    """Wherever in a run the disk fills up: what is there is whole, and the message says why."""
    disk = FullDisk(monkeypatch, room)
    products = nights / "products"
    try:
        said = run_reduction(nights, products, nights=[BAD]).failures
        assert said
    except ProductError as error:
        said = [str(error)]
    assert disk.room == 0
    assert any("No space left on device" in t and "free some space" in t for t in said), said
    assert not leftovers(nights)
    written = [p for p in products.rglob("*") if p.is_file() and p.name != "ledger.jsonl"]
    assert len(written) == room
    for path in written:
        if path.suffix == ".parquet":
            assert read_table(path)
        elif path.suffix == ".fits":
            with fits.open(path, checksum=True) as hdus:
                hdus.verify("exception")


@pytest.mark.slow
def test_stars_without_magnitudes_give_positions_but_no_tiles(nights, run_reduction):
    path = nights / "reference.fits"
    table = Table.read(path)
    table["mag_r"] = np.nan
    table.write(path, overwrite=True)
    summary = run_reduction(nights, nights / "products", nights=[BAD])
    assert any("no magnitudes" in t and "reference.magnitudes" in t for t in summary.problems)
    (path,) = (nights / "products").glob("strips/*/*/catalogue.parquet")
    catalogue = read_table(path)
    assert np.isfinite(catalogue["ra"]).all()
    assert np.isnan(catalogue["mag_psf"]).all()
    assert (summary.n_tiles, summary.n_stacks) == (0, 0)


@pytest.mark.slow
def test_a_strip_without_sky_positions_is_a_loss_and_the_rest_goes_on(nights):
    """A clock three hours off: pixels are measured all the same, and the exit status says so."""
    for path in science(nights):
        begin = np.datetime64(fits.getheader(path)["DATE-BEG"])
        rewrite(path, **{"DATE-BEG": str(begin + np.timedelta64(3, "h"))})
    done = drive(nights)
    assert done.returncode == 1, done.stderr
    (line,) = [t for t in done.stderr.splitlines() if t.startswith("failed: ")]
    assert "s01: no sky positions: only 0 reference stars lie on the strip" in line
    assert "start time" in line
    products = nights / "products"
    (lost,) = [r for r in read_ledger(products / "ledger.jsonl") if r["state"] == "failed"]
    assert (lost["night"], lost["step"]) == (BAD, "sky positions")
    bad, good = (
        read_table(products / "strips" / n / f"{n}_s01" / "catalogue.parquet") for n in (BAD, GOOD)
    )
    assert bad["line"].size > 100
    assert np.isnan(bad["ra"]).all()
    assert np.isfinite(good["ra"]).all()
    assert "no sky positions" in (products / "report" / "index.html").read_text()
    # A run that finds everything standing says so again.
    again = drive(nights)
    assert again.returncode == 1
    assert "no sky positions" in again.stderr
