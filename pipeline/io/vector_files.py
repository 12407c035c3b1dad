"""Column vectors read back from the tables of a calibration."""

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import ProductError
from pipeline.io.columns import DARK, RESPONSE, Schema
from pipeline.io.provenance import Provenance
from pipeline.io.tables import read_table, read_table_meta

__all__ = ["StoredVectors", "read_vectors"]


@dataclass(frozen=True)
class StoredVectors:
    """Columns and header of a dark or response table.

    Parameters
    ----------
    columns : dict of str to ndarray of shape (n_columns,)
        As in `pipeline.io.columns`.
    meta : dict
        Header values.
    provenance : Provenance or None
    """

    columns: dict[str, NDArray[Any]]
    meta: dict[str, Any]
    provenance: Provenance | None


def read_vectors(path: str | Path, *, kind: str, n_columns: int) -> StoredVectors:
    """Read a dark or response table and check that it fits a chip.

    Parameters
    ----------
    path : str or Path
        FITS or Parquet.
    kind : {"dark", "response"}
        What it should be.
    n_columns : int
        Columns of the chip.

    Returns
    -------
    StoredVectors

    Raises
    ------
    ValueError
        If `kind` is neither.
    ProductError
        If the file is missing, damaged, of the other kind, or of a chip of another width.
    """
    schemas: dict[str, Schema] = {"dark": DARK, "response": RESPONSE}
    if kind not in schemas:
        msg = f"kind must be 'dark' or 'response', received {kind!r}"
        raise ValueError(msg)
    columns = read_table(path)
    missing = [c.name for c in schemas[kind] if not c.optional and c.name not in columns]
    if missing:
        msg = f"{path}: has no column {missing[0]!r}; is it a {kind} table?"
        raise ProductError(msg)
    meta, provenance = read_table_meta(path)
    number = columns["column"]
    if len(number) != n_columns or not np.array_equal(number, np.arange(n_columns)):
        msg = (
            f"{path}: must hold columns 0 to {n_columns - 1} of the chip in order, holds "
            f"{len(number)} rows; is it of another chip?"
        )
        raise ProductError(msg)
    return StoredVectors(columns, meta, provenance)
