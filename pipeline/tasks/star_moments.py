"""Measured second moments of a strip's stars beside those that its geometry predicts."""

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.constants import FWHM_PER_SIGMA
from pipeline.geometry.solution import StripSolution
from pipeline.stages.moment_check import MomentCheck, MomentCheckOptions, check_moments
from pipeline.stages.moments import predict_moments
from pipeline.stages.psf_model import PsfModel
from pipeline.tasks.first_guess import PathOf

__all__ = ["compare_star_moments"]

FloatArray = NDArray[np.float64]
Columns = dict[str, NDArray]

_BRIGHT = 50.0  # signal-to-noise ratio
_MOST = 3000  # stars, the brightest; more would only cost time
_POINTS = 33  # columns at which the prediction is tabulated
_POINT_LIKE = 0.05  # a star's width may exceed the point spread's by this share of its variance
_PARTS = ("ll", "lc", "cc")


def _geometry_alone(psf: PsfModel, solution: StripSolution) -> PsfModel:
    """The point spread without its optical term and with the smear of the final geometry."""
    dl, dc, weight = PathOf(solution)(psf.node_columns)
    return replace(
        psf, path_line=dl, path_column=dc, path_weight=weight / weight.sum(axis=1, keepdims=True),
        optics=np.zeros((3, 1)),
    )  # fmt: skip


def _predict(
    psf: PsfModel, lines: FloatArray, columns: FloatArray, fwhm: FloatArray
) -> dict[str, FloatArray]:
    found = predict_moments(psf, lines, columns, fwhm / FWHM_PER_SIGMA)
    return {name: getattr(found, f"mom_{name}") for name in _PARTS}


def _total_fwhm(psf: PsfModel, lines: FloatArray, columns: FloatArray) -> FloatArray:
    ll, _, cc = psf.second_moments(columns)
    seeing = psf.fwhm(lines) / FWHM_PER_SIGMA
    return np.asarray(FWHM_PER_SIGMA * np.sqrt(seeing**2 + 0.5 * (ll + cc)))


def compare_star_moments(
    columns: Columns, psf: PsfModel, solution: StripSolution
) -> tuple[dict[str, Any], MomentCheck | None]:
    """Second moments of bright, single stars in bins of columns, and their prediction.

    The prediction is a star of the fitted seeing, carried along the path that the fitted geometry
    gives it, clocked, put on pixels, and measured through the window that the stars were measured
    with. An optical term that the point spread may hold is left out: it was fitted to the same
    stars and would hide what the geometry does not explain.

    Parameters
    ----------
    columns : dict of str to ndarray
        The strip catalogue.
    psf : PsfModel
        What its sources were measured with.
    solution : StripSolution
        The final geometry.

    Returns
    -------
    table : dict
        Prediction against column, and the comparison where there is one, for JSON.
    check : MomentCheck or None
        None where the stars are too few.
    """
    plain = _geometry_alone(psf, solution)
    at = np.linspace(0, solution.camera.n_columns - 1, _POINTS)
    middle = np.full(at.size, 0.5 * (solution.camera.n_stage + solution.n_lines))
    width = _total_fwhm(psf, middle, at)
    curve = _predict(plain, middle, at, width)
    table: dict[str, Any] = {"column": at, "predicted": curve}
    if np.any(psf.optics):
        table["with_optics"] = _predict(psf, middle, at, width)
    with np.errstate(invalid="ignore", divide="ignore"):
        snr = columns["flux_psf"] / columns["flux_psf_err"]
        variance = (columns["fwhm"] / FWHM_PER_SIGMA) ** 2
        star = columns["extendedness"] < _POINT_LIKE * variance + 3 * columns["extendedness_err"]
        use = np.flatnonzero((columns["flags"] == 0) & (snr > _BRIGHT) & star)
    use = use[np.argsort(-snr[use], kind="stable")][:_MOST]
    if use.size == 0:
        return table, None
    line, column, fwhm = (columns[name][use] for name in ("line", "column", "fwhm"))
    check = check_moments(
        column, snr[use], {name: columns[f"mom_{name}"][use] for name in _PARTS},
        _predict(plain, line, column, fwhm), n_columns=solution.camera.n_columns,
        options=MomentCheckOptions(),
    )  # fmt: skip
    if check is not None:
        table["check"] = check.to_dict()
    return table, check
