"""Primary headers and images of FITS files as bytes, with their checksums.

A file of one field has some two hundred cards, most of them the same from file to file and from
extension to extension. A header as an object asks for a dozen look-ups a card and is checked anew
at every step; here the text of each card is made once by astropy and put where it belongs.
"""

from collections.abc import Iterable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.io.cards import format_cards
from pipeline.io.checksums import encode_checksum, sum_words

__all__ = [
    "BLOCK", "CARD", "finish_header", "make_plain", "pack_plain", "primary_cards", "without",
]  # fmt: skip

BLOCK = 2880  # FITS 4.0, section 3.1
CARD = 80  # section 4.1
_BITPIX = {
    "uint8": 8, "int16": 16, "int32": 32, "int64": 64, "float32": -32, "float64": -64,
    "int8": 8, "uint16": 16, "uint32": 32, "uint64": 64,
}  # fmt: skip
# FITS 4.0, table 11: types of the other sign are stored with an offset.
_ZERO = {"int8": -128, "uint16": 2**15, "uint32": 2**31, "uint64": 2**63}


def primary_cards(cards: Iterable[str]) -> list[str]:
    """Cards of a primary header without data.

    Parameters
    ----------
    cards : iterable of str
        Text of further cards (`format_cards`).

    Returns
    -------
    list of str
    """
    structure = format_cards(
        {
            "SIMPLE": (True, "conforms to FITS standard"), "BITPIX": (8, "array data type"),
            "NAXIS": (0, "number of array dimensions"), "EXTEND": True,
        }
    )  # fmt: skip
    return [*structure, *without(structure, cards)]


def make_plain(name: str, kind: str, shape: tuple[int, int], cards: Iterable[str]) -> list[str]:
    """Cards of an image that is stored pixel by pixel.

    Parameters
    ----------
    name : str
        Extension.
    kind : str
        numpy's name of the type.
    shape : tuple of int
        (lines, columns).
    cards : iterable of str
        Text of further cards (`format_cards`).

    Returns
    -------
    list of str

    Raises
    ------
    ValueError
        If FITS has no images of this type.
    """
    if kind not in _BITPIX:
        msg = f"image {name} must be of a FITS image type, received {kind}"
        raise ValueError(msg)
    offset = {"BSCALE": 1, "BZERO": _ZERO[kind]} if kind in _ZERO else {}
    structure = format_cards(
        {
            "XTENSION": ("IMAGE", "Image extension"), "BITPIX": (_BITPIX[kind], "array data type"),
            "NAXIS": (2, "number of array dimensions"), "NAXIS1": shape[1], "NAXIS2": shape[0],
            "PCOUNT": (0, "number of parameters"), "GCOUNT": (1, "number of groups"), **offset,
        }
    )  # fmt: skip
    title = format_cards({"EXTNAME": (name.upper(), "extension name")})
    return [*structure, *without([*structure, *title], cards), *title]


def pack_plain(pixels: NDArray[Any]) -> NDArray[np.uint8]:
    """Pixels as a FITS file stores them.

    Parameters
    ----------
    pixels : ndarray of shape (line, column)
        Of a type that `make_plain` takes, in either byte order.

    Returns
    -------
    ndarray of shape (byte,)
        Big-endian, filled up with zeros to whole blocks.
    """
    kind = pixels.dtype
    packed = np.empty(-(-pixels.nbytes // BLOCK) * BLOCK, dtype=np.uint8)
    packed[pixels.nbytes :] = 0
    place = packed[: pixels.nbytes].view(kind.newbyteorder(">")).reshape(pixels.shape)
    place[...] = pixels
    if kind.name in _ZERO:  # taking the offset away changes the highest bit, in the first byte
        packed[: pixels.nbytes : kind.itemsize] ^= 0x80
    return packed


def finish_header(cards: Iterable[str], datasum: int) -> bytes:
    """Header in whole blocks, with DATASUM and CHECKSUM (FITS 4.0, section 4.4.2.7).

    Parameters
    ----------
    cards : iterable of str
        Text of all other cards but END.
    datasum : int
        Sum of the data (`sum_words`).

    Returns
    -------
    bytes
    """
    body = "".join(card for card in cards if card[:8] not in {"CHECKSUM", "DATASUM "})

    def fill(checksum: str) -> bytes:
        unit = f"'{datasum:<8}'"
        sums = [
            f"CHECKSUM= '{checksum}'   / HDU checksum".ljust(CARD),
            f"DATASUM = {unit:<20} / data unit checksum".ljust(CARD),
            "END".ljust(CARD),
        ]
        text = "".join([body, *sums])
        return text.ljust(-(-len(text) // BLOCK) * BLOCK).encode("ascii")

    return fill(encode_checksum(sum_words(fill("0" * 16), start=datasum)))


def without(taken: Iterable[str], cards: Iterable[str]) -> list[str]:
    """Cards whose keywords are not taken; what scales pixels is always for the pixels to say.

    Parameters
    ----------
    taken, cards : iterable of str
        Texts of cards.

    Returns
    -------
    list of str
    """
    keywords = {"BSCALE  ", "BZERO   ", *(card[:8] for card in taken)}
    return [card for card in cards if card[:8] not in keywords]
