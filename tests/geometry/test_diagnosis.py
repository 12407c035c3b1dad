"""Bad first guesses: each is recognised, and named with the key and value that would be right."""

import pickle
import re
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from pipeline.config import load_config
from pipeline.errors import MirrorError, SolutionError
from pipeline.geometry.diagnosis import doubt_line_period
from pipeline.geometry.match import MatchOptions, match_stars
from pipeline.strip import Segment, Strip
from pipeline.tasks.explain import check_line_period, explain_failure, file_edges

OPTIONS = MatchOptions()
CONFIGS = Path(__file__).parents[2] / "configs"
SIDEREAL = 15.041067  # arcsec/s


@pytest.fixture(scope="module")
def config():
    return load_config(CONFIGS / "saltpan-ridge.toml").with_value("pointing.declination", None)


def explain(config, guess, stars, *, references=None, detections=None, edges=None):
    """Message of the failed match, as a strip's remarks tell it."""
    detections, references = detections or stars.detections, references or stars.references
    with pytest.raises(SolutionError) as caught:
        match_stars(guess, detections, references, options=OPTIONS, file_edges=edges)
    return explain_failure(config, guess, detections, references, caught.value, options=OPTIONS)


# Line period.


@pytest.mark.parametrize("factor", [0.8, 1.2])
def test_line_period_that_does_not_fit_the_latitude(telescope, config, factor):
    guess, truth = telescope.make_pair()
    stars = telescope.simulate(truth, np.random.default_rng(1))
    wrong = replace(guess, line_period=factor * guess.line_period)
    text = explain(config, wrong, stars)
    assert text.startswith("no pattern of the")
    right = 0.55 / (SIDEREAL * np.cos(np.radians(46.2)))
    found = float(re.search(r"one pixel in ([0-9.]+) s", text)[1])
    assert found == pytest.approx(right, rel=1e-4)
    assert "observatory.latitude = -46.2 cannot both be right" in text
    assert "LINEPER (raw.keywords.line_period)" in text
    # What latitude has stars that slow or fast: by the formula, on both sides of the equator.
    place = np.degrees(np.arccos(0.55 / (SIDEREAL * factor * guess.line_period)))
    assert f"fits a latitude of {-place:+.2f} or {place:+.2f} deg" in text


def test_line_period_that_no_latitude_fits(telescope):
    guess, _ = telescope.make_pair()
    doubt = doubt_line_period(replace(guess, line_period=0.5 * guess.line_period), limit=0.01)
    assert doubt.fitting_declinations_deg == ()
    assert doubt.fitting_scale == pytest.approx(0.275, rel=2e-3)
    assert doubt.excess == pytest.approx(-0.5, abs=1e-3)


@pytest.mark.parametrize("mismatch", [0.992, 1.0, 1.008])
def test_a_slightly_wrong_line_period_is_believed(telescope, mismatch):
    guess, _ = telescope.make_pair(mismatch=mismatch)
    assert doubt_line_period(guess, limit=0.01) is None


def make_strip(config, **changes):
    return Strip(
        **{
            "name": "s", "night": "2025-03-02", "chip": "1", "filter": "r", "shutter_open": True,
            "mjd_start": 60737.0, "line_period": 0.05283, "n_lines": 20000,
            "n_columns": config.camera.columns, "n_raw_columns": config.camera.columns + 32,
            "n_stage": config.camera.n_stage, "amplifiers": (),
            "segments": (Segment("a", 1, 0, 12000), Segment("b", 2, 12000, 8000)),
            **changes,
        }
    )  # fmt: skip


def test_line_period_is_doubted_before_pixels_are_read(config):
    assert check_line_period(config, make_strip(config)) == ""
    wrong = make_strip(config, line_period=0.0634)
    assert "a line period of 0.0634 s and observatory.latitude = -46.2" in check_line_period(
        config, wrong
    )
    # With the shutter closed nothing drifts.
    assert check_line_period(config, replace(wrong, shutter_open=False)) == ""
    pointed = config.with_value("pointing.declination", -20.0)
    assert "pointing.declination = -20" in check_line_period(pointed, make_strip(config))


# Hemisphere.


def test_latitude_of_the_wrong_sign_with_a_catalogue_of_the_true_sky(telescope, config):
    guess, truth = telescope.make_pair()
    stars = telescope.simulate(truth, np.random.default_rng(1))
    wrong = replace(guess, latitude_deg=46.2, axis_declination_deg=46.2)
    text = explain(config, wrong, stars)
    counts = r" 0 reference stars lie in the band about \+46.20 deg, 2\d\d in that about -46.20"
    assert re.search(counts, text)
    assert "set observatory.latitude = -46.2" in text


