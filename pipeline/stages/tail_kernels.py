"""Compiled sums of the light that columns hold beyond their neighbours where stars are."""

import numpy as np
from numba import njit

from pipeline.stages.medians import select

__all__ = ["N_AROUND", "sum_tails"]

N_AROUND = 6  # neighbours of a column


@njit(cache=True, error_model="numpy")
def sum_tails(
    light: np.ndarray,
    lost: np.ndarray,
    error: np.ndarray,
    columns: np.ndarray,
    around: np.ndarray,
    response: np.ndarray,
    most: float,
) -> tuple[np.ndarray, np.ndarray]:
    """Products of pull and load, and squares of load, summed over the bins.

    Parameters
    ----------
    light, lost, error : ndarray of shape (n_bins, n_columns)
        Light under a response of 1, share of pixels that the clip took, error of a level.
    columns : ndarray of int of shape (k,)
        Columns that are asked about.
    around : ndarray of int of shape (k, 6)
        Neighbours of each.
    response : ndarray of shape (k,)
        Of these columns.
    most : float
        A pull is limited to this.

    Returns
    -------
    top, bottom : ndarray of shape (k,)
        Where stars leave no level to a column or to all beside it, the bin says nothing; with
        its large share of lost pixels it would hold down every tail. The load is counted from
        its mean over the bins that tell.
    """
    n_bins, k = light.shape[0], columns.size
    number, mean, top, bottom = np.zeros(k), np.zeros(k), np.zeros(k), np.zeros(k)
    load, pull = np.zeros((n_bins, k)), np.empty((n_bins, k))
    beside = np.empty(N_AROUND)
    for b in range(n_bins):
        for j in range(k):
            n = 0
            for a in range(N_AROUND):
                c = around[j, a]
                load[b, j] += lost[b, c] / N_AROUND
                if not np.isnan(light[b, c]):
                    beside[n] = light[b, c]
                    n += 1
            c = columns[j]
            p = (light[b, c] - select(beside, n)) / error[b, c] * response[j]
            pull[b, j] = p
            if not np.isnan(p):
                pull[b, j] = min(max(p, -most), most)
                number[j] += 1.0
                mean[j] += load[b, j]
    mean /= np.maximum(number, 1.0)
    for b in range(n_bins):
        for j in range(k):
            if not np.isnan(pull[b, j]):
                away = load[b, j] - mean[j]
                top[j] += away * pull[b, j]
                bottom[j] += away * away
    return top, bottom
