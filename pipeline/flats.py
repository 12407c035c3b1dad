"""The column response of a night beside that of all others, from products only."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import ProductError
from pipeline.io.tables import read_table, read_table_meta

__all__ = ["Change", "Flats", "read_flats"]

_SMOOTH = 9  # columns averaged, so that the largest change is not one column's noise
Table = Mapping[str, NDArray[Any]]


@dataclass(frozen=True)
class Change:
    """One response against the median of the other nights'.

    Attributes
    ----------
    relative : ndarray of shape (n_columns,)
        Change of each column less the chip's median change; NaN where it is not known.
    largest, error, column : float
        Largest size of the change smoothed over 9 columns, its error and place; NaN where no
        column is known.
    others, alike : int
        Other nights, and how many of them share most of that largest change.
    """

    relative: NDArray[np.float64]
    largest: float
    error: float
    column: float
    others: int
    alike: int


@dataclass(frozen=True)
class Flats:
    """Column vectors of all nights: responses, and darks to be shown beside them.

    Attributes
    ----------
    vectors : mapping of Path to table
        Products ``calibration/<night>/<chip>_<filter>_response``.
    ranges : mapping of Path to mapping of str to (int, int)
        Half-open range of columns of each amplifier; empty where the product does not tell.
    darks : mapping of Path to table
        Products ``calibration/<night>/<chip>_dark``.
    faults : mapping of str to str
        Products that cannot be read, ``calibration/<night>/<name>``, and why.
    """

    vectors: Mapping[Path, Table]
    ranges: Mapping[Path, Mapping[str, tuple[int, int]]]
    darks: Mapping[Path, Table] = field(default_factory=dict)
    faults: Mapping[str, str] = field(default_factory=dict)

    def of(self, night: str) -> dict[Path, Table]:
        """The responses of a night."""
        return {p: t for p, t in self.vectors.items() if p.parent.name == night}

    def darks_of(self, night: str) -> dict[Path, Table]:
        """The darks of a night."""
        return {p: t for p, t in self.darks.items() if p.parent.name == night}

    def change(self, path: Path) -> Change | None:
        """One vector against the same chip and filter on all other nights; None without any.

        It is worked out once: a report asks for it twice.
        """
        if path not in self._changes:
            self._changes[path] = self._compare(path)
        return self._changes[path]

    @cached_property
    def _changes(self) -> dict[Path, Change | None]:
        return {}

    @cached_property
    def _chips(self) -> dict[tuple[str, int], "_Chip"]:
        """All nights of each chip and filter, those of other widths apart."""
        groups: dict[tuple[str, int], list[Path]] = {}
        for path, table in self.vectors.items():
            groups.setdefault((path.name, table["response"].size), []).append(path)
        return {key: _Chip(paths, self.vectors) for key, paths in groups.items()}

    def _compare(self, path: Path) -> Change | None:
        mine = self.vectors[path]
        chip = self._chips[path.name, mine["response"].size]
        others = [values for p, values in zip(chip.paths, chip.values, strict=True) if p != path]
        if not others:
            return None
        relative = _difference(mine, chip.usual_without(path))
        smooth = _smooth(relative)
        if not np.isfinite(smooth).any():
            return Change(relative, np.nan, np.nan, np.nan, len(others), 0)
        worst = int(np.nanargmax(np.abs(smooth)))
        largest = float(abs(smooth[worst]))
        # Whoever is nearer to this night than to the usual response shares the change; only its
        # surroundings are smoothed.
        near = slice(max(0, worst - _SMOOTH), worst + _SMOOTH + 1)
        place = worst - near.start
        alike = [abs(_smooth(_difference(mine, o)[near])[place]) < 0.5 * largest for o in others]
        error = float(mine["response_err"][worst]) / np.sqrt(_SMOOTH)
        return Change(relative, largest, error, float(worst), len(others), sum(alike))


class _Chip:
    """Responses of one chip and filter, of shape (n_nights, n_columns); NaN where masked.

    The median of all nights but one is asked for every night: the columns are sorted once.
    """

    def __init__(self, paths: Sequence[Path], vectors: Mapping[Path, Table]) -> None:
        self.paths = paths
        self.values = np.array(
            [
                np.where(
                    (vectors[p]["mask"] == 0) & np.isfinite(vectors[p]["response"]),
                    vectors[p]["response"], np.nan,
                )
                for p in paths
            ],
            dtype=float,
        )  # fmt: skip
        self._sorted = np.sort(self.values, axis=0)  # what is not known comes last
        self._known = np.isfinite(self.values).sum(axis=0)

    def usual_without(self, path: Path) -> NDArray[np.float64]:
        """Median of the other nights; NaN where none is known."""
        mine = self.values[self.paths.index(path)]
        known = np.isfinite(mine)
        count = self._known - known
        # Behind the place of the value that is left out, all places are one further.
        own = np.where(known, (self.values < mine).sum(axis=0), len(self.paths))

        def at(place: NDArray[np.intp]) -> NDArray[np.float64]:
            place = np.clip(place + (place >= own), 0, len(self.paths) - 1)
            return np.take_along_axis(self._sorted, place[None, :], axis=0)[0]

        median = 0.5 * (at((count - 1) // 2) + at(count // 2))
        return np.where(count > 0, median, np.nan)


def _difference(mine: Table, usual: NDArray[np.float64]) -> NDArray[np.float64]:
    with np.errstate(invalid="ignore", divide="ignore"):
        change = np.asarray(mine["response"], dtype=float) / usual - 1.0
    good = (mine["mask"] == 0) & np.isfinite(change)
    if not good.any():
        return np.full(change.shape, np.nan)
    return np.asarray(np.where(good, change - np.median(change[good]), np.nan))


def _smooth(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Running mean of the known values; NaN where the value itself is not known."""
    known = np.isfinite(values)
    kernel = np.ones(_SMOOTH)
    total = np.convolve(np.where(known, values, 0.0), kernel, "same")
    count = np.convolve(known.astype(float), kernel, "same")
    return np.asarray(np.where(known, total / np.maximum(count, 1.0), np.nan))


def _read_ranges(path: Path) -> dict[str, tuple[int, int]]:
    meta = read_table_meta(path)[0]
    names = [k.removeprefix("COL0_") for k in meta if k.startswith("COL0_")]
    return {name: (int(meta[f"COL0_{name}"]), int(meta[f"COL1_{name}"])) for name in sorted(names)}


def read_flats(products: Path) -> Flats:
    """Read the column vectors of all nights.

    Parameters
    ----------
    products : Path
        Folder of products.

    Returns
    -------
    Flats
        Without those that are damaged, which it names.
    """
    vectors: dict[Path, Table] = {}
    ranges: dict[Path, dict[str, tuple[int, int]]] = {}
    darks: dict[Path, Table] = {}
    faults: dict[str, str] = {}
    for kind in ("response", "dark"):
        for path in sorted(products.glob(f"calibration/*/*_{kind}.fits")):
            night = path.parent.name
            if night == "season":  # of many nights
                continue
            try:
                if kind == "dark":
                    darks[path] = read_table(path)
                else:
                    vectors[path], ranges[path] = read_table(path), _read_ranges(path)
            except ProductError as error:
                faults[f"calibration/{night}/{path.name}"] = str(error)
    return Flats(vectors, ranges, darks, faults)
