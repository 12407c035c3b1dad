"""The path of the stars is found in few rounds."""

from types import SimpleNamespace

import numpy as np
import pytest

from pipeline.geometry.camera import Camera
from pipeline.geometry.fit import FitOptions
from pipeline.geometry.solution import StripSolution
from pipeline.stages.psf_stars import PsfStarOptions
from pipeline.tasks import point_spread

N_STAGE, TRUE = 2048, 0.1  # degrees


def make_solution(rotation_deg):
    camera = Camera.from_arcsec(
        pixel_scale=0.55, n_columns=2048, n_stage=N_STAGE, rotation_deg=rotation_deg
    )  # fmt: skip
    return StripSolution.first_guess(
        latitude_deg=-46.2, longitude_deg=0.0, height_m=0.0, axis_declination_deg=-46.0,
        axis_hour_angle_deg=0.0, camera=camera, line_period=0.05, mjd_start=60000.0,
        n_lines=8000,
    )  # fmt: skip


@pytest.mark.parametrize("share", [1 / 5, 1 / 7, 1 / 12])
def test_rotation_is_followed_to_where_it_leads(monkeypatch, share):
    """An error comes back by a share; whatever that is, little is left after three rounds."""
    tried = []

    def fit_solution(guess, *_, **__):
        tried.append(guess.parameters["rotation_deg"])
        found = TRUE + share * (tried[-1] - TRUE)
        return SimpleNamespace(solution=guess.with_parameters(rotation_deg=found))

    def fit(self, *_):
        n = self.line.size
        return SimpleNamespace(
            parameters=np.full((n, 8), float(len(tried))), used=np.ones(n, bool),
            fwhm=np.ones(n), line=self.line, column=self.column,
        )  # fmt: skip

    monkeypatch.setattr(point_spread, "fit_solution", fit_solution)
    monkeypatch.setattr(point_spread, "_MOST_STARS", 40)
    monkeypatch.setattr(point_spread._Stars, "fit", fit)
    line = np.linspace(0, 8000, 64, endpoint=False)
    stamps = np.zeros((64, 3, 3), np.float32)
    stars = point_spread._Stars(line, line, 1.0 + line, np.ones(64), stamps, stamps)
    options = SimpleNamespace(psf_stars=PsfStarOptions(), astrometry=FitOptions())
    solution, begin, problems = point_spread._refine(
        SimpleNamespace(n_stage=N_STAGE), options, make_solution(TRUE + 0.03), stars, None
    )
    assert problems == ()
    assert len(tried) <= 3
    left = np.radians(solution.parameters["rotation_deg"] - TRUE) * N_STAGE
    assert abs(left) < 0.003  # px: plain steps of 1/7 leave this after three
    # What the last fit begins with: the chosen stars' own, nothing for the others.
    known = np.isfinite(begin).all(axis=1)
    assert 0 < known.sum() <= 40
    assert np.all(begin[known] == len(tried) - 1)
    assert np.all(np.isnan(begin[~known]))
