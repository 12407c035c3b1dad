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
from pipeline.io.cards import Cards, make_bit_cards, make_header
from pipeline.io.checksums import add_datasums
from pipeline.io.opening import open_product
from pipeline.io.provenance import Provenance

__all__ = ["ImageSink", "read_image", "stream_image", "write_image"]

_BLOCK = 2880  # FITS 4.0, section 3.1
_COMPRESSED_ROWS = 32


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
    hdus = fits.HDUList([fits.PrimaryHDU(header=make_header(header, provenance.to_cards()))])
    for name, pixels in images.items():
        if pixels.ndim != 2:
            msg = f"image {name} must have two axes, received shape {pixels.shape}"
            raise ValueError(msg)
        cards = _image_header(name, image_header, units)
        native = pixels.astype(pixels.dtype.newbyteorder("="), copy=False)
        if compress_masks and _is_mask(name):
            # Rows by the dozen: every tile of the compression costs far more than its pixels.
            shape = (min(_COMPRESSED_ROWS, native.shape[0]), native.shape[1])
            packed = fits.CompImageHDU(
                native, cards, name=name, compression_type="RICE_1", tile_shape=shape
            )
            hdus.append(packed)
        else:
            hdus.append(fits.ImageHDU(native, cards, name=name))
    with replace_file(path) as partial:
        hdus.writeto(partial, checksum=True)
        _verify(partial, path, list(images))
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
    primary = fits.PrimaryHDU(header=make_header(header, provenance.to_cards())).header
    primary.set("EXTEND", True, after="NAXIS")
    headers = []
    for name, kind in kinds.items():
        if kind not in {"float32", "float64", "int16", "int32", "uint16"}:
            msg = f"kinds[{name!r}] must be a FITS image type, received {kind!r}"
            raise ValueError(msg)
        stored = np.dtype("int16" if kind == "uint16" else kind)
        head = fits.ImageHDU(
            np.zeros((1, 1), stored), _image_header(name, image_header, units), name=name
        ).header
        head["NAXIS1"], head["NAXIS2"] = shape[1], shape[0]
        if kind == "uint16":
            head["BSCALE"] = 1
            head["BZERO"] = 32768
        headers.append(head)
    with replace_file(path) as partial:
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
        primary: fits.Header,
        headers: list[fits.Header],
        kinds: dict[str, str],
        shape: tuple[int, int],
    ) -> None:
        self._stream = stream
        self._kinds = kinds
        self._shape = shape
        self._offsets: dict[str, int] = {}
        self._written = {name: np.zeros(shape[0], dtype=bool) for name in kinds}
        stream.write(_with_checksums(primary))
        for name, head in zip(kinds, headers, strict=True):
            stream.write(_with_checksums(head))
            self._offsets[name] = stream.tell()
            n_bytes = shape[0] * shape[1] * np.dtype(kinds[name]).itemsize
            stream.seek(-(-n_bytes // _BLOCK) * _BLOCK, 1)
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


def _is_mask(name: str) -> bool:
    return name.endswith("MASK")


def _check_names(images: Mapping[str, Any], units: Mapping[str, str]) -> None:
    extra = [name for name in units if name not in images]
    if extra:
        msg = f"units must name images ({', '.join(images)}), received {extra[0]!r}"
        raise ValueError(msg)


def _image_header(name: str, cards: Cards, units: Mapping[str, str]) -> fits.Header:
    unit = {"BUNIT": units[name]} if units.get(name) else {}
    return make_header(cards, unit, make_bit_cards() if _is_mask(name) else {})


def _with_checksums(header: fits.Header) -> bytes:
    """Header block with room for its checksums."""
    header["DATASUM"] = "0"
    header["CHECKSUM"] = "0" * 16
    return bytes(header.tostring(), "ascii")


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
    size = partial.stat().st_size
    if found != [name.upper() for name in names] or size != expected:
        msg = f"{path}: {size} bytes read back, {expected} written; check the disk"
        raise ProductError(msg)
