"""Write the calibrations of a season: tables with their validity, and the nights side by side."""

import hashlib
import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import ProductError
from pipeline.io.columns import DARK, RESPONSE, Column, Schema
from pipeline.io.provenance import Provenance, checksum_file
from pipeline.io.register import Entry
from pipeline.io.tables import read_table_meta, write_table
from pipeline.stages.dark import DarkVector
from pipeline.stages.response import ResponseVector
from pipeline.stages.transfer import AmplifierTransfer
from pipeline.strip import Strip
from pipeline.tasks.night_products import make_remark_cards, make_transfer_cards
from pipeline.tasks.season_nights import SeasonNight

__all__ = [
    "NIGHTS", "combine_transfer", "file_name", "write_nights", "write_season_dark",
    "write_season_response",
]  # fmt: skip

NIGHTS: Schema = (
    Column("night", "str", "", "time.epoch", "date of the local noon before"),
    Column("column", "int32", "pixel", "pos.cartesian.x;instr.det", "chip column, 0-based"),
    Column("response", "float64", "", "instr.sensitivity;obs.calib.flat",
           "response of the night alone, relative to the chip"),
    Column("response_err", "float64", "", "stat.error;instr.sensitivity", "error of response"),
    Column("mask", "int32", "", "meta.code.qual", "mask bits, named in the header"),
)  # fmt: skip


def file_name(*parts: str) -> str:
    """A name of a file from words that may hold anything, such as names of filters."""
    return "_".join(re.sub(r"[^A-Za-z0-9_.+-]", "-", part) for part in parts)


def combine_transfer(nights: Sequence[SeasonNight]) -> tuple[AmplifierTransfer, ...]:
    """Gain and read noise of the amplifiers over several nights, by inverse variance.

    Parameters
    ----------
    nights : sequence of SeasonNight

    Returns
    -------
    tuple of AmplifierTransfer
        Empty where no night could measure them. Errors are raised where nights scatter by more.
    """
    found: list[AmplifierTransfer] = []
    for a, amplifier in enumerate(nights[0].model.amplifiers):
        mine = [n.vectors.transfer[a] for n in nights if len(n.vectors.transfer) > a]
        if not mine:
            return ()
        gain, gain_err = _average(mine, "gain")
        noise, noise_err = _average(mine, "read_noise")
        n_points = sum(t.n_points for t in mine)
        found.append(
            AmplifierTransfer(amplifier.name, gain, gain_err, noise, noise_err, n_points, ())
        )
    return tuple(found)


def _average(values: Sequence[AmplifierTransfer], name: str) -> tuple[float, float]:
    value = np.array([getattr(t, name) for t in values])
    weight = 1.0 / np.array([max(getattr(t, f"{name}_err"), 1e-9) for t in values]) ** 2
    mean = float((weight * value).sum() / weight.sum())
    # Nights that differ by more than their errors, as electronics do that warm up, are no better
    # known together than they scatter.
    chi2 = float((weight * (value - mean) ** 2).sum()) / max(len(values) - 1, 1)
    return mean, float((max(1.0, chi2) / weight.sum()) ** 0.5)


def write_season_dark(
    folder: Path,
    entry: Mapping[str, Any],
    strip: Strip,
    dark: DarkVector,
    mask: NDArray[np.uint16],
    *,
    common: Mapping[str, Any],
    provenance: Provenance,
    before: Entry | None,
) -> Entry:
    """Write bias and dark of a night and say what the register should.

    Parameters
    ----------
    folder : Path
        Of the register.
    entry : mapping
        Fields of the entry but ``file`` and ``checksum``.
    strip : Strip
        A strip of the night: columns, rows and line period.
    dark : DarkVector
    mask : ndarray of uint16 of shape (n_columns,)
    common : mapping
        Header cards: observatory, program.
    provenance : Provenance
    before : Entry or None
        Of an earlier run; its file stays where nothing changed.

    Returns
    -------
    Entry

    Raises
    ------
    ProductError
        If the system refuses.
    """
    columns: dict[str, NDArray[Any]] = {
        "column": np.arange(strip.n_columns, dtype=np.int32), "bias": dark.bias,
        "bias_err": dark.bias_err, "dark": dark.dark, "dark_err": dark.dark_err,
        "total": dark.total, "total_err": dark.total_err, "mask": mask.astype(np.int32),
    }  # fmt: skip
    meta = {
        **common, **_validity(entry, strip),
        "NSTRIPS": (dark.n_strips, "shutter-closed strips used"),
    }  # fmt: skip
    return _write(folder, entry, columns, DARK, meta, provenance, before)


