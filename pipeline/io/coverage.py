"""Where there is data: a coverage map (MOC), and the table of images (ObsCore)."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import astropy.units as u
import numpy as np
from astropy.coordinates import Latitude, Longitude
from mocpy import MOC
from numpy.typing import ArrayLike, NDArray

from pipeline.io.atomic import replace_file
from pipeline.io.columns import OBSCORE

__all__ = ["ImageRecord", "make_obscore_rows", "write_coverage"]

Outline = tuple[ArrayLike, ArrayLike]


@dataclass(frozen=True)
class ImageRecord:
    """What the table of images says of one file.

    Parameters
    ----------
    path : str
        Relative to the table.
    obs_id, target : str
        Observation and tile.
    calib_level : int
        2 for an epoch, 3 for a stack.
    ra, dec, fov : float
        Centre and diameter, deg.
    outline : (ra, dec)
        Corners, deg.
    t_min, t_max : float
        UTC as MJD.
    exposure : float
        Seconds.
    resolution : float
        Width of stars, arcsec.
    shape : tuple of int
        Lines and columns.
    facility, instrument, filter : str
        Names.
    size_bytes : int
        Of the file.
    """

    path: str
    obs_id: str
    target: str
    calib_level: int
    ra: float
    dec: float
    fov: float
    outline: Outline
    t_min: float
    t_max: float
    exposure: float
    resolution: float
    shape: tuple[int, int]
    facility: str
    instrument: str
    filter: str
    size_bytes: int


def write_coverage(path: str | Path, outlines: Sequence[Outline], *, order: int) -> Path:
    """Write the union of polygons as a multi-order coverage map (IVOA MOC 2.0).

    Parameters
    ----------
    path : str or Path
        Product.
    outlines : sequence of (ra, dec)
        Corners of each polygon, deg, ICRS.
    order : int
        Depth of the smallest cells.

    Returns
    -------
    Path

    Raises
    ------
    ProductError
        If the system refuses.
    """
    total: MOC = MOC.new_empty(order)
    for ra, dec in outlines:
        total |= MOC.from_polygon(
            Longitude(np.asarray(ra, dtype=float), u.deg),
            Latitude(np.asarray(dec, dtype=float), u.deg), max_depth=order,
        )  # fmt: skip
    path = Path(path)
    with replace_file(path) as partial:
        total.save(partial, format="fits", overwrite=True)
    return path


def make_obscore_rows(records: Sequence[ImageRecord]) -> dict[str, NDArray[Any]]:
    """Columns of the table of images: the mandatory fields of ObsCore 1.1.

    Parameters
    ----------
    records : sequence of ImageRecord
        One per file.

    Returns
    -------
    dict of str to ndarray
        What is not known (spectral range, publisher) is NaN, empty or 1 as the standard allows.
    """
    rows: list[dict[str, Any]] = []
    for r in records:
        corners = " ".join(
            f"{a:.6f} {d:.6f}" for a, d in zip(*(np.ravel(o) for o in r.outline), strict=True)
        )
        rows.append(
            {
                "dataproduct_type": "image", "calib_level": r.calib_level,
                "obs_collection": r.facility, "obs_id": r.obs_id, "obs_publisher_did": "",
                "access_url": r.path, "access_format": "image/fits",
                "access_estsize": r.size_bytes // 1000, "target_name": r.target, "s_ra": r.ra,
                "s_dec": r.dec, "s_fov": r.fov, "s_region": f"POLYGON ICRS {corners}",
                "s_xel1": r.shape[1], "s_xel2": r.shape[0], "s_resolution": r.resolution,
                "t_min": r.t_min, "t_max": r.t_max, "t_exptime": r.exposure,
                "t_resolution": r.exposure, "t_xel": 1, "em_min": np.nan, "em_max": np.nan,
                "em_res_power": np.nan, "em_xel": 1, "o_ucd": "phot.flux", "pol_states": "",
                "pol_xel": 1, "facility_name": r.facility,
                "instrument_name": f"{r.instrument}, filter {r.filter}",
            }
        )  # fmt: skip
    return {c.name: np.array([row[c.name] for row in rows]) for c in OBSCORE}
