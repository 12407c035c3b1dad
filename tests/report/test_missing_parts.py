"""Pages come although something was not measured, and keep nothing of the page before."""

from dataclasses import replace

import numpy as np
import pytest

from pipeline.flats import read_flats
from pipeline.report.figures import draw_calibration, draw_conditions
from pipeline.report.night_page import describe_night, find_cells
from pipeline.report.read import read_strip
from pipeline.report.season_page import describe_season
from pipeline.report.strip_part import describe_strip
from pipeline.verdict import Finding, Verdict

pytestmark = pytest.mark.xdist_group("reduction")
NIGHT = "2025-03-02"


@pytest.fixture(scope="module")
def strip(reduced):
    (path,) = reduced[0].glob(f"strips/{NIGHT}/*/solution.json")
    return read_strip(path.parent)


def test_a_strip_without_a_bin_of_lines_is_told(strip):
    empty = replace(strip, curves={name: v[:0] for name, v in strip.curves.items()})
    section = describe_strip(empty)
    assert any("no full bin" in note for note in section.notes)
    assert not any("conditions" in p.name for p in section.pictures)
    assert len(draw_conditions(empty.curves, title="empty").axes) == 4
    assert any("conditions" in p.name for p in describe_strip(strip).pictures)


def test_what_no_star_could_tell_is_named_on_the_page_and_in_the_picture(strip):
    nothing = np.full(strip.curves["line"].size, np.nan)
    unknown = ("fwhm", "fwhm_err", "zero_point", "zero_point_err", "extinction")
    dark = replace(strip, curves={**strip.curves, **dict.fromkeys(unknown, nothing)})
    notes = " ".join(describe_strip(dark).notes)
    assert "Seeing not measured" in notes
    assert "Zero point, magnitudes and cloud not measured" in notes
    assert "Sky not measured" not in notes
    figure = draw_conditions(dark.curves, title="dark")
    told = [[t.get_text() for t in ax.texts] for ax in figure.axes]
    assert told == [[], ["not measured"], ["not measured"], []]


def test_change_of_response_is_drawn_and_tabled(reduced):
    flats = read_flats(reduced[0])
    sections = describe_night(reduced[0], NIGHT, [], [], [], flats, find_cells(reduced[0]))
    (picture,) = next(s for s in sections if s.id == "calibration").pictures
    assert any(c.name.startswith("change ") and c.unit == "%" for c in picture.grid.columns)
    (path,) = flats.of(NIGHT)
    change = flats.change(path)
    figure = draw_calibration([("a", flats.vectors[path])], [], {"a": (change.relative, 1)})
    drawn = figure.axes[1].lines[0].get_ydata()
    np.testing.assert_allclose(drawn, 100.0 * change.relative)
    assert np.nanmax(np.abs(drawn)) > 0
    alone = draw_calibration([("a", flats.vectors[path])], [], {})
    assert [t.get_text() for t in alone.axes[1].texts] == ["no other night to compare with"]


def test_findings_of_nights_are_lines_of_text_not_only_cells(tmp_path):
    cloud = Finding("cloud", "s01", 1.0, 0.1, 0.3, "mag", "Cloud.", "usable")
    note = replace(cloud, fault="clock error", severity="note")
    verdicts = {"2025-03-03": Verdict("usable", (cloud, note)), "2025-03-02": Verdict("good", ())}
    section = describe_season(tmp_path, {}, verdicts, [], None)[0]
    assert section.links == [
        ("2025-03-02/index.html", "2025-03-02: good; nothing speaks against it"),
        ("2025-03-03/index.html", "2025-03-03: usable; cloud"),
    ]
