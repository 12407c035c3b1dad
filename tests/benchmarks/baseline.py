"""What the reduction is measured against: a bare extraction, and the same steps chained by hand."""

import os
import time
import warnings
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path

import numpy as np
import sep
from astropy.convolution import convolve_fft
from astropy.io import fits
from astropy.nddata import CCDData, StdDevUncertainty
from astropy.stats import SigmaClip, sigma_clipped_stats
from astropy.table import QTable
from astropy.wcs import WCS
from photutils.aperture import CircularAperture, aperture_photometry
from photutils.background import Background2D, MedianBackground
from photutils.psf import CircularGaussianPRF, PSFPhotometry
from photutils.segmentation import SourceCatalog, detect_sources
from reproject import reproject_exact

__all__ = ["BareKind", "by_hand", "extract_bare", "write_bare"]

_NOISE = np.random.default_rng(1).integers(0, 256, 1 << 20, dtype=np.uint8)
_MESH = 64
_FWHM = 3.0  # px
_HALF = 3  # px: the kernel of 7 x 7 of the design's floors
_THRESHOLD = 5.0


@dataclass(frozen=True)
class BareKind:
    """How the bare extraction filters.

    Parameters
    ----------
    fwhm : float
        Of its round Gaussian kernel, px.
    half : int
        Half size of the kernel, px.
    noise : {"pixel", "one"}
        Noise of every pixel, which makes the filter a matched one (`sep.extract`, filter_type), or
        one noise for all, with which sep convolves and no more.
    """

    fwhm: float = _FWHM
    half: int = _HALF
    noise: str = "pixel"

    def kernel(self) -> np.ndarray:
        """Weights, float32."""
        at = np.arange(-self.half, self.half + 1)
        square = at[:, None] ** 2 + at**2
        return np.exp(-4 * np.log(2) * square / self.fwhm**2).astype(np.float32)


def _extract(path: Path, kind: BareKind) -> tuple[int, float]:
    """Pixels and seconds of one raw file; its reading is not counted."""
    with fits.open(path, memmap=False) as hdus:
        pixels = hdus[0].data[:, :4096].astype(np.float32)
    begin = time.perf_counter()
    background = sep.Background(pixels, bw=_MESH, bh=_MESH)
    clean = pixels - background
    noise = background.rms() if kind.noise == "pixel" else background.globalrms
    sep.extract(clean, _THRESHOLD, err=noise, filter_kernel=kind.kernel())
    return pixels.size, time.perf_counter() - begin


def extract_bare(paths: list[Path], workers: int, kind: BareKind = BareKind()) -> tuple[int, float]:
    """Background and matched-filter extraction by sep of every raw file.

    Parameters
    ----------
    paths : list of Path
        Raw files of a strip.
    workers : int
        Processes.
    kind : BareKind, optional
        How it filters; as the design's floors by default.

    Returns
    -------
    pixels : int
    seconds : float
        Of the processors, together.
    """
    sep.set_extract_pixstack(10_000_000)
    with get_context("spawn").Pool(workers) as pool:
        pool.starmap(_extract, [(p, kind) for p in paths[:workers]])  # imports
        parts = pool.starmap(_extract, [(p, kind) for p in paths], chunksize=1)
    return sum(p[0] for p in parts), sum(p[1] for p in parts)


def _write(task: tuple[Path, int]) -> None:
    path, size = task
    pixels = np.resize(_NOISE, size)
    with path.open("wb") as stream:
        stream.write(pixels.data)
        stream.flush()
        os.fsync(stream.fileno())


def write_bare(folder: Path, sizes: list[int], workers: int) -> float:
    """Wall seconds of bringing files of such sizes to the disk, with nothing computed.

    Parameters
    ----------
    folder : Path
        Made, and removed again.
    sizes : list of int
        Bytes of each file.
    workers : int
        Processes.

    Returns
    -------
    float
    """
    folder.mkdir()
    paths = [folder / f"{number}" for number in range(len(sizes))]
    with get_context("spawn").Pool(workers) as pool:
        pool.map(_write, list(zip(paths[:workers], sizes[:workers], strict=True)))  # imports
        begin = time.perf_counter()
        pool.map(_write, list(zip(paths, sizes, strict=True)), chunksize=1)
        taken = time.perf_counter() - begin
    for path in paths:
        path.unlink()
    folder.rmdir()
    return taken


def by_hand(path: Path, *, lines: int, columns: int) -> dict[str, float]:
    """Raw lines to catalogue and tile with general libraries, one process, step by step.

    Parameters
    ----------
    path : Path
        Raw file after the ramp.
    lines, columns : int
        Window that is reduced.

    Returns
    -------
    dict of str to float
        Seconds of each step per million pixels.
    """
    taken: dict[str, float] = {}
    with fits.open(path, memmap=False) as hdus:
        raw = hdus[0].data[:lines, :columns].astype(float)
    size = raw.size / 1e6
    mark = time.perf_counter()

    def note(step: str) -> None:
        nonlocal mark
        now = time.perf_counter()
        taken[step] = (now - mark) / size
        mark = time.perf_counter()

    frame = CCDData(
        raw, unit="adu", uncertainty=StdDevUncertainty(np.sqrt(np.maximum(raw / 1.8, 1.0)))
    )
    bias = CCDData(np.zeros_like(raw), unit="adu")
    flat = CCDData(np.ones_like(raw), unit="")
    frame = frame.subtract(bias).divide(flat).multiply(1.8)
    note("calibration (astropy.nddata)")
    data = np.asarray(frame.data)
    sky = Background2D(
        data, _MESH, filter_size=3, sigma_clip=SigmaClip(3.0), bkg_estimator=MedianBackground()
    )
    data = data - sky.background
    note("background (photutils)")
    kernel = BareKind(half=4).kernel()
    smooth = convolve_fft(data, kernel / kernel.sum())
    segments = detect_sources(smooth, _THRESHOLD * sky.background_rms / 4.0, n_pixels=5)
    catalogue = SourceCatalog(data, segments, convolved_data=smooth)
    x, y = catalogue.x_centroid, catalogue.y_centroid
    note("detection (photutils)")
    good = np.isfinite(x) & np.isfinite(y)
    places = np.column_stack([x[good], y[good]])
    error = np.sqrt(np.maximum(raw, 1.0))
    aperture_photometry(data, CircularAperture(places, 2 * _FWHM), error=error)
    guess = QTable({"x": places[:, 0], "y": places[:, 1]})
    fitter = PSFPhotometry(CircularGaussianPRF(fwhm=_FWHM), 9, aperture_radius=2 * _FWHM)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        fitter(data, error=error, init_params=guess)
    sigma_clipped_stats(data)
    note("photometry (photutils)")
    wcs = WCS(naxis=2)
    wcs.wcs.ctype = ["RA---TAN", "DEC--TAN"]
    wcs.wcs.crpix = [columns / 2, lines / 2]
    wcs.wcs.cdelt = [-0.55 / 3600, 0.55 / 3600]
    wcs.wcs.crval = [100.0, -46.0]
    turned = wcs.deepcopy()
    turned.wcs.pc = [[0.99999, -0.0026], [0.0026, 0.99999]]
    part = min(512, lines, columns)
    inner = (slice(0, part), slice(0, part))
    for image in (data, error**2):
        reproject_exact((image[inner], wcs), turned, shape_out=(part, part), parallel=False)
    note("resampling (reproject)")
    taken["resampling (reproject)"] *= raw.size / part**2
    return taken
