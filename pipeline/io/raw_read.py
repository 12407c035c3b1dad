"""Lines of a strip from its segments; only the bytes of the lines asked for are read."""

import logging
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from astropy.io import fits
from numpy.typing import NDArray

from pipeline.config import RawConfig
from pipeline.errors import RawError
from pipeline.io.layout import ImageLayout, find_layout, open_stream
from pipeline.io.tally import note_lost, note_read
from pipeline.strip import Segment, Strip

__all__ = ["read_groups", "read_lines", "read_segment"]

logger = logging.getLogger(__name__)

_STORED = {8: ">u1", 16: ">i2", 32: ">i4", 64: ">i8", -32: ">f4", -64: ">f8"}  # FITS 4.0, table 8


def read_lines(
    strip: Strip, options: RawConfig, start: int, stop: int, *, growing: bool = False
) -> tuple[NDArray[Any], NDArray[np.bool_]]:
    """Read a range of lines of a strip.

    Files are opened and closed within the call, so it may be made in any process.

    Parameters
    ----------
    strip : Strip
        From `find_strips`.
    options : RawConfig
        How this camera writes its files (`config.raw`).
    start, stop : int
        Half-open range of lines, within the strip.
    growing : bool
        Files may promise more lines than their segments have, or have more by now.

    Returns
    -------
    raw : ndarray of shape (stop - start, n_raw_columns)
        ADU: uint16 from unsigned 16-bit files, else the integer type of the file, or float32.
        Zero in missing lines. Single undefined pixels of a floating-point file stay NaN.
    missing : ndarray of bool of shape (stop - start,)
        True for lines in gaps, in segments that cannot be read (a warning is logged), and for
        lines without a single finite value.

    Raises
    ------
    ValueError
        If the range is empty or leaves the strip.
    """
    if not 0 <= start < stop <= strip.n_lines:
        msg = (
            f"start and stop must satisfy 0 <= start < stop <= {strip.n_lines} (lines of strip "
            f"{strip.name}), received {start}, {stop}"
        )
        raise ValueError(msg)
    pieces: list[tuple[slice, _Stored]] = []
    for segment in strip.segments:
        first, last = max(start, segment.first_line), min(stop, segment.stop_line)
        if first >= last:
            continue
        begin, end = first - segment.first_line, last - segment.first_line
        try:
            piece = _open_segment(
                segment, options, begin, end, n_raw_columns=strip.n_raw_columns, growing=growing
            )
        except Exception as error:  # noqa: BLE001 - one bad segment must not stop the strip
            logger.warning(
                "strip %s: lines %d to %d have no data: %s", strip.name, first, last - 1, error
            )
            note_lost(last - first)
            continue
        note_read(piece.values.size * piece.kind.itemsize)
        pieces.append((slice(first - start, last - start), piece))
    kind = np.result_type(*(p.kind for _, p in pieces)) if pieces else np.dtype(np.uint16)
    raw = np.empty((stop - start, strip.n_raw_columns), dtype=kind)
    missing = np.ones(stop - start, dtype=bool)
    for lines, piece in pieces:
        piece.fill(raw[lines])
        missing[lines] = False
    raw[missing] = 0
    if raw.dtype.kind == "f":
        void = ~np.isfinite(raw).any(axis=1)
        raw[void] = 0
        missing |= void
    return raw, missing


def read_segment(
    segment: Segment,
    options: RawConfig,
    begin: int,
    end: int,
    *,
    n_raw_columns: int,
    growing: bool = False,
) -> NDArray[Any]:
    """Read lines of one segment.

    Parameters
    ----------
    segment : Segment
        Which file.
    options : RawConfig
        How this camera writes its files.
    begin, end : int
        Half-open range of lines within the segment, in time order.
    n_raw_columns : int
        Width that the file must have.
    growing : bool
        As in `read_lines`.

    Returns
    -------
    ndarray of shape (end - begin, n_raw_columns)
        Lines in time order, columns in raw order.

    Raises
    ------
    RawError
        If the file cannot be read or is no longer what it was when it was checked.
    """
    return _open_segment(
        segment, options, begin, end, n_raw_columns=n_raw_columns, growing=growing
    ).pixels()


