"""The picture of star moments: all that is measured is in it, in panels with units."""

import io
import json

import numpy as np
import pytest

from pipeline.report.moments_figure import draw_moments


def make_table(*, check=True, wrong=()):
    at = np.linspace(0, 1023, 33)
    curve = {"ll": 2 + (at / 500 - 1) ** 2, "lc": at / 5000, "cc": 2 + 0 * at}
    table = {"column": at, "predicted": curve}
    if check:
        column = (np.arange(16) + 0.5) * 64
        panel = {"difference": [0.01] * 15 + [None], "noise": [0.01] * 15 + [None],
                 "error": [0.02] * 15 + [None], "chi2": 12.3, "n_bins": 15}  # fmt: skip
        table["check"] = {
            "column": column, "level": 0.1, "disagreeing": list(wrong),
            "ll": panel, "lc": panel, "cc": panel,
        }  # fmt: skip
    return json.loads(json.dumps(table, default=lambda a: a.tolist()))


@pytest.mark.parametrize("table", [make_table(), make_table(wrong=["lc"]), make_table(check=False)])
def test_every_panel_has_units_and_the_outcome(table):
    figure = draw_moments(table, title="Second moments")
    assert len(figure.axes) == 6
    top, low = figure.axes[:3], figure.axes[3:]
    assert "[px²]" in top[0].get_ylabel()
    assert "[px²]" in low[0].get_ylabel()
    assert all(a.get_xlabel() == "column [px]" for a in low)
    for name, panel, axis in zip(("ll", "lc", "cc"), low, top, strict=True):
        (text,) = [t.get_text() for t in panel.texts]
        if "check" not in table:
            assert text == "too few bright stars"
            continue
        assert text.startswith("χ² 12.3 / 15")
        assert ("disagrees" in text) == (name in table["check"]["disagreeing"])
        (points,) = axis.containers
        assert np.isfinite(points.lines[0].get_ydata()).sum() == 15
    figure.savefig(io.BytesIO(), format="png", dpi=110)


def test_points_lie_on_the_curve_where_nothing_differs():
    table = make_table()
    for name in ("ll", "lc", "cc"):
        table["check"][name]["difference"] = [0.0] * 16
    figure = draw_moments(table, title="")
    for axis in figure.axes[:3]:
        curve, points = axis.lines[0], axis.containers[0].lines[0]
        np.testing.assert_allclose(
            points.get_ydata(),
            np.interp(points.get_xdata(), curve.get_xdata(), curve.get_ydata()),
        )
