"""Raw files: found, checked, joined; what is wrong is said in words."""

import re
import warnings
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from astropy.io import fits
from astropy.time import Time, TimeDelta

from pipeline.errors import RawError
from pipeline.io.raw import find_strips, read_lines
from pipeline.strip import lines_to_mjd, mjd_to_lines

BEGIN = datetime(2025, 6, 12, 3, 0, 0, tzinfo=UTC)
PERIOD = 0.5
MJD = Time("2025-06-12T03:00:00", scale="utc").mjd


def only_strip(camera):
    inventory = find_strips(camera.folder, camera.config)
    assert len(inventory.strips) == 1, inventory.rejected
    return inventory.strips[0], dict(inventory.rejected)


def reasons(inventory):
    return "\n".join(reason for _, reason in inventory.rejected)


def test_segments_join_by_number_whatever_their_names(camera):
    for number, (first, name) in enumerate([(0, "z.fits"), (40, "a.fits"), (80, "m.fits")], 1):
        camera.write(number, first, 40, name=name)
    strip, rejected = only_strip(camera)
    assert not rejected
    assert [s.number for s in strip.segments] == [1, 2, 3]
    assert [s.first_line for s in strip.segments] == [0, 40, 80]
    assert (strip.name, strip.chip, strip.filter, strip.shutter_open) == ("s1", "c1", "r", True)
    assert strip.night == "2025-06-11"  # local noon before 03:00 UTC at 70 deg W
    assert strip.mjd_start == pytest.approx(MJD, abs=1e-10)
    assert (strip.n_lines, strip.n_raw_columns, strip.n_columns) == (120, 30, 24)
    assert strip.T0 == 8.0
    assert strip.gaps == ()
    assert strip.problems == ()
    raw, missing = read_lines(strip, camera.config.raw, 30, 90)
    assert raw.dtype == np.uint16
    assert not missing.any()
    np.testing.assert_array_equal(raw, camera.lines(30, 60))


def test_strips_are_in_order_of_time_and_kept_apart(camera):
    camera.write(1, 0, 40, name="b.fits", STRIP="late", time=BEGIN + timedelta(hours=1))
    camera.write(1, 0, 40, name="a.fits", STRIP="early")
    camera.write(1, 0, 40, name="c.fits", STRIP="dark", SHUTTER="closed ", drop=("FILTER",),
                 time=BEGIN - timedelta(hours=4))  # fmt: skip
    strips = find_strips(camera.folder, camera.config).strips
    assert [s.name for s in strips] == ["dark", "early", "late"]
    assert [s.shutter_open for s in strips] == [False, True, True]
    assert strips[0].filter == ""


def test_one_name_in_two_nights_is_two_strips(camera):
    camera.write(1, 0, 40, name="a.fits")
    camera.write(1, 0, 40, name="b.fits", time=BEGIN + timedelta(days=1))
    strips = find_strips(camera.folder, camera.config).strips
    assert [(s.name, s.night) for s in strips] == [("s1", "2025-06-11"), ("s1", "2025-06-12")]


def test_two_chips_with_one_name_get_names_of_their_own(camera):
    camera.write(1, 0, 40, name="a.fits", CHIP="north")
    camera.write(1, 0, 40, name="b.fits", CHIP="south")
    strips = find_strips(camera.folder, camera.config).strips
    assert [s.name for s in strips] == ["s1-north", "s1-south"]


def test_missing_segment_is_bridged_by_time(camera):
    camera.write(1, 0, 40)
    camera.write(3, 75, 40)  # the lost one had 35 lines
    strip, rejected = only_strip(camera)
    assert not rejected
    assert strip.gaps == ((40, 75),)
    assert strip.n_lines == 115
    assert "segment 2 is missing before segment 3: lines 40 to 74" in strip.problems[0]
    raw, missing = read_lines(strip, camera.config.raw, 30, 80)
    np.testing.assert_array_equal(missing, [False] * 10 + [True] * 35 + [False] * 5)
    np.testing.assert_array_equal(raw[~missing], np.r_[camera.lines(30, 10), camera.lines(75, 5)])
    assert (raw[missing] == 0).all()
    raw, missing = read_lines(strip, camera.config.raw, 45, 50)
    assert raw.shape == (5, 30)
    assert missing.all()


