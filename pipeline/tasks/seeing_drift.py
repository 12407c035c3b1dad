"""What seeing that changes during a crossing does to positions, and its correction.

A smeared star is the sum of its images along its path. When the seeing gets worse on the way, the
part of the path crossed in good seeing is sharper and weighs more in a fit, so the fitted place
leaves the mean of the path: at the ends of a long smear by hundredths of a pixel. To first order
the shift is the change of ln(FWHM) during the crossing times a vector that follows the column and
the star's brightness over the background. That vector is measured here on noise-free stars.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.geometry.solution import StripSolution
from pipeline.stages.psf_fit import PsfFitOptions, fit_psf
from pipeline.stages.psf_model import PsfModel, make_psf_model

__all__ = ["SeeingDrift", "tabulate_seeing_drift"]

FloatArray = NDArray[np.float64]

_NODES = 8  # along the path: closer than seeing can resolve
_COLUMNS = 9
_CHANGE = 0.1  # of ln(FWHM) during the crossing, small enough to be linear
# Flux over background variance: from stars lost in the sky to stars that outshine it.
_LEVELS = np.array([1.0, 10.0, 100.0, 1000.0])


@dataclass(frozen=True)
class SeeingDrift:
    """Shift of fitted positions for a unit change of ln(FWHM) during a crossing.

    Parameters
    ----------
    columns : ndarray of shape (m,)
        Columns of the table.
    line, column : ndarray of shape (n_levels, m)
        Shift, px.
    """

    columns: FloatArray
    line: FloatArray
    column: FloatArray

    def shift(
        self, psf: PsfModel, lines: FloatArray, columns: FloatArray, level: FloatArray, n_stage: int
    ) -> tuple[FloatArray, FloatArray]:
        """Shift of each source.

        Parameters
        ----------
        psf : PsfModel
            Its seeing curve tells how fast seeing changes.
        lines, columns : ndarray of shape (n,)
            Positions, px.
        level : ndarray of shape (n,)
            Flux over background variance of a pixel.
        n_stage : int
            Lines of a crossing.

        Returns
        -------
        line, column : ndarray of shape (n,)
            Fitted minus true, px.
        """
        step = n_stage / 8.0
        slope = np.log(psf.fwhm(lines + step) / psf.fwhm(lines - step)) / (2.0 * step)
        change = slope * n_stage
        known = np.where(np.isfinite(level) & (level > 0), level, _LEVELS[0])
        place = np.interp(np.log(known), np.log(_LEVELS), np.arange(_LEVELS.size))
        low = np.minimum(place.astype(int), _LEVELS.size - 2)
        high_share = place - low
        out = []
        for table in (self.line, self.column):
            at = np.stack([np.interp(columns, self.columns, row) for row in table])
            index = np.arange(lines.size)
            value = (1 - high_share) * at[low, index] + high_share * at[low + 1, index]
            out.append(change * value)
        return out[0], out[1]


def _draw(
    models: list[PsfModel], dl: FloatArray, dc: FloatArray, weights: FloatArray, half: int
) -> NDArray[np.float32]:
    """Noise-free star of unit flux, summed over the nodes of its path."""
    size = 2 * half + 1
    image = np.zeros((size, size))
    reach = models[0].half_size
    for model, l, c, w in zip(models, dl, dc, weights, strict=True):
        at_l, at_c = int(np.rint(l)), int(np.rint(c))
        stamp = model.render(float(l), float(c), reach)
        rows = slice(half + at_l - reach, half + at_l + reach + 1)
        columns = slice(half + at_c - reach, half + at_c + reach + 1)
        image[rows, columns] += w * stamp
    return image.astype(np.float32)


def tabulate_seeing_drift(
    psf: PsfModel,
    solution: StripSolution,
    *,
    n_columns: int,
    options: PsfFitOptions,
    radii: FloatArray,
) -> SeeingDrift:
    """Measure the shift on noise-free stars at a few columns and brightnesses.

    Parameters
    ----------
    psf : PsfModel
        Fitted point spread.
    solution : StripSolution
        Gives the paths.
    n_columns : int
        Of the chip.
    options : PsfFitOptions
        Of the fit whose positions are to be corrected.
    radii : ndarray of shape (n_columns,)
        Radius of that fit at each column, px.

    Returns
    -------
    SeeingDrift
    """
    columns = np.linspace(0.0, n_columns - 1.0, _COLUMNS)
    dl, dc, weights = solution.path(columns, _NODES)
    time = np.cumsum(weights) - 0.5 * weights - 0.5
    typical = float(np.exp(np.mean(np.log(psf.fwhm_values))))
    line = float(psf.fwhm_lines[np.argmin(np.abs(psf.fwhm_values - typical))])
    typical = float(psf.fwhm(np.array([line]))[0])

    def models_of(change: float) -> list[PsfModel]:
        return [
            make_psf_model(
                [0.0], [typical * np.exp(change * t)], [0.0],  # the same at all columns
                beta=psf.beta, path=None, optics=None, half_size=psf.half_size,
            )
            for t in time
        ]  # fmt: skip

    half = psf.half_size + int(np.ceil(max(np.abs(dl).max(), np.abs(dc).max()))) + 2
    first = int(np.rint(line)) - half
    position = np.zeros((2, _LEVELS.size, columns.size, 2))
    for k, change in enumerate((-0.5 * _CHANGE, 0.5 * _CHANGE)):
        models = models_of(change)
        for j, column in enumerate(columns):
            star = _draw(models, dl[j], dc[j], weights, half)
            # The stamp stands at the star's own column of the chip: that sets the model's smear.
            wide = np.zeros((star.shape[0], n_columns + 2 * half + 2), dtype=np.float32)
            at = int(np.rint(column))
            wide[:, at : at + 2 * half + 1] = star
            for i, level in enumerate(_LEVELS):
                fit = fit_psf(
                    level * wide[:, half : half + n_columns], np.ones((star.shape[0], n_columns)),
                    np.zeros((star.shape[0], n_columns), dtype=np.uint16),
                    [first + half], [at], [level], psf, first_line=first, photon_variance=None,
                    options=options, radii=radii,
                )  # fmt: skip
                position[k, i, j] = fit.line[0], fit.column[0]
    slope = (position[1] - position[0]) / _CHANGE
    slope = np.where(np.isfinite(slope), slope, 0.0)
    return SeeingDrift(columns, slope[..., 0], slope[..., 1])
