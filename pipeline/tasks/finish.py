"""Make and write the products of one strip."""

from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.config import Config
from pipeline.flags import PixelMask
from pipeline.geometry.fit import FitResult
from pipeline.geometry.match import References
from pipeline.io.cards import make_site_cards, make_time_cards
from pipeline.io.columns import CURVES, STRIP_CATALOGUE
from pipeline.io.images import write_image
from pipeline.io.provenance import Provenance
from pipeline.io.reference import ReferenceCatalogue
from pipeline.io.solution import write_json
from pipeline.io.summary_files import read_summary, summary_path
from pipeline.io.tables import write_table
from pipeline.stages.illumination import Illumination
from pipeline.stages.psf_model import PsfModel
from pipeline.stages.psf_solution import PsfSolution
from pipeline.stages.trails import mask_trails
from pipeline.tasks.catalogue import StripResult, calibrate_catalogue, make_curves
from pipeline.tasks.context import StripContext
from pipeline.tasks.measure import Measurements
from pipeline.tasks.point_spread import Spread
from pipeline.tasks.star_moments import compare_star_moments

__all__ = ["finish_strip", "strip_folder"]

_SMEAR_POINTS = 33  # columns at which the predicted smear is tabulated
_CHUNK = 4096  # lines of a mask held at once


def strip_folder(out: Path, night: str, name: str) -> Path:
    """Where a strip's products lie."""
    return out / "strips" / night / name


def _describe_solution(
    context: StripContext,
    fit: FitResult | None,
    psf: PsfModel,
    spread: PsfSolution | None,
    zero_rms: float,
    masked: NDArray[np.int64],
    moments: dict[str, Any],
    remarks: tuple[str, ...],
    *,
    liquid_mirror: bool,
) -> dict[str, Any]:
    """Content of solution.json."""
    strip = context.strip
    content: dict[str, Any] = {
        "strip": strip.name,
        "night": strip.night,
        "n_lines": strip.n_lines,
        "masked_pixels": {b.name: int(n) for b, n in zip(PixelMask, masked, strict=True)}
        | {PixelMask.TRAIL.name: _count_trails(context)},
        "trails": [
            {
                "line": [t.line0, t.line1],
                "column": [t.column0, t.column1],
                "width": t.width,
            }
            for t in context.trails
        ],
        "psf": {
            "beta": psf.beta,
            "beta_err": None if spread is None else spread.beta_err,
            "optics_order": None if spread is None else spread.optics_order,
            "n_stars": 0 if spread is None else int(np.count_nonzero(spread.used)),
        },
        "zero_point_rms": zero_rms,
        "remarks": list(remarks),
    }
    if fit is None:
        return content
    columns = np.linspace(0, strip.n_columns - 1, _SMEAR_POINTS)
    ll, lc, cc = fit.solution.smear(columns, boxcar=True)
    content |= {
        "parameters": fit.solution.parameters,
        "errors": fit.errors,
        "rms_line": fit.rms_line,
        "rms_column": fit.rms_column,
        "n_stars": fit.n_used,
        "chi2": fit.chi2,
        "unconstrained": list(fit.unconstrained),
        "advice": fit.advice.to_dict(),
        "advice_text": list(fit.advice.sentences(liquid_mirror=liquid_mirror)),
        "smear_table": {"column": columns, "ll": ll, "lc": lc, "cc": cc},
        "star_moments": moments,
        "geometry": fit.solution.to_dict(),
    }  # fmt: skip
    return content


def _describe_illumination(found: Illumination | None, *, applied: bool) -> dict[str, Any]:
    """Part of solution.json: magnitudes by which stars are too bright, by column."""
    if found is None:
        return {}
    columns = np.linspace(0, found.n_columns - 1, _SMEAR_POINTS)
    extent, extent_err = found.extent
    return {
        "illumination": {
            "column": columns, "excess_mag": found.value(columns),
            "excess_mag_err": found.error(columns), "extent_mag": extent,
            "extent_mag_err": extent_err, "rms_mag": found.rms, "n_stars": found.n_stars,
            "applied": applied,
        }
    }  # fmt: skip


def _count_trails(context: StripContext) -> int:
    """Pixels under trails, which are known only after the search has counted all other masks."""
    strip, total = context.strip, 0
    for first in range(0, strip.n_lines, _CHUNK) if context.trails else ():
        shape = (min(_CHUNK, strip.n_lines - first), strip.n_columns)
        total += int(np.count_nonzero(mask_trails(shape, first, context.trails)))
    return total


