"""Strips rebuilt from real drift-scan images, for the tests of this folder.

The images are those of the Sloan Digital Sky Survey imaging (public domain by the survey's data
policy; funding and participants are acknowledged at https://www.sdss.org/collaboration/): corrected
frames of 1489 lines of 2048 columns in nanomaggies, with the calibration vector (nanomaggies per
count), the sky that was taken away (counts on a coarse grid) and the astrometric solution of the
scan. ``counts = image / vector + sky`` gives the column-integrated counts back, with their real
noise; only a pedestal, an overscan and the rounding to 16 bits are added here.

Each image is 39 s out of a scan of hours, so all of its lines integrated on all rows: it has no
ramp, although it has fewer lines than the chip has rows.
"""

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from pathlib import Path

import numpy as np
from astropy.io import fits
from astropy.time import Time
from scipy.ndimage import map_coordinates

__all__ = [
    "COLUMNS",
    "DATA",
    "N_STAGE",
    "DriftImage",
    "detect_stars",
    "load_image",
    "load_stars",
    "write_parked_strip",
]

DATA = Path(__file__).resolve().parents[3] / "shared" / "data" / "real-drift-scan"

COLUMNS = 2048
N_STAGE = 2048

# Gain (electrons per count) and dark variance (counts squared: read noise and dark current) of the
# two chips, as published with the images (survey's calibration file; quoted in checks.md).
GAIN = {"field-a-r": 4.76, "field-b-g": 3.855}
DARK_VARIANCE = {"field-a-r": 1.0, "field-b-g": 1.44}

# The observatory, east longitude and height: the survey's technical summary, York et al. 2000,
# AJ 120, 1579 (from memory): 32 46 49 N, 105 49 13 W, 2788 m.
LATITUDE = 32.7803
LONGITUDE = -105.8203
HEIGHT = 2788.0

# The axis of field-b-g is taken as the middle of its chip, apparent place, hour angle to the west;
# the tests derive it from the published solution, the header's time and the longitude. The survey's
# camera looks with 30 chips; this one stands 0.8 deg off its boresight, whose distortion over one
# chip is below 0.2 px.
DECLINATION = -0.5215
HOUR_ANGLE = 0.5988

OVERSCAN = 20
PEDESTALS = (1000.0, 1012.0)  # counts; the survey's own software bias is 1000
SEGMENT_LINES = 500


