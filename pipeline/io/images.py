"""FITS images: whole ones, and long ones written a block of lines at a time."""

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Any

import numpy as np
from astropy.io import fits
from numpy.typing import NDArray

from pipeline.errors import ProductError
from pipeline.io.atomic import replace_file
from pipeline.io.cards import Cards, format_cards, make_bit_cards
from pipeline.io.checksums import add_datasums, sum_words
from pipeline.io.fingerprint import Fingerprint
from pipeline.io.hdus import (
    BLOCK,
    finish_header,
    make_plain,
    pack_plain,
    primary_cards,
)
from pipeline.io.opening import open_product
from pipeline.io.provenance import Provenance
from pipeline.io.tally import note_written
from pipeline.io.tiled import pack_tiled

__all__ = ["ImageSink", "read_image", "read_plane", "stream_image", "write_image"]


def write_image(
    path: str | Path,
    images: Mapping[str, NDArray[Any]],
    *,
    header: Cards,
    image_header: Cards,
    units: Mapping[str, str],
    provenance: Provenance,
    compress_masks: bool,
) -> Path:
    """Write images of one field, each in an extension of its own.

    Parameters
    ----------
    path : str or Path
        Product.
    images : mapping of str to ndarray of shape (line, column)
        Extension name to pixels. An integer image whose name ends in MASK gets the meaning of
        its bits.
    header : mapping
        Cards of the primary header: times, site, and the like.
    image_header : mapping
        Cards of every image: the WCS and the like.
    units : mapping of str to str
        Extension name to BUNIT; none where absent.
    provenance : Provenance
        Into the primary header.
    compress_masks : bool
        Write masks tile-compressed, without loss.

    Returns
    -------
    Path

    Raises
    ------
    ValueError
        If an image has not two axes, or a unit names no image.
    ProductError
        If the system refuses.
    """
    path = Path(path)
    _check_names(images, units)
    for name, pixels in images.items():
        if pixels.ndim != 2:
            msg = f"image {name} must have two axes, received shape {pixels.shape}"
            raise ValueError(msg)
    primary = primary_cards(format_cards(header, provenance.to_cards()))
    common = format_cards(image_header)
    fingerprint = Fingerprint()
    with replace_file(path, cached=False) as partial:
        written: list[tuple[int, bytes]] = []
        with partial.open("wb") as stream:
            _append(stream, fingerprint, written, primary, np.empty(0, dtype=np.uint8))
            for name, pixels in images.items():
                cards = [*common, *_own_cards(name, units)]
                if compress_masks and _is_mask(name):
                    native = pixels.astype(pixels.dtype.newbyteorder("="), copy=False)
                    _append(stream, fingerprint, written, *pack_tiled(name, native, cards))
                else:
                    made = make_plain(name, pixels.dtype.name, pixels.shape, cards)
                    _append(stream, fingerprint, written, made, pack_plain(pixels))
            size = stream.tell()
        _read_back(partial, path, written, size)
    note_written(path, size, fingerprint.name())
    return path


@contextmanager
def stream_image(
    path: str | Path,
    kinds: Mapping[str, str],
    *,
    shape: tuple[int, int],
    header: Cards,
    image_header: Cards,
    units: Mapping[str, str],
    provenance: Provenance,
) -> Iterator["ImageSink"]:
    """Write images a block of lines at a time; memory does not grow with their length.

    Parameters
    ----------
    path : str or Path
        Product.
    kinds : mapping of str to str
        Extension name to numpy type: "float32", "float64", "int16", "int32" or "uint16".
    shape : tuple of int
        (lines, columns) of every image.
    header, image_header, units, provenance
        As in `write_image`.

    Yields
    ------
    ImageSink
        Its `write` takes blocks in any order. The file is in place after the last one.

    Raises
    ------
    ValueError
        If a type is unknown, or lines are left unwritten.
    ProductError
        If the system refuses.
    """
    path = Path(path)
    _check_names(kinds, units)
    primary = primary_cards(format_cards(header, provenance.to_cards()))
    common = format_cards(image_header)
    headers = []
    for name, kind in kinds.items():
        if kind not in {"float32", "float64", "int16", "int32", "uint16"}:
            msg = f"kinds[{name!r}] must be a FITS image type, received {kind!r}"
            raise ValueError(msg)
        headers.append(make_plain(name, kind, shape, [*common, *_own_cards(name, units)]))
    with replace_file(path, cached=False) as partial:
        with partial.open("w+b") as stream:
            sink = ImageSink(stream, primary, headers, dict(kinds), shape)
            yield sink
            sink.finish()
        with partial.open("r+b") as stream:
            add_datasums(stream)
        _verify(partial, path, list(kinds))