def test_missing_first_segment_is_said(camera):
    camera.write(2, 40, 40)
    strip, _ = only_strip(camera)
    assert len(strip.problems) == 1
    assert strip.problems[0] == (
        "segment 1 is missing: the strip begins with segment 2; taken to be as long as the others "
        "(40 lines): lines 0 to 39 have no data"
    )
    # Line 40 is the surviving file's first: its stars were crossing the chip before it.
    assert strip.gaps == ((0, 40),)
    assert strip.segments[0].first_line == 40
    assert strip.n_lines == 80
    assert strip.mjd_start == pytest.approx(MJD, abs=1e-10)
    raw, missing = read_lines(strip, camera.config.raw, 30, 50)
    np.testing.assert_array_equal(missing, [True] * 10 + [False] * 10)
    np.testing.assert_array_equal(raw[10:], camera.lines(40, 10))


def test_missing_first_segments_before_shorter_last(camera):
    """The last file of a strip is shorter and tells nothing about the lost ones."""
    camera.write(3, 80, 40)
    camera.write(4, 120, 40)
    camera.write(5, 160, 7)
    strip, _ = only_strip(camera)
    assert strip.gaps == ((0, 80),)
    assert "segments 1 to 2 are missing: the strip begins with segment 3" in strip.problems[0]
    assert strip.mjd_start == pytest.approx(MJD, abs=1e-10)


def test_missing_first_segment_of_unknown_length(camera):
    camera.write(2, 40, 40)
    camera.write(3, 80, 30)
    camera.write(4, 110, 40)
    strip, _ = only_strip(camera)
    assert not strip.gaps
    assert strip.mjd_start == pytest.approx(MJD + 20 / 86400, abs=1e-10)
    assert "the others differ in length, so the lines lost cannot be counted" in strip.problems[0]
    assert "its first 16 lines are taken as a ramp" in strip.problems[0]


def test_missing_first_segment_where_the_end_is_timed(make_camera):
    camera = make_camera('time_refers_to = "strip_end"')
    for number in (2, 3):
        camera.write(number, 40 * (number - 1), 40, time=BEGIN)
    strip, _ = only_strip(camera)
    assert strip.gaps == ((0, 40),)
    assert strip.n_lines == 120
    assert strip.mjd_stop == pytest.approx(MJD, abs=1e-10)
    assert "segment 1 is missing" in strip.problems[0]


@pytest.mark.parametrize(("n_stage", "lead"), [(16, 256), (256, 256), (257, 512)])
@pytest.mark.parametrize("refers", ["first_line", "strip_end"])
def test_strip_that_starts_full(make_camera, n_stage, lead, refers):
    """The scan ran before the file began: whole bins of lines without data come first."""
    camera = make_camera(
        f'starts_full = true\ntime_refers_to = "{refers}"',
        edits=[("n_stage = 16", f"n_stage = {n_stage}")],
    )
    own = refers == "first_line"
    camera.write(1, 0, 8, time=None if own else BEGIN)
    camera.write(2, 8, 4, time=None if own else BEGIN)
    strip, rejected = only_strip(camera)
    assert not rejected
    assert not strip.problems  # not "all ramp", though it has fewer lines than the chip rows
    assert strip.gaps[0] == (0, lead)
    assert [s.first_line for s in strip.segments] == [lead, lead + 8]
    assert strip.n_lines == lead + 12
    first = MJD if own else MJD - 11 * PERIOD / 86400
    assert float(lines_to_mjd(strip, np.array([lead]))[0]) == pytest.approx(first, abs=1e-10)
    assert strip.mjd_start == pytest.approx(first - lead * PERIOD / 86400, abs=1e-10)
    raw, missing = read_lines(strip, camera.config.raw, lead - 2, lead + 3)
    np.testing.assert_array_equal(missing, [True] * 2 + [False] * 3)
    np.testing.assert_array_equal(raw[2:], camera.lines(0, 3))


def test_strip_that_starts_full_and_lost_its_first_segment(make_camera):
    camera = make_camera("starts_full = true")
    camera.write(2, 40, 40)
    strip, _ = only_strip(camera)
    assert strip.gaps == ((0, 256),)
    assert strip.problems == ("segment 1 is missing: the strip begins with segment 2",)


