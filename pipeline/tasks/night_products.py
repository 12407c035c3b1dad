"""Write the column vectors of a night."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.config import Config
from pipeline.io.columns import DARK, RESPONSE
from pipeline.io.provenance import Provenance
from pipeline.io.tables import write_table
from pipeline.stages.transfer import AmplifierTransfer
from pipeline.strip import Amplifier, Strip
from pipeline.tasks.night import NightVectors

__all__ = [
    "make_amplifier_cards",
    "make_remark_cards",
    "make_transfer_cards",
    "write_night_vectors",
]

_MOST_REMARKS = 99


def make_amplifier_cards(amplifiers: Sequence[Amplifier]) -> dict[str, tuple[Any, str]]:
    """Header cards of the columns that each amplifier reads.

    Parameters
    ----------
    amplifiers : sequence of Amplifier
        Of the strips: they are part of what the vectors depend on already.

    Returns
    -------
    dict of str to (value, comment)
        Half-open range of chip columns: COL0_A, COL1_A for an amplifier A.
    """
    cards: dict[str, tuple[Any, str]] = {}
    for amplifier in amplifiers:
        cards[f"COL0_{amplifier.name}"] = (amplifier.chip[0], "first column of the amplifier")
        cards[f"COL1_{amplifier.name}"] = (amplifier.chip[1], "column behind its last")
    return cards


def make_transfer_cards(transfer: Sequence[AmplifierTransfer]) -> dict[str, tuple[Any, str]]:
    """Header cards of measured gain and read noise.

    Parameters
    ----------
    transfer : sequence of AmplifierTransfer
        One per amplifier, or none.

    Returns
    -------
    dict of str to (value, comment)
    """
    cards: dict[str, tuple[Any, str]] = {}
    for value in transfer:  # names of amplifiers have up to three letters, keywords eight
        cards[f"GAIN_{value.name}"] = (value.gain, "[electron/ADU] measured gain")
        cards[f"EGN_{value.name}"] = (value.gain_err, "[electron/ADU] its error")
        cards[f"RDN_{value.name}"] = (value.read_noise, "[electron] measured read noise")
        cards[f"ERDN_{value.name}"] = (value.read_noise_err, "[electron] its error")
        cards[f"NBIN_{value.name}"] = (value.n_points, "column bins behind both")
    return cards


def make_remark_cards(texts: Sequence[str]) -> dict[str, tuple[str, str]]:
    """Header cards REMARK1, REMARK2, ... of what the reader of a calibration should know.

    Parameters
    ----------
    texts : sequence of str
        A keyword has eight characters, so the last of 99 cards says how many more there are; the
        ledger and, in a season, the register have them all. ASCII only, as FITS demands.

    Returns
    -------
    dict of str to (value, comment)
    """
    if len(texts) > _MOST_REMARKS:
        left = len(texts) - _MOST_REMARKS + 1
        texts = [*texts[: _MOST_REMARKS - 1], f"and {left} more, see the register or the ledger"]
    return {
        f"REMARK{number}": (text.encode("ascii", "replace").decode(), "")
        for number, text in enumerate(texts, 1)
    }


def write_night_vectors(
    config: Config, out: Path, strip: Strip, vectors: NightVectors, *, provenance: Provenance
) -> None:
    """Write dark and response vectors of one night, chip and filter as FITS tables.

    Parameters
    ----------
    config : Config
        The observatory.
    out : Path
        Folder of products.
    strip : Strip
        A science strip of the night: names, columns, line period.
    vectors : NightVectors
        What to write.
    provenance : Provenance
        Into the headers.
    """
    folder = out / "calibration" / strip.night
    folder.mkdir(parents=True, exist_ok=True)
    column = np.arange(strip.n_columns, dtype=np.int32)
    mask = vectors.column_mask.astype(np.int32)
    dark, response = vectors.dark, vectors.response
    common: dict[str, Any] = {
        "ORIGIN": (config.observatory.name, "observatory"),
        "NIGHT": (strip.night, "date of the local noon before"),
        "CHIP": (strip.chip, "chip"),
        "LINEPER": (strip.line_period, "[s] line period"),
        "NSTAGE": (strip.n_stage, "rows that integrate"),
    }
    write_table(
        folder / f"{strip.chip}_dark",
        {
            "column": column, "bias": dark.bias, "bias_err": dark.bias_err, "dark": dark.dark,
            "dark_err": dark.dark_err, "total": dark.total, "total_err": dark.total_err,
            "mask": mask,
        },
        schema=DARK,
        meta={
            **common, "NSTRIPS": (dark.n_strips, "shutter-closed strips used"),
            **make_remark_cards(vectors.dark_problems),
        },
        provenance=provenance, formats=("fits", "parquet"), bits="mask",
    )  # fmt: skip
    write_table(
        folder / f"{strip.chip}_{strip.filter}_response",
        {
            "column": column, "response": response.value, "response_err": response.error,
            "intercept": response.intercept, "intercept_err": response.intercept_err,
            "chi2": response.chi2, "linearity": response.linearity,
            "linearity_err": response.linearity_err, "mask": mask,
        },
        schema=RESPONSE,
        meta={
            **common, "FILTER": (strip.filter, "filter"),
            "CHOICE": (response.choice, "slope against sky level, or ratio to it"),
            "SKYLOW": (response.sky_range[0], "[electron] lowest sky used"),
            "SKYHIGH": (response.sky_range[1], "[electron] highest sky used"),
            **make_amplifier_cards(strip.amplifiers), **make_transfer_cards(vectors.transfer),
            **make_remark_cards(vectors.problems),
        },
        provenance=provenance, formats=("fits", "parquet"), bits="mask",
    )  # fmt: skip
