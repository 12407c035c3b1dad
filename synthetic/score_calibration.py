"""Column vectors, gain and read noise against the true detector."""

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from astropy.io import fits
from numpy.typing import NDArray

from synthetic.score_rows import Row, judge, judge_absent, judge_unmeasurable
from synthetic.score_world import StripTruth, World

__all__ = ["Vector", "judge_vectors", "measure_response", "read_fits_table", "score_calibration"]

FloatArray = NDArray[np.float64]

# Lines over which the overscan level is averaged (contract of the calibration model).
_OVERSCAN_LINES = 32
_DARK_LIMIT = 1.2
_RESPONSE_LIMIT = 1.3
_RESPONSE_CEILING = 0.1
_GAIN_LIMIT = 1.0


@dataclass(frozen=True)
class Vector:
    """Errors of one column vector, in units of their floors and (response) in per cent."""

    label: str
    scaled: FloatArray
    percent: FloatArray
    floor_percent: float
    masked: int


def read_fits_table(path: Path) -> tuple[dict[str, NDArray[Any]], dict[str, Any]]:
    """Read the first table of a FITS file, and the keywords of its two first headers.

    Parameters
    ----------
    path : pathlib.Path
        File.

    Returns
    -------
    columns, header : dict
        Arrays in native byte order; the table's keywords override the primary ones.

    Raises
    ------
    OSError
        If the file cannot be read as FITS or holds no table.
    """
    with fits.open(path, memmap=False) as hdus:
        header = dict(hdus[0].header)
        for hdu in hdus[1:]:
            if isinstance(hdu, fits.BinTableHDU):
                header.update(dict(hdu.header))
                columns = {}
                for name in hdu.columns.names:
                    array = np.asarray(hdu.data[name])
                    columns[name.lower()] = array.astype(array.dtype.newbyteorder("="))
                return columns, header
    raise OSError(f"{path} holds no table")


def _find_vectors(world: World, night: str, suffix: str) -> list[Path]:
    return sorted((world.products / "calibration" / night).glob(f"*_{suffix}.fits"))


def _align(world: World, table: dict[str, NDArray[Any]], key: str) -> tuple[FloatArray, FloatArray]:
    """Vector over all true columns (NaN where the table has none), and its mask."""
    n = world.camera.n_columns
    values, mask = np.full(n, np.nan), np.ones(n)
    column = np.asarray(table["column"], dtype=np.int64) if "column" in table else np.arange(n)
    inside = (column >= 0) & (column < n)
    values[column[inside]] = np.asarray(table[key], dtype=np.float64)[inside]
    mask[column[inside]] = np.asarray(table.get("mask", np.zeros(column.size)))[inside] != 0
    return values, mask


def _usable_lines(world: World, strips: list[StripTruth]) -> int:
    return sum(max(strip.n_lines - world.camera.n_stage, 0) for strip in strips)


def _score_dark(world: World) -> Row:
    figure, unit = "bias+dark vector error", "x statistical floor"
    vectors: list[Vector] = []
    failures: list[str] = []
    expected = 0
    for night in world.nights:
        camera = world.find_camera(night)
        closed = [s for s in world.strips if s.night == night and not s.shutter_open]
        n_lines = _usable_lines(world, closed)
        if n_lines == 0:
            continue
        expected += 1
        paths = _find_vectors(world, night, "dark")
        if not paths:
            failures.append(f"no bias+dark vector of {night}")
            continue
        try:
            table, _ = read_fits_table(paths[0])
        except OSError as error:
            failures.append(f"bias+dark vector of {night}: {error}")
            continue
        if "total" not in table:
            failures.append(f"{paths[0].name} of {night} has no column total")
            continue
        measured, mask = _align(world, table, "total")
        period = closed[0].line_period
        truth = camera.bias + camera.n_stage * period * camera.dark
        # The overscan level is common to all columns of an amplifier: its noise, averaged over
        # the same lines, is part of every column's floor.
        blank = camera.read_noise**2 + camera.gain**2 / 12.0
        overscan = (blank / (n_lines * camera.overscan_width))[camera.amplifier]
        floor = np.sqrt(camera.compute_pixel_variance(period) / n_lines + overscan)
        good = ~camera.bad
        scaled = ((measured - truth) / floor)[good]
        vectors.append(Vector(night, scaled, scaled, math.nan, int(np.sum(mask[good]))))
    if expected == 0:
        reason = "no shutter-closed strip is longer than the ramp"
        return judge_unmeasurable(figure, reason, high=_DARK_LIMIT, unit=unit)
    if not vectors:
        return judge_absent(figure, "; ".join(failures), high=_DARK_LIMIT, unit=unit)
    note = (
        "floor: read noise, dark current, quantisation and overscan noise over the closed lines "
        "after the ramp; no constant removed"
    )
    return judge_vectors(
        figure, vectors, high=_DARK_LIMIT, unit=unit, notes=[note], failures=failures
    )