def test_damaged_segment_becomes_a_gap(camera):
    for number in (1, 2, 3):
        path = camera.write(number, 40 * (number - 1), 40)
        if number == 2:
            damaged = path
    data = damaged.read_bytes()
    damaged.write_bytes(data[:4000])
    strip, rejected = only_strip(camera)
    assert strip.gaps == ((40, 80),)
    message = rejected[str(damaged)]
    # 2880 bytes of header, 40 x 30 x 2 of data
    assert re.search(r"002.fits: truncated: 4000 bytes found, 5280 expected .*copy it", message)


def test_data_without_padding_are_whole(camera):
    path = camera.write(1, 0, 40)
    path.write_bytes(path.read_bytes()[: 2880 + 40 * 30 * 2])
    strip, _ = only_strip(camera)
    np.testing.assert_array_equal(
        read_lines(strip, camera.config.raw, 0, 40)[0], camera.lines(0, 40)
    )


def test_segment_that_vanishes_after_the_check(camera, caplog):
    camera.write(1, 0, 40)
    camera.write(2, 40, 40)
    strip, _ = only_strip(camera)
    (camera.folder / "002.fits").unlink()
    with caplog.at_level("WARNING"):
        raw, missing = read_lines(strip, camera.config.raw, 30, 50)
    np.testing.assert_array_equal(missing, [False] * 10 + [True] * 10)
    np.testing.assert_array_equal(raw[:10], camera.lines(30, 10))
    assert "strip s1: lines 40 to 49 have no data: 002.fits: cannot be read" in caplog.text


def test_segment_that_changes_after_the_check(camera, caplog):
    path = camera.write(1, 0, 40)
    strip, _ = only_strip(camera)
    path.unlink()
    camera.write(1, 0, 39)
    with caplog.at_level("WARNING"):
        _, missing = read_lines(strip, camera.config.raw, 0, 40)
    assert missing.all()
    assert "changed since it was checked: found 39 lines of 30 columns" in caplog.text


@pytest.mark.parametrize(
    ("content", "match"),
    [
        (b"", r"001.fits: empty file \(0 bytes\); copy it again"),
        (b"not a picture at all" * 300, "001.fits: not a FITS file .*SIMPLE"),
        (b"SIMPLE  =                    T" + b" " * 500, "001.fits: truncated within a header"),
        (
            (b"SIMPLE  =                    T".ljust(80) + b"BITPIX  =  16".ljust(80)).ljust(2880)
            + b" " * 2880 * 2,
            "001.fits: truncated within a header|no END",
        ),
        (
            b"SIMPLE  =                    T".ljust(80) + b"\xff".ljust(80) + b"END".ljust(2720),
            "no ASCII text",
        ),
        (
            b"SIMPLE  =                    T".ljust(80) + b"NAXIS   = 2".ljust(80)
            + b"END".ljust(2720),
            "HDU 0 does not state its size",
        ),
        (b"\x1f\x8bnot really packed", "001.fits: cannot be read"),
    ],
    ids=["empty", "text", "header", "no-end", "bytes", "size", "gzip"],
)  # fmt: skip
def test_unreadable_file(camera, content, match):
    (camera.folder / "001.fits").write_bytes(content)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        inventory = find_strips(camera.folder, camera.config)
    assert inventory.strips == ()
    assert re.search(match, reasons(inventory))