class ImageSink:
    """Takes blocks of lines and puts them where they belong."""

    def __init__(
        self,
        stream: IO[bytes],
        primary: list[str],
        headers: list[list[str]],
        kinds: dict[str, str],
        shape: tuple[int, int],
    ) -> None:
        self._stream = stream
        self._kinds = kinds
        self._shape = shape
        self._offsets: dict[str, int] = {}
        self._written = {name: np.zeros(shape[0], dtype=bool) for name in kinds}
        stream.write(finish_header(primary, 0))
        for name, head in zip(kinds, headers, strict=True):
            stream.write(finish_header(head, 0))  # its sums come last
            self._offsets[name] = stream.tell()
            n_bytes = shape[0] * shape[1] * np.dtype(kinds[name]).itemsize
            stream.seek(-(-n_bytes // BLOCK) * BLOCK, 1)
        stream.truncate()

    def write(self, name: str, first_line: int, block: NDArray[Any]) -> None:
        """Put a block of lines into an image.

        Parameters
        ----------
        name : str
            Extension.
        first_line : int
            Line of the image that is the block's first.
        block : ndarray of shape (lines, columns)
            Converted to the image's type.

        Raises
        ------
        ValueError
            If the block does not fit the image.
        """
        if name not in self._kinds:
            msg = f"name must be one of {', '.join(self._kinds)}, received {name!r}"
            raise ValueError(msg)
        stop = first_line + len(block)
        if block.ndim != 2 or block.shape[1] != self._shape[1]:
            msg = f"block must have {self._shape[1]} columns, received shape {block.shape}"
            raise ValueError(msg)
        if first_line < 0 or stop > self._shape[0]:
            msg = (
                f"block must lie within lines 0 to {self._shape[0]}, received {first_line}, {stop}"
            )
            raise ValueError(msg)
        kind = np.dtype(self._kinds[name])
        stored = np.asarray(block).astype(kind)
        if kind == np.uint16:  # FITS 4.0, table 11: unsigned integers are offset by BZERO
            stored = (stored ^ np.uint16(0x8000)).view(np.int16)
        row_bytes = self._shape[1] * kind.itemsize
        self._stream.seek(self._offsets[name] + first_line * row_bytes)
        self._stream.write(stored.astype(stored.dtype.newbyteorder(">")).tobytes())
        self._written[name][first_line:stop] = True

    def finish(self) -> None:
        """Check that every line was written.

        Raises
        ------
        ValueError
            If not.
        """
        for name, written in self._written.items():
            if not written.all():
                msg = f"image {name}: line {int(np.argmin(written))} was never written"
                raise ValueError(msg)


def read_image(
    path: str | Path,
) -> tuple[dict[str, NDArray[Any]], fits.Header, dict[str, fits.Header]]:
    """Read a file that `write_image` or `stream_image` wrote.

    Parameters
    ----------
    path : str or Path
        FITS file.

    Returns
    -------
    images : dict of str to ndarray
        Extension name to pixels, in native byte order.
    header : Header
        Of the primary HDU.
    headers : dict of str to Header
        Of the images.

    Raises
    ------
    ProductError
        If the file is missing or damaged.
    """
    with open_product(path) as hdus:
        images = {}
        for hdu in hdus[1:]:
            kind = hdu.data.dtype.newbyteorder("=")
            images[hdu.name] = np.array(hdu.data, dtype=kind)
        headers = {hdu.name: hdu.header.copy() for hdu in hdus[1:]}
        return images, hdus[0].header.copy(), headers


def read_plane(path: str | Path, name: str) -> NDArray[Any]:
    """Read one image of a file of several; the others are passed over.

    Parameters
    ----------
    path : str or Path
        FITS file that `write_image` wrote.
    name : str
        Of the extension.

    Returns
    -------
    ndarray of shape (ny, nx)
        In native byte order.

    Raises
    ------
    ProductError
        If the file is missing or damaged, or has no such image.
    """
    with open_product(path) as hdus:
        pixels = hdus[name].data
        return np.array(pixels, dtype=pixels.dtype.newbyteorder("="))


def _is_mask(name: str) -> bool:
    return name.endswith("MASK")


def _check_names(images: Mapping[str, Any], units: Mapping[str, str]) -> None:
    extra = [name for name in units if name not in images]
    if extra:
        msg = f"units must name images ({', '.join(images)}), received {extra[0]!r}"
        raise ValueError(msg)


def _own_cards(name: str, units: Mapping[str, str]) -> list[str]:
    unit = {"BUNIT": units[name]} if units.get(name) else {}
    return format_cards(unit, make_bit_cards() if _is_mask(name) else {})


def _append(
    stream: IO[bytes], fingerprint: Fingerprint, written: list[tuple[int, bytes]],
    cards: list[str], packed: NDArray[np.uint8],
) -> None:  # fmt: skip
    """Write a header and its data; add them to the fingerprint and note where the header stands."""
    header = finish_header(cards, sum_words(packed))
    written.append((stream.tell(), header))
    for part in (header, packed.data):
        stream.write(part)
        fingerprint.update(part)


def _read_back(partial: Path, path: Path, written: list[tuple[int, bytes]], size: int) -> None:
    """Compare the headers and the size of a file with what was written."""
    with partial.open("rb") as stream:
        for at, header in written:
            stream.seek(at)
            if stream.read(len(header)) != header:
                msg = f"{path}: the header at byte {at} is read back otherwise than written"
                raise ProductError(f"{msg}; check the disk")
    _check_size(partial, path, size)


def _check_size(partial: Path, path: Path, expected: int) -> None:
    size = partial.stat().st_size
    if size != expected:
        msg = f"{path}: {size} bytes read back, {expected} written; check the disk"
        raise ProductError(msg)


def _verify(partial: Path, path: Path, names: list[str]) -> None:
    """Read headers back and compare the size with what they state."""
    try:
        with fits.open(partial, memmap=True) as hdus:
            found = [hdu.name for hdu in hdus[1:]]
            info = hdus[-1].fileinfo()
            expected = info["datLoc"] + info["datSpan"]
    except (OSError, TypeError, KeyError) as error:
        msg = f"{path}: what was written cannot be read back ({error}); check the disk"
        raise ProductError(msg) from error
    if found != [name.upper() for name in names]:
        msg = f"{path}: extensions {', '.join(found)} read back, {', '.join(names)} written"
        raise ProductError(f"{msg}; check the disk")
    _check_size(partial, path, expected)
