"""Lines of raw strips: exact values for every way to store them, and bounded reading."""

import bz2
import gzip
import itertools
import tracemalloc
from importlib.resources import files
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.errors import RawError
from pipeline.io.raw import find_strips, read_lines, read_segment
from pipeline.strip import Segment, index_amplifiers, index_raw_columns, take_chip

# One 300 x 300 image, plain and in tile-compressed copies, from the test data of astropy.
SAMPLES = Path(str(files("astropy.io.fits.hdu.compressed.tests") / "data"))


def only_strip(camera):
    inventory = find_strips(camera.folder, camera.config)
    assert len(inventory.strips) == 1, inventory.rejected
    return inventory.strips[0]


@pytest.mark.skipif(not SAMPLES.is_dir(), reason="astropy was installed without its test data")
@pytest.mark.parametrize("copy", ["m13_gzip", "m13_hcomp", "m13_plio", "m13_rice"])
def test_compressed_copies_equal_the_plain_image(camera, copy):
    """The same lines come from the sample image and its tile-compressed copies."""
    options = camera.config.raw
    plain = Segment(str(SAMPLES / "m13.fits"), 1, 0, 300)
    packed = Segment(str(SAMPLES / f"{copy}.fits"), 1, 0, 300)
    expected = fits.getdata(plain.path)
    for begin, end in ((0, 300), (17, 18), (99, 203)):
        lines = read_segment(plain, options, begin, end, n_raw_columns=300)
        np.testing.assert_array_equal(lines, expected[begin:end])
        assert lines.dtype == np.int16
        other = read_segment(packed, options, begin, end, n_raw_columns=300)
        np.testing.assert_array_equal(other, lines)


STORAGE = {
    "plain": ("", None, "plain"),
    "tiled": ("", None, "tiled"),
    "axis-1": ("line_axis = 1", lambda d: np.ascontiguousarray(d.T), "plain"),
    "axis-1-tiled": ("line_axis = 1", lambda d: np.ascontiguousarray(d.T), "tiled"),
    "flip-lines": ("flip_lines = true", lambda d: d[::-1].copy(), "plain"),
    "flip-columns": ("flip_columns = true", lambda d: d[:, ::-1].copy(), "plain"),
    "all": (
        "flip_columns = true\nflip_lines = true\nline_axis = 1",
        lambda d: np.ascontiguousarray(d[::-1, ::-1].T),
        "tiled",
    ),
}


@pytest.mark.parametrize("way", STORAGE)
def test_every_orientation_gives_the_same_lines(make_camera, way):
    """Flips are within a segment: segments follow each other in time whatever they are."""
    options, stored, kind = STORAGE[way]
    camera = make_camera(options)
    camera.write(1, 0, 40, stored=stored, kind=kind)
    camera.write(2, 40, 33, stored=stored, kind=kind)
    strip = only_strip(camera)
    assert strip.n_lines == 73
    for start, stop in ((0, 73), (38, 43), (41, 42), (0, 1), (72, 73)):
        raw, missing = read_lines(strip, camera.config.raw, start, stop)
        np.testing.assert_array_equal(raw, camera.lines(start, stop - start))
        assert raw.dtype == np.uint16
        assert raw.flags.c_contiguous
        assert raw.flags.writeable
        assert not missing.any()


@pytest.mark.parametrize("way", ["gzip", "bzip2", "gzip-tiled"])
@pytest.mark.parametrize("axis", [1, 2])
def test_packed_files(make_camera, way, axis):
    camera = make_camera(f"line_axis = {axis}")
    turn = (lambda d: np.ascontiguousarray(d.T)) if axis == 1 else None
    kind = "tiled" if "tiled" in way else "plain"
    path = camera.write(1, 0, 40, kind=kind, stored=turn, name="a.dat")
    pack = bz2.compress if way == "bzip2" else gzip.compress
    (camera.folder / "001.fits.packed").write_bytes(pack(path.read_bytes()))
    strip = only_strip(camera)
    raw, missing = read_lines(strip, camera.config.raw, 7, 31)
    np.testing.assert_array_equal(raw, camera.lines(7, 24))
    assert not missing.any()


