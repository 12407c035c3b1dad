"""CHECKSUM and DATASUM, of long files too (FITS 4.0, section 4.4.2.7, appendix J)."""

from typing import IO

import numpy as np
from astropy.io import fits
from numpy.typing import NDArray

__all__ = ["add_datasums", "encode_checksum", "sum_words"]

_BLOCK = 2880
_CHUNK = 2880 * 2048
_EXCLUDED = (*range(0x3A, 0x41), *range(0x5B, 0x61))  # punctuation between 0-9, A-Z and a-z


def sum_words(data: bytes | NDArray[np.uint8], *, start: int = 0) -> int:
    """Ones'-complement sum of big-endian 32-bit words.

    Parameters
    ----------
    data : bytes or ndarray of shape (byte,)
        A multiple of four long.
    start : int
        Sum so far.

    Returns
    -------
    int
        32 bits.
    """
    total = start + int(np.frombuffer(data, dtype=">u4").sum(dtype=np.uint64))
    while total >> 32:
        total = (total & 0xFFFFFFFF) + (total >> 32)
    return total


def encode_checksum(value: int) -> str:
    """Sixteen letters and digits whose sum is the complement of a checksum.

    Parameters
    ----------
    value : int
        32-bit sum of the HDU with CHECKSUM set to sixteen zeros.

    Returns
    -------
    str
        Value of CHECKSUM that makes the sum of the HDU all ones.
    """
    complement = 0xFFFFFFFF - value
    text = [0] * 16
    for place in range(4):
        byte = (complement >> (24 - 8 * place)) & 0xFF
        quotient, remainder = divmod(byte, 4)
        letters = [quotient + 0x30 + (remainder if i == 0 else 0) for i in range(4)]
        while any(letter in _EXCLUDED for letter in letters):
            for i in (0, 2):
                if letters[i] in _EXCLUDED or letters[i + 1] in _EXCLUDED:
                    letters[i] += 1
                    letters[i + 1] -= 1
        for i in range(4):
            text[4 * i + place] = letters[i]
    # The value begins in the second byte of a word, so it is rotated by one place.
    return "".join(map(chr, [text[-1], *text[:-1]]))


def add_datasums(stream: IO[bytes]) -> None:
    """Fill in DATASUM and CHECKSUM of every image of an open file.

    Parameters
    ----------
    stream : file object
        Open for reading and writing; every header has both keywords already.

    Raises
    ------
    OSError
        If the file ends within an image.
    """
    stream.seek(0)
    while True:
        start = stream.tell()
        try:
            header = fits.Header.fromfile(stream)
        except EOFError:
            return
        data_at = stream.tell()
        count = 1
        for axis in range(1, header["NAXIS"] + 1):
            count *= header[f"NAXIS{axis}"]
        n_bytes = abs(header["BITPIX"]) // 8 * count if header["NAXIS"] else 0
        padded = -(-n_bytes // _BLOCK) * _BLOCK
        total, left = 0, padded
        while left:
            chunk = stream.read(min(_CHUNK, left))
            if not chunk:
                msg = "the file ends within an image"
                raise OSError(msg)
            total = sum_words(chunk, start=total)
            left -= len(chunk)
        header["DATASUM"] = str(total)
        header["CHECKSUM"] = "0" * 16
        text = header.tostring()
        header["CHECKSUM"] = encode_checksum(sum_words(text.encode("ascii"), start=total))
        stream.seek(start)
        stream.write(header.tostring().encode("ascii"))
        stream.seek(data_at + padded)
