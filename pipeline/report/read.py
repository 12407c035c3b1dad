"""What the report reads of products."""

from collections.abc import Collection
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import ProductError
from pipeline.finite import middle
from pipeline.io.images import read_plane
from pipeline.io.solution import read_json
from pipeline.io.tables import read_either, read_table_meta

__all__ = ["STEMS", "StripProducts", "limit_of", "list_products", "observatory_of", "read_strip"]

STEMS = ("catalogue", "curves", "summary", "equalisation")
# Of a catalogue; all of them are several hundred bytes a source.
_SHOWN = (
    "line", "column", "flux_psf", "flux_psf_err", "mag_psf", "mag_psf_err", "flags", "ref_index",
    "ref_ra_offset", "ref_dec_offset", "ref_mag_offset",
)  # fmt: skip
Table = dict[str, NDArray[Any]]


@dataclass(frozen=True)
class StripProducts:
    """One strip: what is shown of its catalogue; curves, solution; level by column and line."""

    night: str
    name: str
    folder: Path
    catalogue: Table
    curves: Table
    solution: dict[str, Any]
    n_columns: int
    level: NDArray[np.floating] | None
    equalisation: dict[str, Any] | None = None


def read_strip(folder: Path, stems: Collection[str] = STEMS) -> StripProducts:
    """Read what a page shows of a strip.

    Parameters
    ----------
    folder : Path
        Folder of the strip's products.
    stems : collection of str, optional
        Products to read beside the solution, of `STEMS`; what comes from others is empty.

    Returns
    -------
    StripProducts

    Raises
    ------
    ProductError
        If a product is missing or damaged.
    """
    solution = read_json(folder / "solution.json")
    catalogue = read_either(folder / "catalogue", columns=_SHOWN) if "catalogue" in stems else {}
    level = extra = None
    if "summary" in stems and (folder / "summary.fits").exists():
        level = read_plane(folder / "summary.fits", "LEVEL")
    if "equalisation" in stems and (folder / "equalisation.json").exists():
        extra = read_json(folder / "equalisation.json")
    columns = solution.get("smear_table", {}).get("column") or [0, *catalogue.get("column", ())]
    if level is not None:
        columns = [level.shape[1] - 1]
    return StripProducts(
        night=folder.parent.name, name=folder.name, folder=folder, catalogue=catalogue,
        curves=read_either(folder / "curves") if "curves" in stems else {}, solution=solution,
        n_columns=int(max(columns)) + 1, level=level, equalisation=extra,
    )  # fmt: skip


def list_products(folder: Path) -> list[Path]:
    """Tables, images and JSON of a strip, in order of name."""
    return [
        p for p in sorted(folder.iterdir())
        if p.suffix in {".fits", ".parquet", ".json"} and p.is_file()
    ]  # fmt: skip


def limit_of(catalogue: Table) -> float:
    """Magnitude of point sources at a signal-to-noise ratio of 5; NaN where there is none."""
    with np.errstate(invalid="ignore", divide="ignore"):
        near = np.abs(catalogue["flux_psf"] / catalogue["flux_psf_err"] - 5.5) < 1.0
    return middle(catalogue["mag_psf"][near])


def observatory_of(out: Path) -> str:
    """Name of the observatory, from a response vector's header."""
    for path in sorted(out.glob("calibration/*/*_response.fits")):
        with suppress(ProductError):  # a damaged one is told where it is shown
            return str(read_table_meta(path)[0].get("ORIGIN", "Observatory"))
    return "Observatory"
