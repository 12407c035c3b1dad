"""Invented raw files for the tests of input and output."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits

from pipeline.config import parse_config

TEXT = """
[observatory]
name = "Test Hill (invented)"
latitude = -30.0
longitude = -70.0
height = 100.0
[camera]
pixel_scale = 0.5
columns = 24
n_stage = 16
[[camera.amplifier]]
name = "A"
data = [0, 12]
overscan = [24, 27]
chip = [0, 12]
gain = 2.0
read_noise = 5.0
saturation = 60000.0
[[camera.amplifier]]
name = "B"
data = [12, 24]
overscan = [27, 30]
chip = [12, 24]
reversed = true
gain = 2.1
read_noise = 5.0
saturation = 60000.0
[raw]
%s
[raw.keywords]
start_time = "DATE-BEG"
line_period = "LINEPER"
filter = "FILTER"
shutter = "SHUTTER"
strip = "STRIP"
segment = "SEGMENT"
chip = "CHIP"
[reference]
path = "reference.fits"
[reference.magnitudes]
r = "mag_r"
"""

BEGIN = datetime(2025, 6, 12, 3, 0, 0, tzinfo=UTC)
PERIOD = 0.5
WIDTH = 30


class Camera:
    """Writes segments of strips into a folder; every keyword can be overruled."""

    def __init__(self, folder: Path, options: str = "", edits: tuple = ()):
        self.folder = folder
        text = TEXT % options
        for old, new in edits:
            assert old in text, old
            text = text.replace(old, new, 1)
        self.config = parse_config(text, folder=folder)

    @staticmethod
    def lines(first, n_lines, dtype=np.uint16):
        """Values that tell line and column."""
        line = np.arange(first, first + n_lines)[:, None]
        return (line * WIDTH + np.arange(WIDTH) + 30000).astype(dtype)

    def write(self, number, first, n_lines, *, name=None, data=None, stored=None, kind="plain",
              time=None, drop=(), **cards):  # fmt: skip
        """Write one segment; `stored` turns lines into the array of the file."""
        data = self.lines(first, n_lines) if data is None else data
        stored = data if stored is None else stored(data)
        header = fits.Header()
        time = BEGIN + timedelta(seconds=first * PERIOD) if time is None else time
        values = {
            "DATE-BEG": time.isoformat(timespec="microseconds").removesuffix("+00:00")
            if isinstance(time, datetime)
            else time,
            "LINEPER": PERIOD,
            "FILTER": "r",
            "SHUTTER": "OPEN",
            "STRIP": "s1",
            "SEGMENT": number,
            "CHIP": "c1",
        }
        values.update({key.replace("_", "-"): value for key, value in cards.items()})
        for key, value in values.items():
            if key not in drop:
                header[key] = value
        path = self.folder / (name or f"{number:03d}.fits")
        if kind == "tiled":
            image = fits.CompImageHDU(stored, header, compression_type="RICE_1")
            fits.HDUList([fits.PrimaryHDU(), image]).writeto(path)
        else:
            fits.PrimaryHDU(stored, header).writeto(path)
        return path


@pytest.fixture
def camera(tmp_path):
    """Camera with the plainest conventions."""
    return Camera(tmp_path)


@pytest.fixture
def make_camera(tmp_path):
    """Camera with conventions of the test's choice."""

    def make(options="", edits=(), *, folder=tmp_path):
        return Camera(folder, options, edits)

    return make
