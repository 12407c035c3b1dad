"""A strip of any length from a short simulated one: its sky comes round again and again.

The simulator needs a minute for every fifty million pixels. Here the lines behind the ramp are
repeated: seen from the ground nothing changes, and the reference catalogue gets every star again
where the sky that passes then must have it (ERFA, through `synthetic.place`). Star light is cut
at the joints, a pixel row in thousands.
"""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
from astropy.io import fits
from astropy.table import Table
from astropy.time import Time, TimeDelta

from synthetic.make import make
from synthetic.place import observe, open_sight, to_catalogue_place
from synthetic.scenario import Scenario, Sky
from synthetic.scenarios import build_scenario

__all__ = ["make_long_night", "read_pixels"]

_SEGMENT = 4096  # lines of a raw file
_SKIP = 500  # lines after the ramp and before the end that are not repeated
_PAUSE = 60.0  # s between two strips
_STEP = 256  # lines with one sight: what a star moves by differential aberration is linear


def _plan(n_stage: int, lines: int) -> tuple[int, int]:
    """Range of lines to repeat."""
    return n_stage + _SKIP, lines - _SKIP


def make_long_night(folder: Path, lines: int, strips: int = 1) -> int:
    """Simulate a night of 4096 columns and lengthen its open strip.

    Parameters
    ----------
    folder : Path
        Gets ``raw/``, ``reference.fits`` and ``observatory.toml``; must not exist.
    lines : int
        Wanted length; the strip is as long or up to one repeat longer.
    strips : int
        So many of them, one after the other.

    Returns
    -------
    int
        Lines of one strip.
    """
    scenario = build_scenario("wide")
    # Without twilight the sky has the same level at both ends of a repeat.
    scenario = replace(
        scenario, strips=tuple(replace(s, sky=Sky(airglow=0.0)) for s in scenario.strips)
    )
    make(scenario, folder)
    open_strip = next(s for s in scenario.strips if s.shutter_open)
    start, stop = _plan(scenario.camera.n_stage, open_strip.n_lines)
    repeats = max(0, -(-(lines - stop) // (stop - start)))
    total = stop + repeats * (stop - start)
    delays = [j * (total * scenario.camera.line_period + _PAUSE) for j in range(strips)]
    _lengthen(folder, open_strip.name, scenario, start, stop, total, delays)
    _repeat_reference(folder, open_strip.name, scenario, start, stop, repeats, delays)
    return total


def read_pixels(paths: list[Path]) -> np.ndarray:
    """Lines of the raw files of a strip, one below the other, uint16."""
    return np.concatenate([fits.getdata(p) for p in paths])


def _lengthen(
    folder: Path,
    name: str,
    scenario: Scenario,
    start: int,
    stop: int,
    total: int,
    delays: list[float],
) -> None:
    paths = sorted((folder / "raw").glob(f"{name}_*.fits"))
    base, header = read_pixels(paths), fits.getheader(paths[0])
    first = Time(header["DATE-BEG"], scale="utc")
    for path in paths:
        path.unlink()
    rows = np.arange(total)
    rows = np.where(rows < stop, rows, start + (rows - start) % (stop - start))
    for place, delay in enumerate(delays):
        # The second strip of a simulated night is that of the closed shutter.
        own = name if place == 0 else f"{name[:-2]}{place + 2:02d}"
        for number, low in enumerate(range(0, total, _SEGMENT), start=1):
            hdu = fits.PrimaryHDU(base[rows[low : low + _SEGMENT]])
            for key in ("TIMESYS", "LINEPER", "FILTER", "SHUTTER", "CHIP", "OBJECT", "ORIGIN"):
                hdu.header[key] = header[key]
            hdu.header["STRIP"] = own
            begin = first + TimeDelta(delay + low * scenario.camera.line_period, format="sec")
            begin.precision = 6
            hdu.header["DATE-BEG"] = begin.isot
            hdu.header["SEGMENT"] = number
            hdu.writeto(folder / "raw" / f"{own}_{number:04d}.fits", checksum=True)


def _repeat_reference(
    folder: Path,
    name: str,
    scenario: Scenario,
    start: int,
    stop: int,
    repeats: int,
    delays: list[float],
) -> None:
    """Every catalogue star again where its repeats are; proper motion is left out."""
    path = folder / "reference.fits"
    known = Table.read(path)
    faintest = float(np.max(known["mag_r"]))
    seen = pq.read_table(folder / "truth" / f"{name}_sources.parquet").to_pydict()
    line, ra, dec, mag = (np.array(seen[k], dtype=float) for k in ("line", "ra", "dec", "mag"))
    rng = np.random.default_rng(5)
    bright = mag < faintest
    line, ra, dec, mag = line[bright], np.radians(ra[bright]), np.radians(dec[bright]), mag[bright]
    strip = next(s for s in scenario.strips if s.name == name)
    rows: list[tuple[np.ndarray, np.ndarray, np.ndarray]] = [(ra, dec, mag)]
    period = (stop - start) * scenario.camera.line_period
    again = (line >= start) & (line < stop)
    for delay in delays:
        for k in range(repeats + 1):
            for low in range(0, stop, _STEP):
                own = (line >= low) & (line < low + _STEP) & (again | ((k == 0) & (line < stop)))
                if not own.any() or (k == 0 and delay == 0.0):
                    continue
                seconds = (low + _STEP / 2) * scenario.camera.line_period
                then = observe(
                    open_sight(scenario.site, strip.mjd_start, seconds), ra[own], dec[own]
                )
                later = open_sight(scenario.site, strip.mjd_start, seconds + k * period + delay)
                rows.append((*to_catalogue_place(later, *then), mag[own]))
    all_ra, all_dec, all_mag = (np.concatenate(part) for part in zip(*rows, strict=True))
    n = all_ra.size
    error = 5.0  # mas
    scatter = np.radians(error / 3.6e6) * rng.normal(size=(2, n))
    table = Table(
        {
            "ra": np.degrees(all_ra + scatter[0] / np.cos(all_dec)) % 360.0,
            "dec": np.degrees(all_dec + scatter[1]),
            "pm_ra": np.zeros(n), "pm_dec": np.zeros(n),
            "ra_err": np.full(n, error), "dec_err": np.full(n, error),
            "mag_r": all_mag + 0.003 * rng.normal(size=n), "mag_r_err": np.full(n, 0.003),
        }
    )  # fmt: skip
    for column in table.colnames:
        table[column].unit = known[column].unit
    table.write(path, overwrite=True)
