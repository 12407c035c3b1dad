"""Binary tables of FITS files, written some thousand rows at a time.

A library's table holds all rows once more, and their bytes again for the checksum: with the
catalogue of a long strip a worker would need more the longer it is.
"""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from astropy.io import fits
from numpy.typing import NDArray

from pipeline.io.cards import format_cards
from pipeline.io.checksums import sum_words
from pipeline.io.columns import Column
from pipeline.io.hdus import BLOCK, CARD, finish_header, primary_cards
from pipeline.io.provenance import Provenance

__all__ = ["write_fits_table"]

_ROWS = 1 << 15  # held at once, a multiple of 4: the sum of the data is one of four-byte words
# FITS 4.0, table 18, and how numpy stores it; logical values are the letters T and F.
_CODES = {
    "int64": ("K", ">i8"), "int32": ("J", ">i4"), "int16": ("I", ">i2"), "float64": ("D", ">f8"),
    "float32": ("E", ">f4"), "bool": ("L", "S1"),
}  # fmt: skip


def write_fits_table(
    path: Path,
    columns: Sequence[Column],
    arrays: Sequence[NDArray[Any]],
    header: fits.Header,
    provenance: Provenance,
) -> None:
    """Write one table behind a primary header.

    Parameters
    ----------
    path : Path
        Written over.
    columns : sequence of Column
        What the columns are.
    arrays : sequence of ndarray of shape (n,)
        Their values, of the kinds that the columns state.
    header : Header
        Further cards of the table.
    provenance : Provenance
        Into the primary header.
    """
    values = [_to_ascii(a) if c.kind == "str" else a for c, a in zip(columns, arrays, strict=True)]
    codes = [_CODES.get(c.kind) or _text_code(v) for c, v in zip(columns, values, strict=True)]
    kind = np.dtype([(c.name, stored) for c, (_, stored) in zip(columns, codes, strict=True)])
    n_rows = len(arrays[0])
    cards = _table_cards(columns, [code for code, _ in codes], n_rows, header)
    with path.open("w+b") as stream:
        stream.write(finish_header(primary_cards(format_cards(provenance.to_cards())), 0))
        at = stream.tell()
        stream.write(finish_header(cards, 0))  # its sum is known when all rows have gone by
        total = 0
        for first in range(0, n_rows, _ROWS):
            rows = np.empty(min(_ROWS, n_rows - first), dtype=kind)
            for column, value in zip(columns, values, strict=True):
                part = value[first : first + _ROWS]
                rows[column.name] = np.where(part, b"T", b"F") if column.kind == "bool" else part
            data = rows.tobytes()
            if first + _ROWS >= n_rows:
                data += bytes(-(n_rows * kind.itemsize) % BLOCK)
            total = sum_words(data, start=total)
            stream.write(data)
        stream.seek(at)
        stream.write(finish_header(cards, total))


def _to_ascii(texts: NDArray[Any]) -> NDArray[Any]:
    """FITS 4.0, section 7.3.3.1: ASCII text."""
    return np.array([text.encode("ascii", "replace") for text in texts], dtype="S")


def _text_code(texts: NDArray[Any]) -> tuple[str, str]:
    width = max(1, texts.dtype.itemsize)
    return f"{width}A", f"S{width}"


def _table_cards(
    columns: Sequence[Column], codes: Sequence[str], n_rows: int, header: fits.Header
) -> list[str]:
    """Text of the cards of a table of so many rows."""
    empty = fits.BinTableHDU.from_columns(
        [
            fits.Column(column.name, code, unit=column.unit or None)
            for column, code in zip(columns, codes, strict=True)
        ],
        nrows=0,
    ).header
    empty["NAXIS2"] = n_rows
    for number, column in enumerate(columns, 1):
        empty[f"TUCD{number}"] = column.ucd
        empty[f"TCOMM{number}"] = column.text
    empty.extend(header.cards)
    text = empty.tostring(endcard=False, padding=False)
    return [text[i : i + CARD] for i in range(0, len(text), CARD)]
