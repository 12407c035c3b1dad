from dataclasses import fields, replace

import numpy as np
import pytest

from pipeline.errors import SolutionError
from pipeline.geometry.match import (
    Detections,
    MatchOptions,
    References,
    match_nearest,
    match_stars,
)

OPTIONS = MatchOptions()


def purity(match, simulated):
    return np.mean(simulated.true_reference[match.detection] == match.reference)


@pytest.mark.parametrize(
    "off",
    [
        {},
        {"clock": -30.0, "declination_off": -0.083, "rotation": -0.5, "scale": 0.997},
        {"clock": 30.0, "declination_off": 0.083, "rotation": 0.5, "scale": 1.003},
        {"n_columns": 4096, "n_stage": 4096, "n_lines": 30000, "rotation": 0.5, "scale": 0.997},
        {"column_sign": -1, "latitude": 33.0},
        {"n_lines": 1000000},
    ],
)
def test_poor_first_guesses_are_matched(telescope, off):
    """30 s of clock, 5 arcmin of pointing, 0.5 degrees, 0.3 %: all at once."""
    guess, truth = telescope.make_pair(**off)
    stars = telescope.simulate(truth, np.random.default_rng(1))
    match = match_stars(guess, stars.detections, stars.references, options=OPTIONS)
    real = np.count_nonzero(stars.true_reference >= 0)
    assert len(match.detection) > 0.95 * real
    assert purity(match, stars) > 0.99
    assert len(set(match.detection)) == len(set(match.reference)) == len(match.detection)
    assert match.log10_false_alarm < -20
    # The adjusted guess predicts the stars to a pixel or two.
    line, column = match.guess.sky_to_strip(stars.references.ra_deg, stars.references.dec_deg)
    found = stars.true_reference >= 0
    true = stars.true_reference[found]
    assert np.max(np.abs(line[true] - stars.detections.line[found])) < 2
    assert np.max(np.abs(column[true] - stars.detections.column[found])) < 2


@pytest.mark.parametrize(
    "lists",
    [
        {"n": 100, "undetected": 900},  # reference ten times deeper
        {"n": 1000, "lost": 0.0, "catalogue": 100},  # and ten times shallower
        {"n": 100, "lost": 0.3, "false": 0.5},
    ],
)
@pytest.mark.parametrize("n_lines", [4000, 30000])
def test_unequal_lists_are_matched(telescope, lists, n_lines):
    lists = dict(lists)
    keep = lists.pop("catalogue", None)
    guess, truth = telescope.make_pair(n_lines=n_lines, n_columns=2048)
    stars = telescope.simulate(truth, np.random.default_rng(7), **lists)
    references, true = stars.references, stars.true_reference
    if keep is not None:
        brightest = np.argsort(references.mag)[:keep]
        references = References(
            *(
                getattr(references, name)[brightest]
                for name in ("ra_deg", "dec_deg", "ra_err_mas", "dec_err_mas", "mag")
            )
        )
        lookup = np.full(len(true) + 1000, -1)
        lookup[brightest] = np.arange(keep)
        true = np.where(true >= 0, lookup[true], -1)
    match = match_stars(guess, stars.detections, references, options=OPTIONS)
    possible = np.count_nonzero(true >= 0)
    right = np.count_nonzero(true[match.detection] == match.reference)
    assert right > 0.9 * possible
    assert right > 0.95 * len(match.detection)


def test_brightest_detections_may_all_be_spurious(telescope):
    guess, truth = telescope.make_pair(n_lines=30000)
    stars = telescope.simulate(truth, np.random.default_rng(2), n=900, false=0.5)
    false = stars.true_reference < 0
    detections = replace(stars.detections, flux=np.where(false, 1e9, stars.detections.flux))
    options = replace(OPTIONS, n_brightest=100)
    match = match_stars(guess, detections, stars.references, options=options)
    assert purity(match, stars) > 0.97


