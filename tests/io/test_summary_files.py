"""Column summaries on disk: whole round trips, and every damage found."""

from dataclasses import replace

import numpy as np
import pytest
from astropy.io import fits

from pipeline.errors import ProductError
from pipeline.io.provenance import Provenance
from pipeline.io.summary_files import read_summary, summary_path, write_summary
from pipeline.stages.colstats import ColumnSummary
from pipeline.stages.overscan import OverscanLevels
from pipeline.strip import Amplifier, Segment, Strip

AMPLIFIERS = (
    Amplifier("A", (0, 20), (40, 44), (0, 20), reversed=False, gain=1.8, read_noise=6.0,
              saturation=60000.0),
    Amplifier("B", (20, 40), (44, 48), (20, 40), reversed=True, gain=1.9, read_noise=6.5,
              saturation=59000.0),
)  # fmt: skip
MADE = Provenance("driftloom 0", "3", (("numpy", "2"),), "abc", (("s_0001.fits", "datasum:1:2"),))


@pytest.fixture
def strip():
    return Strip(
        name="s", night="2025-03-02", chip="1", filter="r", shutter_open=True,
        mjd_start=60737.123456789012, line_period=0.0531234567890123, n_lines=700, n_columns=40,
        n_raw_columns=48, n_stage=256, amplifiers=AMPLIFIERS,
        segments=(Segment("/a/b/s_0001.fits", 1, 0, 300), Segment("/a/b/s_0002.fits", 2, 400, 300)),
        gaps=((300, 400),), problems=("segment 2 begins late",),
    )  # fmt: skip


@pytest.fixture
def summary():
    rng = np.random.default_rng(1)
    shape = (3, 40)
    level = rng.normal(500, 10, shape).astype("f4")
    level[1, 7] = np.nan
    overscan = OverscanLevels(
        0, 700, rng.normal(1000, 1, (22, 2)), rng.uniform(0.1, 0.2, (22, 2)),
        rng.uniform(9, 12, (22, 2)), rng.integers(90, 100, (22, 2)).astype(np.int32),
    )  # fmt: skip
    return ColumnSummary(
        0, 700, np.array([127.5, 300.25, 605.5]), np.array([256, 156, 188], np.int32), level,
        rng.uniform(1, 2, shape).astype("f4"), rng.uniform(500, 600, shape).astype("f4"),
        rng.integers(100, 256, shape).astype(np.int16), overscan, settled=True,
    )  # fmt: skip


@pytest.fixture
def path(tmp_path, strip):
    return summary_path(tmp_path, strip)


def test_everything_comes_back(path, summary, strip):
    write_summary(path, summary, strip, clip=3.5, provenance=MADE)
    back = read_summary(path)
    assert ColumnSummary(**back.fields, overscan=OverscanLevels(**back.overscan)).n_bins == 3
    for name in ("line", "present", "level", "level_err", "noise_var", "count"):
        mine, theirs = getattr(summary, name), back.fields[name]
        np.testing.assert_array_equal(theirs, mine)
        assert theirs.dtype == mine.dtype
    for name in ("level", "error", "noise_var", "count"):
        np.testing.assert_array_equal(back.overscan[name], getattr(summary.overscan, name))
    assert back.fields["settled"]
    names = tuple(replace(s, path=s.path.rsplit("/", 1)[1]) for s in strip.segments)
    assert back.strip == replace(strip, segments=names)
    assert back.clip == 3.5
    assert back.provenance.inputs == MADE.inputs
    assert back.n_bytes == path.stat().st_size


def test_the_same_summary_is_the_same_file(path, summary, strip, tmp_path):
    """No date of writing within, so that a checksum stands for the content."""
    write_summary(path, summary, strip, clip=3.0, provenance=MADE)
    other = write_summary(tmp_path / "again.fits", summary, strip, clip=3.0, provenance=MADE)
    assert other.read_bytes() == path.read_bytes()


def test_a_strip_without_gaps_problems_and_filter(path, summary, strip):
    plain = replace(strip, gaps=(), problems=(), filter="", shutter_open=False)
    write_summary(path, summary, plain, clip=3.0, provenance=MADE)
    back = read_summary(path).strip
    assert (back.gaps, back.problems, back.filter, back.shutter_open) == ((), (), "", False)


def test_the_file_reads_without_this_program(path, summary, strip):
    write_summary(path, summary, strip, clip=3.0, provenance=MADE)
    with fits.open(path, checksum=True) as hdus:
        assert hdus["LEVEL"].header["BUNIT"] == "electron"
        assert hdus[0].header["NIGHT"] == "2025-03-02"
        assert hdus["OVERSCAN_LEVEL"].data.shape == (22, 2)


def test_an_unsettled_summary_is_not_kept(path, summary, strip):
    with pytest.raises(ValueError, match="summary of s must be settled"):
        write_summary(path, replace(summary, settled=False), strip, clip=3.0, provenance=MADE)
    assert not path.exists()


@pytest.mark.parametrize("share", [0.01, 0.3, 0.6, 0.95])
def test_every_flipped_bit_and_every_cut_is_found(path, summary, strip, share):
    write_summary(path, summary, strip, clip=3.0, provenance=MADE)
    data = bytearray(path.read_bytes())
    at = int(share * len(data))
    while data[at] in b"\x00 ":  # padding is not data
        at += 1
    flipped = bytearray(data)
    flipped[at] ^= 0x04
    path.write_bytes(flipped)
    with pytest.raises(ProductError, match=r"s.fits"):
        read_summary(path)
    path.write_bytes(data[: max(at, 1)])
    with pytest.raises(ProductError, match=r"s.fits"):
        read_summary(path)


def test_missing_file_and_other_format(path, summary, strip):
    with pytest.raises(ProductError, match=r"s.fits: cannot be read"):
        read_summary(path)
    write_summary(path, summary, strip, clip=3.0, provenance=MADE)
    with fits.open(path) as hdus:
        hdus[0].header["FORMAT"] = 99
        for hdu in hdus:
            hdu.add_checksum()
        hdus.writeto(path.with_name("new.fits"))
    with pytest.raises(ProductError, match="summary format 99, this program reads 1"):
        read_summary(path.with_name("new.fits"))
