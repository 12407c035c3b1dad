"""Was the shutter closed? Signs of light in a strip that should hold none."""

from dataclasses import dataclass

import numpy as np

from pipeline.stages.colstats import ColumnSummary
from pipeline.stages.overscan import QUANTISATION
from pipeline.strip import Amplifier, index_amplifiers

__all__ = ["DarkOptions", "find_light"]


@dataclass(frozen=True)
class DarkOptions:
    """How bias and dark are fitted, and what counts as light in a closed strip.

    Parameters
    ----------
    rate_prior : float
        Width of the prior on the dark rate about zero, electrons per second: decides only where
        the rows integrated do not vary enough to tell bias from dark.
    clip : float
        Bins further than this many sigma from a column's fit are dropped.
    trend : float
        Largest tolerated wander of the mean level of a closed strip, electrons.
    clipped_fraction : float
        Largest tolerated excess fraction of clipped pixels over the Gaussian expectation; more
        means stars.
    excess_variance : float
        Largest tolerated pixel variance beyond read noise and dark signal, electrons^2; more
        means a steady light.
    scatter : float
        Strip-to-strip scatter, in units of the expected variance, above which it is reported.
    nothing_err : float
        Prior error of bias plus dark where no closed strip exists, electrons.
    """

    rate_prior: float = 10.0
    clip: float = 5.0
    trend: float = 1.0
    clipped_fraction: float = 0.01
    excess_variance: float = 15.0
    scatter: float = 2.0
    nothing_err: float = 50.0

    def __post_init__(self) -> None:
        for name in (
            "rate_prior",
            "clip",
            "trend",
            "clipped_fraction",
            "excess_variance",
            "scatter",
            "nothing_err",
        ):
            if not getattr(self, name) > 0:
                msg = f"dark {name} must be positive, received {getattr(self, name)}"
                raise ValueError(msg)


def find_light(
    summary: ColumnSummary,
    amplifiers: tuple[Amplifier, ...],
    *,
    n_stage: int,
    clipped: float,
    options: DarkOptions,
) -> tuple[str, ...]:
    """What speaks against a strip's shutter having been closed.

    Three signs: the mean level wanders after the ramp, more pixels than a Gaussian's tail are
    clipped (stars), or pixels are noisier than read noise and dark signal allow (steady light).

    Parameters
    ----------
    summary : ColumnSummary
        Of a shutter-closed strip.
    amplifiers : tuple of Amplifier
        They tile the chip.
    n_stage : int
        Rows that integrate.
    clipped : float
        Share of Gaussian pixels that the summary leaves out (``SummaryOptions.clipped_share``).
    options : DarkOptions
        Limits.

    Returns
    -------
    tuple of str
        Empty where nothing speaks against it.
    """
    found = []
    use = (~summary.in_ramp(n_stage)) & np.isfinite(summary.level).any(axis=1)
    if not use.any():
        return ()
    level = np.asarray(summary.level[use], dtype=np.float64)
    some = np.isfinite(level).any(axis=0)
    middle = np.zeros(level.shape[1])
    middle[some] = np.nanmedian(level[:, some], axis=0)
    own = np.nan_to_num(level - middle, nan=0.0)
    # The median over columns of each bin: columns are many, so its noise is small.
    series = np.median(own, axis=1)
    noise = 1.2533 * np.nanmedian(summary.level_err[use]) / np.sqrt(level.shape[1])
    wander = float(series.max() - series.min())
    if wander > options.trend and wander > 8.0 * noise:
        found.append(
            f"the level of a shutter-closed strip wanders by {wander:.2f} electrons "
            f"(limit {options.trend:g}): light or an unsteady bias"
        )
    counted = summary.count[use].astype(np.float64) / summary.present[use][:, None]
    lost = float(np.mean(1.0 - np.median(counted, axis=1))) - clipped
    lost_mean = float(np.mean(1.0 - counted)) - clipped
    if max(lost, lost_mean) > options.clipped_fraction:
        found.append(
            f"{100 * lost_mean:.2f} % of a shutter-closed strip's pixels stand out "
            f"(limit {100 * options.clipped_fraction:g} %): stars, so light"
        )
    amps = index_amplifiers(amplifiers, n_columns=summary.n_columns)
    gains = np.array([a.gain for a in amplifiers])
    read, _ = summary.overscan.read_noise()
    fallback = np.array([a.read_noise for a in amplifiers])
    read_e = np.where(np.isfinite(read), read * gains, fallback)
    # Dark signal itself: level of these lines less the level extrapolated to no rows at all.
    ramp = summary.in_ramp(n_stage) & np.isfinite(summary.level).any(axis=1)
    dark_signal = 0.0
    if ramp.any():
        rows = summary.mean_rows(n_stage)
        first = int(np.flatnonzero(ramp)[0])
        share = 1.0 - rows[first] / n_stage
        if share > 0.1:
            change = (middle - summary.level[first])[some]
            dark_signal = float(np.nanmedian(change)) / share
    for a, amplifier in enumerate(amplifiers):
        measured = float(np.nanmedian(summary.noise_var[use][:, amps == a]))
        expected = read_e[a] ** 2 + gains[a] ** 2 * QUANTISATION + max(dark_signal, 0.0)
        if measured - expected > options.excess_variance:
            found.append(
                f"pixels of amplifier {amplifier.name} of a shutter-closed strip have a variance "
                f"{measured - expected:.1f} electrons^2 above read noise and dark "
                f"(limit {options.excess_variance:g}): steady light or an extra noise"
            )
    return tuple(found)
