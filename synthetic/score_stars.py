"""All true sources of all science strips, with what the strip catalogues say of them."""

import logging
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from synthetic.score_bound import compute_bounds
from synthetic.score_match import match_mutually, sum_neighbours
from synthetic.score_world import Camera, Columns, StripTruth, World, read_parquet

__all__ = [
    "CATALOGUE_COLUMNS",
    "MATCH_RADIUS",
    "Stars",
    "compute_background",
    "find_products",
    "gather_stars",
]

logger = logging.getLogger(__name__)

# Pairs of a true and a measured source lie within this distance, px.
MATCH_RADIUS = 2.0
# True sources fainter than this in the matched filter cannot claim a measured source.
_FAINTEST_PARTNER = 2.0
# Other sources may add this share of a star's own error, or of its flux, to an isolated star.
_NEIGHBOUR_ERROR_SHARE = 0.1
_NEIGHBOUR_FLUX_SHARE = 5e-4
# A star counts as unsaturated below this share of the saturation level.
_SATURATION_SHARE = 0.8
# A line is clear when its transparency is within two per cent of the strip's best.
_CLEAR = 0.98

CATALOGUE_COLUMNS = (
    "line",
    "line_err",
    "column",
    "column_err",
    "ra",
    "dec",
    "ra_err",
    "dec_err",
    "flux_psf",
    "flux_psf_err",
    "flux_aperture",
    "flux_aperture_err",
    "mag_psf",
    "mag_psf_err",
    "mag_aperture",
    "mag_aperture_err",
    "mom_ll",
    "mom_lc",
    "mom_cc",
)


@dataclass(frozen=True)
class Stars:
    """The joined table.

    Attributes
    ----------
    truth : dict
        One entry per true source: ``strip`` (index into the science strips), ``star_id``,
        ``line``, ``column``, ``ra``, ``dec``, ``mag``, ``flux`` (electron, as collected at
        response 1), ``flux_t0`` (the same for the nominal exposure), ``ll``, ``lc``, ``cc``,
        ``fwhm``, ``transparency``; from the bounds ``sn`` (flux over its bound),
        ``sn_matched``, ``bound_flux``, ``bound_line``, ``bound_column``; and booleans:
        ``star`` (constant star), ``complete``, ``isolated``, ``good_place`` (away from bad
        columns and trails), ``unsaturated``, ``clear``.
    measured : dict
        Same length: the catalogue columns, NaN where the source has no partner; ``flags``
        (-1 without partner) and ``found`` (bool).
    catalogues : tuple of dict or None
        The strip catalogues as read; None where missing.
    claimed : tuple of ndarray
        Per catalogue: True where the entry has a true source within the match radius.
    absent : tuple of str
        Catalogue columns that one or more catalogues lack.
    missing : tuple of str
        Names of strips without a catalogue.
    threshold : float or None
        Detection threshold that the catalogues state, in units of the matched filter's noise.
    """

    truth: Columns
    measured: Columns
    catalogues: tuple[Columns | None, ...]
    claimed: tuple[NDArray[np.bool_], ...]
    absent: tuple[str, ...]
    missing: tuple[str, ...]
    threshold: float | None

    @property
    def clean(self) -> NDArray[np.bool_]:
        """Constant, complete, isolated, unsaturated stars in good places: judged by truth only."""
        t = self.truth
        keys = ("star", "complete", "isolated", "good_place", "unsaturated")
        return np.asarray(np.logical_and.reduce([t[key] for key in keys]), dtype=bool)

    @property
    def usable(self) -> NDArray[np.bool_]:
        """Sources that are in a catalogue without any flag."""
        return np.asarray(self.measured["found"] & (self.measured["flags"] == 0), dtype=bool)

    def describe_missing(self) -> str:
        """Reason for falling short when strips have no catalogue; empty otherwise."""
        return f"no readable catalogue of {', '.join(self.missing)}" if self.missing else ""

    def describe_lack(self, keys: tuple[str, ...]) -> str:
        """Reason for falling short: missing catalogues and columns; empty without any."""
        lacking = [key for key in (*keys, "flags") if key in self.absent]
        texts = [self.describe_missing()]
        if lacking:
            texts.append(f"a catalogue has no column {', '.join(lacking)}")
        return "; ".join(text for text in texts if text)

    def describe_share(self, chosen: NDArray[np.bool_]) -> tuple[str, str]:
        """Failure text when most of the chosen stars are lost or flagged, and a remark."""
        if not np.any(chosen):
            return "", ""
        share = float(np.mean(self.usable[chosen]))
        remark = f"{100 * share:.1f} % of the {int(np.sum(chosen))} true stars are unflagged"
        return ("more than half of the true stars are lost or flagged" if share < 0.5 else ""), (
            remark
        )


