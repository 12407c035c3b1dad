"""The two forms of a picture differ in colours alone."""

from io import BytesIO

import matplotlib as mpl
import numpy as np
import pytest
from matplotlib.figure import Figure

from pipeline.report.ground import both_forms, save_both


def draw_bar():
    """A map beside its colour bar: what a second layout would move."""
    figure = Figure(figsize=(4.0, 3.0), layout="constrained", facecolor="white")
    axes = figure.subplots()
    shown = axes.imshow(np.arange(12.0).reshape(3, 4), aspect="auto")
    axes.set_ylabel("line")
    figure.colorbar(shown, ax=axes, extend="both")
    return figure


def places(figure):
    return np.array([axes.get_window_extent().bounds for axes in figure.axes])


@pytest.mark.parametrize("to_files", [False, True])
def test_dark_form_stands_where_the_light_one_does(tmp_path, to_files):
    once, twice = draw_bar(), draw_bar()
    once.savefig(BytesIO(), format="png", dpi=110)
    once.set_dpi(110)
    if to_files:
        save_both(twice, tmp_path, "bar")
    else:
        both_forms(twice)
    np.testing.assert_array_equal(places(twice), places(once))


def test_colours_of_the_forms():
    light, dark = (mpl.image.imread(BytesIO(form), format="png") for form in both_forms(draw_bar()))
    assert light.shape == dark.shape == (330, 440, 4)
    np.testing.assert_array_equal(light[0, 0], 1.0)
    assert 0.05 < dark[0, 0, :3].max() < 0.2
    middle = (slice(100, 200), slice(150, 250))  # of the map, which keeps its colours
    np.testing.assert_array_equal(light[middle], dark[middle])


def test_files_are_the_forms(tmp_path):
    save_both(draw_bar(), tmp_path, "bar")
    forms = both_forms(draw_bar())
    assert (tmp_path / "bar.png").read_bytes() == forms[0]
    assert (tmp_path / "bar-dark.png").read_bytes() == forms[1]
    assert len(list(tmp_path.iterdir())) == 2


def test_boxes_behind_words_turn_dark_too():
    figure = Figure(figsize=(2.0, 1.0), facecolor="white")
    figure.text(0.5, 0.5, "    ", ha="center", bbox={"fc": "white", "ec": "none"}, size=30)
    light, dark = (mpl.image.imread(BytesIO(form), format="png") for form in both_forms(figure))
    np.testing.assert_array_equal(light, 1.0)
    assert dark[..., :3].max() < 0.2


def test_curves_change_ink_to_light_and_keep_the_rest():
    figure = Figure(figsize=(2.0, 2.0), facecolor="white")
    for x, colour in ((0.25, "#333333"), (0.75, "#009E73")):
        figure.add_artist(mpl.lines.Line2D([x, x], [0.0, 1.0], color=colour, linewidth=20))
    light, dark = (mpl.image.imread(BytesIO(form), format="png") for form in both_forms(figure))
    np.testing.assert_allclose(light[110, 55, :3], 0.2, atol=0.01)
    assert dark[110, 55, :3].min() > 0.85
    np.testing.assert_array_equal(light[110, 165], dark[110, 165])