def test_slow_wander_is_followed(telescope):
    """Six pixels of wander along the strip, more than the final radius."""
    from pipeline.geometry.wander import Wander

    guess, truth = telescope.make_pair(n_lines=60000)
    phase = np.arange(15)
    wander = Wander(0.0, 5000.0, 6.0 * np.sin(0.7 * phase), 6.0 * np.cos(0.5 * phase))
    stars = telescope.simulate(truth, np.random.default_rng(4), n=1500, wander=wander)
    match = match_stars(guess, stars.detections, stars.references, options=OPTIONS)
    assert len(match.detection) > 0.9 * np.count_nonzero(stars.true_reference >= 0)
    assert purity(match, stars) > 0.98


@pytest.mark.parametrize("sign", [1, -1])
def test_mirrored_columns_are_named(telescope, sign):
    guess, _ = telescope.make_pair(column_sign=-sign)
    _, truth = telescope.make_pair(column_sign=sign)
    stars = telescope.simulate(truth, np.random.default_rng(1), n=1500)
    with pytest.raises(SolutionError, match=rf"camera.column_sign is wrong: use {sign}"):
        match_stars(guess, stars.detections, stars.references, options=OPTIONS)


def test_a_known_geometry_pairs_stars_that_are_not_the_brightest(telescope):
    """The bright half of the stars is saturated and left out, as from those of a point spread."""
    _, truth = telescope.make_pair(column_sign=1)
    stars = telescope.simulate(truth, np.random.default_rng(1), n=1500)
    faint = np.argsort(stars.detections.flux)[: len(stars.detections.flux) // 2]
    seen = Detections(*(getattr(stars.detections, f.name)[faint] for f in fields(Detections)))
    options = replace(OPTIONS, known=True)
    found = match_stars(truth, seen, stars.references, options=options)
    line, column = truth.sky_to_strip(stars.references.ra_deg, stars.references.dec_deg)
    rest = np.hypot(
        seen.line[found.detection] - line[found.reference],
        seen.column[found.detection] - column[found.reference],
    )
    assert len(found.detection) > 0.9 * len(faint)
    assert np.median(rest) < 0.5
    assert found.guess is truth


def test_pairs_by_chance_alone_make_no_known_geometry(telescope):
    """Thousands of references about: some lie near any star, whatever the geometry."""
    _, truth = telescope.make_pair(column_sign=1)
    stars = telescope.simulate(truth, np.random.default_rng(1), n=15000)
    off = replace(stars.detections, line=stars.detections.line + 40.0)
    options = replace(OPTIONS, known=True)
    by_chance, _ = match_nearest(
        off.line, off.column,
        *truth.sky_to_strip(stars.references.ra_deg, stars.references.dec_deg),
        radius=options.radius_px,
    )  # fmt: skip
    assert len(by_chance) > 20
    with pytest.raises(SolutionError, match=r"of a reference star, where chance alone gives"):
        match_stars(truth, off, stars.references, options=options)


def test_a_known_geometry_holds_in_a_crowd(telescope):
    """A reference within the radius of nearly every place; the true geometry is told all the same.

    Half a pixel off is still known, nine pixels off is not.
    """
    _, truth = telescope.make_pair(column_sign=1, n_lines=3000, n_columns=256)
    stars = telescope.simulate(truth, np.random.default_rng(1), n=120_000)
    line, column = truth.sky_to_strip(stars.references.ra_deg, stars.references.dec_deg)
    inside = (line >= 0) & (line < 3000) & (column >= 0) & (column < 256)
    assert np.count_nonzero(inside) * np.pi * OPTIONS.radius_px**2 > 0.7 * 3000 * 256
    options = replace(OPTIONS, known=True)
    near = replace(stars.detections, line=stars.detections.line + 0.5)
    assert len(match_stars(truth, near, stars.references, options=options).detection) > 1000
    off = replace(stars.detections, line=stars.detections.line + 9.0)
    with pytest.raises(SolutionError, match="chance alone gives"):
        match_stars(truth, off, stars.references, options=options)


def test_reversed_lines_are_named(telescope):
    guess, truth = telescope.make_pair()
    stars = telescope.simulate(truth, np.random.default_rng(1))
    line = truth.n_lines - 1 - stars.detections.line
    with pytest.raises(SolutionError, match=r"raw.flip_lines is wrong"):
        match_stars(guess, replace(stars.detections, line=line), stars.references, options=OPTIONS)


def test_wrong_hemisphere_is_refused(telescope):
    """With the catalogue of the true sky there is nothing on the strip; the remedy says where."""
    guess, truth = telescope.make_pair()
    wrong = replace(guess, latitude_deg=46.2, axis_declination_deg=46.2)
    stars = telescope.simulate(truth, np.random.default_rng(1))
    with pytest.raises(SolutionError, match=r"only 0 reference stars lie on the strip.*latitude"):
        match_stars(wrong, stars.detections, stars.references, options=OPTIONS)


@pytest.mark.parametrize(("n_detected", "n_reference"), [(60, 60), (400, 400), (400, 2000)])
def test_unrelated_stars_are_refused(telescope, n_detected, n_reference):
    """Wrong hemisphere and an all-sky catalogue: plenty of stars, no pattern.

    A short strip, whose chance pairs crowd at small offsets.
    """
    guess, truth = telescope.make_pair(n_lines=5000)
    for seed in range(5):
        here = telescope.simulate(truth, np.random.default_rng(seed), n=n_detected)
        there = telescope.simulate(truth, np.random.default_rng(1000 + seed), n=n_reference)
        with pytest.raises(SolutionError, match=r"no pattern of the .* detections"):
            match_stars(guess, here.detections, there.references, options=OPTIONS)


def test_a_dozen_stars_suffice(telescope):
    guess, truth = telescope.make_pair(n_lines=5000)
    stars = telescope.simulate(truth, np.random.default_rng(3), n=12, lost=0.0, false=0.3)
    match = match_stars(guess, stars.detections, stars.references, options=OPTIONS)
    assert len(match.detection) >= 11
    assert purity(match, stars) > 0.9


def test_clock_beyond_the_range_is_refused_or_widened(telescope):
    guess, truth = telescope.make_pair(clock=120.0, n_lines=20000)
    stars = telescope.simulate(truth, np.random.default_rng(1))
    with pytest.raises(SolutionError, match=r"right to 30 s .* or widen these ranges"):
        match_stars(guess, stars.detections, stars.references, options=OPTIONS)
    wide = replace(OPTIONS, clock_range_s=150.0)
    assert purity(match_stars(guess, stars.detections, stars.references, options=wide), stars) > 0.9


def test_too_few_stars_are_refused(telescope):
    guess, truth = telescope.make_pair()
    stars = telescope.simulate(truth, np.random.default_rng(1), n=3, lost=0.0, false=0.0)
    with pytest.raises(SolutionError, match=r"only 3 stars detected"):
        match_stars(guess, stars.detections, stars.references, options=OPTIONS)


def test_nearest_neighbours_are_mutual_and_unique():
    line = np.array([0.0, 0.4, 10.0, 50.0, np.nan])
    column = np.zeros(5)
    d, r = match_nearest(
        line, column, np.array([0.3, 10.5, np.nan]), np.array([0.0, 0.0, 0.0]), radius=1.0
    )
    np.testing.assert_array_equal(d, [1, 2])
    np.testing.assert_array_equal(r, [0, 1])
    empty, _ = match_nearest(line, column, np.zeros(0), np.zeros(0), radius=1.0)
    assert len(empty) == 0


def test_lists_are_checked():
    with pytest.raises(ValueError, match=r"all arrays must have the same length"):
        Detections(np.zeros(3), np.zeros(3), np.zeros(3), np.zeros(2), np.zeros(3))
    with pytest.raises(ValueError, match=r"mag must be one-dimensional"):
        References(np.zeros(1), np.zeros(1), np.zeros(1), np.zeros(1), np.zeros((1, 1)))
    with pytest.raises(ValueError, match=r"bin_px must be positive, got 0"):
        MatchOptions(bin_px=0)
