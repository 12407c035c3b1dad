"""Photon transfer: gain and read noise from how the variance grows with the level."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import CalibrationError
from pipeline.stages.colstats import ColumnSummary
from pipeline.stages.dark import DarkVector
from pipeline.stages.overscan import QUANTISATION, keep_of_variance
from pipeline.strip import Amplifier, index_amplifiers

__all__ = [
    "AmplifierTransfer",
    "FramePair",
    "TransferOptions",
    "describe_disagreement",
    "fit_photon_transfer",
    "signal_to_noise",
    "transfer_two_frames",
]

_F = NDArray[np.float64]


@dataclass(frozen=True)
class TransferOptions:
    """How variance is regressed on level.

    Parameters
    ----------
    clip : float
        Points further than this many sigma from the line are dropped.
    iterations : int
        Refits, each with the noise of the line before.
    lost_fraction : float
        Column bins with more of their pixels clipped hold stars and are left out.
    tolerance : float
        Relative disagreement with the configuration that is never reported.
    sigma : float
        Disagreement in sigma that is never reported.
    """

    clip: float = 4.0
    iterations: int = 6
    lost_fraction: float = 0.02
    tolerance: float = 0.01
    sigma: float = 3.0

    def __post_init__(self) -> None:
        for name in ("clip", "lost_fraction", "tolerance", "sigma"):
            if not getattr(self, name) > 0:
                msg = f"transfer {name} must be positive, received {getattr(self, name)}"
                raise ValueError(msg)
        if self.iterations < 2:
            msg = f"transfer iterations must be at least 2, received {self.iterations}"
            raise ValueError(msg)


@dataclass(frozen=True)
class AmplifierTransfer:
    """Measured gain and read noise of one amplifier.

    Parameters
    ----------
    name : str
    gain, gain_err : float
        Electrons per ADU.
    read_noise, read_noise_err : float
        Electrons, without the noise of rounding.
    n_points : int
        Column bins used.
    problems : tuple of str
        Disagreement with the configuration.
    """

    name: str
    gain: float
    gain_err: float
    read_noise: float
    read_noise_err: float
    n_points: int
    problems: tuple[str, ...]


def _collect(
    summaries: Sequence[ColumnSummary],
    dark: DarkVector,
    chosen: NDArray[np.intp],
    gain: float,
    options: TransferOptions,
) -> tuple[_F, _F, NDArray[np.int64]]:
    """Charge that fluctuates (light and dark) and variance, in ADU and ADU^2, with their counts."""
    levels, variances, counts = [], [], []
    for s in summaries:
        level = s.level[:, chosen].astype(np.float64)
        variance = s.noise_var[:, chosen].astype(np.float64)
        count = s.count[:, chosen].astype(np.int64)
        lost = 1.0 - count / np.maximum(s.present, 1)[:, None]
        good = (count >= 64) & np.isfinite(level) & np.isfinite(variance)
        good &= lost < options.lost_fraction
        # Bias is no charge; dark signal is, and stays in.
        signal = level - dark.bias[chosen]
        levels.append(signal[good] / gain)
        variances.append(variance[good] / gain**2)
        counts.append(count[good])
    return np.concatenate(levels), np.concatenate(variances), np.concatenate(counts)


def fit_photon_transfer(
    summaries: Sequence[ColumnSummary],
    dark: DarkVector,
    amplifiers: tuple[Amplifier, ...],
    column_mask: NDArray[np.uint16],
    *,
    options: TransferOptions,
) -> tuple[AmplifierTransfer, ...]:
    """Gain and read noise of every amplifier from all column bins of a night.

    ``variance = level / gain + read_noise^2 + 1/12`` in ADU, where the level counts every electron
    that fluctuates: light and dark signal, not the bias. The response of a column drops out, for
    both sides speak of detected electrons. Weighted straight line, weights from the line itself
    (``3 variance^2 / count`` for differences of adjacent lines), outliers clipped. The overscan's
    noise joins as a point of level zero.

    Parameters
    ----------
    summaries : sequence of ColumnSummary
        Science and shutter-closed strips; electrons of the configured gain.
    dark : DarkVector
    amplifiers : tuple of Amplifier
        Configured values.
    column_mask : ndarray of uint16 of shape (n_columns,)
        Nonzero columns take no part.
    options : TransferOptions
        Tuning.

    Returns
    -------
    tuple of AmplifierTransfer
        In the order of the amplifiers.

    Raises
    ------
    ValueError
        If there is no summary or the columns differ in number.
    CalibrationError
        If an amplifier has too few usable column bins or their levels do not vary.

    References
    ----------
    Janesick 2001, Scientific Charge-Coupled Devices, photon transfer (from memory).
    """
    if len(summaries) == 0:
        msg = "summaries must hold at least one ColumnSummary, received none"
        raise ValueError(msg)
    n_columns = len(column_mask)
    if dark.n_columns != n_columns or any(s.n_columns != n_columns for s in summaries):
        msg = (
            f"summaries and dark must have the mask's {n_columns} columns, received "
            f"{[s.n_columns for s in summaries]} and {dark.n_columns}"
        )
        raise ValueError(msg)
    amps = index_amplifiers(amplifiers, n_columns=n_columns)
    results = []
    for a, amplifier in enumerate(amplifiers):
        chosen = np.flatnonzero((amps == a) & (column_mask == 0))
        level, variance, count = _collect(summaries, dark, chosen, amplifier.gain, options)
        relative = 3.0 / np.maximum(count, 1)
        for s in summaries:
            noise, noise_err = s.overscan.read_noise()
            if np.isfinite(noise[a]) and noise_err[a] > 0:
                square = noise[a] ** 2 + QUANTISATION
                level = np.append(level, 0.0)
                variance = np.append(variance, square)
                relative = np.append(relative, (2.0 * noise[a] * noise_err[a] / square) ** 2)
        results.append(_fit_line(amplifier, level, variance, relative, options))
    return tuple(results)


def _fit_line(
    amplifier: Amplifier, level: _F, variance: _F, relative: _F, options: TransferOptions
) -> AmplifierTransfer:
    """Straight line of variance on level, weights from the line itself."""
    if len(level) < 20 or np.ptp(level) <= 0:
        msg = (
            f"amplifier {amplifier.name}: {len(level)} column bins are too few, or their levels "
            "too alike, for photon transfer"
        )
        raise CalibrationError(msg)
    slope, intercept = 1.0 / amplifier.gain, (amplifier.read_noise / amplifier.gain) ** 2
    used = np.ones(len(level), dtype=bool)
    cov = np.zeros((2, 2))
    for turn in range(options.iterations):
        model = np.maximum(intercept + QUANTISATION + slope * level, QUANTISATION)
        sigma = model * np.sqrt(relative)
        if turn > 0:
            used = np.abs(variance - model) <= options.clip * sigma
        w = np.where(used, 1.0 / sigma**2, 0.0)
        # Differences squared are skewed, so a symmetric cut shifts their mean; at 4 sigma and
        # some 250 pairs a bin that is below 1e-3 of sigma.
        y = variance - QUANTISATION
        s0, s1, s2 = w.sum(), (w * level).sum(), (w * level * level).sum()
        y0, y1 = (w * y).sum(), (w * level * y).sum()
        determinant = s0 * s2 - s1 * s1
        if not determinant > 1e-9 * s0 * s2:
            msg = f"amplifier {amplifier.name}: the levels vary too little for photon transfer"
            raise CalibrationError(msg)
        slope = float((s0 * y1 - s1 * y0) / determinant)
        intercept = float((s2 * y0 - s1 * y1) / determinant)
        cov = np.array([[s2, -s1], [-s1, s0]]) / determinant
        if not slope > 0:
            msg = f"amplifier {amplifier.name}: the variance does not grow with the level"
            raise CalibrationError(msg)
    dof = max(int(used.sum()) - 2, 1)
    chi2 = float((w * (y - intercept - slope * level) ** 2).sum()) / dof
    cov = cov * max(1.0, chi2)
    gain = 1.0 / slope
    gain_err = float(np.sqrt(cov[1, 1])) * gain**2
    read = gain * float(np.sqrt(max(intercept, 0.0)))
    # read = sqrt(intercept)/slope; the gradient for the error propagation.
    if intercept > 0:
        gradient = np.array([0.5 / np.sqrt(intercept) / slope, -np.sqrt(intercept) / slope**2])
        read_err = float(np.sqrt(gradient @ cov @ gradient))
    else:
        read_err = gain * float(np.sqrt(np.sqrt(cov[0, 0])))
    found = AmplifierTransfer(amplifier.name, gain, gain_err, read, read_err, int(used.sum()), ())
    return replace(found, problems=describe_disagreement(found, amplifier, options=options))


def describe_disagreement(
    found: AmplifierTransfer, amplifier: Amplifier, *, options: TransferOptions
) -> tuple[str, ...]:
    """Where measured gain and read noise are not the configured ones, in words.

    Parameters
    ----------
    found : AmplifierTransfer
        Measured; electrons per ADU and electrons.
    amplifier : Amplifier
        Configured.
    options : TransferOptions
        What is never reported.

    Returns
    -------
    tuple of str
        Empty where both agree.
    """
    problems = []
    for what, value, err, configured in (
        ("gain", found.gain, found.gain_err, amplifier.gain),
        ("read noise", found.read_noise, found.read_noise_err, amplifier.read_noise),
    ):
        limit = max(options.sigma * err, options.tolerance * configured)
        if abs(value - configured) > limit:
            problems.append(
                f"amplifier {amplifier.name}: measured {what} {value:.3f} +- {err:.3f}, "
                f"configured {configured:.3f}"
            )
    return tuple(problems)


@dataclass(frozen=True)
class FramePair:
    """Gain and read noise from two flat and two bias frames.

    Parameters
    ----------
    gain, gain_err : float
        Electrons per ADU.
    read_noise, read_noise_err : float
        Electrons, rounding included as in the classical formula.
    """

    gain: float
    gain_err: float
    read_noise: float
    read_noise_err: float


def _clipped_variance(difference: _F, clip: float) -> tuple[float, int]:
    """Variance of a difference image, clipped about its median, corrected for the clip."""
    x = difference.ravel()
    centre = float(np.median(x))
    sigma = max(1.4826 * float(np.median(np.abs(x - centre))), 0.5)
    keep = keep_of_variance(clip)
    number = x.size
    for _ in range(8):
        used = x[np.abs(x - centre) <= clip * sigma]
        number = used.size
        centre = float(used.mean())
        new = float(np.sqrt(used.var(ddof=1) / keep))
        if abs(new - sigma) < 1e-6 * sigma:
            sigma = new
            break
        sigma = max(new, 0.1)
    return sigma**2, number


def transfer_two_frames(
    flat1: NDArray[np.generic],
    flat2: NDArray[np.generic],
    bias1: NDArray[np.generic],
    bias2: NDArray[np.generic],
    *,
    clip: float,
) -> FramePair:
    """Classical photon transfer on two flat and two bias (or short dark) frames.

    ``gain = [(F1 + F2) - (B1 + B2)] / [var(F1 - F2) - var(B1 - B2)]``,
    ``read noise = gain sd(B1 - B2) / sqrt 2``.

    Parameters
    ----------
    flat1, flat2, bias1, bias2 : ndarray of shape (ny, nx)
        ADU, of one amplifier.
    clip : float
        Limit for differences, sigma; the variances are corrected for it.

    Returns
    -------
    FramePair

    Raises
    ------
    ValueError
        If the shapes differ or `clip` is not above 1.5.
    CalibrationError
        If the flats are not noisier than the biases.

    References
    ----------
    Howell, Handbook of CCD Astronomy, sec. 4.3; Janesick 2001 (from memory).
    """
    frames = [np.asarray(f, dtype=np.float64) for f in (flat1, flat2, bias1, bias2)]
    if len({f.shape for f in frames}) > 1:
        msg = f"frames must share their shape, received {[f.shape for f in frames]}"
        raise ValueError(msg)
    if not clip > 1.5:
        msg = f"clip must exceed 1.5, received {clip}"
        raise ValueError(msg)
    f1, f2, b1, b2 = frames
    # Means of the frames without pixels that misbehave in either difference.
    var_f, n_f = _clipped_variance(f1 - f2, clip)
    var_b, n_b = _clipped_variance(b1 - b2, clip)
    ok = np.abs(f1 - f2 - np.median(f1 - f2)) <= clip * np.sqrt(var_f)
    ok &= np.abs(b1 - b2 - np.median(b1 - b2)) <= clip * np.sqrt(var_b)
    signal = float((f1 + f2 - b1 - b2)[ok].mean())
    if not var_f > var_b:
        msg = f"flats must be noisier than biases, variances are {var_f:.3g} and {var_b:.3g}"
        raise CalibrationError(msg)
    gain = signal / (var_f - var_b)
    # The error of a variance of n Gaussian values is var sqrt(2/n).
    err_f, err_b = var_f * np.sqrt(2.0 / n_f), var_b * np.sqrt(2.0 / n_b)
    gain_err = gain * float(np.hypot(err_f, err_b)) / (var_f - var_b)
    sd = float(np.sqrt(var_b / 2.0))
    read_err = float(np.hypot(gain_err * sd, gain * sd / np.sqrt(2.0 * n_b)))
    return FramePair(gain, gain_err, gain * sd, read_err)


def signal_to_noise(
    star: float,
    *,
    sky: float,
    dark: float,
    read_noise: float,
    gain: float,
    n_pixels: float,
    n_background: float,
    rounding: float,
) -> float:
    """Signal to noise of aperture photometry (the CCD equation).

    Parameters
    ----------
    star : float
        Electrons of the star in the aperture.
    sky, dark : float
        Electrons per pixel.
    read_noise : float
        Electrons.
    gain : float
        Electrons per ADU.
    n_pixels, n_background : float
        Pixels of the aperture and of the background estimate.
    rounding : float
        Standard deviation of rounding to ADU, ADU (0.289 for whole numbers).

    Returns
    -------
    float

    Raises
    ------
    ValueError
        If a number is negative or `n_background` is not positive.

    References
    ----------
    Merline & Howell 1995; Howell, Handbook of CCD Astronomy, sec. 4.4 (from memory).
    """
    for name, value in (
        ("star", star),
        ("sky", sky),
        ("dark", dark),
        ("read_noise", read_noise),
        ("gain", gain),
        ("n_pixels", n_pixels),
        ("rounding", rounding),
    ):
        if value < 0:
            msg = f"{name} must not be negative, received {value}"
            raise ValueError(msg)
    if not n_background > 0:
        msg = f"n_background must be positive, received {n_background}"
        raise ValueError(msg)
    per_pixel = sky + dark + read_noise**2 + (gain * rounding) ** 2
    variance = star + n_pixels * (1.0 + n_pixels / n_background) * per_pixel
    return float(star / np.sqrt(variance)) if variance > 0 else 0.0