@dataclass(frozen=True)
class DriftImage:
    """One image and all that is published with it.

    ``image`` (lines, columns) is in nanomaggies, ``vector`` (columns,) in nanomaggies per count,
    ``sky`` and ``counts`` (lines, columns) in counts. ``mjd_start`` is UTC: when the line 0 was
    read. ``solution`` maps the names of the scan's astrometric terms to their values.
    """

    name: str
    image: np.ndarray
    vector: np.ndarray
    sky: np.ndarray
    solution: dict[str, float]
    exposure: float
    line_period: float
    mjd_start: float
    gain: float
    dark_variance: float

    @property
    def counts(self) -> np.ndarray:
        return self.image / self.vector + self.sky

    @property
    def read_noise(self) -> float:
        """Electrons."""
        return self.gain * float(np.sqrt(self.dark_variance))

    def to_sky(self, line: np.ndarray, column: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """ICRS degrees of 0-based pixel coordinates, centres at integers.

        The survey's own solution: a cubic in the column, a linear map to longitude and latitude
        along the scan's great circle, a rotation to the equator (Pier et al. 2003, AJ 125, 1559;
        the survey counts the centre of the first pixel as 0.5).
        """
        g = self.solution
        row = np.asarray(line, float) + 0.5
        col = np.asarray(column, float) + 0.5
        powers = [col**k for k in range(4)]
        straight_row = row + sum(g[f"DROW{k}"] * powers[k] for k in range(4))
        straight_col = col + sum(g[f"DCOL{k}"] * powers[k] for k in range(4))
        mu = np.deg2rad(g["A"] + g["B"] * straight_row + g["C"] * straight_col - g["NODE"])
        nu = np.deg2rad(g["D"] + g["E"] * straight_row + g["F"] * straight_col)
        incl = np.deg2rad(g["INCL"])
        x = np.cos(mu) * np.cos(nu)
        y = np.sin(mu) * np.cos(nu) * np.cos(incl) - np.sin(nu) * np.sin(incl)
        z = np.sin(mu) * np.cos(nu) * np.sin(incl) + np.sin(nu) * np.cos(incl)
        ra = np.rad2deg(np.arctan2(y, x)) + g["NODE"]
        return ra % 360, np.rad2deg(np.arcsin(z))


@lru_cache(maxsize=2)
def load_image(name: str) -> DriftImage:
    """Read ``field-a-r`` (run on a great circle) or ``field-b-g`` (parked on the equator)."""
    with fits.open(DATA / f"{name}.fits.bz2") as hdus:
        header = hdus[0].header
        image = hdus[0].data.astype(np.float64)
        vector = hdus[1].data.astype(np.float64)
        grid = hdus[2].data
        coarse = grid["ALLSKY"][0].astype(np.float64)
        indices = np.meshgrid(
            grid["YINTERP"][0].astype(float), grid["XINTERP"][0].astype(float), indexing="ij"
        )
        row = hdus[3].data[0]
        numbers = ("NODE", "INCL", *"ABCDEF", *(f"D{a}{k}" for a in ("ROW", "COL") for k in "0123"))
        solution = {term: float(row[term]) for term in numbers}
        start = Time(header["TAI"] / 86400, format="mjd", scale="tai").utc.mjd
        return DriftImage(
            name=name,
            image=image,
            vector=vector,
            sky=map_coordinates(coarse, indices, order=1, mode="nearest"),
            solution=solution,
            exposure=float(header["EXPTIME"]),
            line_period=header["C_OBS"] * 1e-6,
            mjd_start=float(start),
            gain=GAIN[name],
            dark_variance=DARK_VARIANCE[name],
        )


def load_stars() -> dict[str, np.ndarray]:
    """The survey's published stars of ``field-a-r``: 0-based pixels, degrees, nanomaggies."""
    table = fits.getdata(DATA / "field-a-stars.fits.gz")
    r = 2  # of u, g, r, i, z
    table = table[table["FIELD"] == 30]
    with np.errstate(divide="ignore"):
        flux_err = 1 / np.sqrt(table["PSFFLUX_IVAR"][:, r].astype(float))
    return {
        "line": table["ROWC"][:, r].astype(float) - 0.5,
        "column": table["COLC"][:, r].astype(float) - 0.5,
        "ra": table["RA"].astype(float),
        "dec": table["DEC"].astype(float),
        "flux": table["PSFFLUX"][:, r].astype(float),
        "flux_err": flux_err,
    }


def detect_stars(image: DriftImage, *, threshold: float, radius: float) -> dict[str, np.ndarray]:
    """Detect by `sep`, none of it through the pipeline: pixels, nanomaggies and their errors.

    ``threshold`` is in noise deviations of a pixel, ``radius`` of the aperture in pixels. Objects
    that `sep` flags (blended, cut, saturated) or that lie within 20 px of the edge are left out;
    positions are windowed centroids.
    """
    import sep

    data = np.ascontiguousarray(image.image)
    noise = np.sqrt(np.clip(image.counts, 0, None) / image.gain + image.dark_variance)
    noise = np.ascontiguousarray(noise * image.vector)
    found = sep.extract(data, threshold, err=noise, minarea=5)
    found = found[found["flag"] == 0]
    column, line, flag = sep.winpos(data, found["x"], found["y"], np.full(len(found), 1.3))
    flux, flux_err, aperture_flag = sep.sum_circle(data, column, line, radius, err=noise)
    inside = (line > 20) & (line < data.shape[0] - 21)
    inside &= (column > 20) & (column < data.shape[1] - 21)
    # a galaxy moves neither the centroid nor the magnitude by seeing alone: keep what is narrow
    half_light, _ = sep.flux_radius(
        data, column, line, np.full(len(found), 2 * radius), 0.5, normflux=flux
    )
    stellar = np.abs(half_light - np.median(half_light)) < 0.3 * np.median(half_light)
    keep = inside & stellar & (flag == 0) & (aperture_flag == 0) & (flux > 0)
    return {
        "line": line[keep],
        "column": column[keep],
        "flux": flux[keep],
        "flux_err": flux_err[keep],
    }


def write_parked_strip(folder: Path, *, seed: int) -> tuple[Path, Path]:
    """Write ``field-b-g`` as a raw strip of three segments, with configuration and reference.

    Returns the configuration file and the folder of the raw segments. The reference catalogue is
    derived from the image itself: positions are `sep` centroids through the survey's published
    solution, magnitudes are sums of its published nanomaggies. It shares the noise of the strip's
    pixels; a reduction that agrees with it has the survey's geometry, whatever the noise.
    """
    image = load_image("field-b-g")
    rng = np.random.default_rng(seed)
    raw = folder / "raw"
    raw.mkdir(parents=True)
    counts = image.counts
    half = COLUMNS // 2
    pedestal = np.repeat(PEDESTALS, half)
    overscans = [
        rng.normal(level, np.sqrt(image.dark_variance), (len(counts), OVERSCAN))
        for level in PEDESTALS
    ]
    pixels = np.concatenate([overscans[0], counts + pedestal, overscans[1]], axis=1)
    pixels = np.clip(np.rint(pixels), 0, 65535).astype(np.uint16)
    start = datetime(1858, 11, 17, tzinfo=UTC) + timedelta(days=image.mjd_start)
    for number, first in enumerate(range(0, len(pixels), SEGMENT_LINES), start=1):
        hdu = fits.PrimaryHDU(pixels[first : first + SEGMENT_LINES])
        begin = start + timedelta(seconds=first * image.line_period)
        hdu.header["T_FIRST"] = (begin.strftime("%Y-%m-%dT%H:%M:%S.%f"), "UTC, first line")
        hdu.header["T_LINE"] = (image.line_period, "[s] per line")
        hdu.header["BAND"] = "g"
        hdu.header["LIGHT"] = "OPEN"
        hdu.header["SCAN"] = "parked"
        hdu.header["PART"] = number
        hdu.writeto(raw / f"parked_{number:03d}.fits")
    _write_reference(image, folder / "reference.fits")
    configuration = folder / "observatory.toml"
    configuration.write_text(_CONFIGURATION.format(**_numbers(image)), encoding="utf-8")
    return configuration, raw


def _write_reference(image: DriftImage, path: Path) -> None:
    stars = detect_stars(image, threshold=5.0, radius=7.43)
    ra, dec = image.to_sky(stars["line"], stars["column"])
    mag = 22.5 - 2.5 * np.log10(stars["flux"])  # one nanomaggy is magnitude 22.5
    mag_err = 2.5 / np.log(10) * stars["flux_err"] / stars["flux"]
    # 20 and 23 mas: what the survey publishes for this scan's two coordinates
    columns = {
        "ra": ra,
        "dec": dec,
        "ra_err": np.full(len(ra), 20.0),
        "dec_err": np.full(len(ra), 23.0),
        "mag_g": mag,
        "mag_g_err": np.maximum(mag_err, 0.005),
    }
    table = [fits.Column(name=k, format="D", array=v) for k, v in columns.items()]
    fits.BinTableHDU.from_columns(table).writeto(path)


def _numbers(image: DriftImage) -> dict[str, float]:
    return {
        "latitude": LATITUDE,
        "longitude": LONGITUDE,
        "height": HEIGHT,
        "declination": DECLINATION,
        "hour_angle": HOUR_ANGLE,
        "gain": image.gain,
        "read_noise": image.read_noise,
        "epoch": 1999.22,
    }


_CONFIGURATION = """\
[observatory]
name = "real drift-scan camera"
latitude = {latitude}
longitude = {longitude}
height = {height}

[pointing]
declination = {declination}
hour_angle = {hour_angle}

[camera]
pixel_scale = 0.396
columns = 2048
n_stage = 2048
rotation = 0.0
column_sign = 1

[[camera.amplifier]]
name = "A"
data = [20, 1044]
overscan = [0, 20]
chip = [0, 1024]
gain = {gain}
read_noise = {read_noise}
saturation = 60000.0

[[camera.amplifier]]
name = "B"
data = [1044, 2068]
overscan = [2068, 2088]
chip = [1024, 2048]
gain = {gain}
read_noise = {read_noise}
saturation = 60000.0

[raw]
time_refers_to = "first_line"
starts_full = true

[raw.keywords]
start_time = "T_FIRST"
line_period = "T_LINE"
filter = "BAND"
shutter = "LIGHT"
strip = "SCAN"
segment = "PART"

[reference]
path = "reference.fits"

[reference.columns]
ra = "ra"
dec = "dec"
ra_err = "ra_err"
dec_err = "dec_err"

[reference.magnitudes]
g = "mag_g"

[reference.magnitude_errors]
g = "mag_g_err"

[reference.options]
epoch = {epoch}

# the band of tiles follows the declination of its epoch, and these are old data
[tiles]
epoch = {epoch}
"""