def judge_vectors(
    figure: str,
    vectors: list[Vector],
    *,
    high: float,
    unit: str,
    notes: list[str],
    failures: list[str],
) -> Row:
    """Row of the pooled errors of vectors.

    Parameters
    ----------
    figure : str
        Name of the figure.
    vectors : list of Vector
        At least one.
    high : float
        Upper limit.
    unit : str
        Of the value.
    notes, failures : list of str
        As of `judge`.

    Returns
    -------
    Row
    """
    pooled = np.concatenate([vector.scaled for vector in vectors])
    each = [(float(np.sqrt(np.mean(v.scaled**2))), v.label) for v in vectors]
    offset = [float(np.mean(v.scaled)) for v in vectors]
    worst = max(each, key=lambda item: (not math.isfinite(item[0]), item[0]))
    masked = sum(vector.masked for vector in vectors)
    return judge(
        figure,
        float(np.sqrt(np.mean(pooled**2))),
        high=high,
        n=pooled.size,
        unit=unit,
        notes=[
            f"worst {worst[0]:.3f} ({worst[1]})",
            f"mean offset {np.mean(offset):+.3f} floors",
            f"{masked} good columns masked" if masked else "",
            *notes,
        ],
        failures=failures,
    )


def measure_response(
    world: World, strips: list[StripTruth], table: dict[str, NDArray[Any]], label: str
) -> Vector:
    """Errors of a response vector in units of the photon floor of the strips behind it.

    Parameters
    ----------
    world : World
        Truth.
    strips : list of StripTruth
        Science strips of one filter between two changes of the chip.
    table : dict
        The vector, as `read_fits_table` reads it.
    label : str
        For the notes.

    Returns
    -------
    Vector
    """
    camera = world.find_camera(strips[0].night)
    good = ~camera.bad
    measured, mask = _align(world, table, "response")
    # The sky fills pixels by their solid angle and with what comes beside the optics: that is
    # what a flat made from it measures.
    filled = camera.solid_angle + camera.stray
    ratio = measured[good] / (camera.response * filled)[good]
    error = ratio / np.mean(ratio) - 1.0
    light = np.zeros(camera.n_columns)
    extra = np.zeros(camera.n_columns)
    for strip in strips:
        after = strip.lines["line"] >= camera.n_stage
        sky = float(np.sum(strip.lines["sky"][after]))
        scattered = float(np.sum(strip.lines["scattered"][after]))
        light += camera.response * (1.0 + camera.stray) * sky
        extra += camera.response * camera.scattered * scattered
        extra += np.sum(after) * camera.compute_pixel_variance(strip.line_period)
    floor = np.sqrt(light + extra)[good] / light[good]
    return Vector(
        label,
        error / floor,
        100.0 * error,
        100.0 * float(np.sqrt(np.mean(floor**2))),
        int(np.sum(mask[good])),
    )


def _gather_responses(world: World) -> tuple[list[Vector], list[dict[str, Any]], list[str]]:
    vectors: list[Vector] = []
    headers: list[dict[str, Any]] = []
    failures: list[str] = []
    for night in world.nights:
        bands = sorted({s.filter for s in world.science if s.night == night})
        for band in bands:
            strips = [s for s in world.science if s.night == night and s.filter == band]
            if _usable_lines(world, strips) == 0:
                continue
            label = f"{night} {band}"
            paths = _find_vectors(world, night, f"{band}_response")
            if not paths:
                failures.append(f"no response vector of {label}")
                continue
            try:
                table, header = read_fits_table(paths[0])
            except OSError as error:
                failures.append(f"response vector of {label}: {error}")
                continue
            headers.append({**header, "label": label})
            if "response" not in table:
                failures.append(f"response vector of {label} has no column response")
                continue
            vectors.append(measure_response(world, strips, table, label))
    return vectors, headers, failures