def test_packed_file_that_ends_early(camera, caplog):
    """The length of a packed file is known only when it is unpacked."""
    path = camera.write(1, 0, 40, name="a.dat")
    (camera.folder / "001.fits.gz").write_bytes(gzip.compress(path.read_bytes()[:4000]))
    strip = only_strip(camera)
    with caplog.at_level("WARNING"):
        _, missing = read_lines(strip, camera.config.raw, 0, 40)
    assert missing.all()
    assert "001.fits.gz: truncated: its data end in row" in caplog.text


EXTREMES = {
    "uint16": np.array([0, 1, 32767, 32768, 65535], np.uint16),
    "int16": np.array([-32768, -1, 0, 1, 32767], np.int16),
    "uint8": np.array([0, 1, 127, 128, 255], np.uint8),
    "int32": np.array([-(2**31), -1, 0, 2**24 + 1, 2**31 - 1], np.int32),
    "uint32": np.array([0, 2**24 + 1, 2**31, 2**32 - 1, 7], np.uint32),
    "float32": np.array([-1.5, 0, 1e-30, 65535.25, 3e38], np.float32),
}


@pytest.mark.parametrize("kind", ["plain", "tiled"])
@pytest.mark.parametrize("name", EXTREMES)
def test_every_pixel_type_is_exact(camera, name, kind):
    if name == "float32" and kind == "tiled":
        pytest.skip("tile-compressed floats are quantised by their writer")
    values = EXTREMES[name]
    data = np.resize(values, (40, 30))
    camera.write(1, 0, 40, data=data, kind=kind)
    raw, missing = read_lines(only_strip(camera), camera.config.raw, 3, 21)
    np.testing.assert_array_equal(raw, data[3:21])
    assert raw.dtype == data.dtype
    assert raw.dtype.isnative
    assert not missing.any()


def test_doubles_become_single(camera):
    camera.write(1, 0, 40, data=np.full((40, 30), 1 / 3))
    raw, _ = read_lines(only_strip(camera), camera.config.raw, 0, 40)
    assert raw.dtype == np.float32
    assert (raw == np.float32(1 / 3)).all()


def test_scaled_integers(camera):
    path = camera.write(1, 0, 40, data=np.full((40, 30), 7, np.int16))
    with fits.open(path, mode="update", do_not_scale_image_data=True) as hdus:
        hdus[0].header["BSCALE"] = 0.5
        hdus[0].header["BZERO"] = 100.0
    raw, _ = read_lines(only_strip(camera), camera.config.raw, 0, 40)
    assert raw.dtype == np.float32
    assert (raw == 103.5).all()


def test_undefined_lines_are_missing_and_pixels_stay_undefined(camera):
    data = camera.lines(0, 40, np.float32)
    data[5] = np.nan
    data[7, 3] = np.nan
    camera.write(1, 0, 40, data=data)
    raw, missing = read_lines(only_strip(camera), camera.config.raw, 0, 40)
    assert list(np.flatnonzero(missing)) == [5]
    assert (raw[5] == 0).all()
    assert np.isnan(raw[7, 3])
    assert np.isnan(raw).sum() == 1


def test_blank_integers_are_undefined(camera):
    data = camera.lines(0, 40, np.int32)
    data[5] = -99
    data[7, 3] = -99
    camera.write(1, 0, 40, data=data, BLANK=-99)
    raw, missing = read_lines(only_strip(camera), camera.config.raw, 0, 40)
    assert list(np.flatnonzero(missing)) == [5]
    assert np.isnan(raw[7, 3])
    np.testing.assert_array_equal(raw[8], data[8])