@pytest.mark.parametrize(
    ("cards", "match"),
    [
        (
            {"drop": ("LINEPER",)},
            r"keyword LINEPER \(raw.keywords.line_period\): found none, .*add",
        ),
        ({"LINEPER": -0.5}, "keyword LINEPER .*: found -0.5, expected a positive number"),
        ({"LINEPER": "fast"}, r"found 'fast', expected a positive number \(seconds per line\)"),
        ({"drop": ("FILTER",)}, r"keyword FILTER .*found none, .*or set raw.constants.filter"),
        ({"drop": ("STRIP",)}, "keyword STRIP .*found none"),
        ({"drop": ("SEGMENT",)}, "keyword SEGMENT .*found none"),
        ({"SEGMENT": "one"}, "keyword SEGMENT .*found 'one', expected a whole number, 0 or more"),
        ({"SEGMENT": 1.5}, "keyword SEGMENT .*found 1.5, expected a whole number"),
        ({"drop": ("DATE-BEG",)}, "keyword DATE-BEG .*found none"),
        ({"time": "2025-06-12"}, "keyword DATE-BEG .*: found '2025-06-12', expected YYYY-MM-DDThh"),
        ({"time": "2025-13-12T00:00:00"}, "found '2025-13-12T00:00:00', expected a date and time"),
        ({"time": "1925-06-12T00:00:00"}, "expected a time between 1972 and 2100"),
        ({"time": 60000.5}, "keyword DATE-BEG .*: found 60000.5, expected YYYY-MM-DD"),
        ({"TIMESYS": "UT1"}, "expected a time in TIMESYS UTC, TAI, TT or GPS .*'UT1'"),
        ({"data": np.zeros((40, 29), np.uint16)}, "NAXIS1: found 29, expected at least 30"),
        ({"data": np.zeros((2, 40, 30), np.uint16)}, "found an image of 30 x 40 x 2 pixels"),
        ({"data": np.zeros((40,), np.uint16)}, "found an image of 40 pixels, expected two axes"),
    ],
    ids=lambda v: str(v)[:24].replace(" ", ""),
)
def test_wrong_header(camera, cards, match):
    camera.write(1, 0, 40, **cards)
    inventory = find_strips(camera.folder, camera.config)
    assert inventory.strips == ()
    assert re.search(
        "001.fits: " + (match if "keyword" in match else f".*{match}"), reasons(inventory)
    )


def test_all_faults_of_a_file_at_once(camera):
    camera.write(1, 0, 40, drop=("FILTER", "STRIP"), LINEPER=0)
    text = reasons(find_strips(camera.folder, camera.config))
    assert all(word in text for word in ("FILTER", "STRIP", "LINEPER"))


def test_keyword_twice_with_two_values(camera):
    path = camera.write(1, 0, 40)
    data = path.read_bytes().replace(b"CHIP    = 'c1      '", b"FILTER  = 'g       '")
    path.write_bytes(data)
    text = reasons(find_strips(camera.folder, camera.config))
    assert "001.fits: keyword FILTER: contradicts itself, found 'r', 'g', expected one" in text


def test_primary_and_extension_that_contradict(make_camera):
    camera = make_camera("hdu = 1")
    header = fits.getheader(camera.write(1, 0, 40, name="plain.dat"))
    primary = fits.PrimaryHDU()
    primary.header["FILTER"] = "g"
    image = fits.ImageHDU(camera.lines(0, 40), header)
    fits.HDUList([primary, image]).writeto(camera.folder / "001.fits")
    text = reasons(find_strips(camera.folder, camera.config))
    assert "keyword FILTER: contradicts itself, found 'r', 'g'" in text


def test_malformed_card(camera):
    path = camera.write(1, 0, 40)
    path.write_bytes(path.read_bytes().replace(b"LINEPER =                  0.5",
                                               b"LINEPER =              0.5.7.1"))  # fmt: skip
    text = reasons(find_strips(camera.folder, camera.config))
    assert re.search("001.fits: keyword LINEPER.*(malformed|found)", text)


def test_empty_hdu(make_camera):
    camera = make_camera()
    fits.HDUList([fits.PrimaryHDU(), fits.ImageHDU(camera.lines(0, 4))]).writeto(
        camera.folder / "001.fits"
    )
    assert "no image in HDU 0; it is empty; set raw.hdu" in reasons(
        find_strips(camera.folder, camera.config)
    )


def test_hdu_beyond_the_end(make_camera):
    camera = make_camera("hdu = 2")
    camera.write(1, 0, 40)
    assert "no image in HDU 2; the file ends after HDU 0" in reasons(
        find_strips(camera.folder, camera.config)
    )


def test_table_instead_of_image(make_camera):
    camera = make_camera("hdu = 1")
    table = fits.BinTableHDU.from_columns([fits.Column("a", "J", array=[1])])
    fits.HDUList([fits.PrimaryHDU(), table]).writeto(camera.folder / "001.fits")
    assert "HDU 1 holds a BINTABLE, expected an image" in reasons(
        find_strips(camera.folder, camera.config)
    )