def write_season_response(
    folder: Path,
    entry: Mapping[str, Any],
    strip: Strip,
    response: ResponseVector,
    mask: NDArray[np.uint16],
    *,
    transfer: Sequence[AmplifierTransfer],
    common: Mapping[str, Any],
    provenance: Provenance,
    before: Entry | None,
) -> Entry:
    """Write the response of an interval and say what the register should.

    Parameters and errors as `write_season_dark`; `transfer` is measured gain and read noise.

    Returns
    -------
    Entry
    """
    columns: dict[str, NDArray[Any]] = {
        "column": np.arange(strip.n_columns, dtype=np.int32), "response": response.value,
        "response_err": response.error, "intercept": response.intercept,
        "intercept_err": response.intercept_err, "chi2": response.chi2,
        "linearity": response.linearity, "linearity_err": response.linearity_err,
        "mask": mask.astype(np.int32),
    }  # fmt: skip
    meta: dict[str, Any] = {
        **common, **_validity(entry, strip),
        "FILTER": (strip.filter, "filter"),
        "CHOICE": (response.choice, "slope against sky level, or ratio to it"),
        "SKYLOW": (response.sky_range[0], "[electron] lowest sky used"),
        "SKYHIGH": (response.sky_range[1], "[electron] highest sky used"),
        **make_transfer_cards(transfer),
    }  # fmt: skip
    return _write(folder, entry, columns, RESPONSE, meta, provenance, before)


def _validity(entry: Mapping[str, Any], strip: Strip) -> dict[str, Any]:
    return {
        "CALID": (entry["id"], "name in the register"),
        "CHIP": (strip.chip, "chip"),
        "LINEPER": (strip.line_period, "[s] line period"),
        "NSTAGE": (strip.n_stage, "rows that integrate"),
        "NIGHT": (entry["valid_from"], "first night"),
        "VALIDBEG": (entry["valid_from"], "first night of validity when made"),
        "VALIDEND": (entry["valid_to"], "last night of validity when made"),
        "NNIGHTS": (entry["n_nights"], "nights that went in"),
        **make_remark_cards(entry["remarks"]),
    }


def _write(
    folder: Path,
    entry: Mapping[str, Any],
    columns: Mapping[str, NDArray[Any]],
    schema: Schema,
    meta: Mapping[str, Any],
    provenance: Provenance,
    before: Entry | None,
) -> Entry:
    """Write a table, or leave the one that stands if it says the same."""
    digest = hashlib.sha256()
    for name, values in columns.items():
        digest.update(name.encode() + np.ascontiguousarray(values).tobytes())
    digest.update(repr(sorted((k, str(v)) for k, v in meta.items())).encode())
    digest.update(provenance.code.encode() + "\n".join(n for n, _ in provenance.inputs).encode())
    content = digest.hexdigest()
    stem = folder / "season" / file_name(str(entry["id"]))
    path = stem.with_name(f"{stem.name}.fits")
    name = path.relative_to(folder).as_posix()
    if before is not None and before.file == name and _stands(path, before.checksum, content):
        # A table written again would differ by its dates only, and all that was reduced with it
        # would count as outdated.
        kept = {"made": before.made, "inputs": before.inputs, "preferred": before.preferred}
        return Entry(**{**entry, **kept, "file": name, "checksum": before.checksum})
    write_table(
        stem, columns, schema=schema,
        meta={**meta, "CONTENT": (content, "digest of what does not change with dates")},
        provenance=provenance, formats=("fits", "parquet"), bits="mask",
    )  # fmt: skip
    extra = {"preferred": before.preferred} if before is not None else {}
    return Entry(**{**entry, **extra, "file": name, "checksum": checksum_file(path)})


def _stands(path: Path, checksum: str, content: str) -> bool:
    try:
        return (
            checksum_file(path) == checksum and read_table_meta(path)[0].get("CONTENT") == content
        )
    except (OSError, ProductError):
        return False


def write_nights(
    folder: Path,
    nights: Sequence[SeasonNight],
    *,
    common: Mapping[str, Any],
    provenance: Provenance,
) -> None:
    """Write the responses of all nights of a chip and filter, one below the other.

    Parameters
    ----------
    folder : Path
        Of the register.
    nights : sequence of SeasonNight
    common : mapping
        Header cards.
    provenance : Provenance

    Raises
    ------
    ProductError
        If the system refuses.
    """  # fmt: skip
    model = nights[0].model
    number = np.arange(model.n_columns, dtype=np.int32)
    write_table(
        folder / "season" / file_name(model.chip, model.filter, "nights"),
        {
            "night": np.repeat([n.model.night for n in nights], model.n_columns),
            "column": np.tile(number, len(nights)),
            "response": np.concatenate([n.vectors.response.value for n in nights]),
            "response_err": np.concatenate([n.vectors.response.error for n in nights]),
            "mask": np.concatenate([n.vectors.column_mask for n in nights]).astype(np.int32),
        },
        schema=NIGHTS, meta={**common, "CHIP": (model.chip, "chip"),
                             "FILTER": (model.filter, "filter")},
        provenance=provenance, formats=("fits", "parquet"), bits="mask",
    )  # fmt: skip
