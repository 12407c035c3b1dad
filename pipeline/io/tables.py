"""Tables, written as Parquet and FITS with units, UCDs and descriptions, and read back."""

import json
import re
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from astropy.io import fits
from numpy.typing import ArrayLike, NDArray

from pipeline.errors import ProductError
from pipeline.io.atomic import replace_file
from pipeline.io.cards import Cards, make_bit_cards, make_header
from pipeline.io.columns import Column, Schema
from pipeline.io.fits_tables import write_fits_table
from pipeline.io.opening import open_product
from pipeline.io.provenance import Provenance

__all__ = ["read_either", "read_table", "read_table_meta", "write_table"]

_META = b"header"
_PROVENANCE = b"provenance"
_GROUP = 1 << 16  # rows of a Parquet file that are held at once
# Cards of a FITS table that say how it is stored, not what it is about.
_STRUCTURE = re.compile(
    r"XTENSION|BITPIX|NAXIS[12]?|PCOUNT|GCOUNT|TFIELDS|CHECKSUM|DATASUM|"
    r"T(TYPE|FORM|UNIT|NULL|SCAL|ZERO|DISP|DIM|UCD|COMM)[1-9]\d*"
)


def write_table(
    stem: str | Path,
    columns: Mapping[str, ArrayLike],
    *,
    schema: Schema,
    meta: Cards,
    provenance: Provenance,
    formats: Iterable[str],
    bits: str = "",
) -> tuple[Path, ...]:
    """Write a table in every format asked for.

    Parameters
    ----------
    stem : str or Path
        Path without the suffix.
    columns : mapping of str to array
        One-dimensional, of one length. Those of the schema, in any order; columns marked
        optional may be absent.
    schema : tuple of Column
        What the columns are (`pipeline.io.columns`).
    meta : mapping
        FITS keyword to value or (value, comment); into the header of the FITS table and, as JSON
        under the key "header", into the Parquet metadata.
    provenance : Provenance
        Into both.
    formats : iterable of {"parquet", "fits"}
        What to write.
    bits : {"", "mask", "flags"}
        Add the meaning of mask or flag bits to the header.

    Returns
    -------
    tuple of Path
        What was written, in the order of `formats`.

    Raises
    ------
    ValueError
        If a column is unknown, missing, of another length, or does not fit its type.
    ProductError
        If the system refuses.
    """
    if bits not in {"", "mask", "flags"}:
        msg = f"bits must be '', 'mask' or 'flags', received {bits!r}"
        raise ValueError(msg)
    formats = tuple(formats)
    unknown = [f for f in formats if f not in {"parquet", "fits"}]
    if unknown:
        msg = f"formats must be 'parquet' or 'fits', received {unknown[0]!r}"
        raise ValueError(msg)
    used, arrays = _check_columns(columns, schema)
    cards = {**meta, **(make_bit_cards(sources=bits == "flags") if bits else {})}
    header = make_header(cards)
    written = []
    for name in formats:
        path = Path(f"{stem}.{name}")
        with replace_file(path) as partial:
            if name == "parquet":
                _write_parquet(partial, used, arrays, header, provenance)
            else:
                write_fits_table(partial, used, arrays, header, provenance)
            n_rows = _count_rows(partial, name)
            if n_rows != len(arrays[0]):
                msg = f"{path}: {n_rows} rows read back, {len(arrays[0])} written; check the disk"
                raise ProductError(msg)
        written.append(path)
    return tuple(written)


def read_table(
    path: str | Path, *, columns: Sequence[str] | None = None
) -> dict[str, NDArray[Any]]:
    """Read a table that `write_table` wrote.

    Parameters
    ----------
    path : str or Path
        Parquet or FITS.
    columns : sequence of str, optional
        Only these.

    Returns
    -------
    dict of str to ndarray
        In native byte order; texts as numpy strings.

    Raises
    ------
    ProductError
        If the file is missing, damaged, or lacks a column.
    """
    path = Path(path)
    if path.suffix == ".parquet":
        try:
            names = pq.read_schema(path).names
            table = pq.read_table(path, columns=[n for n in columns or names if n in names])
        except (OSError, ValueError, pa.ArrowException) as error:
            reason = " ".join(str(error).split())
            msg = f"{path}: cannot be read ({reason}); remove it and start again"
            raise ProductError(msg) from error
        found = {name: _from_arrow(table.column(name)) for name in table.column_names}
    else:
        with open_product(path) as hdus:
            data = hdus[1].data
            wanted = data.names if columns is None else columns
            found = {name: _from_fits(data[name]) for name in wanted if name in data.names}
    for name in columns or ():
        if name not in found:
            msg = f"{path}: has no column {name!r}; remove it and start again"
            raise ProductError(msg)
    return found


def read_either(
    stem: str | Path, *, columns: Sequence[str] | None = None
) -> dict[str, NDArray[Any]]:
    """Read a table in the format that is there, Parquet before FITS.

    Parameters
    ----------
    stem : str or Path
        Path without the suffix.
    columns : sequence of str, optional
        Only these.

    Returns
    -------
    dict of str to ndarray
        As from `read_table`.

    Raises
    ------
    ProductError
        If neither is there, or the one that is cannot be read.
    """
    stem = Path(stem)
    for path in (stem.with_name(f"{stem.name}.{kind}") for kind in ("parquet", "fits")):
        if path.exists():
            return read_table(path, columns=columns)
    msg = f"{stem}: neither Parquet nor FITS table is there; reduce the strip again"
    raise ProductError(msg)


