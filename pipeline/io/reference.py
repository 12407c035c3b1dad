"""The reference catalogue: positions, proper motions and magnitudes from a local table."""

import warnings
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import astropy.units as u
import numpy as np
from astropy.table import Column, Table
from numpy.typing import NDArray

from pipeline.config import Config
from pipeline.errors import ReferenceCatalogueError

__all__ = ["ReferenceCatalogue", "read_reference"]

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class ReferenceCatalogue:
    """Reference stars at the catalogue's own epoch.

    Parameters
    ----------
    ra, dec : ndarray of shape (n,)
        ICRS, degrees.
    pm_ra, pm_dec : ndarray of shape (n,)
        Proper motion, mas/yr, `pm_ra` times cos(dec); zero where the catalogue has none.
    ra_err, dec_err : ndarray of shape (n,)
        Standard errors on the sky, mas.
    mag, mag_err : ndarray of shape (n,)
        Magnitude in one filter and its standard error; NaN where unknown.
    index : ndarray of int64
        Row of the file.
    n_dropped : int
        Rows without a position.
    """

    ra: FloatArray
    dec: FloatArray
    pm_ra: FloatArray
    pm_dec: FloatArray
    ra_err: FloatArray
    dec_err: FloatArray
    mag: FloatArray
    mag_err: FloatArray
    index: NDArray[np.int64]
    n_dropped: int = 0

    def __len__(self) -> int:
        return int(self.ra.size)


def _read_file(path: Path, *, hdu: int) -> Table:
    """Read a table by the suffix of its name."""
    if not path.exists():
        msg = f"{path}: no such file; set reference.path, relative to the configuration file"
        raise ReferenceCatalogueError(msg)
    suffixes = [s.lower() for s in path.suffixes]
    kinds = {
        ".fits": "fits", ".fit": "fits", ".parquet": "parquet", ".ecsv": "ascii.ecsv",
        ".csv": "ascii.csv", ".vot": "votable", ".xml": "votable", ".votable": "votable",
    }  # fmt: skip
    kind = next((kinds[s] for s in reversed(suffixes) if s in kinds), None)
    if kind is None:
        msg = (
            f"{path}: unknown kind of table; reference.path must end in .fits, .parquet, .csv, "
            ".ecsv, .vot or .xml"
        )
        raise ReferenceCatalogueError(msg)
    try:
        if kind == "parquet":
            import pyarrow.parquet as pq

            arrow = pq.read_table(path)
            table = Table({name: arrow[name].to_numpy() for name in arrow.column_names})
            for field in arrow.schema:  # where our own writer states units
                table[field.name].unit = (field.metadata or {}).get(b"unit", b"").decode() or None
            return table
        with warnings.catch_warnings():
            # Units that are no standard ones matter only in the columns that are used.
            warnings.simplefilter("ignore")
            if kind == "fits":
                return Table.read(path, format="fits", hdu=hdu)
            return Table.read(path, format=kind)
    except Exception as error:
        msg = f"{path}: cannot be read as {kind.removeprefix('ascii.')} ({error}); is it whole?"
        raise ReferenceCatalogueError(msg) from error


def _column(table: Table, path: Path, name: str, *, key: str, unit: Any) -> FloatArray:
    """Column as float64 in a unit; units stated in the file are converted."""
    if name not in table.colnames:
        have = ", ".join(table.colnames)
        msg = f"{path}: no column {name!r}, asked for by {key}; the file has {have}"
        raise ReferenceCatalogueError(msg)
    column: Column = table[name]
    try:
        values = np.asarray(np.ma.filled(np.ma.asarray(column, dtype=float), np.nan), dtype=float)
    except (TypeError, ValueError) as error:
        msg = f"{path}: column {name!r} ({key}) does not hold numbers: {error}"
        raise ReferenceCatalogueError(msg) from error
    if values.ndim != 1:
        shape = values.shape[1:]
        msg = f"{path}: column {name!r} ({key}) holds arrays of shape {shape}, expected numbers"
        raise ReferenceCatalogueError(msg)
    stated = getattr(column, "unit", None)
    if not stated:
        return values
    try:
        found = u.Unit(stated)
        # mag(AB) and the like: the zero point is the catalogue's own affair.
        found = getattr(found, "function_unit", found)
        return np.asarray((values * found).to_value(unit), dtype=float)
    except (u.UnitConversionError, TypeError, ValueError) as error:
        msg = (
            f"{path}: column {name!r} ({key}) is in {stated}, which cannot be made {unit}: {error}"
        )
        raise ReferenceCatalogueError(msg) from error


def read_reference(config: Config, filter_name: str) -> ReferenceCatalogue:
    """Read the reference catalogue with the magnitudes of one filter.

    Parameters
    ----------
    config : Config
        The observatory; its table ``[reference]`` says where and what.
    filter_name : str
        Filter of the strips.

    Returns
    -------
    ReferenceCatalogue

    Raises
    ------
    ReferenceCatalogueError
        If the file or a column is missing or of the wrong kind, or the filter has no magnitudes.
    """
    reference, path = config.reference, config.reference_path
    if filter_name not in reference.magnitudes:
        known = ", ".join(sorted(reference.magnitudes))
        msg = (
            f"{path}: no magnitudes for filter {filter_name!r}; add it to [reference.magnitudes] "
            f"(known there: {known}) or correct raw.keywords.filter"
        )
        raise ReferenceCatalogueError(msg)
    table = _read_file(path, hdu=reference.options.hdu)
    names, options = reference.columns, reference.options

    def read(name: str | None, key: str, unit: Any, default: float) -> FloatArray:
        if name is None:
            return np.full(len(table), default)
        return _column(table, path, name, key=key, unit=unit)

    ra = read(names.ra, "reference.columns.ra", u.deg, np.nan)
    dec = read(names.dec, "reference.columns.dec", u.deg, np.nan)
    rate = u.mas / u.yr
    pm_ra = read(names.pm_ra, "reference.columns.pm_ra", rate, 0.0)
    pm_dec = read(names.pm_dec, "reference.columns.pm_dec", rate, 0.0)
    ra_err = read(names.ra_err, "reference.columns.ra_err", u.mas, options.position_error)
    dec_err = read(names.dec_err, "reference.columns.dec_err", u.mas, options.position_error)
    mag = read(
        reference.magnitudes[filter_name], f"reference.magnitudes.{filter_name}", u.mag, np.nan
    )
    mag_err = read(
        reference.magnitude_errors.get(filter_name), f"reference.magnitude_errors.{filter_name}",
        u.mag, options.magnitude_error,
    )  # fmt: skip
    pm_ra, pm_dec = (np.where(np.isfinite(p), p, 0.0) for p in (pm_ra, pm_dec))
    good = np.isfinite(ra) & np.isfinite(dec) & (np.abs(dec) <= 90.0)
    if not good.any():
        msg = f"{path}: no row has a right ascension and a declination between -90 and 90 degrees"
        raise ReferenceCatalogueError(msg)
    mag_err = np.where(np.isfinite(mag_err) & (mag_err >= 0), mag_err, options.magnitude_error)
    errors = [
        np.where(np.isfinite(e) & (e >= 0), e, options.position_error) for e in (ra_err, dec_err)
    ]
    return ReferenceCatalogue(
        ra=np.mod(ra[good], 360.0), dec=dec[good], pm_ra=pm_ra[good], pm_dec=pm_dec[good],
        ra_err=errors[0][good], dec_err=errors[1][good],
        mag=mag[good], mag_err=mag_err[good], index=np.flatnonzero(good).astype(np.int64),
        n_dropped=int(np.count_nonzero(~good)),
    )  # fmt: skip
