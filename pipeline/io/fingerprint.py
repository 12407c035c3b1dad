"""Fingerprints of products, by which a run sees whether a file is still what was written.

They are asked for gigabytes a night, as these are written and whenever a run is resumed: XXH3 of
128 bits takes a fifth of the time of SHA-256, which stays where the identity of a file is stated to
others (`pipeline.io.provenance`). Neither is there to withstand anybody who changes a file on
purpose.
"""

import hashlib
from pathlib import Path

import xxhash

__all__ = ["Fingerprint", "fingerprint_file"]


class Fingerprint:
    """A fingerprint of bytes as they go by."""

    def __init__(self) -> None:
        self._digest = xxhash.xxh3_128()

    def update(self, data: bytes | memoryview) -> None:
        """Add bytes."""
        self._digest.update(data)

    def name(self) -> str:
        """``"xxh3:"`` and 32 hexadecimal digits."""
        return f"xxh3:{self._digest.hexdigest()}"


def fingerprint_file(path: str | Path) -> str:
    """Fingerprint of a whole file.

    Parameters
    ----------
    path : str or Path
        File to read.

    Returns
    -------
    str
        As `Fingerprint.name` gives it.

    Raises
    ------
    OSError
        If the file cannot be read.
    """
    fingerprint = Fingerprint()
    with Path(path).open("rb") as stream:
        hashlib.file_digest(stream, lambda: fingerprint)  # type: ignore[arg-type, return-value]
    return fingerprint.name()
