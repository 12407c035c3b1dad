"""Column vectors of one night: bias and dark, response, masks, gain and read noise."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import CalibrationError
from pipeline.stages.colmask import (
    ColumnReason,
    mask_columns,
    measure_excess_noise,
    measure_tails,
)
from pipeline.stages.colstats import ColumnSummary
from pipeline.stages.dark import DarkVector, dark_from_nothing, fit_dark
from pipeline.stages.intercepts import NightSky, drop_saturated, fit_intercepts
from pipeline.stages.response import ResponseVector, fit_response
from pipeline.stages.transfer import AmplifierTransfer, fit_photon_transfer
from pipeline.strip import Strip, index_amplifiers
from pipeline.tasks.options import StageOptions

__all__ = [
    "NightVectors", "describe_gradient", "drop_saturated_bins", "make_dark", "make_vectors",
]  # fmt: skip

_GRADIENT = 0.005  # of the sky, middle to edge of the chip: what half a per cent does shows


@dataclass(frozen=True)
class NightVectors:
    """Calibrations of one night, chip and filter.

    Parameters
    ----------
    dark : DarkVector
        Bias and dark.
    response : ResponseVector
        Column response.
    column_mask : ndarray of uint16 of shape (n_columns,)
        Bits of whole columns.
    reasons : tuple of ColumnReason
        Why a column is masked.
    transfer : tuple of AmplifierTransfer
        Measured gain and read noise; empty where the levels do not vary enough.
    read_noise : ndarray of shape (n_amplifiers,)
        What the variance model uses, electrons.
    problems : tuple of str
        What the reader should know.
    dark_problems : tuple of str
        Those of them that are about bias and dark.
    """

    dark: DarkVector
    response: ResponseVector
    column_mask: NDArray[np.uint16]
    reasons: tuple[ColumnReason, ...]
    transfer: tuple[AmplifierTransfer, ...]
    read_noise: NDArray[np.float64]
    problems: tuple[str, ...]
    dark_problems: tuple[str, ...] = ()


def drop_saturated_bins(
    strips: Sequence[Strip], summaries: Mapping[str, ColumnSummary]
) -> tuple[dict[str, ColumnSummary], tuple[str, ...]]:
    """Summaries without the bins of science strips whose sky comes near saturation.

    Parameters
    ----------
    strips : sequence of Strip
        With the shutter open.
    summaries : mapping of str to ColumnSummary
        By strip name, settled; others than those of `strips` pass as they are.

    Returns
    -------
    summaries : dict of str to ColumnSummary
    problems : tuple of str
        How many bins of which strip were left out.
    """
    kept = dict(summaries)
    problems = []
    for strip in strips:
        summary = summaries[strip.name]
        kept[strip.name], dropped = drop_saturated(summary, _saturation(strip, summary))
        if dropped:
            problems.append(
                f"{strip.name}: {dropped} of {summary.n_bins} bins near saturation (twilight?) "
                "are left out of the response"
            )
    return kept, tuple(problems)


def _saturation(strip: Strip, summary: ColumnSummary) -> NDArray[np.float64]:
    """Electrons above the overscan at which a column saturates."""
    amps = index_amplifiers(strip.amplifiers, n_columns=strip.n_columns)
    zero = np.median(np.nan_to_num(summary.overscan.level), axis=0)
    full = np.array(
        [(a.saturation - z) * a.gain for a, z in zip(strip.amplifiers, zero, strict=True)]
    )
    return np.asarray(full[amps])


def make_dark(
    closed: Sequence[Strip],
    summaries: Mapping[str, ColumnSummary],
    model: Strip,
    *,
    options: StageOptions,
) -> tuple[DarkVector, tuple[str, ...]]:
    """Bias and dark of a night, or their documented absence.

    Parameters
    ----------
    closed : sequence of Strip
        Shutter-closed strips of the chip and night.
    summaries : mapping of str to ColumnSummary
        By strip name, settled.
    model : Strip
        A science strip: its columns, rows and line period count.
    options : StageOptions
        Tuning.

    Returns
    -------
    DarkVector
    problems : tuple of str
    """
    have = [s for s in closed if s.name in summaries]
    problem = ""
    if have:
        try:
            dark = fit_dark(
                [summaries[s.name] for s in have], model.amplifiers,
                line_periods=[s.line_period for s in have], n_stage=model.n_stage,
                clipped=options.summary.clipped_share, options=options.dark,
            )  # fmt: skip
            return dark.for_period(model.line_period), dark.problems
        except CalibrationError as error:
            problem = f"{error}; bias and dark are left to the intercept of the response"
    else:
        problem = (
            f"night {model.night}, chip {model.chip}: no shutter-closed strip; bias and dark are "
            "left to the intercept of the response. Add a strip with the shutter closed, and "
            "check raw.keywords.shutter and raw.shutter_closed_values"
        )
    dark = dark_from_nothing(
        model.n_columns, n_stage=model.n_stage, line_period=model.line_period, options=options.dark
    )
    return dark, (problem,)


def make_vectors(
    science: Sequence[Strip],
    closed: Sequence[Strip],
    summaries: Mapping[str, ColumnSummary],
    *,
    options: StageOptions,
) -> NightVectors:
    """All column calibrations of one night, chip and filter.

    Bins whose sky comes near saturation, as in twilight, take no part.

    Parameters
    ----------
    science, closed : sequence of Strip
        Strips with the shutter open (one filter) and closed.
    summaries : mapping of str to ColumnSummary
        By strip name, settled.
    options : StageOptions
        Tuning.

    Returns
    -------
    NightVectors

    Raises
    ------
    CalibrationError
        If the summaries do not allow a response.
    """
    model = science[0]
    dark, dark_problems = make_dark(closed, summaries, model, options=options)
    summaries, dropped = drop_saturated_bins(science, summaries)
    sky = [summaries[s.name] for s in science]
    try:
        response = fit_response(
            sky, dark, line_periods=[s.line_period for s in science], n_stage=model.n_stage,
            options=options.response,
        )  # fmt: skip
    except CalibrationError as error:
        if not dropped:
            raise
        raise CalibrationError("; ".join((str(error), *dropped))) from error
    try:
        _, light, _ = fit_intercepts(
            response, sky, dark, line_periods=[s.line_period for s in science],
            n_stage=model.n_stage, options=options.response,
        )  # fmt: skip
        one_sided = describe_gradient(light)
    except CalibrationError as error:
        one_sided = [f"gradients of the sky not measured: {error}"]
    everything = [*sky, *(summaries[s.name] for s in closed if s.name in summaries)]
    noise = measure_excess_noise(everything, model.amplifiers)
    tails = measure_tails(
        sky, dark, response, line_periods=[s.line_period for s in science], n_stage=model.n_stage
    )
    mask, reasons = mask_columns(dark, response, noise, options=options.column_mask, tails=tails)
    transfer: tuple[AmplifierTransfer, ...] = ()
    transfer_problems: tuple[str, ...] = ()
    try:
        transfer = fit_photon_transfer(
            everything, dark, model.amplifiers, mask, options=options.transfer
        )
    except (CalibrationError, ValueError) as error:
        transfer_problems = (f"gain and read noise not measured: {error}",)
    else:
        transfer_problems = tuple(p for t in transfer for p in t.problems)
    configured = np.array([a.read_noise for a in model.amplifiers])
    return NightVectors(
        dark=dark, response=response, column_mask=mask, reasons=reasons, transfer=transfer,
        read_noise=configured,
        problems=(
            *dark_problems, *dropped, *response.problems, *one_sided,
            *transfer_problems,
        ),
        dark_problems=dark_problems,
    )  # fmt: skip


def describe_gradient(sky: NightSky) -> list[str]:
    """Light on one side of the chip in part of the night, in words.

    Parameters
    ----------
    sky : NightSky
        Its gradients, bin by bin.

    Returns
    -------
    list of str
        Empty where no bin stands apart.
    """
    known = np.isfinite(sky.gradient_err)
    if known.sum() < 3:
        return []
    gradient, error = sky.gradient[known], sky.gradient_err[known]
    away = gradient - np.median(gradient)
    strongest = int(np.argmax(np.abs(away)))
    if abs(away[strongest]) <= max(_GRADIENT, 5.0 * error[strongest]):
        return []
    lit = int((np.abs(away) > max(_GRADIENT, 5.0 * float(np.median(error)))).sum())
    side = "high" if away[strongest] > 0 else "low"
    text = (
        f"the sky is up to {100 * abs(away[strongest]):.2f} % brighter towards the {side} columns "
        f"in {lit} of {len(away)} bins (moonlight or twilight on one side): fitted bin by bin, "
        "the median gradient of the night is taken for none"
    )
    return [text]
