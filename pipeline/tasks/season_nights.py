"""One night of a season, from its column summaries alone: vectors, noise, and what is wrong."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import CalibrationError, DriftloomError
from pipeline.flags import PixelMask
from pipeline.io.summary_files import StoredSummary
from pipeline.stages.colmask import mask_columns, measure_excess_noise
from pipeline.stages.colstats import ColumnSummary
from pipeline.stages.dark import DarkVector
from pipeline.stages.intercepts import fit_intercepts
from pipeline.stages.response import fit_response
from pipeline.stages.season_compare import NightResponse
from pipeline.strip import Strip
from pipeline.tasks.night import (
    NightVectors,
    describe_gradient,
    drop_saturated_bins,
    make_dark,
    make_vectors,
)
from pipeline.tasks.options import StageOptions
from pipeline.tasks.season_vectors import to_summary

__all__ = ["NightDark", "SeasonNight", "make_night_dark", "make_season_night"]


@dataclass(frozen=True)
class NightDark:
    """Bias and dark of a night and chip.

    Parameters
    ----------
    dark : DarkVector
    mask : ndarray of uint16 of shape (n_columns,)
        Hot and noisy columns.
    measured : bool
        False where no closed strip was usable.
    problems : tuple of str
    """

    dark: DarkVector
    mask: NDArray[np.uint16]
    measured: bool
    problems: tuple[str, ...]


@dataclass(frozen=True)
class SeasonNight:
    """What a season keeps of a night, chip and filter.

    Parameters
    ----------
    model : Strip
        A science strip.
    vectors : NightVectors
    noise : pair of ndarray of shape (n_columns,)
        Excess noise of the columns and its error.
    gradient : ndarray of shape (n_bins,)
        Of the sky, relative, middle to edge of the chip; empty where it could not be measured.
    problems : tuple of str
        What was found, without the name of the night.
    """

    model: Strip
    vectors: NightVectors
    noise: tuple[NDArray[np.float64], NDArray[np.float64]]
    gradient: NDArray[np.float64]
    problems: tuple[str, ...]

    def as_night(self, bent: NDArray[np.bool_]) -> NightResponse:
        """What the comparison of nights takes.

        Parameters
        ----------
        bent : ndarray of bool of shape (n_columns,)
            Columns that some night of the season shows not to follow the light in proportion:
            their slopes change with the sky of a night, whether that night can tell or not.
        """
        # A dead column may change; the others that are masked follow more than the light.
        other = (self.vectors.column_mask & ~np.uint16(PixelMask.DEAD)) | bent
        return NightResponse(self.model.night, self.vectors.response, other > 0, self.gradient)


def _open(stored: Sequence[StoredSummary]) -> tuple[list[Strip], list[Strip]]:
    science = [s.strip for s in stored if s.strip.shutter_open]
    return science, [s.strip for s in stored if not s.strip.shutter_open]


def make_night_dark(stored: Sequence[StoredSummary], *, options: StageOptions) -> NightDark:
    """Bias and dark of a night from its shutter-closed strips.

    Parameters
    ----------
    stored : sequence of StoredSummary
        Of one night and chip.
    options : StageOptions

    Returns
    -------
    NightDark
    """
    science, closed = _open(stored)
    model = (science or closed)[0]
    summaries = {s.strip.name: to_summary(s) for s in stored if not s.strip.shutter_open}
    dark, problems = make_dark(closed, summaries, model, options=options)
    mask = np.zeros(model.n_columns, dtype=np.uint16)
    measured = dark.n_strips > 0
    if measured:
        limits = options.column_mask
        signal = dark.dark * dark.n_stage * dark.line_period
        error = dark.dark_err * dark.n_stage * dark.line_period
        excess = signal - np.median(signal)
        hot = (excess > limits.hot_signal) & (excess > limits.hot_sigma * error)
        ratio, ratio_err = measure_excess_noise(list(summaries.values()), model.amplifiers)
        with np.errstate(invalid="ignore"):
            noisy = (ratio > limits.noise_ratio) & (ratio - 1.0 > limits.noise_sigma * ratio_err)
        mask[hot] |= np.uint16(PixelMask.HOT)
        mask[noisy] |= np.uint16(PixelMask.NOISY)
    return NightDark(dark, mask, measured, problems)


def make_season_night(
    stored: Sequence[StoredSummary], dark: DarkVector | None, *, options: StageOptions
) -> SeasonNight:
    """Column vectors of one night, chip and filter from stored summaries.

    Parameters
    ----------
    stored : sequence of StoredSummary
        Science strips of one filter, and the shutter-closed strips of the night.
    dark : DarkVector or None
        Of other nights, where this one has none of its own.
    options : StageOptions

    Returns
    -------
    SeasonNight

    Raises
    ------
    CalibrationError
        If the summaries do not allow a response.
    """
    science, closed = _open(stored)
    summaries, dropped = drop_saturated_bins(
        science, {one.strip.name: to_summary(one) for one in stored}
    )
    problems = list(dropped)
    try:
        if dark is None:
            vectors = make_vectors(science, closed, summaries, options=options)
        else:
            vectors = _with_dark(science, summaries, dark, options)
    except ValueError as error:
        raise CalibrationError(str(error)) from error
    gradient = np.zeros(0)
    try:
        _, sky, _ = fit_intercepts(
            vectors.response, [summaries[s.name] for s in science], vectors.dark,
            line_periods=[s.line_period for s in science], n_stage=science[0].n_stage,
            options=options.response,
        )  # fmt: skip
        problems += [t for t in describe_gradient(sky) if t not in vectors.problems]
        gradient = sky.gradient[np.isfinite(sky.gradient_err)]
    except DriftloomError as error:
        problems.append(f"gradients of the sky not measured: {error}")
    noise = measure_excess_noise(list(summaries.values()), science[0].amplifiers)
    return SeasonNight(
        science[0], vectors, noise, gradient, (*problems, *vectors.problems)
    )  # fmt: skip


def _with_dark(
    science: Sequence[Strip],
    summaries: dict[str, ColumnSummary],
    dark: DarkVector,
    options: StageOptions,
) -> NightVectors:
    """As `make_vectors`, with the dark of other nights."""
    model = science[0]
    dark = dark.for_period(model.line_period)
    sky = [summaries[s.name] for s in science]
    response = fit_response(
        sky, dark, line_periods=[s.line_period for s in science], n_stage=model.n_stage,
        options=options.response,
    )  # fmt: skip
    noise = measure_excess_noise(sky, model.amplifiers)
    mask, reasons = mask_columns(dark, response, noise, options=options.column_mask)
    return NightVectors(
        dark=dark, response=response, column_mask=mask, reasons=reasons, transfer=(),
        read_noise=np.array([a.read_noise for a in model.amplifiers]), problems=response.problems,
    )  # fmt: skip
