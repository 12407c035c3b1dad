"""Where the pixels of a raw file are: headers, offsets and sizes, without reading pixels.

Headers are read block by block, so that a damaged file gives a reason in words and no warning.
"""

import bz2
import gzip
import zlib
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import IO, Any, cast

from astropy.io import fits

from pipeline.errors import RawError, UnfinishedError

__all__ = ["DAMAGE", "ImageLayout", "find_layout", "open_stream", "read_keyword"]

_BLOCK = 2880  # FITS 4.0, section 3.1
_CARD = 80  # FITS 4.0, section 4.1
_MAX_BLOCKS = 2000  # 72,000 cards; a longer header has lost its END
_GZIP = b"\x1f\x8b"
_BZIP2 = b"BZh"

DAMAGE = (OSError, EOFError, zlib.error, ValueError)
"""What opening and decompressing a damaged file can raise."""


@dataclass(frozen=True)
class ImageLayout:
    """Headers and place of one image.

    Parameters
    ----------
    headers : tuple of Header
        That of the image first, then the primary one where that is another.
    hdu : int
        Number of the HDU that holds the image.
    tiled : bool
        Whether the image is tile-compressed.
    packed : bool
        Whether the whole file is compressed (gzip, bzip2).
    offset : int
        Where its data begin, in bytes of the unpacked file.
    n_bytes : int
        Bytes of data.
    shape : tuple of int
        (NAXIS2, NAXIS1).
    bitpix : int
        As stored.
    scale, zero : float
        BSCALE and BZERO.
    blank : int or None
        BLANK.
    """

    headers: tuple[fits.Header, ...]
    hdu: int
    tiled: bool
    packed: bool
    offset: int
    n_bytes: int
    shape: tuple[int, int]
    bitpix: int
    scale: float
    zero: float
    blank: int | None


def open_stream(path: str | Path) -> tuple[IO[bytes], bool]:
    """Open a file for reading bytes, unpacking gzip and bzip2 on the way.

    Parameters
    ----------
    path : str or Path
        The packing is seen from the first bytes, not from the name.

    Returns
    -------
    stream : file object
        Close it.
    packed : bool
        Whether bytes are unpacked; seeking then costs the unpacking of all bytes before.
    """
    with Path(path).open("rb") as probe:
        magic = probe.read(3)
    if magic.startswith(_GZIP):
        return cast("IO[bytes]", gzip.open(path, "rb")), True
    if magic.startswith(_BZIP2):
        return cast("IO[bytes]", bz2.open(path, "rb")), True
    return Path(path).open("rb"), False


def find_layout(
    path: str | Path, *, hdu: int, whole: bool = True, anew: bool = False
) -> ImageLayout:
    """Read headers up to the image and check that the file is long enough to hold it.

    Parameters
    ----------
    path : str or Path
        FITS file, plain, tile-compressed, or packed by gzip or bzip2. Packed files are slow:
        their length is only known, and their lines only reached, by unpacking.
    hdu : int
        HDU of the image. Where HDU 0 is empty and HDU 1 tile-compressed, 0 means HDU 1.
    whole : bool
        False takes a plain file that is still being written, shorter than its header promises.
    anew : bool
        Read the headers even if they are remembered of a file of this size and these times.

    Returns
    -------
    ImageLayout

    Raises
    ------
    RawError
        If the file is empty, no FITS, truncated, or holds no two-dimensional image there.
    """
    path = Path(path)
    try:
        state = path.stat()
        size = state.st_size
        # Nothing that is written to a file leaves the time of its last change, as the system keeps
        # it, as it was.
        stamp = (size, state.st_mtime_ns, state.st_ctime_ns, state.st_ino)
        read = _read_headers.__wrapped__ if anew else _read_headers
        headers, offset, packed = read(path, hdu, stamp)
    except RawError:
        raise
    except DAMAGE as error:
        msg = f"{path.name}: cannot be read ({_reason(error)}); copy it again or remove it"
        raise RawError(msg) from error
    layout = _describe(headers, offset, packed=packed, name=path.name)
    if not packed and size < offset + layout.n_bytes and (whole or layout.tiled):
        msg = (
            f"{path.name}: truncated: {size} bytes found, {offset + layout.n_bytes} expected from "
            "its header; copy it again from the camera computer"
        )
        raise RawError(msg)
    return layout


@lru_cache(maxsize=64)
def _read_headers(
    path: Path, hdu: int, state: tuple[int, int, int, int]
) -> tuple[list[tuple[int, fits.Header]], int, bool]:
    """Headers, where the data begin, and packing; once for a file that stays as it is."""
    del state  # what else the answer is remembered by
    stream, packed = open_stream(path)
    with stream:
        headers, offset = _walk(stream, path.name, hdu)
    return headers, offset, packed