@pytest.mark.parametrize("kind", ["plain", "tiled", "axis-1", "gzip"])
def test_only_the_lines_asked_for_are_read(make_camera, kind):
    """Memory of a block does not grow with the file."""
    edits = [("overscan = [24, 27]", "overscan = [24, 25]")]
    camera = make_camera("line_axis = 1" if kind == "axis-1" else "", edits)
    rng = np.random.default_rng(1)
    data = rng.integers(0, 4096, (20000, 500), dtype=np.uint16)  # 20 MB
    if kind == "axis-1":
        path = camera.write(1, 0, 20000, data=data, stored=lambda d: np.ascontiguousarray(d.T))
    else:
        path = camera.write(1, 0, 20000, data=data, kind=kind)
    if kind == "gzip":
        (camera.folder / "002.fits.gz").write_bytes(gzip.compress(path.read_bytes(), 1))
        path.unlink()
    strip = only_strip(camera)
    read_lines(strip, camera.config.raw, 0, 1)  # imports do not count
    tracemalloc.start()
    raw, _ = read_lines(strip, camera.config.raw, 9000, 9256)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    np.testing.assert_array_equal(raw, data[9000:9256])
    assert peak < 8 * raw.nbytes  # 2 MB; the file has 20


def test_finding_reads_no_pixels(camera):
    camera.write(1, 0, 20000, data=np.zeros((20000, 500), np.uint16))
    find_strips(camera.folder, camera.config)
    tracemalloc.start()
    find_strips(camera.folder, camera.config)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 1_000_000


@pytest.mark.parametrize("window", [(-1, 3), (3, 3), (5, 4), (0, 41)])
def test_range_outside_the_strip(camera, window):
    camera.write(1, 0, 40)
    strip = only_strip(camera)
    with pytest.raises(ValueError, match=rf"0 <= start < stop <= 40 .*received {window[0]}, "):
        read_lines(strip, camera.config.raw, *window)


def test_segment_of_another_shape(camera):
    path = camera.write(1, 0, 40)
    segment = Segment(str(path), 1, 0, 41)
    with pytest.raises(RawError, match="changed since it was checked: found 40 lines of 30"):
        read_segment(segment, camera.config.raw, 0, 4, n_raw_columns=30)


def test_amplifiers_put_raw_columns_in_their_place(camera):
    """The second amplifier's raw columns run backwards."""
    camera.write(1, 0, 40)
    strip = only_strip(camera)
    index = index_raw_columns(strip.amplifiers, n_columns=24)
    assert list(index) == [*range(12), *range(23, 11, -1)]
    raw = np.arange(90, dtype=np.uint16).reshape(3, 30)
    taken = take_chip(raw, strip.amplifiers, n_columns=24)
    np.testing.assert_array_equal(taken, raw[:, index], strict=True)
    assert list(index_amplifiers(strip.amplifiers, n_columns=24)) == [0] * 12 + [1] * 12
    with pytest.raises(ValueError, match="must tile the chip: column 12 has none"):
        index_amplifiers(strip.amplifiers[:1], n_columns=24)


@settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    cuts=st.lists(st.integers(1, 119), max_size=4, unique=True).map(sorted),
    window=st.tuples(st.integers(0, 119), st.integers(1, 120)).filter(lambda w: w[0] < w[1]),
    lost=st.integers(0, 5),
    way=st.sampled_from(["plain", "flip-lines", "axis-1"]),
)
def test_any_split_and_window_give_the_same_lines(
    make_camera, tmp_path_factory, *, cuts, window, lost, way
):
    """How a strip was cut into files makes no difference to its lines."""
    options, stored, kind = STORAGE[way]
    camera = make_camera(options, folder=tmp_path_factory.mktemp("split"))
    edges = [0, *cuts, 120]
    removed = lost if 0 < lost < len(edges) - 2 else None
    for number, (first, stop) in enumerate(itertools.pairwise(edges), 1):
        if number - 1 != removed:
            camera.write(number, first, stop - first, stored=stored, kind=kind)
    strip = only_strip(camera)
    assert strip.n_lines == 120
    raw, missing = read_lines(strip, camera.config.raw, *window)
    expected = np.zeros(120, dtype=bool)
    if removed is not None:
        expected[edges[removed] : edges[removed + 1]] = True
    np.testing.assert_array_equal(missing, expected[slice(*window)])
    lines = camera.lines(window[0], window[1] - window[0])
    np.testing.assert_array_equal(raw[~missing], lines[~missing])
