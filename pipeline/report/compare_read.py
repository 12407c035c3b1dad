"""Product files of two folders read side by side; what is missing or damaged is named."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal, TypeVar

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import ProductError
from pipeline.io.images import read_image
from pipeline.io.provenance import Provenance, checksum_file
from pipeline.io.solution import read_json
from pipeline.io.tables import read_table, read_table_meta

__all__ = ["Both", "Side", "Stack", "Table", "have_same_values"]

Table = dict[str, NDArray[Any]]
T = TypeVar("T")


@dataclass(frozen=True)
class Stack:
    """What a stack file holds."""

    flux: NDArray[np.float32]
    variance: NDArray[np.float32]
    mask: NDArray[np.uint16]
    epochs: NDArray[np.int16]
    n_epochs: int
    fwhm: float
    noise_correlation: float


@dataclass
class Side:
    """One folder of products.

    Parameters
    ----------
    name : {"old", "new"}
        How problems name it.
    root : Path
        Folder of products.
    """

    name: Literal["old", "new"]
    root: Path
    problems: list[str] = field(default_factory=list)
    inputs: dict[str, str] = field(default_factory=dict)
    provenance: Provenance | None = None

    def folders(self, pattern: str) -> set[str]:
        """Folders below the root that match a pattern, relative to it."""
        return {p.relative_to(self.root).as_posix() for p in self.root.glob(pattern) if p.is_dir()}

    def stems(self, pattern: str) -> set[str]:
        """Files (FITS or Parquet) below the root, relative to it and without their suffix."""
        return {
            p.relative_to(self.root).with_suffix("").as_posix()
            for p in self.root.glob(pattern)
            if p.suffix in {".fits", ".parquet"}
        }

    def table(self, stem: str, columns: Sequence[str]) -> Table | None:
        """A table with the columns that are needed, Parquet before FITS; None if there is none."""
        paths = [self.root / f"{stem}.{kind}" for kind in ("parquet", "fits")]
        for path in paths:
            if path.exists():
                table = self._try(path, lambda p=path: _read(p, columns))  # type: ignore[misc]
                if table is not None:
                    return table
        if not any(p.exists() for p in paths):
            self.problems.append(f"{self.name}: {stem} (.parquet or .fits) is not there")
        return None

    def meta(self, stem: str) -> dict[str, Any]:
        """Header of a table that could be read; empty if there is none."""
        for kind in ("parquet", "fits"):
            path = self.root / f"{stem}.{kind}"
            if f"{stem}.{kind}" not in self.inputs:
                continue
            found = self._try(path, lambda p=path: read_table_meta(p))  # type: ignore[misc]
            if found is not None:
                self.provenance = self.provenance or found[1]
                return found[0]
        return {}

    def json(self, name: str) -> dict[str, Any] | None:
        """A JSON product, without its provenance; None if it is missing or damaged."""
        path = self.root / name
        if not path.exists():
            self.problems.append(f"{self.name}: {name} is not there")
            return None
        found = self._try(path, lambda: read_json(path))
        return None if found is None else {k: v for k, v in found.items() if k != "provenance"}

    def stack(self, stem: str) -> Stack | None:
        """A stack; None if it is missing or damaged."""
        path = self.root / f"{stem}.fits"
        if not path.exists():
            self.problems.append(f"{self.name}: {stem}.fits is not there")
            return None
        return self._try(path, lambda: _read_stack(path))

    def _try(self, path: Path, read: Callable[[], T]) -> T | None:
        name = path.relative_to(self.root).as_posix()
        try:
            found = read()
            self.inputs[name] = checksum_file(path)
        except (ProductError, OSError) as error:
            reason = str(error).removeprefix(f"{path}: ").split("; remove it")[0]
            self.problems.append(f"{self.name}: {name}: {reason}")
            return None
        return found


@dataclass(frozen=True)
class Both:
    """The two folders."""

    old: Side
    new: Side

    def folders(self, pattern: str) -> list[str]:
        """Folders of either side, in order."""
        return sorted(self.old.folders(pattern) | self.new.folders(pattern))

    def stems(self, pattern: str) -> list[str]:
        """Files of either side without their suffix, in order."""
        return sorted(self.old.stems(pattern) | self.new.stems(pattern))

    def tables(self, stem: str, columns: Sequence[str]) -> tuple[Table | None, Table | None]:
        """A table of both sides."""
        return self.old.table(stem, columns), self.new.table(stem, columns)

    @property
    def problems(self) -> list[str]:
        """What was missing or damaged on either side, each once."""
        return list(dict.fromkeys((*self.old.problems, *self.new.problems)))


def have_same_values(a: Any, b: Any) -> bool:
    """Whether two products hold the same values; not-a-number equals itself.

    Parameters
    ----------
    a, b : ndarray, number, text, list or dict
        None (missing or damaged) equals nothing.

    Returns
    -------
    bool
    """
    if a is None or b is None:
        return False
    if isinstance(a, dict):
        return (
            isinstance(b, dict)
            and a.keys() == b.keys()
            and all((a[k] is None and b[k] is None) or have_same_values(a[k], b[k]) for k in a)
        )
    if isinstance(a, np.ndarray):
        kind = a.dtype.kind == "f"
        return a.dtype == b.dtype and np.array_equal(a, b, equal_nan=kind)
    return bool(a == b)


def _read(path: Path, columns: Sequence[str]) -> Table:
    """All columns of a table that has at least those that are needed."""
    table = read_table(path)
    missing = [c for c in columns if c not in table]
    if missing:
        msg = f"{path}: has no column {', '.join(missing)}"
        raise ProductError(msg)
    return table


def _read_stack(path: Path) -> Stack:
    images, header, _ = read_image(path)
    missing = [n for n in ("FLUX", "VARIANCE", "MASK", "EPOCHS") if n not in images]
    missing += [k for k in ("NEPOCHS", "FWHM") if k not in header]
    if missing:
        msg = f"{path}: has no {', '.join(missing)}"
        raise ProductError(msg)
    return Stack(
        flux=images["FLUX"], variance=images["VARIANCE"], mask=images["MASK"],
        epochs=images["EPOCHS"], n_epochs=int(header["NEPOCHS"]), fwhm=float(header["FWHM"]),
        noise_correlation=float(header.get("NOISECOR", 1.0)),
    )  # fmt: skip