def read_table_meta(path: str | Path) -> tuple[dict[str, Any], Provenance | None]:
    """Header values and provenance of a table that `write_table` wrote.

    Parameters
    ----------
    path : str or Path
        Parquet or FITS.

    Returns
    -------
    meta : dict
        FITS keyword to value; None where the value is not known. From FITS, real numbers of more
        than 20 characters have lost their last digits.
    provenance : Provenance or None
        None where the file has none. From FITS, ASCII letters and the first 999 inputs only.

    Raises
    ------
    ProductError
        If the file is missing or damaged.
    """
    path = Path(path)
    if path.suffix != ".parquet":
        with open_product(path) as hdus:
            values = _header_values(hdus[1].header)
            meta = {k: v for k, v in values.items() if not _STRUCTURE.fullmatch(k)}
            return meta, Provenance.from_cards(hdus[0].header)
    try:
        metadata = pq.read_schema(path).metadata or {}
    except (OSError, pa.ArrowException) as error:
        msg = f"{path}: cannot be read ({' '.join(str(error).split())}); remove it and start again"
        raise ProductError(msg) from error
    meta = json.loads(metadata.get(_META, b"{}"))
    text = metadata.get(_PROVENANCE)
    return meta, None if text is None else Provenance.from_json(text.decode())


def _check_columns(
    columns: Mapping[str, ArrayLike], schema: Schema
) -> tuple[list[Column], list[NDArray[Any]]]:
    known = [c.name for c in schema]
    unknown = [name for name in columns if name not in known]
    if unknown:
        msg = f"columns has unknown {', '.join(unknown)}; valid columns: {', '.join(known)}"
        raise ValueError(msg)
    missing = [c.name for c in schema if c.name not in columns and not c.optional]
    if missing:
        msg = f"columns lacks {', '.join(missing)}"
        raise ValueError(msg)
    used = [c for c in schema if c.name in columns]
    arrays = [_convert(columns[c.name], c) for c in used]
    lengths = {c.name: len(a) for c, a in zip(used, arrays, strict=True)}
    if len(set(lengths.values())) > 1:
        msg = f"columns must have one length, received {lengths}"
        raise ValueError(msg)
    return used, arrays


def _convert(values: ArrayLike, column: Column) -> NDArray[Any]:
    array = np.asarray(values)
    if array.ndim != 1:
        msg = f"column {column.name} must be one-dimensional, received shape {array.shape}"
        raise ValueError(msg)
    if column.kind == "str":
        return array.astype(str) if array.size else np.zeros(0, dtype="U1")
    kind = np.dtype(column.kind)
    if array.size == 0:
        return np.zeros(0, dtype=kind)
    if array.dtype.kind not in "biuf" or (kind.kind in "iu" and array.dtype.kind == "f"):
        msg = f"column {column.name} must hold {column.kind}, received {array.dtype}"
        raise ValueError(msg)
    converted = array.astype(kind, copy=False)
    if kind.kind in "iu" and (converted != array).any():
        msg = f"column {column.name} must fit {column.kind}, received up to {array.max()}"
        raise ValueError(msg)
    return converted


def _write_parquet(
    path: Path,
    used: list[Column],
    arrays: list[NDArray[Any]],
    header: fits.Header,
    provenance: Provenance,
) -> None:
    fields = []
    for column in used:
        kind = pa.string() if column.kind == "str" else pa.from_numpy_dtype(np.dtype(column.kind))
        about = {"unit": column.unit, "ucd": column.ucd, "description": column.text}
        fields.append(pa.field(column.name, kind, metadata=about))
    metadata = {_META: json.dumps(_header_values(header)), _PROVENANCE: provenance.to_json()}
    schema = pa.schema(fields, metadata=metadata)
    # A list of all values is of no use where hardly two are the same, and costs most of the time.
    listed = [c.name for c in used if not c.kind.startswith("float")]
    with pq.ParquetWriter(
        path, schema, compression="zstd", use_dictionary=listed or False
    ) as writer:
        for first in range(0, max(len(arrays[0]), 1), _GROUP):
            typed = [
                pa.array(a[first : first + _GROUP], type=f.type)
                for a, f in zip(arrays, fields, strict=True)
            ]
            writer.write_table(pa.Table.from_arrays(typed, schema=schema))


def _header_values(header: fits.Header) -> dict[str, Any]:
    """Keyword to value; None where the card has none."""
    return {
        card.keyword: None if isinstance(card.value, fits.card.Undefined) else card.value
        for card in header.cards
    }


def _count_rows(path: Path, name: str) -> int:
    if name == "parquet":
        return int(pq.read_metadata(path).num_rows)
    with fits.open(path, memmap=False) as hdus:
        return int(hdus[1].header["NAXIS2"])


def _from_arrow(column: pa.ChunkedArray) -> NDArray[Any]:
    if pa.types.is_string(column.type) or pa.types.is_large_string(column.type):
        return np.array(column.to_pylist(), dtype=str)
    return np.array(column.to_numpy())


def _from_fits(values: NDArray[Any]) -> NDArray[Any]:
    array = np.asarray(values)
    if array.dtype.kind in "SU":
        return np.char.rstrip(array.astype(str))
    return np.array(array, dtype=array.dtype.newbyteorder("="))