def find_products(products: Path, strip: StripTruth) -> Path | None:
    """Folder of a strip's products, or None."""
    direct = products / "strips" / strip.night / strip.name
    if direct.is_dir():
        return direct
    found = sorted((products / "strips").glob(f"*/{strip.name}"))
    return found[0] if found else None


def _find_good_places(
    world: World, strip: StripTruth, line: NDArray[np.float64], column: NDArray[np.float64]
) -> NDArray[np.bool_]:
    """True for sources whose light avoids bad columns and trails."""
    sources = strip.sources
    reach = 3.0 * np.asarray(sources["fwhm"], dtype=np.float64) + 1.0
    bad = np.flatnonzero(world.find_camera(strip.night).bad)
    good = np.ones(line.size, dtype=bool)
    if bad.size:
        right = np.clip(np.searchsorted(bad, column), 0, bad.size - 1)
        left = np.clip(right - 1, 0, bad.size - 1)
        gap = np.minimum(np.abs(column - bad[right]), np.abs(column - bad[left]))
        good &= gap > reach
    if len(strip.trail):
        distance = cKDTree(strip.trail).query(np.column_stack([line, column]))[0]
        good &= distance > 2.0 * reach
    return good


def _describe_sources(world: World, index: int) -> Columns:
    """Truth table of one strip with bounds and selections."""
    strip = world.science[index]
    camera = world.find_camera(strip.night)
    raw = strip.sources
    line = np.asarray(raw["line"], dtype=np.float64)
    column = np.asarray(raw["column"], dtype=np.float64)
    transparency = np.asarray(raw["transparency"], dtype=np.float64)
    flux = np.asarray(raw["flux"], dtype=np.float64) * transparency
    fwhm = np.asarray(raw["fwhm"], dtype=np.float64)
    nearest = np.clip(np.rint(column).astype(np.int64), 0, camera.n_columns - 1)
    background = compute_background(camera, strip, line, nearest)
    response = np.where(camera.bad[nearest], 1.0, camera.response[nearest])
    moments = np.column_stack([raw["mom_ll"], raw["mom_lc"], raw["mom_cc"]]).astype(np.float64)
    # Noise of a Gaussian of the seeing's width: good enough to leave out hopeless sources.
    rough = np.sqrt(background * 4.0 * np.pi * ((fwhm / 2.3548) ** 2 + 0.1)) / response
    complete = np.asarray(raw["complete"], dtype=bool)
    wanted = (flux > rough) & complete
    values = {key: np.full(line.size, np.nan) for key in ("flux", "line", "column")}
    matched, peak = rough.copy(), np.full(line.size, 0.2)
    if np.any(wanted):
        bounds = compute_bounds(
            line[wanted],
            column[wanted],
            flux[wanted],
            fwhm=fwhm[wanted],
            moments=moments[wanted],
            response=response[wanted],
            background=background[wanted],
            beta=world.beta,
        )
        for key, target in values.items():
            target[wanted] = getattr(bounds, key)
        matched[wanted] = bounds.matched
        peak[wanted] = bounds.peak
    sn = np.where(wanted, flux / np.where(wanted, values["flux"], 1.0), flux / rough)
    full = _SATURATION_SHARE * np.minimum(camera.saturation * camera.gain, camera.full_well)
    level = flux * peak * response + _sample_sky(strip, line) * response
    unsaturated = level < full[camera.amplifier[nearest]]
    share = sum_neighbours(
        np.column_stack([line, column]),
        flux,
        fwhm=float(np.median(fwhm)),
        beta=world.beta,
        smear=moments,
    )
    best = float(np.max(strip.lines["transparency"])) if len(strip.lines["transparency"]) else 1.0
    return {
        "strip": np.full(line.size, index, dtype=np.int64),
        "star_id": np.asarray(raw["star_id"]),
        "line": line,
        "column": column,
        "ra": np.asarray(raw["ra"], dtype=np.float64),
        "dec": np.asarray(raw["dec"], dtype=np.float64),
        "mag": np.asarray(raw["mag"], dtype=np.float64),
        "flux": flux,
        "flux_t0": np.asarray(raw["flux_t0"], dtype=np.float64) * transparency,
        "transparency": transparency,
        "fwhm": fwhm,
        "ll": moments[:, 0],
        "lc": moments[:, 1],
        "cc": moments[:, 2],
        "sn": sn,
        "sn_matched": flux / matched,
        "bound_flux": values["flux"],
        "bound_line": values["line"],
        "bound_column": values["column"],
        "complete": complete,
        "unsaturated": unsaturated,
        "neighbours": share,
        "isolated": share < np.maximum(_NEIGHBOUR_ERROR_SHARE / sn, _NEIGHBOUR_FLUX_SHARE),
        "good_place": _find_good_places(world, strip, line, column),
        "clear": transparency >= _CLEAR * best,
    }