def _score_response(vectors: list[Vector], failures: list[str]) -> list[Row]:
    floor_figure, night_figure = "column response error", "column response error, one night"
    floor_unit = "x photon floor"
    if not vectors:
        reason = "; ".join(failures) or "no response vector was expected"
        return [
            judge_absent(floor_figure, reason, high=_RESPONSE_LIMIT, unit=floor_unit),
            judge_absent(
                night_figure, reason, high=_RESPONSE_CEILING, strict=True, unit="per cent"
            ),
        ]
    floors = ", ".join(f"{v.label} {v.floor_percent:.3f} %" for v in vectors)
    note = (
        f"both vectors scaled to mean 1 over good columns, nothing else removed; floors: {floors}"
    )
    rows = [
        judge_vectors(
            floor_figure,
            vectors,
            high=_RESPONSE_LIMIT,
            unit=floor_unit,
            notes=[note],
            failures=failures,
        )
    ]
    bright = [v for v in vectors if v.floor_percent < _RESPONSE_CEILING]
    if not bright:
        reason = f"no night has light for better than {_RESPONSE_CEILING} %; floors: {floors}"
        rows.append(
            judge_unmeasurable(
                night_figure, reason, high=_RESPONSE_CEILING, strict=True, unit="per cent"
            )
        )
        return rows
    each = [(float(np.sqrt(np.mean(v.percent**2))), v.label) for v in bright]
    worst = max(each, key=lambda item: (not math.isfinite(item[0]), item[0]))
    left_out = len(vectors) - len(bright)
    rows.append(
        judge(
            night_figure,
            worst[0],
            high=_RESPONSE_CEILING,
            strict=True,
            n=len(bright),
            unit="per cent",
            notes=[
                f"worst night: {worst[1]}",
                f"{left_out} nights lack the light for it" if left_out else "",
            ],
            failures=failures,
        )
    )
    return rows


def _score_amplifiers(
    world: World, headers: list[dict[str, Any]], failures: list[str], *, keyword: str
) -> Row:
    camera = world.camera
    figure = {"GAIN": "gain", "RDN": "read noise"}[keyword]
    true = camera.gain if keyword == "GAIN" else camera.read_noise
    if not headers:
        reason = "; ".join(failures) or "no response vector"
        return judge_absent(figure, reason, high=_GAIN_LIMIT, unit="per cent")
    problems = list(failures)
    pooled: list[tuple[float, str]] = []
    single: list[tuple[float, str]] = []
    for name, value in zip(camera.names, true, strict=True):
        found = []
        for header in headers:
            measured = header.get(f"{keyword}_{name}".upper())
            if measured is None:
                problems.append(f"no {keyword}_{name} for {header['label']}")
                continue
            error = 100.0 * (float(measured) / value - 1.0)
            found.append(error)
            single.append((error, f"amplifier {name}, {header['label']}"))
        if found:
            pooled.append((float(np.mean(found)), name))
    if not pooled:
        return judge_absent(figure, "; ".join(problems), high=_GAIN_LIMIT, unit="per cent")
    worst = max(pooled, key=lambda item: abs(item[0]))
    alone = max(single, key=lambda item: abs(item[0]))
    return judge(
        figure,
        abs(worst[0]),
        high=_GAIN_LIMIT,
        n=len(single),
        unit="per cent",
        notes=[
            f"largest error of the mean over nights: amplifier {worst[1]} {worst[0]:+.2f} %",
            f"worst single: {alone[0]:+.2f} % ({alone[1]})",
        ],
        failures=problems,
    )


def score_calibration(world: World) -> list[Row]:
    """Rows of the bias+dark and response vectors, gain and read noise.

    Parameters
    ----------
    world : World
        Truth, and where the products are.

    Returns
    -------
    list of Row
    """
    vectors, headers, failures = _gather_responses(world)
    return [
        _score_dark(world),
        *_score_response(vectors, failures),
        _score_amplifiers(world, headers, failures, keyword="GAIN"),
        _score_amplifiers(world, headers, failures, keyword="RDN"),
    ]