def test_width_given(make_camera):
    camera = make_camera("width = 31")
    camera.write(1, 0, 40)
    assert "NAXIS1: found 30, expected 31 (raw.width)" in reasons(
        find_strips(camera.folder, camera.config)
    )


@pytest.mark.parametrize(
    ("cards", "match"),
    [
        (
            {"FILTER": "g"},
            "keyword FILTER: found filter 'g', expected 'r' as in the rest of strip s1",
        ),
        ({"LINEPER": 0.51}, "keyword LINEPER: found a line period of 0.51 s, expected 0.5 s"),
        ({"SHUTTER": "CLOSED"}, "keyword SHUTTER: found shutter state False, expected True"),
        ({"data": np.zeros((40, 32), np.uint16)}, "NAXIS1: found raw columns 32, expected 30"),
        ({"data": np.zeros((40, 30), np.float32)}, "BITPIX: found pixel type -32, expected 16"),
    ],
    ids=["filter", "period", "shutter", "width", "type"],
)
def test_segment_unlike_the_rest_is_left_out(camera, cards, match):
    camera.write(1, 0, 40)
    camera.write(2, 40, 40, **cards)
    camera.write(3, 80, 40)
    strip, rejected = only_strip(camera)
    assert strip.gaps == ((40, 80),)
    (reason,) = rejected.values()
    assert re.search(f"002.fits: {match}", reason)
    assert reason in strip.problems


def test_copy_of_a_segment_is_left_out(camera):
    camera.write(1, 0, 40)
    camera.write(1, 0, 40, name="001 copy.fits")
    strip, rejected = only_strip(camera)
    assert strip.n_lines == 40
    (reason,) = rejected.values()
    assert "duplicate segment number 1 of strip s1, a copy of" in reason


def test_two_segments_with_one_number_are_both_left_out(camera):
    camera.write(1, 0, 40)
    camera.write(2, 40, 40)
    camera.write(2, 80, 40, name="other.fits")
    camera.write(3, 120, 40)
    strip, rejected = only_strip(camera)
    assert strip.gaps == ((40, 120),)
    assert len(rejected) == 2
    assert all("duplicate segment number 2" in r and "differs from" in r for r in rejected.values())


def test_overlap_in_time_is_left_out(camera):
    camera.write(1, 0, 40)
    camera.write(2, 40, 40, time=BEGIN + timedelta(seconds=10))
    camera.write(3, 80, 40)
    strip, rejected = only_strip(camera)
    assert strip.gaps == ((40, 80),)
    (reason,) = rejected.values()
    assert re.search(
        r"002.fits: keyword DATE-BEG: found 2025-06-12T03:00:10.000, expected "
        r"2025-06-12T03:00:20.000 at the end of segment 1 \(001.fits\).*contradict.*correct",
        reason,
    )


def test_wrong_clock_of_the_first_segment(camera):
    camera.write(1, 0, 40, time=BEGIN - timedelta(days=9000))
    camera.write(2, 40, 40)
    camera.write(3, 80, 40)
    strip, rejected = only_strip(camera)
    assert [s.number for s in strip.segments] == [2, 3]
    (reason,) = rejected.values()
    assert "expected 2025-06-12T03:00:00.000 or earlier" in reason


def test_clock_jump_is_a_gap(camera):
    camera.write(1, 0, 40)
    camera.write(2, 44, 40)
    strip, rejected = only_strip(camera)
    assert not rejected
    assert strip.gaps == ((40, 44),)
    assert "the clock jumps by 2.000 s before segment 2: lines 40 to 43" in strip.problems[0]


def test_late_clock_of_one_segment_in_the_middle(camera):
    """A wrong clock is likelier than lost lines that later come back."""
    camera.write(1, 0, 40)
    camera.write(2, 40, 40, time=BEGIN + timedelta(seconds=26))
    camera.write(3, 80, 40)
    strip, rejected = only_strip(camera)
    assert [s.number for s in strip.segments] == [1, 3]
    assert "002.fits" in next(iter(rejected))


def test_slightly_wrong_line_period_is_named(camera):
    """Segments that overlap a little fit another line period, which the message gives."""
    for number in range(1, 4):
        first = 400 * (number - 1)
        camera.write(number, first, 400, time=BEGIN + timedelta(seconds=first * 0.499))
    _, rejected = only_strip(camera)
    assert any("their times would fit a line period of 0.499" in r for r in rejected.values())