def test_latitude_of_the_wrong_sign_with_a_catalogue_of_the_whole_sky(telescope, config):
    guess, truth = telescope.make_pair()
    here = telescope.simulate(truth, np.random.default_rng(1))
    wrong = replace(guess, latitude_deg=46.2, axis_declination_deg=46.2)
    there = telescope.simulate(wrong, np.random.default_rng(2)).references
    names = ("ra_deg", "dec_deg", "ra_err_mas", "dec_err_mas", "mag")
    both = replace(
        there,
        **{n: np.concatenate([getattr(there, n), getattr(here.references, n)]) for n in names},
    )
    text = explain(config, wrong, here, references=both)
    assert "no pattern" in text
    assert "set observatory.latitude = -46.2" in text


def test_catalogue_whose_declinations_lost_their_sign(telescope, config):
    guess, truth = telescope.make_pair()
    stars = telescope.simulate(truth, np.random.default_rng(1))
    lost = replace(stars.references, dec_deg=np.abs(stars.references.dec_deg))
    text = explain(config, guess, stars, references=lost)
    assert "(reference.columns.dec) has the wrong sign" in text


def test_catalogue_of_the_other_hemisphere(telescope, config):
    guess, truth = telescope.make_pair()
    stars = telescope.simulate(truth, np.random.default_rng(1))
    other = replace(guess, latitude_deg=46.2, axis_declination_deg=46.2)
    there = telescope.simulate(other, np.random.default_rng(2)).references
    text = explain(config, guess, stars, references=there)
    assert "the catalogue is of the other hemisphere, or the sign is wrong" in text
    assert "reference.path that covers -46.20 deg" in text


def test_wrong_field_of_the_same_hemisphere_is_not_blamed_on_a_sign(telescope, config):
    guess, truth = telescope.make_pair()
    stars = telescope.simulate(truth, np.random.default_rng(1))
    north = replace(stars.references, dec_deg=stars.references.dec_deg + 20.0)
    text = explain(config, guess, stars, references=north)
    assert "sign" not in text.partition("Likely cause")[2]
    assert "only 0 reference stars lie on the strip" in text


# Mirrors.


def turned(stars, truth, *, columns, edges=None):
    line, column = stars.detections.line.copy(), stars.detections.column
    if edges:
        for low, high in pairwise(edges):
            inside = (stars.detections.line >= low - 0.5) & (stars.detections.line < high - 0.5)
            line[inside] = low + high - 1 - stars.detections.line[inside]
    if columns:
        column = 2 * truth.camera.centre_column - column
    return replace(stars.detections, line=line, column=column)


@pytest.mark.parametrize(
    ("columns", "edges", "remedy"),
    [
        (True, None, "set camera.column_sign = -1"),
        (False, (0, 12000), "set raw.flip_lines = true"),
        # Each file is stored backwards, and they follow each other all the same.
        (False, (0, 5000, 9000, 12000), "set raw.flip_lines = true"),
        (True, (0, 5000, 9000, 12000), "set camera.column_sign = -1 and raw.flip_lines = true"),
    ],
    ids=["columns", "lines", "lines of files", "turned by 180 deg"],
)
def test_mirrors_name_the_value_that_would_be_right(telescope, config, columns, edges, remedy):
    guess, truth = telescope.make_pair()
    stars = telescope.simulate(truth, np.random.default_rng(1), n=600)
    seen = turned(stars, truth, columns=columns, edges=edges)
    text = explain(config, guess, stars, detections=seen, edges=edges)
    assert text.startswith("the stars match as a mirror image")
    assert text.endswith(f"Likely cause: {remedy}")


def test_the_remedy_is_the_opposite_of_what_is_configured(telescope, config):
    guess, truth = telescope.make_pair(column_sign=-1)
    stars = telescope.simulate(truth, np.random.default_rng(1))
    other = config.with_value("camera.column_sign", -1).with_value("raw.flip_lines", value=True)
    error = MirrorError("mirrored", columns=True, lines=True)
    text = explain_failure(other, guess, stars.detections, stars.references, error, options=OPTIONS)
    assert text.endswith("set camera.column_sign = 1 and raw.flip_lines = false")
    again = pickle.loads(pickle.dumps(error))  # noqa: S301 - our own
    assert (str(again), again.columns, again.lines) == ("mirrored", True, True)


def test_file_edges_are_those_of_the_segments(config):
    assert file_edges(make_strip(config)) == (0, 12000, 20000)


# Too few stars.


def test_too_few_stars_say_how_many_and_what_to_do(telescope, config):
    guess, truth = telescope.make_pair()
    stars = telescope.simulate(truth, np.random.default_rng(1), n=3, lost=0.0, false=0.0)
    text = explain(config, guess, stars)
    assert text.startswith("only 3 stars detected in the strip, at least 4 are needed")
    assert "detection.threshold" in text