def _open_segment(
    segment: Segment,
    options: RawConfig,
    begin: int,
    end: int,
    *,
    n_raw_columns: int,
    growing: bool,
) -> "_Stored":
    """Lines of one segment as `read_segment` gives them, but not converted yet."""
    layout = find_layout(segment.path, hdu=options.hdu, whole=not growing)
    shape = layout.shape if options.line_axis == 2 else layout.shape[::-1]
    expected = (max(shape[0], segment.n_lines) if growing else segment.n_lines, n_raw_columns)
    if shape != expected:
        msg = (
            f"{Path(segment.path).name}: changed since it was checked: found {shape[0]} lines of "
            f"{shape[1]} columns, expected {segment.n_lines} of {n_raw_columns}; start again"
        )
        raise RawError(msg)
    if options.flip_lines:
        begin, end = segment.n_lines - end, segment.n_lines - begin
    if layout.tiled:
        stored = _read_tiled(segment.path, layout, begin, end, axis=options.line_axis)
    elif layout.packed:
        stored = _read_packed(segment.path, layout, begin, end, axis=options.line_axis)
    else:
        rows = end if growing and options.line_axis == 2 else layout.shape[0]
        stored = _read_plain(segment.path, layout, begin, end, axis=options.line_axis, rows=rows)
    lines = stored if options.line_axis == 2 else stored.T
    if options.flip_lines:
        lines = lines[::-1]
    if options.flip_columns:
        lines = lines[:, ::-1]
    return _Stored(lines, layout)


def read_groups(
    strip: Strip, options: RawConfig, starts: NDArray[np.int64], length: int
) -> tuple[NDArray[Any], NDArray[np.bool_]]:
    """Read small groups of lines from all over a strip, opening each file once.

    Parameters
    ----------
    strip : Strip
        Its files may be growing, as for `read_lines`.
    options : RawConfig
        How this camera writes its files.
    starts : ndarray of int64 of shape (n,)
        First lines of the groups, increasing.
    length : int
        Lines of a group.

    Returns
    -------
    raw : ndarray of shape (n, length, n_raw_columns)
        Zero where a group has no data or reaches beyond one file.
    known : ndarray of bool of shape (n,)
        Groups that were read.
    """
    known = np.zeros(starts.size, dtype=bool)
    pieces: list[tuple[NDArray[np.intp], NDArray[Any]]] = []
    for segment in strip.segments:
        inside = (starts >= segment.first_line) & (starts + length <= segment.stop_line)
        which = np.flatnonzero(inside)
        if not which.size:
            continue
        lines = (starts[which, None] - segment.first_line + np.arange(length)).ravel()
        try:
            piece = _pick_lines(segment, options, lines, n_raw_columns=strip.n_raw_columns)
        except Exception as error:  # noqa: BLE001 - as in read_lines
            logger.warning("strip %s: %s", strip.name, error)
            continue
        note_read(piece.nbytes)
        pieces.append((which, piece.reshape(which.size, length, -1)))
        known[which] = True
    kind = np.result_type(*(p.dtype for _, p in pieces)) if pieces else np.dtype(np.uint16)
    raw = np.zeros((starts.size, length, strip.n_raw_columns), dtype=kind)
    for which, piece in pieces:
        raw[which] = piece
    return raw, known


def _pick_lines(
    segment: Segment, options: RawConfig, lines: NDArray[np.int64], *, n_raw_columns: int
) -> NDArray[Any]:
    """Lines of one segment, in any number."""
    layout = find_layout(segment.path, hdu=options.hdu, whole=False)
    if layout.tiled or layout.packed:
        # Both are reached through unpacking: once, not group by group.
        low, high = int(lines.min()), int(lines.max()) + 1
        return read_segment(segment, options, low, high, n_raw_columns=n_raw_columns, growing=True)[
            lines - low
        ]
    if options.flip_lines:
        lines = segment.n_lines - 1 - lines
    if options.line_axis == 2:
        rows = int(lines.max()) + 1
        stored = _read_plain(segment.path, layout, 0, rows, axis=2, rows=rows)[lines]
    else:
        n_rows, n_lines = layout.shape
        stored = _read_plain(segment.path, layout, 0, n_lines, axis=1, rows=n_rows)[:, lines].T
    if options.flip_columns:
        stored = stored[:, ::-1]
    return _Stored(stored, layout).pixels()


