"""Column vectors of a night taken from the register of calibrations instead of the night itself."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.config import Config
from pipeline.errors import CalibrationError, ProductError
from pipeline.flags import PixelMask
from pipeline.io.register import Entry, Register, read_register
from pipeline.io.summary_files import StoredSummary
from pipeline.io.vector_files import StoredVectors, read_vectors
from pipeline.stages.colstats import ColumnSummary
from pipeline.stages.dark import DarkVector
from pipeline.stages.intercepts import fit_intercepts
from pipeline.stages.overscan import OverscanLevels
from pipeline.stages.response import ResponseVector
from pipeline.stages.transfer import (
    AmplifierTransfer,
    TransferOptions,
    describe_disagreement,
)
from pipeline.strip import Amplifier, Strip
from pipeline.tasks.night import NightVectors, drop_saturated_bins
from pipeline.tasks.options import StageOptions

__all__ = ["choose_entries", "choose_vectors", "register_path", "to_summary"]


def register_path(config: Config, out: Path) -> Path:
    """Where the register in force lies.

    Parameters
    ----------
    config : Config
        Its key ``calibration.register_file``, from the folder of the configuration.
    out : Path
        Folder of products, whose register is the default.

    Returns
    -------
    Path
    """
    given = config.calibration.register_file
    return config.folder / given if given else Path(out) / "calibration" / "register.toml"


def to_summary(stored: StoredSummary) -> ColumnSummary:
    """The column summary that a file holds.

    Parameters
    ----------
    stored : StoredSummary

    Returns
    -------
    ColumnSummary
    """
    return ColumnSummary(**stored.fields, overscan=OverscanLevels(**stored.overscan))


def choose_entries(
    config: Config, out: Path, night: str, chip: str, filter_name: str
) -> tuple[Register, Entry, Entry]:
    """Dark and response that the register gives to a night; no vector is read.

    Parameters
    ----------
    config : Config
    out : Path
        Folder of products.
    night, chip, filter_name : str

    Returns
    -------
    register : Register
    dark, response : Entry

    Raises
    ------
    CalibrationError
        If the register cannot be read or does not decide.
    """
    register = read_register(register_path(config, out))
    dark = register.choose("dark", chip, "", night)
    return register, dark, register.choose("response", chip, filter_name, night)


def choose_vectors(
    config: Config,
    out: Path,
    strips: Sequence[Strip],
    summaries: Mapping[str, ColumnSummary],
    options: StageOptions,
) -> tuple[NightVectors, tuple[str, ...]]:
    """Column vectors of science strips of one night, chip and filter, from the register.

    Bias and dark come from the register's dark of the night, the response from the interval of
    validity that holds it. What bias and dark missed is a matter of the night: the intercepts are
    measured anew on the night's summaries, with the response held. Gain and read noise are those
    that the season measured; where they are not the configured ones, that is said again.

    Parameters
    ----------
    config : Config
        ``calibration.register_file`` may name another register.
    out : Path
        Folder of products.
    strips : sequence of Strip
        With the shutter open, of one night, chip and filter.
    summaries : mapping of str to ColumnSummary
        By strip name, settled; those of `strips` are used.
    options : StageOptions
        Tuning.

    Returns
    -------
    NightVectors
    identity : tuple of str
        For the provenance: ``"id sha256:..."`` of dark and response.

    Raises
    ------
    CalibrationError
        If the register cannot be read or does not decide, or a file is missing, was changed, or
        does not fit the chip.
    """
    model = strips[0]
    register, dark_entry, response_entry = choose_entries(
        config, out, model.night, model.chip, model.filter
    )
    try:
        stored_dark = read_vectors(
            register.open(dark_entry), kind="dark", n_columns=model.n_columns
        )
        stored = read_vectors(
            register.open(response_entry), kind="response", n_columns=model.n_columns
        )
    except ProductError as error:
        raise CalibrationError(str(error)) from error
    dark = _to_dark(stored_dark).for_period(model.line_period)
    mask = np.asarray(stored_dark.columns["mask"] | stored.columns["mask"], dtype=np.uint16)
    response = _to_response(stored, mask)
    summaries, dropped = drop_saturated_bins(strips, {s.name: summaries[s.name] for s in strips})
    response, _, problems = fit_intercepts(
        response, [summaries[s.name] for s in strips], dark,
        line_periods=[s.line_period for s in strips], n_stage=model.n_stage,
        options=options.response,
    )  # fmt: skip
    chosen = tuple(f"{e.id} {e.checksum}" for e in (dark_entry, response_entry))
    texts = tuple(
        f"{e.id}: {text}"
        for e in (dark_entry, response_entry)
        for text in e.describe_for(model.night)
    )
    claims = tuple(
        f"{entry.id} was used for night {model.night}, which "
        f"{', '.join(others)} claim(s) as well: it is marked as preferred"
        for entry in (dark_entry, response_entry)
        if (others := _others(register, entry, model.night))
    )
    transfer, complaints = _to_transfer(stored, model.amplifiers, options.transfer)
    complaints = tuple(f"{response_entry.id}: {text}" for text in complaints)
    return (
        NightVectors(
            dark=dark, response=response, column_mask=mask, reasons=(), transfer=transfer,
            read_noise=np.array([a.read_noise for a in model.amplifiers]),
            problems=(*texts, *claims, *complaints, *dropped, *problems),
            dark_problems=_about(dark_entry, (*texts, *claims)),
        ),
        chosen,
    )  # fmt: skip


def _about(entry: Entry, texts: Sequence[str]) -> tuple[str, ...]:
    """Texts that begin with the name of an entry."""
    return tuple(t for t in texts if t.startswith((f"{entry.id}: ", f"{entry.id} ")))


def _others(register: Register, entry: Entry, night: str) -> list[str]:
    """Other entries that claim the night of a chosen one."""
    return [
        e.id
        for e in register.entries
        if e.id != entry.id
        and (e.kind, e.chip, e.filter) == (entry.kind, entry.chip, entry.filter)
        and e.covers(night)
    ]


def _to_dark(stored: StoredVectors) -> DarkVector:
    c, meta = stored.columns, stored.meta
    n_stage, tau = int(meta["NSTAGE"]), float(meta["LINEPER"])
    seconds = n_stage * tau
    bias_err, dark_err, total_err = c["bias_err"], c["dark_err"], c["total_err"]
    # The table has no covariance, but the error of the total tells it.
    with np.errstate(invalid="ignore"):
        product = (total_err**2 - bias_err**2 - (seconds * dark_err) ** 2) / (2.0 * seconds)
    n = len(bias_err)
    return DarkVector(
        c["bias"], bias_err, c["dark"], dark_err, np.where(np.isfinite(product), product, 0.0),
        c["total"], total_err, n_stage, tau, np.full(n, np.nan), int(meta.get("NSTRIPS") or 0), (),
    )  # fmt: skip


def _to_response(stored: StoredVectors, mask: NDArray[np.uint16]) -> ResponseVector:
    c, meta = stored.columns, stored.meta
    n = len(mask)
    dead = (mask & int(PixelMask.DEAD)) > 0
    zero = np.zeros(n)
    return ResponseVector(
        value=c["response"], error=c["response_err"], intercept=c["intercept"],
        intercept_err=c["intercept_err"], covariance=zero, chi2=c["chi2"],
        linearity=c.get("linearity", zero),
        linearity_err=c.get("linearity_err", np.full(n, np.inf)),
        mask=dead,
        sky_range=(float(meta["SKYLOW"]), float(meta["SKYHIGH"])), choice=str(meta["CHOICE"]),
        scattered=zero, scattered_light=0.0, n_bins=0, problems=(),
    )  # fmt: skip


def _to_transfer(
    stored: StoredVectors, amplifiers: Sequence[Amplifier], options: TransferOptions
) -> tuple[tuple[AmplifierTransfer, ...], tuple[str, ...]]:
    """Measured gain and read noise from the cards of a response, and what is wrong with them.

    All amplifiers or none: a product whose cards speak of some would say that the others agree.
    """
    found = []
    for amplifier in amplifiers:
        names = [f"{word}_{amplifier.name}" for word in ("GAIN", "EGN", "RDN", "ERDN")]
        values = [stored.meta.get(name) for name in names]
        if any(not isinstance(v, int | float) for v in values):
            lacking = names[[isinstance(v, int | float) for v in values].index(False)]
            return (), (f"gain and read noise were not measured in the season (no {lacking})",)
        gain, gain_err, noise, noise_err = (float(v) for v in values if v is not None)
        count = int(stored.meta.get(f"NBIN_{amplifier.name}") or 0)
        one = AmplifierTransfer(amplifier.name, gain, gain_err, noise, noise_err, count, ())
        found.append(replace(one, problems=describe_disagreement(one, amplifier, options=options)))
    return tuple(found), tuple(text for t in found for text in t.problems)