def test_tolerance_of_whole_second_clocks(make_camera):
    camera = make_camera("time_tolerance = 1.0")
    camera.write(1, 0, 41)
    camera.write(2, 41, 40, time=BEGIN + timedelta(seconds=20))
    strip, rejected = only_strip(camera)
    assert not rejected
    assert strip.gaps == ()


def test_same_time_everywhere_names_the_remedy(camera):
    camera.write(1, 0, 40)
    camera.write(2, 40, 40, time=BEGIN)
    inventory = find_strips(camera.folder, camera.config)
    assert not inventory.strips
    assert "set raw.time_refers_to to 'shutter_open' or 'strip_end'" in reasons(inventory)


@pytest.mark.parametrize(
    ("refers", "start"), [("shutter_open", MJD), ("strip_end", MJD - 119 * 0.5 / 86400)]
)
def test_one_time_for_the_whole_strip(make_camera, refers, start):
    camera = make_camera(f'time_refers_to = "{refers}"')
    for number in (1, 3):
        camera.write(number, 40 * (number - 1), 40, time=BEGIN)
    strip, rejected = only_strip(camera)
    assert not rejected
    assert strip.gaps == ((40, 80),)
    assert strip.n_lines == 120
    assert "segment 2 is missing, taken to be as long as the others (40 lines)" in strip.problems[0]
    assert strip.mjd_start == pytest.approx(start, abs=1e-10)


def test_first_segment_lost_where_the_shutter_is_timed(make_camera):
    camera = make_camera('time_refers_to = "shutter_open"')
    camera.write(2, 40, 40, time=BEGIN)
    camera.write(3, 80, 20, time=BEGIN)
    strip, _ = only_strip(camera)
    assert strip.gaps == ((0, 40),)
    assert strip.n_lines == 100
    assert len(strip.problems) == 1


@pytest.mark.parametrize(("refers", "kept"), [("shutter_open", [1, 2]), ("strip_end", [4])])
def test_hole_of_unknown_length_without_times(make_camera, refers, kept):
    camera = make_camera(f'time_refers_to = "{refers}"')
    camera.write(1, 0, 40, time=BEGIN)
    camera.write(2, 40, 30, time=BEGIN)
    camera.write(4, 100, 40, time=BEGIN)
    strip, rejected = only_strip(camera)
    assert [s.number for s in strip.segments] == kept
    assert all("cannot be placed: segment 3 is missing" in r for r in rejected.values())


def test_strip_time_that_differs(make_camera):
    camera = make_camera('time_refers_to = "shutter_open"')
    camera.write(1, 0, 40, time=BEGIN)
    camera.write(2, 40, 40, time=BEGIN)
    camera.write(3, 80, 40)
    strip, rejected = only_strip(camera)
    assert [s.number for s in strip.segments] == [1, 2]
    assert "set raw.time_refers_to to 'first_line'" in next(iter(rejected.values()))


def test_unnumbered_segments_follow_their_times(make_camera):
    camera = make_camera(edits=[('segment = "SEGMENT"\n', "")])
    camera.write(1, 40, 40, name="a.fits", drop=("SEGMENT",))
    camera.write(1, 0, 40, name="b.fits", drop=("SEGMENT",))
    strip, _ = only_strip(camera)
    assert [s.path.rsplit("/")[-1] for s in strip.segments] == ["b.fits", "a.fits"]


def test_unnumbered_segments_with_one_time_cannot_be_ordered(make_camera):
    camera = make_camera('time_refers_to = "shutter_open"', [('segment = "SEGMENT"\n', "")])
    camera.write(1, 0, 40, name="a.fits", time=BEGIN)
    camera.write(1, 40, 40, name="b.fits", time=BEGIN)
    assert "cannot be put in order" in reasons(find_strips(camera.folder, camera.config))


def test_file_is_a_strip_without_strip_keyword(make_camera):
    camera = make_camera(edits=[('strip = "STRIP"\n', "")])
    camera.write(1, 0, 40, name="night one.fits", drop=("STRIP",))
    strip, _ = only_strip(camera)
    assert strip.name == "night_one"