def _sample_sky(strip: StripTruth, line: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(np.interp(line, strip.lines["line"], strip.lines["sky"]), dtype=np.float64)


def compute_background(
    camera: Camera,
    strip: StripTruth,
    line: NDArray[np.float64],
    column: NDArray[np.int64],
) -> NDArray[np.float64]:
    """Variance of pixels without stars, raw electrons squared.

    Parameters
    ----------
    camera : Camera
        Of the night.
    strip : StripTruth
        Its sky.
    line, column : ndarray of shape (n,)
        Pixels.

    Returns
    -------
    ndarray of shape (n,)
    """
    scattered = np.interp(line, strip.lines["line"], strip.lines["scattered"])
    light = (
        _sample_sky(strip, line) * (1.0 + camera.stray[column])
        + camera.scattered[column] * scattered
    )
    dark = camera.compute_pixel_variance(strip.line_period)[column]
    return np.maximum(camera.response[column] * light + dark, 1e-6)


def _add_kinds(world: World, truth: Columns) -> None:
    """Mark constant stars."""
    listed = read_parquet(world.out / "truth" / "stars.parquet")
    changing = listed["star_id"][listed["kind"] != "star"]
    truth["star"] = ~np.isin(truth["star_id"], changing)


def _read_threshold(path: Path) -> float | None:
    metadata = pq.read_schema(path).metadata or {}
    text = metadata.get(b"detection_threshold")
    return float(text) if text is not None else None


def gather_stars(world: World) -> Stars:
    """Read truth and strip catalogues and pair their sources.

    Parameters
    ----------
    world : World
        Truth, and where the products are.

    Returns
    -------
    Stars
    """
    parts: list[Columns] = []
    measured: list[Columns] = []
    catalogues: list[Columns | None] = []
    claimed: list[NDArray[np.bool_]] = []
    absent: set[str] = set()
    missing: list[str] = []
    thresholds: set[float] = set()
    for index, strip in enumerate(world.science):
        truth = _describe_sources(world, index)
        parts.append(truth)
        folder = find_products(world.products, strip)
        path = folder / "catalogue.parquet" if folder else None
        catalogue = None
        if path is not None and path.exists():
            try:
                catalogue = read_parquet(path)
            except (OSError, ValueError):
                logger.exception("%s cannot be read", path)
        if path is None or catalogue is None or not {"line", "column"} <= set(catalogue):
            catalogue = None
            missing.append(strip.name)
        elif (value := _read_threshold(path)) is not None:
            thresholds.add(value)
        catalogues.append(catalogue)
        columns, claim, lacking = _join(truth, catalogue)
        measured.append(columns)
        claimed.append(claim)
        absent |= lacking
    truth = {key: np.concatenate([part[key] for part in parts]) for key in parts[0]}
    _add_kinds(world, truth)
    return Stars(
        truth=truth,
        measured={key: np.concatenate([part[key] for part in measured]) for key in measured[0]},
        catalogues=tuple(catalogues),
        claimed=tuple(claimed),
        absent=tuple(sorted(absent)),
        missing=tuple(missing),
        threshold=max(thresholds) if thresholds else None,
    )


def _join(truth: Columns, catalogue: Columns | None) -> tuple[Columns, NDArray[np.bool_], set[str]]:
    n = len(truth["line"])
    columns: Columns = {key: np.full(n, np.nan) for key in CATALOGUE_COLUMNS}
    columns["flags"] = np.full(n, -1, dtype=np.int64)
    columns["found"] = np.zeros(n, dtype=bool)
    if catalogue is None:
        return columns, np.empty(0, dtype=bool), set()
    own = np.column_stack([catalogue["line"], catalogue["column"]]).astype(np.float64)
    finite = np.all(np.isfinite(own), axis=1)
    own = np.where(finite[:, None], own, -1e9)
    partner = np.flatnonzero((truth["sn_matched"] > _FAINTEST_PARTNER) | ~truth["complete"])
    there = np.column_stack([truth["line"], truth["column"]])[partner]
    i, j = match_mutually(there, own, MATCH_RADIUS)
    rows = partner[i]
    lacking = set()
    for key in CATALOGUE_COLUMNS:
        if key in catalogue:
            columns[key][rows] = np.asarray(catalogue[key], dtype=np.float64)[j]
        else:
            lacking.add(key)
    if "flags" in catalogue:
        columns["flags"][rows] = np.asarray(catalogue["flags"], dtype=np.int64)[j]
    else:
        lacking.add("flags")
        columns["flags"][rows] = 0
    columns["found"][rows] = True
    claim = np.zeros(len(own), dtype=bool)
    if len(there):
        claim = np.isfinite(cKDTree(there).query(own, distance_upper_bound=MATCH_RADIUS)[0])
    return columns, np.asarray(claim, dtype=bool), lacking
