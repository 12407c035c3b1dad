"""The picture of a season."""

import numpy as np
import pytest

from pipeline.report.season_figure import SeasonPanel, draw_season


def panel(n_nights=6, first=(0, 3)):
    rng = np.random.default_rng(1)
    f = 1.0 + 0.02 * rng.standard_normal(100)
    new = f * (1.0 + 0.01 * np.linspace(-1, 1, 100))
    rows = np.array([f if k < 3 else new for k in range(n_nights)])
    rows[:, 50] = np.nan
    nights = [f"2025-03-{k + 1:02d}" for k in range(n_nights)]
    return SeasonPanel("chip 1", nights, rows, first, np.array([f, new][: len(first)]))


def test_axes_have_labels_with_units_and_changes_are_marked():
    figure = draw_season([panel()])
    upper, lower, bar = figure.axes
    assert upper.get_xlabel() == "column [px]"
    assert "relative" in upper.get_ylabel()
    assert lower.get_ylabel() == "night"
    assert "[%]" in bar.get_ylabel()
    assert [t.get_text() for t in upper.get_legend().get_texts()] == [
        "2025-03-01 to 2025-03-03", "2025-03-04 to 2025-03-06",
    ]  # fmt: skip
    assert [t.get_text() for t in lower.texts] == ["response changed before 2025-03-04"]
    marks = [line.get_ydata()[0] for line in lower.lines]
    assert marks == [2.5]


def test_one_interval_and_many_panels():
    figure = draw_season([panel(first=(0,)), panel(n_nights=40, first=(0, 3))])
    assert len(figure.axes) == 6
    assert not figure.axes[1].lines
    assert len(figure.axes[3].get_yticks()) <= 14


def test_no_panel_is_refused():
    with pytest.raises(ValueError, match="at least one SeasonPanel"):
        draw_season([])
