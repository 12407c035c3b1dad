"""The picture of equalisation: gain and cost from a real set of kernels, with units."""

import io
import json

import numpy as np
import pytest

from pipeline.report.equalisation_figure import describe_cost, draw_equalisation
from pipeline.stages.equalise import EqualiseOptions, make_equaliser
from pipeline.stages.psf_model import make_psf_model
from pipeline.tasks.equalisation import describe_equaliser


@pytest.fixture(scope="module")
def content():
    def path(columns):
        t = (np.arange(16) + 0.5) / 16 - 0.5
        x = np.asarray(columns)[:, None] / 100.0 - 1.0
        return 5.0 * x * t, 0.0 * x + 0.0 * t, np.ones((x.size, t.size))

    model = make_psf_model(
        [0.0, 1000.0], [2.5, 2.6], np.linspace(0, 199, 7), beta=3.5, path=path, optics=None,
        half_size=14,
    )  # fmt: skip
    made = describe_equaliser(make_equaliser(model, options=EqualiseOptions()), 200)
    return json.loads(json.dumps(made))


def test_panels_show_the_table(content):
    figure = draw_equalisation(content, title="Equalisation")
    first, second, noise, depth = figure.axes
    for axis, name in ((first, "along"), (second, "across")):
        before, after = (line.get_ydata() for line in axis.lines[:2])
        assert list(before) == content["table"][f"{name}_before"]
        assert list(after) == content["table"][f"{name}_after"]
        assert "[px]" in axis.get_ylabel()
    assert list(noise.lines[0].get_ydata()) == content["table"]["noise"]
    assert depth.get_ylabel() == "magnitude"
    assert all(a.get_xlabel() == "column [px]" for a in (noise, depth))
    figure.savefig(io.BytesIO(), format="png", dpi=110)


def test_sentence_says_gain_and_cost(content):
    before = np.array(content["table"]["along_before"])
    text = describe_cost(content)
    assert f"along the scan by {100 * np.ptp(before) / before.min():.0f} % before" in text
    assert f"{max(content['table']['depth_plain']):.2f} mag" in text