def _read_plain(
    path: str, layout: ImageLayout, begin: int, end: int, *, axis: int, rows: int
) -> NDArray[Any]:
    """View of the stored bytes; pages are read when they are converted."""
    mapped = np.memmap(
        path, dtype=_STORED[layout.bitpix], mode="r", offset=layout.offset,
        shape=(rows, layout.shape[1]),
    )  # fmt: skip
    return mapped[begin:end] if axis == 2 else mapped[:, begin:end]


def _read_packed(
    path: str, layout: ImageLayout, begin: int, end: int, *, axis: int
) -> NDArray[Any]:
    """Stored values from a gzip or bzip2 file: unpacks all before, keeps only what is wanted."""
    kind = np.dtype(_STORED[layout.bitpix])
    n_rows, n_columns = layout.shape
    rows = range(begin, end) if axis == 2 else range(n_rows)
    first, stop = (0, n_columns) if axis == 2 else (begin, end)
    out = np.empty((len(rows), stop - first), dtype=kind)
    stream, _ = open_stream(path)
    with stream:
        for index, row in enumerate(rows):
            stream.seek(layout.offset + (row * n_columns + first) * kind.itemsize)
            data = stream.read((stop - first) * kind.itemsize)
            if len(data) < (stop - first) * kind.itemsize:
                msg = f"{Path(path).name}: truncated: its data end in row {row} of {n_rows}"
                raise RawError(msg)
            out[index] = np.frombuffer(data, dtype=kind)
    return out


def _read_tiled(path: str, layout: ImageLayout, begin: int, end: int, *, axis: int) -> NDArray[Any]:
    """Physical values from a tile-compressed image: only the tiles touched are decompressed."""
    with fits.open(path, memmap=False) as hdus:  # astropy maps no scaled image; it seeks instead
        section = hdus[layout.hdu].section
        return np.asarray(section[begin:end, :] if axis == 2 else section[:, begin:end])


@dataclass(frozen=True)
class _Stored:
    """Stored values, in time order and the order of raw columns, and the layout of their file."""

    values: NDArray[Any]
    layout: ImageLayout

    @property
    def _native(self) -> np.dtype[Any]:
        """Type of the stored values in the machine's byte order; doubles become float32."""
        kind = self.values.dtype
        return np.dtype(np.float32) if kind.kind == "f" else kind.newbyteorder("=")

    @property
    def kind(self) -> np.dtype[Any]:
        """Type of the pixels; integers stay exact wherever they can."""
        layout, native = self.layout, self._native
        if layout.tiled or native.kind == "f":  # tiles are scaled already
            return native
        if layout.blank is None and layout.scale == 1.0:
            if layout.zero == 0.0:
                return native
            if layout.bitpix > 8 and layout.zero == 2.0 ** (layout.bitpix - 1):
                return np.dtype(f"u{native.itemsize}")  # FITS 4.0, section 4.4.2.5
        return np.dtype(np.float32)

    def pixels(self) -> NDArray[Any]:
        """Pixels with BSCALE, BZERO and BLANK applied; a new array."""
        out = np.empty(self.values.shape, dtype=self.kind)
        self.fill(out)
        return out

    def fill(self, out: NDArray[Any]) -> None:
        """Put the pixels into an array, whose type may be wider."""
        layout, native = self.layout, self._native
        if out.dtype != self.kind:
            out[...] = self.pixels()
        elif layout.tiled or (layout.scale, layout.zero, layout.blank) == (1.0, 0.0, None):
            np.copyto(out, self.values, casting="same_kind")
        elif out.dtype.kind == "u":
            np.copyto(out.view(native), self.values)
            out ^= out.dtype.type(1 << (layout.bitpix - 1))
        else:
            values = self.values.astype(native)
            out[...] = values * layout.scale + layout.zero
            if layout.blank is not None and native.kind != "f":
                out[values == layout.blank] = np.nan
