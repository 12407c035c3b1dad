"""A quick look at a strip: its blocks put together, with what could not be measured and why."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.config import Config
from pipeline.errors import DriftloomError, SolutionError
from pipeline.geometry.fit import FitResult
from pipeline.geometry.match import References
from pipeline.glance import Glance, Missing, Trend
from pipeline.io.growing import FoundStrip
from pipeline.io.reference import ReferenceCatalogue, read_reference
from pipeline.stages.glance import (
    compare_columns,
    describe_shape,
    fit_trend,
    rank_brightness,
    robust_mean,
)
from pipeline.stages.zeropoint import ZeroPointCurve
from pipeline.strip import Strip, format_time
from pipeline.tasks.explain import check_line_period
from pipeline.tasks.first_guess import guess_solution, refer_to
from pipeline.tasks.glance import BlockLook, GlanceVectors, join_stars
from pipeline.tasks.glance_fit import fit_geometry
from pipeline.tasks.glance_geometry import (
    StarLook,
    look_at_stars,
    measure_fluxes,
    measure_seeing,
    measure_zero_point,
    model_spread,
)
from pipeline.tasks.glance_readings import SATURATED, Measured, Teller, read_numbers
from pipeline.tasks.look_options import LookOptions

__all__ = ["Reference", "describe_strip", "load_reference"]

_SHARP = 30.0  # signal-to-noise ratio of stars that give shapes, where there are enough
_ENOUGH = 20
_FEWEST = 8  # stars that are matched with a catalogue
_FULL = 0.9  # of saturation: the response is not read from a sky above


@dataclass(frozen=True)
class Reference:
    """The reference catalogue, or why there is none.

    Parameters
    ----------
    catalogue : ReferenceCatalogue or None
    stars : References or None
        At the date of the strip.
    text : str
        Path and number of stars, or the reason.
    """

    catalogue: ReferenceCatalogue | None
    stars: References | None
    text: str


def load_reference(config: Config, strip: Strip) -> Reference:
    """Read the configured reference catalogue for a strip; a failure is told, not raised.

    Parameters
    ----------
    config : Config
        The observatory.
    strip : Strip
        Its filter and date count.

    Returns
    -------
    Reference
    """
    try:
        catalogue = read_reference(config, strip.filter)
    except DriftloomError as error:
        return Reference(None, None, str(error))
    stars = refer_to(catalogue, strip, epoch=config.reference.options.epoch)
    return Reference(catalogue, stars, f"{config.reference.path}, {len(catalogue)} stars")


def _block_rows(
    strip: Strip, looks: Sequence[BlockLook], vectors: GlanceVectors | None
) -> dict[str, NDArray[Any]]:
    """Table of the blocks, without what needs the geometry."""
    rows: dict[str, list[float]] = {}
    for look in looks:
        level = look.level
        if vectors is not None:
            level = np.where(vectors.mask, np.nan, (level - vectors.dark) / vectors.response)
        sky, sky_err = robust_mean(level)
        sharp = look.stars.select(look.stars.snr > _SHARP)
        if len(sharp) < _ENOUGH:
            sharp = look.stars
        shape = describe_shape(sharp.var_ll, sharp.var_lc, sharp.var_cc)
        line = 0.5 * (look.start + look.stop - 1)
        open_ = strip.shutter_open and look.stop > strip.n_stage
        row = {
            "line": line, "minutes": line * strip.line_period / 60.0, "sky": sky,
            "sky_err": sky_err, "noise": look.noise,
            "fwhm": shape["fwhm"][0], "fwhm_err": shape["fwhm"][1],
            "elongation": shape["elongation"][0], "elongation_err": shape["elongation"][1],
            "n_stars": float(len(look.stars)) if open_ else np.nan,
            "saturated": look.saturated, "lost": float(look.n_lost),
        }  # fmt: skip
        for name, value in row.items():
            rows.setdefault(name, []).append(value)
    return {name: np.array(values, dtype=float) for name, values in rows.items()}


def _why_no_stars(strip: Strip, looks: Sequence[BlockLook], blocks: dict[str, Any]) -> str:
    if not strip.shutter_open:
        return "the shutter was closed"
    if strip.n_lines <= strip.n_stage:
        return (
            f"the strip has {strip.n_lines} lines, fewer than the {strip.n_stage} rows that "
            "integrate: its stars crossed only part of the chip"
        )
    if float(np.median(blocks["saturated"])) > SATURATED:
        return "the sky saturates the chip: twilight, moon or a lamp"
    n = sum(len(look.stars) for look in looks)
    return (
        f"{n} bright stars in {len(looks)} blocks: cloud, a closed dome, no focus, "
        "or a field without bright stars"
    )


def _dimming(
    options: LookOptions, strip: Strip, looks: Sequence[BlockLook], stars: StarLook | None,
    result: FitResult | None, reference: Reference, blocks: dict[str, NDArray[Any]], tell: Teller,
) -> tuple[str, ZeroPointCurve | None]:  # fmt: skip
    """Fill ``dimming``; say what it compares."""
    curve = None
    if result is not None and stars is not None and reference.catalogue is not None:
        assert reference.stars is not None
        try:
            curve = measure_zero_point(
                options, strip, stars, result.solution, reference.stars, reference.catalogue
            )
        except SolutionError as failure:
            tell.notes.append(f"No zero point: {failure}.")
    if curve is not None:
        blocks["dimming"] = curve.extinction(blocks["line"])
        blocks["dimming_err"] = curve.error(blocks["line"])
        few = ~(blocks["n_stars"] >= 1)
        blocks["dimming"][few] = blocks["dimming_err"][few] = np.nan
        return "reference stars", curve
    dimming, error, k = rank_brightness([look.stars.flux for look in looks])
    blocks["dimming"], blocks["dimming_err"] = dimming, error
    return (f"the star of rank {k} in each block" if k else ""), None


def _response(
    strip: Strip, looks: Sequence[BlockLook], vectors: GlanceVectors | None, tell: Teller
) -> dict[str, NDArray[Any]]:
    full = {a.chip: (a.saturation, a.gain) for a in strip.amplifiers}
    limit = _FULL * min(s * g for s, g in full.values())
    whole = [a for a in looks if a.stop > strip.n_stage or strip.n_lines <= strip.n_stage]
    good = [look for look in whole if 0 < robust_mean(look.level)[0] < limit]
    if not strip.shutter_open or not good:
        why = "the shutter was closed" if not strip.shutter_open else "no block has a usable sky"
        tell.missing.append(Missing("response against column", why))
        return {}
    level = np.stack([a.level for a in good])
    error = np.stack([a.summary.level_err[0].astype(float) for a in good])
    if vectors is not None:
        level = (level - vectors.dark) / vectors.response
        error = error / vectors.response
    return compare_columns(level, error, tuple(a.chip for a in strip.amplifiers))


def describe_strip(
    config: Config,
    options: LookOptions,
    found: FoundStrip,
    looks: Sequence[BlockLook],
    reference: Reference,
    vectors: GlanceVectors | None,
    vectors_text: str,
) -> Glance:
    """Put the blocks of a strip together.

    Parameters
    ----------
    config : Config
        The observatory.
    options : LookOptions
        Tuning.
    found : FoundStrip
        The strip as far as it is written.
    looks : sequence of BlockLook
        In order of line; at least one.
    reference : Reference
        Catalogue, or why there is none.
    vectors : GlanceVectors or None
        Calibrations.
    vectors_text : str
        Which, or why none.

    Returns
    -------
    Glance
        Without preview.
    """
    strip, tell = found.strip, Teller()
    blocks = _block_rows(strip, looks, vectors)
    stars = join_stars(looks)
    scale = config.camera.pixel_scale
    no_stars = _why_no_stars(strip, looks, blocks)
    result, no_geometry = None, no_stars
    if len(stars) >= _FEWEST:
        if found.timeless:
            no_geometry = f"without date and time no sky is known: {found.timeless}"
        elif reference.stars is None:
            no_geometry = f"no reference catalogue: {reference.text}"
        else:
            result, no_geometry = fit_geometry(
                config, options, strip, looks, stars, reference.stars
            )
    solution = result.solution if result else guess_solution(config, strip)
    star_look: StarLook | None = None
    moments: dict[str, Any] = {}
    seeing = seeing_err = np.full(len(looks), np.nan)
    if sum(look.stamped.size for look in looks):
        cut, star_look = measure_fluxes(looks, vectors, float(np.nanmedian(blocks["fwhm"])))
        model = model_spread(strip, stars, solution)
        seeing, seeing_err = measure_seeing(
            len(looks), cut, star_look, model, fitted=result is not None
        )
    known = np.isfinite(seeing)
    if star_look is not None and known.any():
        at = (blocks["line"][known], seeing[known])
        moments = look_at_stars(strip, cut, star_look, model, at)
        if result is None:
            tell.notes.append(
                "The predicted moments are those of the configured geometry, not of a fitted one."
            )
    if "check" not in moments:
        few = no_stars if len(stars) < _FEWEST else "too few single bright stars by column"
        tell.missing.append(Missing("second moments against column", few))
    blocks["seeing"], blocks["seeing_err"] = seeing * scale, seeing_err * scale
    for name in ("fwhm", "fwhm_err"):
        blocks[name] = blocks[name] * scale
    dimming_of, curve = _dimming(options, strip, looks, star_look, result, reference, blocks, tell)
    response = _response(strip, looks, vectors, tell)
    bad = response["bad"] if response else np.zeros(strip.n_columns, dtype=bool)
    if vectors is not None:
        bad = bad | vectors.mask
    blocks["masked"] = np.array([look.masked(bad) for look in looks])
    focus = None
    line = fit_trend(blocks["minutes"] / 60.0, blocks["seeing"], blocks["seeing_err"])
    if line is not None:
        focus = Trend(*line)
    read_numbers(
        tell, strip, Measured(blocks, focus, curve, result, dimming_of),
        no_stars=no_stars, no_geometry=no_geometry, pixel_scale=scale,
    )  # fmt: skip
    tell.notes += strip.problems
    if not found.timeless and (doubt := check_line_period(config, strip)):
        tell.notes.append(f"Doubtful: {doubt}")
    tell.notes += [f"Left out: {text}" for text in found.rejected]
    if found.others:
        tell.notes.append(f"Other strips beside this one: {', '.join(found.others)}.")
    if vectors is None:
        if why := vectors_text.partition("none: ")[2]:  # they were asked for
            tell.missing.append(Missing("use of calibrations", why))
        tell.notes.append(
            "Without calibrations the sky holds bias and dark, and the response against column "
            "is provisional: bias and dark of a column are in it too."
        )
    if found.timeless:
        tell.missing.append(
            Missing(
                "date and time", f"{found.timeless}; minutes count from the first line, "
                f"{strip.line_period:.6g} s a line",
            )
        )  # fmt: skip
    advice: tuple[str, ...] = ()
    if result is not None:
        advice = result.advice.sentences(
            liquid_mirror=config.observatory.mirror == "rotating-liquid"
        )
    start = "" if found.timeless else format_time(strip.mjd_start, unit="s")
    state = f"{strip.n_lines} lines, whole" if found.complete else (
        f"{strip.n_lines} of {found.promised} lines that its files promise"
    )  # fmt: skip
    return Glance(
        name=strip.name, night="" if found.timeless else strip.night, chip=strip.chip,
        filter=strip.filter, shutter_open=strip.shutter_open, state=state, start=start,
        n_lines=strip.n_lines,
        n_columns=strip.n_columns, n_stage=strip.n_stage, line_period=strip.line_period,
        pixel_scale=scale, n_read=sum(a.stop - a.start for a in looks), calibration=vectors_text,
        reference=reference.text, readings=tuple(tell.readings), blocks=blocks,
        dimming_of=dimming_of, preview=None, response=response, moments=moments,
        advice=advice, focus=focus, missing=tell.grouped(), notes=tuple(tell.notes),
    )  # fmt: skip
