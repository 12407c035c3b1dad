"""Where a product comes from: inputs, calibrations, configuration, versions."""

import hashlib
import json
import platform
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

from pipeline import __version__
from pipeline.config import Config
from pipeline.errors import RawError
from pipeline.io.layout import find_layout, read_keyword

__all__ = ["Provenance", "checksum_file", "checksum_raw", "make_provenance"]

_LIBRARIES = ("numpy", "scipy", "astropy", "pyerfa", "numba", "sep", "pyarrow")
_MAX_LISTED = 999  # what fits into a keyword of eight characters


@dataclass(frozen=True)
class Provenance:
    """What went into a product.

    Parameters
    ----------
    code : str
        Name and version of this program.
    python : str
        Version of Python.
    libraries : tuple of (str, str)
        Names and versions of the main libraries.
    config : str
        SHA-256 of the configuration's values, defaults included.
    inputs : tuple of (str, str)
        Names and checksums of the files it was made from.
    calibration : tuple of str
        Calibration products used.
    """

    code: str
    python: str
    libraries: tuple[tuple[str, str], ...]
    config: str
    inputs: tuple[tuple[str, str], ...] = ()
    calibration: tuple[str, ...] = ()

    def __repr__(self) -> str:
        return (
            f"<Provenance: {self.code}, configuration {self.config[:8]}, {len(self.inputs)} inputs>"
        )

    @property
    def digest(self) -> str:
        """SHA-256 of everything above, in hexadecimal."""
        return hashlib.sha256(self.to_json().encode()).hexdigest()

    def to_json(self) -> str:
        """JSON text; `from_json` reads it."""
        return json.dumps(asdict(self), sort_keys=True)

    @classmethod
    def from_json(cls, text: str) -> "Provenance":
        """Read what `to_json` wrote."""
        data = json.loads(text)
        for key in ("libraries", "inputs"):
            data[key] = tuple((str(a), str(b)) for a, b in data[key])
        data["calibration"] = tuple(data["calibration"])
        return cls(**data)

    def to_cards(self) -> dict[str, tuple[Any, str]]:
        """Header cards: keyword to value and comment."""
        cards: dict[str, tuple[Any, str]] = {
            "CREATOR": (self.code, "program"),
            "PYTHON": (self.python, "version"),
            "CONFIG": (self.config, ""),
        }
        for number, (name, number_of) in enumerate(self.libraries, 1):
            cards[f"LIB{number}"] = (f"{name} {number_of}", "")
        for number, name in enumerate(self.calibration, 1):
            cards[f"CALIB{number}"] = (name, "")
        cards["NINPUT"] = (len(self.inputs), "number of input files")
        for number, (name, checksum) in enumerate(self.inputs[:_MAX_LISTED], 1):
            cards[f"INPUT{number}"] = (f"{name} {checksum}", "")
        return cards

    @classmethod
    def from_cards(cls, header: Mapping[str, Any]) -> "Provenance | None":
        """Read what `to_cards` wrote; None where the header has no provenance.

        Headers hold ASCII and the first 999 inputs only, so what comes back may be less than what
        went in.
        """
        if "CREATOR" not in header or "CONFIG" not in header:
            return None

        def read_list(stem: str) -> list[str]:
            found: list[str] = []
            while (keyword := f"{stem}{len(found) + 1}") in header:
                found.append(str(header[keyword]))
            return found

        def split(text: str) -> tuple[str, str]:
            # Names may hold blanks; versions and checksums do not.
            name, _, rest = text.rpartition(" ")
            return name, rest

        return cls(
            code=str(header["CREATOR"]),
            python=str(header.get("PYTHON", "")),
            libraries=tuple(split(text) for text in read_list("LIB")),
            config=str(header["CONFIG"]),
            inputs=tuple(split(text) for text in read_list("INPUT")),
            calibration=tuple(read_list("CALIB")),
        )


def make_provenance(
    config: Config,
    *,
    inputs: Iterable[tuple[str, str]] = (),
    calibration: Iterable[str] = (),
) -> Provenance:
    """Provenance of a product made now, by this program.

    Parameters
    ----------
    config : Config
        Configuration in force.
    inputs : iterable of (str, str)
        Names and checksums (`checksum_raw`, `checksum_file`).
    calibration : iterable of str
        Calibration products used.

    Returns
    -------
    Provenance
    """
    libraries = []
    for name in _LIBRARIES:
        try:
            libraries.append((name, version(name)))
        except PackageNotFoundError:
            continue
    return Provenance(
        code=f"driftloom {__version__}",
        python=platform.python_version(),
        libraries=tuple(libraries),
        config=config.digest(),
        inputs=tuple(inputs),
        calibration=tuple(calibration),
    )


def checksum_file(path: str | Path) -> str:
    """SHA-256 of a whole file.

    Parameters
    ----------
    path : str or Path
        File to read.

    Returns
    -------
    str
        "sha256:" and 64 hexadecimal digits.
    """
    with Path(path).open("rb") as stream:
        return f"sha256:{hashlib.file_digest(stream, 'sha256').hexdigest()}"


def checksum_raw(path: str | Path, *, hdu: int, full: bool) -> str:
    """Checksum of a raw file, from its header unless told otherwise.

    Parameters
    ----------
    path : str or Path
        Raw file.
    hdu : int
        HDU of the image.
    full : bool
        Read the whole file.

    Returns
    -------
    str
        "sha256:..." of the whole file; "datasum:..." where the header has DATASUM; else
        "header:..." of headers, size, and time of modification.

    Raises
    ------
    RawError
        If the file cannot be read.
    """
    path = Path(path)
    layout = find_layout(path, hdu=hdu, anew=True)
    if full:
        return checksum_file(path)
    digest = hashlib.sha256()
    for header in layout.headers:
        digest.update(header.tostring().encode("ascii"))
    try:
        datasum = (
            read_keyword(layout, "DATASUM", name=path.name)
            if len(layout.headers) == 1
            else (layout.headers[0].get("DATASUM"))
        )
    except RawError:
        datasum = None
    if datasum:
        return f"datasum:{str(datasum).strip()}:{digest.hexdigest()[:16]}"
    status = path.stat()
    digest.update(f"{status.st_size} {status.st_mtime_ns}".encode())
    return f"header:{digest.hexdigest()}"
