"""What the simulator writes: raw segments, tables, the configuration file."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from astropy.io import fits
from astropy.time import Time
from numpy.typing import NDArray

from synthetic.detector import find_saturation
from synthetic.scenario import Scenario, StripPlan

__all__ = [
    "LABEL",
    "format_configuration",
    "write_json",
    "write_parquet",
    "write_reference",
    "write_segment",
    "write_text",
]

LABEL = "INVENTED DATA: simulated observatory, simulated sky"

_UNITS = {
    "ra": "deg",
    "dec": "deg",
    "pm_ra": "mas/yr",
    "pm_dec": "mas/yr",
    "ra_err": "mas",
    "dec_err": "mas",
    "line": "pix",
    "column": "pix",
    "flux": "electron",
    "flux_t0": "electron",
    "mag": "mag",
    "mjd_mid": "d",
    "exposure": "s",
    "mom_ll": "pix2",
    "mom_lc": "pix2",
    "mom_cc": "pix2",
    "fwhm": "pix",
    "sky": "electron/pix",
    "scattered": "electron/pix",
    "dark": "electron/s",
    "bias": "electron",
}


def _unit(name: str) -> str:
    return _UNITS.get(name, "mag" if name.startswith("mag_") else "")


def _rename(temporary: Path, path: Path) -> None:
    os.replace(temporary, path)  # noqa: PTH105 - the atomic replacement itself


def write_text(path: Path, text: str) -> None:
    """Write to a temporary name, then rename."""
    temporary = path.with_name(f".{path.name}.partial")
    temporary.write_text(text, encoding="utf-8")
    _rename(temporary, path)


def write_json(path: Path, value: Any) -> None:
    """Write indented JSON under its final name only when complete."""
    write_text(path, json.dumps(value, indent=1) + "\n")


def write_parquet(path: Path, columns: Mapping[str, NDArray[Any]]) -> None:
    """Write a table; columns with a known unit carry it as field metadata."""
    arrays = [pa.array(v) for v in columns.values()]
    fields = [
        pa.field(name, array.type, metadata={"unit": _unit(name)} if _unit(name) else None)
        for name, array in zip(columns, arrays, strict=True)
    ]
    schema = pa.schema(fields, metadata={"note": LABEL})
    temporary = path.with_name(f".{path.name}.partial")
    pq.write_table(pa.Table.from_arrays(arrays, schema=schema), temporary)
    _rename(temporary, path)


def write_segment(
    path: Path,
    raw: NDArray[np.uint16],
    *,
    scenario: Scenario,
    plan: StripPlan,
    number: int,
    first_line: int,
) -> None:
    """Write one raw segment as unsigned 16-bit FITS.

    Parameters
    ----------
    path : Path
        Final name.
    raw : ndarray of shape (lines, raw columns), uint16
        ADU.
    scenario, plan : Scenario, StripPlan
        For the header; times carry the scenario's clock error.
    number : int
        Segment number from 1.
    first_line : int
        Strip line of the first row.
    """
    days = (first_line * scenario.camera.line_period + scenario.clock_error) / 86400.0
    begin = Time(plan.mjd_start, days, format="mjd", scale="utc", precision=6)
    hdu = fits.PrimaryHDU(raw)
    header = hdu.header
    header["DATE-BEG"] = (begin.isot, "UTC of the first line")
    header["TIMESYS"] = ("UTC", "time system")
    header["LINEPER"] = (scenario.camera.line_period, "[s] line period")
    header["FILTER"] = plan.filter
    header["SHUTTER"] = "OPEN" if plan.shutter_open else "CLOSED"
    header["STRIP"] = plan.name
    header["SEGMENT"] = (number, "segment of the strip, from 1")
    header["CHIP"] = "1"
    header["OBJECT"] = "invented sky" if plan.shutter_open else "shutter closed"
    header["ORIGIN"] = "invented observatory (simulation)"
    header["COMMENT"] = LABEL
    temporary = path.with_name(f".{path.name}.partial")
    hdu.writeto(temporary, overwrite=True, checksum=True)
    _rename(temporary, path)


def write_reference(path: Path, columns: Mapping[str, NDArray[Any]], epoch: float) -> None:
    """Write the reference catalogue as a FITS table."""
    table = fits.BinTableHDU.from_columns(
        [
            fits.Column(name=name, array=values, format="D", unit=_unit(name) or None)
            for name, values in columns.items()
        ],
        name="REFERENCE",
    )
    table.header["RADESYS"] = "ICRS"
    table.header["COMMENT"] = f"Positions at Julian epoch {epoch}"
    table.header["COMMENT"] = LABEL
    temporary = path.with_name(f".{path.name}.partial")
    fits.HDUList([fits.PrimaryHDU(), table]).writeto(temporary, overwrite=True, checksum=True)
    _rename(temporary, path)


def format_configuration(scenario: Scenario) -> str:
    """Complete configuration file with the first guesses an observer would start from."""
    camera, site, guess = scenario.camera, scenario.site, scenario.guess
    filters = sorted({p.filter for p in scenario.science})
    lines = [
        f"# {LABEL}. Site, camera, stars and catalogue exist nowhere.",
        "# Clock, pointing, rotation, scale are first guesses and deliberately a little wrong.",
        "[observatory]",
        f"name = {json.dumps(site.name)}",
        f"latitude = {site.latitude!r}    # deg, north positive",
        f"longitude = {site.longitude!r}    # deg, east positive",
        f"height = {site.height!r}    # m",
        'mirror = "rotating-liquid"    # adds advice on the spin rate',
    ]
    if guess.declination is not None or guess.hour_angle != 0.0:
        declination = site.latitude if guess.declination is None else guess.declination
        lines += [
            "[pointing]",
            f"declination = {declination!r}    # deg, apparent, of the axis",
            f"hour_angle = {guess.hour_angle!r}    # deg, west positive",
        ]
    lines += [
        "[camera]",
        f"pixel_scale = {guess.pixel_scale!r}    # arcsec/px",
        f"columns = {camera.columns}",
        f"n_stage = {camera.n_stage}",
        f"rotation = {guess.rotation!r}    # deg",
        f"column_sign = {camera.column_sign}",
        f"optical_centre = [{camera.centre[0]!r}, {camera.centre[1]!r}]",
        "radial_distortion = [0.0, 0.0]",
    ]
    for amplifier in camera.amplifiers:
        lines += [
            "[[camera.amplifier]]",
            f"name = {json.dumps(amplifier.name)}",
            f"data = {list(amplifier.data)}",
            f"overscan = {list(amplifier.overscan)}",
            f"chip = {list(amplifier.chip)}",
            f"reversed = {str(amplifier.reversed).lower()}",
            f"gain = {amplifier.gain!r}    # electrons per ADU",
            f"read_noise = {amplifier.read_noise!r}    # electrons",
            f"saturation = {find_saturation(scenario, amplifier)!r}    # ADU",
        ]
    lines += [
        "[raw]",
        'pattern = "*.fits*"',
        "hdu = 0",
        "line_axis = 2",
        "flip_lines = false",
        "flip_columns = false",
        'time_refers_to = "first_line"',
        'start_time_format = "iso"',
        "line_rate_given = false",
        'shutter_closed_values = ["CLOSED"]',
        "[raw.keywords]",
        'start_time = "DATE-BEG"',
        'line_period = "LINEPER"',
        'filter = "FILTER"',
        'shutter = "SHUTTER"',
        'strip = "STRIP"',
        'segment = "SEGMENT"',
        'chip = "CHIP"',
        "[reference]",
        'path = "reference.fits"',
        "[reference.columns]",
        *[f'{n} = "{n}"' for n in ("ra", "dec", "pm_ra", "pm_dec", "ra_err", "dec_err")],
        "[reference.magnitudes]",
        *[f'{f} = "mag_{f}"' for f in filters],
        "[reference.magnitude_errors]",
        *[f'{f} = "mag_{f}_err"' for f in filters],
        "[reference.options]",
        "epoch = 2016.0",
    ]
    if scenario.calibrated_strips:
        lines += ["[products]", "calibrated_strips = true"]
    return "\n".join(lines) + "\n"