def finish_strip(
    config: Config,
    out: str,
    context: StripContext,
    sources: Measurements,
    spread: Spread,
    catalogue: ReferenceCatalogue | None,
    references: References | None,
    masked: NDArray[np.int64],
    provenance: Provenance,
) -> StripResult:
    """Final geometry, zero point and catalogue of a strip; all its tables written.

    Parameters
    ----------
    config : Config
        The observatory.
    out : str
        Folder of products.
    context : StripContext
        Calibrations.
    sources : Measurements
        Of the whole strip, in order of line.
    spread : Spread
        Point spread that the sources were measured with, and its geometry.
    catalogue : ReferenceCatalogue or None
        Reference stars at their own epoch.
    references : References or None
        The same at the strip's date.
    masked : ndarray of int64
        Pixels with each bit of `PixelMask`.
    provenance : Provenance
        Into every product.

    Returns
    -------
    StripResult
    """
    strip = context.strip
    columns, fit, curve, illumination, problems, losses = calibrate_catalogue(
        config, context, sources, spread.solution, catalogue, references, options=context.options
    )
    moments: dict[str, Any] = {}
    if fit is not None:
        moments, check = compare_star_moments(columns, spread.model, fit.solution)
        if check is not None and check.disagreeing:
            problems = (*problems, check.sentence())
    applied = illumination is not None and config.calibration.illumination == "apply"
    folder = strip_folder(Path(out), strip.night, strip.name)
    folder.mkdir(parents=True, exist_ok=True)
    meta = {
        **make_time_cards(
            begin=strip.mjd_start,
            average=0.5 * (strip.mjd_start + strip.mjd_stop),
            end=strip.mjd_stop,
            exposure=strip.T0,
        ),
        **make_site_cards(config.observatory),
        "NIGHT": (strip.night, "date of the local noon before"),
        "STRIP": (strip.name, "strip"),
        "CHIP": (strip.chip, "chip"),
        "FILTER": (strip.filter, "filter"),
        "LINEPER": (strip.line_period, "[s] line period"),
        "NSTAGE": (strip.n_stage, "rows that integrate"),
        "ILLUMIN": (
            "applied" if applied else "not applied",
            "illumination by reference stars, to fluxes",
        ),
        "DETLIMIT": (config.detection.threshold, "[sigma] limit of the matched filter"),
    }
    formats = config.products.catalogue_formats
    write_table(
        folder / "catalogue", columns, schema=STRIP_CATALOGUE, meta=meta,
        provenance=provenance, formats=formats, bits="flags",
    )  # fmt: skip
    write_table(
        folder / "curves", make_curves(context, columns, spread.fit, fit, curve), schema=CURVES,
        meta=meta, provenance=provenance, formats=formats,
    )  # fmt: skip
    write_json(
        folder / "solution.json",
        _describe_solution(
            context,
            fit,
            spread.model,
            spread.fit,
            np.nan if curve is None else curve.rms,
            masked,
            moments,
            (*strip.problems, *losses, *problems),
            liquid_mirror=config.observatory.mirror == "rotating-liquid",
        )
        | _describe_illumination(illumination, applied=applied),
        provenance=provenance,
    )
    # Read only now: with the tables still to be written, the two would be in memory together.
    summary = read_summary(summary_path(Path(out), strip)).fields
    write_image(
        folder / "summary.fits",
        {
            "LEVEL": summary["level"], "LEVELERR": summary["level_err"],
            "NOISEVAR": summary["noise_var"], "COUNT": summary["count"],
        },
        header=meta, image_header={"BINLINES": (256, "lines in a row of this image")},
        units={"LEVEL": "electron", "LEVELERR": "electron", "NOISEVAR": "electron2"},
        provenance=provenance, compress_masks=False,
    )  # fmt: skip
    return StripResult(
        strip=strip, context=context, solution=None if fit is None else fit.solution,
        zero_point=curve, psf=spread.model,
        fwhm=float(np.median(sources.fwhm)) if len(sources) else np.nan,
        n_sources=len(sources), rms_line=np.nan if fit is None else fit.rms_line,
        rms_column=np.nan if fit is None else fit.rms_column, problems=problems,
        applied=illumination if applied else None, losses=losses,
    )  # fmt: skip