@pytest.mark.parametrize(
    ("options", "time", "card"),
    [
        ('start_time_format = "mjd"', MJD, {}),
        ('start_time_format = "mjd"', f"{MJD:.11f}", {}),
        ('start_time_format = "jd"', 2400000.5 + MJD, {}),
        ("", "2025-06-12 03:00:00.000Z", {}),
        ("", "2025-06-12T03:00:37", {"TIMESYS": "TAI"}),
        ("", "2025-06-12T03:01:09.184", {"TIMESYS": "TT"}),
        ("", "2025-06-12T03:00:18", {"TIMESYS": "GPS"}),
        ("", "2025-06-12T03:00:00", {"TIMESYS": "UTC"}),
    ],
)
def test_ways_to_write_a_time(make_camera, options, time, card):
    """TAI - UTC is 37 s since 2017 (IERS Bulletin C 52); TT - TAI 32.184 s; TAI - GPS 19 s."""
    camera = make_camera(options)
    camera.write(1, 0, 40, time=time, **card)
    strip, _ = only_strip(camera)
    tolerance = 5e-10 if "jd" in options else 1e-10  # a double holds a Julian date to 4e-10 d
    assert strip.mjd_start == pytest.approx(MJD, abs=tolerance, rel=0)


def test_lines_per_second(make_camera):
    camera = make_camera("line_rate_given = true")
    camera.write(1, 0, 40, LINEPER=2)
    assert only_strip(camera)[0].line_period == 0.5


def test_constants_replace_keywords(make_camera):
    camera = make_camera(edits=[
        ('filter = "FILTER"\nshutter = "SHUTTER"\n', ""),
        ('chip = "CHIP"\n', '[raw.constants]\nfilter = "white"\nshutter = "closed"\nchip = 7\n'),
    ])  # fmt: skip
    camera.write(1, 0, 40, drop=("FILTER", "SHUTTER", "CHIP"))
    strip, _ = only_strip(camera)
    assert (strip.filter, strip.shutter_open, strip.chip) == ("white", False, "7")


def test_leap_second_within_a_strip(camera):
    """2016-12-31 had 86401 s (IERS Bulletin C 52): lines stay 0.5 s apart."""
    camera.write(1, 0, 40, time="2016-12-31T23:59:50")
    camera.write(2, 40, 40, time="2017-01-01T00:00:09")
    strip, rejected = only_strip(camera)
    assert not rejected
    assert strip.gaps == ()
    lines = np.array([0.0, 21.0, 22.0, 79.0])
    mjd = lines_to_mjd(strip, lines)
    expected = Time("2016-12-31T23:59:50", scale="utc").tai + TimeDelta(lines * 0.5, format="sec")
    np.testing.assert_allclose(
        (Time(mjd, format="mjd", scale="utc").tai - expected).sec, 0, atol=2e-6
    )
    np.testing.assert_allclose(mjd_to_lines(strip, mjd), lines, atol=2e-5)


def test_leap_second_itself_can_be_a_start(camera):
    camera.write(1, 0, 40, time="2016-12-31T23:59:60.5")
    strip, _ = only_strip(camera)
    assert Time(strip.mjd_start, format="mjd", scale="utc").isot.startswith("2016-12-31T23:59:60.5")


def test_short_strip_is_said_to_be_all_ramp(camera):
    camera.write(1, 0, 12)
    assert "all ramp: 12 lines, n_stage is 16" in only_strip(camera)[0].problems[0]


def test_empty_folder(camera):
    with pytest.raises(RawError, match=r"no file matches raw.pattern = '\*.fits\*'; give another"):
        find_strips(camera.folder, camera.config)


def test_no_folder(camera):
    with pytest.raises(RawError, match="no such folder; give the folder of the raw files"):
        find_strips(camera.folder / "nowhere", camera.config)


def test_reason_for_every_file_and_one_strip_goes_on(camera):
    """One bad file among good ones stops nothing."""
    camera.write(1, 0, 40)
    (camera.folder / "002.fits").write_bytes(b"")
    camera.write(1, 0, 40, name="other.fits", STRIP="s2")
    inventory = find_strips(camera.folder, camera.config)
    assert len(inventory.strips) == 2
    assert len(inventory.rejected) == 1
    assert repr(inventory) == "<RawInventory: 2 strips of 2 segments, 1 files rejected>"
