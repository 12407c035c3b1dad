"""What the report reads of products."""

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.finite import middle
from pipeline.io.images import read_image
from pipeline.io.solution import read_json
from pipeline.io.tables import read_either, read_table_meta

__all__ = [
    "StackProducts",
    "StripProducts",
    "limit_of",
    "observatory_of",
    "read_stacks",
    "read_strips",
]

Table = dict[str, NDArray[Any]]


@dataclass(frozen=True)
class StripProducts:
    """One strip: catalogue, curves along it, solution; level per column and bin of lines."""

    night: str
    name: str
    folder: Path
    catalogue: Table
    curves: Table
    solution: dict[str, Any]
    n_columns: int
    level: NDArray[np.float64] | None
    equalisation: dict[str, Any] | None = None


@dataclass(frozen=True)
class StackProducts:
    """One stack: planes of shape (ny, nx), epochs, arcsec per pixel."""

    path: Path
    flux: NDArray[np.float32]
    variance: NDArray[np.float32]
    epochs: float
    n_epochs: int
    filled: float
    scale: float


def read_strips(out: Path) -> list[StripProducts]:
    """Strips that have a solution, in order of night and name.

    Parameters
    ----------
    out : Path
        Folder of products.

    Returns
    -------
    list of StripProducts

    Raises
    ------
    ProductError
        If a product is missing or damaged.
    """
    found = []
    for path in sorted(out.glob("strips/*/*/solution.json")):
        folder = path.parent
        solution = read_json(path)
        catalogue = read_either(folder / "catalogue")
        extra = folder / "equalisation.json"
        level = None
        if (folder / "summary.fits").exists():
            level = np.asarray(read_image(folder / "summary.fits")[0]["LEVEL"], dtype=float)
        columns = solution.get("smear_table", {}).get("column") or [0, *catalogue["column"]]
        if level is not None:
            columns = [level.shape[1] - 1]
        found.append(
            StripProducts(
                night=folder.parent.name, name=folder.name, folder=folder, catalogue=catalogue,
                curves=read_either(folder / "curves"), solution=solution,
                n_columns=int(max(columns)) + 1, level=level,
                equalisation=read_json(extra) if extra.exists() else None,
            )
        )  # fmt: skip
    return found


def read_stacks(out: Path, *, most: int) -> list[StackProducts]:
    """The stacks with most epochs, best first.

    Parameters
    ----------
    out : Path
        Folder of products.
    most : int
        No more than so many.

    Returns
    -------
    list of StackProducts
    """
    ranked = [
        (float(np.mean(read_image(path)[0]["EPOCHS"])), path)
        for path in sorted(out.glob("stacks/*.fits"))
    ]
    found = []
    for epochs, path in sorted(ranked, reverse=True)[:most]:
        images, header, heads = read_image(path)
        scale = float(np.hypot(heads["FLUX"]["CD1_1"], heads["FLUX"]["CD2_1"])) * 3600.0
        filled = float(np.mean(np.isfinite(images["FLUX"])))
        found.append(
            StackProducts(
                path, images["FLUX"], images["VARIANCE"], epochs, int(header["NEPOCHS"]), filled,
                scale,
            )
        )  # fmt: skip
    return found


def limit_of(catalogue: Table) -> float:
    """Magnitude of point sources at a signal-to-noise ratio of 5; NaN where there is none."""
    with np.errstate(invalid="ignore", divide="ignore"):
        near = np.abs(catalogue["flux_psf"] / catalogue["flux_psf_err"] - 5.5) < 1.0
    return middle(catalogue["mag_psf"][near])


def observatory_of(out: Path) -> str:
    """Name of the observatory, from a response vector's header."""
    for path in sorted(out.glob("calibration/*/*_response.fits")):
        return str(read_table_meta(path)[0].get("ORIGIN", "Observatory"))
    return "Observatory"
