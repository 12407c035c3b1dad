"""A strip that is still being written: what of it can be read, and what cannot yet."""

import numpy as np
import pytest
from astropy.io import fits

from pipeline.errors import RawError, UnfinishedError
from pipeline.io.growing import StripFinder
from pipeline.io.raw_read import read_groups, read_lines

BLOCK = 2880  # FITS 4.0, section 3.1


def look(camera, path=None, **options):
    return StripFinder(path or camera.folder, camera.config, **options).look()


def offset_of(path):
    """Where the data begin."""
    with fits.open(path) as hdus:
        return hdus[0].fileinfo()["datLoc"]


def cut_short(path, n_bytes):
    """Keep the header and so many bytes of data."""
    whole = path.read_bytes()
    path.write_bytes(whole[: offset_of(path) + n_bytes])


def read_all(camera, found):
    return read_lines(found.strip, camera.config.raw, 0, found.strip.n_lines, growing=True)


def test_of_a_file_half_written_only_complete_lines_are_read(camera):
    path = camera.write(1, 0, 100)
    cut_short(path, 2 * 30 * 37 + 11)  # 37 lines of 30 columns and some bytes of the next
    assert path.stat().st_size % BLOCK
    found = look(camera, path)
    assert (found.strip.n_lines, found.promised, found.complete) == (37, 100, False)
    raw, missing = read_all(camera, found)
    np.testing.assert_array_equal(raw, camera.lines(0, 37))
    assert not missing.any()


def test_it_grows_and_is_whole_with_its_last_line(camera):
    path = camera.write(1, 0, 100)
    whole = path.read_bytes()
    finder = StripFinder(path, camera.config)
    cut_short(path, 2 * 30 * 37)
    assert finder.look().strip.n_lines == 37
    path.write_bytes(whole)
    cut_short(path, 2 * 30 * 100 - 1)
    assert finder.look().strip.n_lines == 99
    path.write_bytes(whole)
    cut_short(path, 2 * 30 * 100)  # without the padding to a whole block
    assert finder.look().complete


def test_a_file_of_full_size_that_is_filled_line_by_line_ends_where_zeros_begin(camera):
    path = camera.write(1, 0, 100)
    whole = bytearray(path.read_bytes())
    offset = offset_of(path)
    whole[offset + 2 * 30 * 61 :] = bytes(len(whole) - offset - 2 * 30 * 61)
    path.write_bytes(bytes(whole))
    found = look(camera, path)
    assert (found.strip.n_lines, found.complete) == (61, False)


def test_a_segment_broken_off_leaves_a_gap_before_the_next(camera):
    first = camera.write(1, 0, 100)
    cut_short(first, 2 * 30 * 40)
    camera.write(2, 100, 50)
    found = look(camera)
    assert found.strip.gaps == ((40, 100),)
    assert (found.strip.n_lines, found.complete) == (150, True)
    raw, missing = read_all(camera, found)
    np.testing.assert_array_equal(raw[100:], camera.lines(100, 50))
    np.testing.assert_array_equal(missing, (np.arange(150) >= 40) & (np.arange(150) < 100))


@pytest.mark.parametrize("n_bytes", [0, 1000, BLOCK])
def test_without_a_line_there_is_nothing_yet(camera, n_bytes):
    path = camera.write(1, 0, 100)
    path.write_bytes(path.read_bytes()[:n_bytes])
    with pytest.raises(UnfinishedError):
        look(camera, path)
    with pytest.raises(UnfinishedError):
        look(camera)


def test_a_header_half_written_leaves_the_segments_before_it(camera):
    camera.write(1, 0, 100)
    second = camera.write(2, 100, 100)
    second.write_bytes(second.read_bytes()[:500])
    found = look(camera)
    assert (found.strip.n_lines, found.complete) == (100, True)
    assert "002.fits" in found.rejected[0]


def test_any_segment_stands_for_its_strip_and_a_folder_for_the_one_that_began_last(camera):
    camera.write(1, 0, 50)
    path = camera.write(2, 50, 50)
    camera.write(1, 1000, 60, name="b.fits", STRIP="s2")
    camera.write(1, 2000, 60, name="c.fits", STRIP="dark", SHUTTER="CLOSED")
    assert look(camera, path).strip.n_lines == 100
    newest = look(camera)
    assert newest.strip.name == "s2"
    assert set(newest.others) == {"s1", "dark"}
    assert look(camera, name="s1").strip.name == "s1"
    with pytest.raises(RawError, match=r"no strip 'x'; the folder has s1, s2, dark"):
        look(camera, name="x")


def test_another_kind_of_file_is_refused_in_words(camera):
    path = camera.folder / "note.fits"
    path.write_text("clear tonight\n" * 300)
    with pytest.raises(RawError, match="not a FITS file") as failure:
        look(camera, path)
    assert not isinstance(failure.value, UnfinishedError)
    with pytest.raises(RawError, match="no such file or folder"):
        look(camera, camera.folder / "nowhere")


def test_without_times_segments_follow_their_numbers_at_the_pace_of_the_sky(camera):
    camera.write(2, 50, 50, drop=("DATE-BEG", "LINEPER"))
    path = camera.write(1, 0, 50, drop=("DATE-BEG", "LINEPER"))
    found = look(camera, path)
    assert "DATE-BEG" in found.timeless
    np.testing.assert_array_equal(read_all(camera, found)[0], camera.lines(0, 100))
    # 0.5 arcsec a line at 15.041 arcsec/s of hour angle, at latitude -30.
    assert found.strip.line_period == pytest.approx(0.5 / 15.041 / np.cos(np.radians(30)), rel=1e-4)
    camera.write(1, 0, 50, name="timed.fits", STRIP="s2", drop=("DATE-BEG",))
    known = look(camera, camera.folder / "timed.fits")
    assert known.timeless
    assert known.strip.line_period == 0.5


@pytest.mark.parametrize(
    ("options", "stored", "kind"),
    [
        ("", None, "plain"),
        ("", None, "tiled"),
        ("flip_lines = true", lambda x: x[::-1], "plain"),
        ("line_axis = 1", lambda x: x.T, "plain"),
        ("flip_columns = true", lambda x: x[:, ::-1], "plain"),
    ],
)
def test_groups_of_lines_are_those_of_the_strip(make_camera, options, stored, kind):
    camera = make_camera(options)
    camera.write(1, 0, 50, stored=stored, kind=kind)
    camera.write(2, 50, 50, stored=stored, kind=kind)
    strip = look(camera).strip
    starts = np.array([0, 7, 46, 48, 60, 97])
    raw, known = read_groups(strip, camera.config.raw, starts, 3)
    # The fourth begins in one file and ends in the next.
    np.testing.assert_array_equal(known, [True, True, True, False, True, True])
    for start, group in zip(starts[known], raw[known], strict=True):
        np.testing.assert_array_equal(group, camera.lines(start, 3))


@pytest.mark.parametrize("options", ["flip_lines = true", "line_axis = 1"])
def test_files_whose_lines_come_only_with_their_end_wait_for_it(make_camera, options):
    camera = make_camera(options)
    turn = (lambda x: x.T) if "axis" in options else (lambda x: x[::-1])
    path = camera.write(1, 0, 100, stored=turn)
    whole = path.read_bytes()
    cut_short(path, 2 * 30 * 60)
    with pytest.raises(UnfinishedError):
        look(camera, path)
    path.write_bytes(whole)
    assert look(camera, path).complete