def read_keyword(layout: ImageLayout, keyword: str, *, name: str) -> Any:
    """Value of a keyword, in the header of the image or in the primary one.

    Parameters
    ----------
    layout : ImageLayout
        From `find_layout`.
    keyword : str
        FITS keyword.
    name : str
        Name of the file, for messages.

    Returns
    -------
    str, int, float, bool or None
        None where the keyword is absent or has no value.

    Raises
    ------
    RawError
        If it appears more than once with different values, or its card is malformed.
    """
    values: list[Any] = []
    for header in layout.headers:
        try:
            count = header.count(keyword) if keyword in header else 0
            values += [header[(keyword, index)] for index in range(count)]
        except (fits.VerifyError, ValueError) as error:
            msg = (
                f"{name}: keyword {keyword}: its card is malformed ({_reason(error)}); "
                "expected a FITS 4.0 value; correct the header"
            )
            raise RawError(msg) from error
    values = [v for v in values if not isinstance(v, fits.card.Undefined) and v != ""]
    if any(v != values[0] for v in values):
        found = ", ".join(repr(v) for v in dict.fromkeys(values))
        msg = (
            f"{name}: keyword {keyword}: contradicts itself, found {found}, expected one value; "
            "correct the header"
        )
        raise RawError(msg)
    value = values[0] if values else None
    return value.strip() if isinstance(value, str) else value


def _reason(error: BaseException) -> str:
    return " ".join(str(error).split()) or type(error).__name__


def _read_header(stream: IO[bytes], name: str) -> fits.Header | None:
    """Header at the stream's position; None at the end of the file."""
    text = b""
    for count in range(_MAX_BLOCKS):
        block = stream.read(_BLOCK)
        if not block and count == 0:
            return None
        if count == 0 and not block.startswith((b"SIMPLE  =", b"XTENSION=")):
            return None
        if len(block) < _BLOCK:
            msg = f"{name}: truncated within a header; copy it again from the camera computer"
            raise UnfinishedError(msg)
        text += block
        if any(block[i : i + _CARD].rstrip() == b"END" for i in range(0, _BLOCK, _CARD)):
            break
    else:
        msg = f"{name}: a header has no END card; copy it again or remove it"
        raise RawError(msg)
    if any(byte < 0x20 or byte > 0x7E for byte in text):  # FITS 4.0, section 3.2
        msg = f"{name}: a header holds bytes that are no ASCII text; copy it again or remove it"
        raise RawError(msg)
    return fits.Header.fromstring(text.decode("ascii"))


def _data_bytes(header: fits.Header) -> int:
    """Bytes of data of an HDU (FITS 4.0, equations 1 and 2)."""
    axes = int(header.get("NAXIS", 0))
    if axes == 0:
        return 0
    count = 1
    for axis in range(1, axes + 1):
        count *= int(header[f"NAXIS{axis}"])
    groups = int(header.get("GCOUNT", 1))
    return abs(int(header["BITPIX"])) // 8 * groups * (int(header.get("PCOUNT", 0)) + count)


def _walk(stream: IO[bytes], name: str, hdu: int) -> tuple[list[tuple[int, fits.Header]], int]:
    """Headers of the wanted image and of the primary HDU, and where the image's data begin."""
    primary = _read_header(stream, name)
    if primary is None and stream.tell() == 0:
        msg = f"{name}: empty file (0 bytes); copy it again from the camera computer"
        raise UnfinishedError(msg)
    if primary is None:
        msg = f"{name}: not a FITS file (it does not begin with SIMPLE =); remove it or raw.pattern"
        raise RawError(msg)
    number, header = 0, primary
    while True:
        offset = stream.tell()
        try:
            n_bytes = _data_bytes(header)
        except (KeyError, TypeError, ValueError) as error:
            msg = f"{name}: HDU {number} does not state its size ({_reason(error)})"
            raise RawError(msg) from error
        if number == hdu and n_bytes:
            break
        stream.seek(offset + -(-n_bytes // _BLOCK) * _BLOCK)
        following = _read_header(stream, name)
        if number == hdu and following is not None and following.get("ZIMAGE", False) and hdu == 0:
            number, header, offset = 1, following, stream.tell()
            break
        if number == hdu or following is None:
            msg = (
                f"{name}: no image in HDU {hdu}; "
                + ("it is empty" if number == hdu else f"the file ends after HDU {number}")
                + "; set raw.hdu to the HDU that holds it"
            )
            raise RawError(msg)
        number, header = number + 1, following
    headers = [(number, header)]
    if number:
        headers.append((0, primary))
    return headers, offset


def _describe(
    headers: list[tuple[int, fits.Header]], offset: int, *, packed: bool, name: str
) -> ImageLayout:
    number, header = headers[0]
    tiled = bool(header.get("ZIMAGE", False))
    extension = header.get("XTENSION", "IMAGE").strip()
    if not tiled and extension != "IMAGE":
        msg = f"{name}: HDU {number} holds a {extension}, expected an image; set raw.hdu"
        raise RawError(msg)
    mark = "Z" if tiled else ""
    axes = [int(header[f"{mark}NAXIS{i}"]) for i in range(1, int(header[f"{mark}NAXIS"]) + 1)]
    while len(axes) > 2 and axes[-1] == 1:
        axes.pop()
    if len(axes) != 2 or min(axes) < 1:
        msg = (
            f"{name}: {mark}NAXIS: found an image of {' x '.join(map(str, axes))} pixels, "
            "expected two axes; set raw.hdu"
        )
        raise RawError(msg)
    blank = header.get("ZBLANK", header.get("BLANK")) if tiled else header.get("BLANK")
    return ImageLayout(
        headers=tuple(h for _, h in headers),
        hdu=number,
        tiled=tiled,
        packed=packed,
        offset=offset,
        n_bytes=_data_bytes(header),
        shape=(axes[1], axes[0]),
        bitpix=int(header[f"{mark}BITPIX"]),
        scale=float(header.get("BSCALE", 1.0)),
        zero=float(header.get("BZERO", 0.0)),
        blank=None if blank is None else int(blank),
    )
