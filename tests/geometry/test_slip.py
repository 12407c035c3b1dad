"""Lost lines: found, measured, and put right on both sides."""

import json
from dataclasses import replace

import numpy as np
import pytest

from pipeline.geometry.fit import FitOptions, fit_solution
from pipeline.geometry.slip import Slip, near_slip, put_back, take_out
from pipeline.geometry.solution import StripSolution
from pipeline.geometry.wander import Wander

OPTIONS = FitOptions()


def lose(stars, *, line, lost):
    """Detections of a strip in which lines went missing (or came twice) at a line."""
    d = stars.detections
    keep = (d.line < line) | (d.line >= line + max(lost, 0))
    shifted = np.where(d.line >= line, d.line - lost, d.line)
    names = ("line", "column", "line_err", "column_err", "flux")
    new = {n: getattr(d, n)[keep] for n in names} | {"line": shifted[keep]}
    stars.true_reference = stars.true_reference[keep]
    return replace(d, **new)


@pytest.mark.parametrize(
    ("line", "lost"),
    [(7000, 40), (4000, 2), (3500, 350), (6000, -30)],
)
def test_lost_lines_are_found_and_both_sides_are_right(telescope, line, lost):
    guess, truth = telescope.make_pair(n_columns=512, n_stage=512)
    stars = telescope.simulate(truth, np.random.default_rng(5), n=900)
    detections = lose(stars, line=line, lost=lost)
    guess = replace(guess, n_lines=guess.n_lines - lost)
    fit = fit_solution(guess, detections, stars.references, options=OPTIONS)
    (slip,) = fit.solution.slips
    assert slip.lost == lost
    assert abs(slip.size - lost) < max(5 * slip.size_err, 0.1)
    assert slip.size_err < 0.1
    assert abs(slip.line - line) <= slip.line_err + max(0, -lost) + 0.5
    assert slip.line_err < 60  # a gap between stars
    assert fit.solution.n_lines == guess.n_lines
    # Sky to strip and back, on both sides, against what was put in.
    real = stars.true_reference >= 0
    true = stars.true_reference[real]
    ref = stars.references
    l, _ = fit.solution.sky_to_strip(ref.ra_deg[true], ref.dec_deg[true])
    dl = detections.line[real] - l
    # Where lines came twice, the later copy of them belongs to the earlier numbers.
    sides = (
        detections.line[real] < line,
        detections.line[real] >= line + max(0, -lost) + (slip.line_err if lost < 0 else 0),
    )
    for side in sides:
        assert np.count_nonzero(np.isfinite(dl[side])) > 0.97 * np.count_nonzero(side)
        assert abs(np.nanmedian(dl[side])) < 0.02
        assert np.nanstd(dl[side]) < 0.06
    ra, dec = fit.solution.strip_to_sky(detections.line[real], detections.column[real])
    away = 3600 * np.hypot(
        (ra - ref.ra_deg[true]) * np.cos(np.radians(dec)), dec - ref.dec_deg[true]
    )
    assert np.median(away[sides[0]]) < 0.03
    assert np.median(away[sides[1]]) < 0.03
    # Times: the true solution knows when each star crossed.
    whole = np.where(detections.line[real] >= line, detections.line[real] + lost, 0)
    late = sides[1]
    expected = truth.mid_time(whole[late], detections.column[real][late])
    found = fit.solution.mid_time(detections.line[real][late], detections.column[real][late])
    assert np.max(np.abs(found - expected)) * 86400 < 0.1


def test_a_whole_strip_has_lost_nothing(telescope):
    guess, truth = telescope.make_pair(n_columns=512, n_stage=512)
    stars = telescope.simulate(truth, np.random.default_rng(0), n=600)
    fit = fit_solution(guess, stars.detections, stars.references, options=OPTIONS)
    assert fit.solution.slips == ()
    assert not near_slip([5.0], fit.solution.slips, margin=10).any()


def test_wander_is_not_taken_for_lost_lines(telescope):
    """Several pixels within a few chip lengths, and a slow drift of the line of sight."""
    guess, truth = telescope.make_pair(n_columns=512, n_stage=512)
    phase = np.arange(27)
    for shape in (6 * np.sin(0.7 * phase), 4 * np.tanh(phase - 13.0)):
        wander = Wander(0.0, 500.0, shape, 0.0 * phase)
        stars = telescope.simulate(truth, np.random.default_rng(4), n=900, wander=wander)
        fit = fit_solution(guess, stars.detections, stars.references, options=OPTIONS)
        assert fit.solution.slips == ()


def test_two_places_and_a_second_fit_that_starts_from_the_first(telescope):
    guess, truth = telescope.make_pair(n_columns=512, n_stage=512)
    stars = telescope.simulate(truth, np.random.default_rng(5), n=1200)
    stars.detections = lose(stars, line=8000, lost=60)
    detections = lose(stars, line=4000, lost=25)
    guess = replace(guess, n_lines=guess.n_lines - 85)
    fit = fit_solution(guess, detections, stars.references, options=OPTIONS)
    assert [s.lost for s in fit.solution.slips] == [25, 60]
    lines = [s.line for s in fit.solution.slips]
    assert abs(lines[0] - 4000) < 40
    assert abs(lines[1] - 7975) < 40
    again = fit_solution(fit.solution, detections, stars.references, options=OPTIONS)
    assert [s.lost for s in again.solution.slips] == [25, 60]
    assert again.rms_line < 0.05


def test_lines_lost_in_a_file_whose_successor_is_placed_by_its_time(telescope):
    """Numbers slip at line 5000 and are right again from 6500 on."""
    guess, truth = telescope.make_pair(n_columns=512, n_stage=512)
    stars = telescope.simulate(truth, np.random.default_rng(5), n=900)
    stars.detections = lose(stars, line=5000, lost=40)
    detections = lose(stars, line=6500, lost=-40)
    fit = fit_solution(guess, detections, stars.references, options=OPTIONS)
    assert [s.lost for s in fit.solution.slips] == [40, -40]
    assert abs(fit.solution.slips[0].line - 5000) < 40
    assert abs(fit.solution.slips[1].line - 6500) < 60
    assert fit.rms_line < 0.05
    assert fit.n_used > 0.97 * np.count_nonzero(stars.true_reference >= 0)


def test_taking_out_undoes_putting_back():
    slips = (Slip(100.0, 1.0, 7, 7.0, 0.1), Slip(300.0, 1.0, 20, 20.0, 0.1))
    line = np.array([0.0, 99.9, 100.0, 250.0, 299.0, 300.5, 900.0])
    whole = put_back(line, slips)
    np.testing.assert_allclose(whole, [0, 99.9, 107, 257, 306, 327.5, 927])
    np.testing.assert_allclose(take_out(whole, slips), line)
    assert np.isnan(take_out([103.0, 315.0], slips)).all()
    np.testing.assert_array_equal(
        near_slip([80.0, 92.0, 100.0, 112.0, 290.0], slips, margin=10),
        [False, True, True, False, True],
    )


def test_slips_are_stored_with_the_solution(telescope):
    _, truth = telescope.make_pair()
    slips = (Slip(100.0, 1.0, 7, 7.01, 0.1),)
    kept = replace(truth, slips=slips)
    again = StripSolution.from_dict(json.loads(json.dumps(kept.to_dict())))
    assert again.slips == slips
    assert "7 lines were lost at line 100 (+- 1)" in slips[0].sentence(0.05)
