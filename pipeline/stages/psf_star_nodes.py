"""Grids of a point-spread model for fits of single stars: made as they are wanted.

A fit of one star reaches no further than its radius and asks for four nodes of width and of
column. So the grids are small, and a node is made when the first star asks for it.
"""

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from pipeline.stages.psf_model import BOX_MARGIN, PsfModel
from pipeline.stages.psf_nodes import WIDTH_STEP
from pipeline.stages.psf_transforms import fold, round_transform, spline_transform
from pipeline.stages.spline_kernels import grid_half_size

__all__ = ["MAX_FWHM", "MIN_FWHM", "N_WIDTHS", "StarNodes"]

# Search range of the seeing FWHM, px.
MIN_FWHM, MAX_FWHM = 0.8, 20.0
N_WIDTHS = 4  # nodes of width that a star is interpolated between
_TOGETHER = 8  # transforms that stay in a core's memory cache


class StarNodes:
    """Grids of one model at nodes of width and column.

    Parameters
    ----------
    model : PsfModel
        Its seeing along the line does not matter.
    half_size : int
        Half size of the stamps that are fitted, px.

    Attributes
    ----------
    model : PsfModel
    low : int
        Number of the first node of width: ln(FWHM) = number * `WIDTH_STEP`.
    grids : ndarray of shape (n_width, n_column, G, oversample * P)
        Quintic B-spline coefficients (`grid_half_size`). Of each line first every
        ``oversample``-th point from the first, then from the second, and so on: points that
        serve neighbouring pixels are neighbours. Only those that `have` marks are filled.
    have : ndarray of bool of shape (n_width, n_column)
        Nodes made so far.
    """

    def __init__(self, model: PsfModel, half_size: int) -> None:
        self.model = model
        self.half_size = half_size
        self.low = int(np.floor(np.log(MIN_FWHM) / WIDTH_STEP)) - 1
        n_width = int(np.floor(np.log(MAX_FWHM) / WIDTH_STEP)) + 2 - self.low + 1
        n_column = model.node_columns.size
        os_ = model.oversample
        g = 2 * grid_half_size(half_size, os_) + 1
        # Memory is taken when a grid is written.
        self.grids = np.zeros((n_width, n_column, g, os_ * -(-g // os_)))
        self.have = np.zeros((n_width, n_column), dtype=np.bool_)
        size = 2 * (half_size + BOX_MARGIN) * os_
        while size % 2 or fft.next_fast_len(size, real=True) != size:
            size += 1
        self._size = size
        # All but the seeing, and the way from an image to its coefficients.
        self._smears = np.zeros((n_column, size, size // 2 + 1), dtype=np.complex128)
        self._have_smear = np.zeros(n_column, dtype=np.bool_)

    def with_seeing(self, beta: float, fwhm: float) -> "StarNodes":
        """Nodes of the same smear and optics under another seeing; see `PsfModel.with_seeing`.

        Parameters
        ----------
        beta : float
            Moffat exponent.
        fwhm : float
            FWHM, px: sets how fine the grids are.

        Returns
        -------
        StarNodes
            Shares with these what does not depend on the change; these, where nothing does.
        """
        model = self.model.with_seeing(beta, fwhm)
        same = model.oversample == self.model.oversample
        if same and beta == self.model.beta:
            return self
        other = StarNodes(model, self.half_size)
        if same:
            other._smears, other._have_smear = self._smears, self._have_smear
        return other

    def fill(self, first_width: NDArray[np.int64], first_column: NDArray[np.int64]) -> None:
        """Make the nodes that stars ask for and that are not there.

        Parameters
        ----------
        first_width : ndarray of int64 of shape (n,)
            First of `N_WIDTHS` nodes in width, counted from `low`, of each star.
        first_column : ndarray of int64 of shape (n,)
            First of up to four column nodes.
        """
        near = min(4, self.model.node_columns.size)
        wanted = np.zeros_like(self.have)
        for a in range(N_WIDTHS):
            for b in range(near):
                wanted[first_width + a, first_column + b] = True
        wanted &= ~self.have
        for column in np.flatnonzero(wanted.any(axis=0) & ~self._have_smear):
            smear = self.model.smear_transform(int(column), self._size)
            self._smears[column] = smear / spline_transform(self._size)
            self._have_smear[column] = True
        frequency = np.fft.rfftfreq(self._size, 1.0 / self.model.oversample).astype(np.float64)
        for width in np.flatnonzero(wanted.any(axis=1)):
            fwhm = float(np.exp((self.low + width) * WIDTH_STEP))
            # The seeing is known up to the highest frequency of each axis: beyond, it mirrors.
            seeing = round_transform(frequency, fwhm, self.model.beta)[fold(self._size)]
            columns = np.flatnonzero(wanted[width])
            for first in range(0, columns.size, _TOGETHER):
                self._make(int(width), columns[first : first + _TOGETHER], seeing)
        self.have |= wanted

    def _make(self, width: int, columns: NDArray[np.int64], seeing: NDArray[np.float64]) -> None:
        """Grids of one width and a few columns."""
        os_, size = self.model.oversample, self._size
        half = self.grids.shape[2] // 2
        rows = fft.ifft(self._smears[columns] * seeing, axis=1, overwrite_x=True)
        # Lines that no stamp needs are not transformed back.
        rows = np.concatenate([rows[:, -half:], rows[:, : half + 1]], axis=1)
        image = fft.irfft(rows, n=size, axis=2, overwrite_x=True)
        image = np.concatenate([image[:, :, -half:], image[:, :, : half + 1]], axis=2) * os_**2
        per_phase = self.grids.shape[3] // os_
        for phase in range(os_):
            part = image[:, :, phase::os_]
            at = phase * per_phase
            self.grids[width, columns, :, at : at + part.shape[2]] = part
