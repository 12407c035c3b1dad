"""Integer images, compressed tile by tile without loss, as bytes of a FITS file (4.0, section 10).

astropy compresses and describes. Most of its time goes into a header, the same for one mask after
another but for the size of what was compressed: that is asked for once, and only the coder for
every image. The coder is not astropy's to promise; where it is not found, or the header is not
what is known here, the whole way is gone each time.
"""

import re
from collections.abc import Iterable
from functools import lru_cache
from io import BytesIO
from threading import Lock
from typing import Any

import numpy as np
from astropy.io import fits
from numpy.typing import NDArray

from pipeline.io.cards import format_cards
from pipeline.io.hdus import BLOCK, CARD, without

try:
    from astropy.io.fits.hdu.compressed._codecs import Rice1
except ImportError:
    Rice1 = None

__all__ = ["pack_tiled"]

_ROWS = 32  # of a compressed tile: each costs far more than its pixels
_FORM = re.compile(r"TFORM1  = '1PB\(\d+\) *' *")  # pairs of length and place, of four bytes each
_CODED = {"int16", "uint16"}
_ONE_AT_A_TIME = Lock()  # workers of a scheduler of one's own may have several threads


def pack_tiled(
    name: str, pixels: NDArray[Any], cards: Iterable[str]
) -> tuple[list[str], NDArray[np.uint8]]:
    """Compress an image.

    Parameters
    ----------
    name : str
        Extension.
    pixels : ndarray of shape (line, column)
        Integers, in the machine's byte order.
    cards : iterable of str
        Text of further cards (`format_cards`).

    Returns
    -------
    cards : list of str
        Of the table that holds the tiles.
    packed : ndarray of shape (byte,)
        Its data, in whole blocks.
    """
    kind = pixels.dtype.name
    quick = Rice1 is not None and kind in _CODED and pixels.size
    known = _describe(name, pixels.shape, kind) if quick else None
    structure, packed = (
        _compress_whole(name, pixels) if known is None else _fill(known, _encode(pixels))
    )
    return [*structure, *without(structure, cards)], packed


def _encode(pixels: NDArray[Any]) -> list[bytes]:
    """Compressed tiles of an image of two-byte integers."""
    # FITS 4.0, table 11: unsigned ones are stored with an offset, which is the highest bit.
    signed = pixels if pixels.dtype.kind == "i" else (pixels ^ np.uint16(1 << 15)).view(np.int16)
    coder = Rice1(blocksize=32, bytepix=2, tilesize=_ROWS * pixels.shape[1])
    return [coder.encode(signed[i : i + _ROWS]) for i in range(0, len(pixels), _ROWS)]


def _fill(cards: tuple[str, ...], tiles: list[bytes]) -> tuple[list[str], NDArray[np.uint8]]:
    """Cards with the sizes of tiles put in, and the tiles behind the table of their places."""
    lengths = np.array([len(t) for t in tiles])
    table = np.stack([lengths, np.cumsum(lengths) - lengths], axis=1).astype(">i4").tobytes()
    data = b"".join([table, *tiles])
    sizes = {"PCOUNT  ": int(lengths.sum()), "TFORM1  ": f"1PB({lengths.max()})"}
    filled = [_restate(card, sizes[card[:8]]) if card[:8] in sizes else card for card in cards]
    return filled, np.frombuffer(data.ljust(-(-len(data) // BLOCK) * BLOCK, b"\0"), np.uint8)


def _restate(card: str, value: Any) -> str:
    """A card with another value."""
    comment = fits.Card.fromstring(card).comment
    return format_cards({card[:8].rstrip(): (value, comment)})[0]


@lru_cache(maxsize=4)
def _describe(name: str, shape: tuple[int, int], kind: str) -> tuple[str, ...] | None:
    """Cards of a compressed image of zeros; None where they are not such as `_fill` can fill."""
    pixels = np.zeros(shape, kind)
    cards, packed = _compress_whole(name, pixels)
    if not any(_FORM.match(card) for card in cards):
        return None
    # An astropy that compresses otherwise is left to do it.
    again, mine = _fill(tuple(cards), _encode(pixels))
    return tuple(cards) if again == cards and mine.tobytes() == packed.tobytes() else None


def _compress_whole(name: str, pixels: NDArray[Any]) -> tuple[list[str], NDArray[np.uint8]]:
    """Cards and data, all by astropy."""
    # It would take over further cards one by one, twice.
    stream = BytesIO()
    with _ONE_AT_A_TIME:
        table = _make_table(name, pixels.shape, pixels.dtype.name)
        table.data = pixels
        table.writeto(stream, output_verify="ignore")
        table.data = np.zeros((1, 1), pixels.dtype)  # what stays is small
    file = stream.getbuffer()
    cards: list[str] = []
    for at in range(BLOCK, len(file), CARD):  # after the empty primary header
        card = str(file[at : at + CARD], "ascii")
        if card.rstrip() == "END":
            break
        cards.append(card)
    return cards, np.frombuffer(file[(at // BLOCK + 1) * BLOCK :], np.uint8)


@lru_cache(maxsize=1)
def _make_table(name: str, shape: tuple[int, int], kind: str) -> fits.CompImageHDU:
    """Extension to be filled with pixels: one mask after another is of the same size."""
    return fits.CompImageHDU(
        np.zeros(shape, kind), name=name, compression_type="RICE_1",
        tile_shape=(min(_ROWS, shape[0]), shape[1]),
    )  # fmt: skip
