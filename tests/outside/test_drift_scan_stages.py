"""Single stages on real drift-scan images, against what the survey published of them.

Images and catalogue: Sloan Digital Sky Survey imaging (public domain; SDSS is acknowledged).
"""

import numpy as np
import pytest
from astropy.io import fits

from pipeline.geometry.camera import Camera
from pipeline.geometry.fit import FitOptions, fit_solution
from pipeline.geometry.match import Detections, MatchOptions, References, match_stars
from pipeline.geometry.solution import StripSolution
from pipeline.stages.colstats import SummaryOptions, settle_overscan, summarise_columns
from pipeline.stages.dark import DarkOptions, dark_from_nothing
from pipeline.stages.detect import DetectOptions, detect
from pipeline.stages.overscan import OverscanOptions
from pipeline.stages.psf_fit import PsfFitOptions, fit_psf
from pipeline.stages.psf_model import make_psf_model, place_nodes
from pipeline.stages.response import ResponseOptions, fit_response
from pipeline.strip import Amplifier


@pytest.fixture(scope="module")
def make_guess(drift_scan_images, parked):
    """First guesses of the parked strip's geometry, off the truth by what is asked for."""

    def make(*, clock_s=0.0, declination_deg=0.0, pixel_scale=0.396, rotation_deg=0.0):
        return StripSolution.first_guess(
            latitude_deg=drift_scan_images.LATITUDE,
            longitude_deg=drift_scan_images.LONGITUDE,
            height_m=drift_scan_images.HEIGHT,
            axis_declination_deg=drift_scan_images.DECLINATION + declination_deg,
            axis_hour_angle_deg=drift_scan_images.HOUR_ANGLE,
            camera=Camera.from_arcsec(
                pixel_scale=pixel_scale,
                n_columns=drift_scan_images.COLUMNS,
                n_stage=drift_scan_images.N_STAGE,
                rotation_deg=rotation_deg,
            ),
            line_period=parked.line_period,
            mjd_start=parked.mjd_start + clock_s / 86400,
            n_lines=len(parked.image),
        )

    return make


def test_geometry_predicts_the_published_solution(parked, make_guess):
    """One axis, the header's time and line period: every pixel's sky from first principles.

    Left free are a shift and, across the columns, the cubic that the survey fits for the optics.
    The published errors of this scan are 20 and 23 mas, 0.05 and 0.06 px.
    """
    line, column = np.meshgrid(np.linspace(0, 1488, 32), np.linspace(0, 2047, 33), indexing="ij")
    predicted = make_guess().sky_to_strip(*parked.to_sky(line, column))
    cubic = np.polynomial.legendre.legvander(column.ravel() / 1023.5 - 1, 3)
    for value, truth in zip(predicted, (line, column), strict=True):
        residual = (value - truth).ravel()
        assert abs(residual.mean()) < 1  # 1 px: the axis is written to 1e-4 deg
        optics = np.linalg.lstsq(cubic, residual, rcond=None)[0]
        assert np.abs(optics[1:]).max() < 0.2  # the survey's own cubic reaches 0.2 px
        assert (residual - cubic @ optics).std() < 0.05


@pytest.fixture(scope="module")
def stars(drift_scan_images, parked):
    """Stars of the parked strip: pixels, fluxes, and the sky by the published solution."""
    found = drift_scan_images.detect_stars(parked, threshold=5.0, radius=7.43)
    found["ra"], found["dec"] = parked.to_sky(found["line"], found["column"])
    return found


def test_stars_are_matched_from_a_poor_first_guess(stars, make_guess):
    """Clock 4 s late, pointing 36 arcsec, scale 1e-3 and rotation 0.1 deg off: all stars found."""
    ra, dec = stars["ra"], stars["dec"]
    error = np.full(len(ra), 0.1)
    guess = make_guess(clock_s=4.0, declination_deg=0.01, pixel_scale=0.3964, rotation_deg=0.1)
    order = np.random.default_rng(8).permutation(len(ra))
    match = match_stars(
        guess,
        Detections(stars["line"], stars["column"], error, error, stars["flux"]),
        References(
            ra[order],
            dec[order],
            np.full(len(ra), 20.0),
            np.full(len(ra), 23.0),
            22.5 - 2.5 * np.log10(stars["flux"][order]),
        ),
        options=MatchOptions(),
    )
    assert len(match.detection) == len(ra)
    np.testing.assert_array_equal(order[match.reference], match.detection)
    # The clock is known to the hundredth of a second that the survey writes, and the axis to 1 px.
    assert match.guess.clock_offset_s == pytest.approx(-4.0, abs=0.05)
    assert match.guess.camera.pixel_scale == pytest.approx(0.396, rel=3e-4)
    # The published solution's slope of line by column is below 1e-4.
    assert np.degrees(match.guess.camera.rotation) == pytest.approx(0, abs=0.01)


def test_fit_agrees_with_the_published_solution(parked, stars, make_guess):
    """Eight parameters or so reach what the survey's calibration against a catalogue reached.

    The published solution holds a cubic of the column in both coordinates and the scan's own
    drift; ours an axis, a radial term and slow wander. Published errors: 0.05 and 0.06 px.
    """
    n = len(stars["ra"])
    error = np.full(n, 0.03)
    fit = fit_solution(
        make_guess(clock_s=4.0, rotation_deg=0.1),
        Detections(stars["line"], stars["column"], error, error, stars["flux"]),
        References(
            stars["ra"],
            stars["dec"],
            np.full(n, 20.0),
            np.full(n, 23.0),
            22.5 - 2.5 * np.log10(stars["flux"]),
        ),
        options=FitOptions(),
    )
    assert fit.n_used == n
    assert fit.rms_line < 0.05
    assert fit.rms_column < 0.06
    line, column = np.meshgrid(np.linspace(20, 1468, 20), np.linspace(20, 2027, 21), indexing="ij")
    ours = np.array(fit.solution.strip_to_sky(line, column))
    published = np.array(parked.to_sky(line, column))
    assert np.abs(ours - published).max() * 3600 < 0.06  # arcsec; dec -0.5: cos(dec) is 1


@pytest.fixture(scope="module")
def raw_lines(drift_scan_images, parked, tmp_path_factory):
    """Raw lines of the parked strip and its two amplifiers."""
    folder = tmp_path_factory.mktemp("parked") / "camera"
    _, raw = drift_scan_images.write_parked_strip(folder, seed=2)
    lines = np.concatenate([fits.getdata(path) for path in sorted(raw.iterdir())])
    calibration = {"gain": parked.gain, "read_noise": parked.read_noise, "saturation": 6e4}
    return lines, (
        Amplifier("A", (20, 1044), (0, 20), (0, 1024), reversed=False, **calibration),
        Amplifier("B", (1044, 2068), (2068, 2088), (1024, 2048), reversed=False, **calibration),
    )


def test_column_summary_finds_the_published_gain(parked, raw_lines):
    """Noise against level in two raw halves: gain 3.855 within 2 %; level: the survey's sky.

    The limit on the level is 1 % of the sky: the survey's sky is smooth over 256 pixels, faint
    stars below the clip remain.
    """
    lines, amplifiers = raw_lines
    summary = summarise_columns(
        lines, np.zeros(len(lines), dtype=bool), 0, amplifiers, options=SummaryOptions()
    )
    for amplifier in amplifiers:
        half = slice(*amplifier.chip)
        sky = parked.sky[:1280, half].mean() * parked.gain
        level = float(np.median(summary.level[:5, half]))
        assert level == pytest.approx(sky, rel=0.01)
        # N counts are g N electrons of variance g^2 N / gain, with g as configured here.
        variance = float(np.mean(summary.noise_var[:5, half]))
        photons = variance - parked.read_noise**2 - parked.gain**2 / 12
        assert parked.gain * level / photons == pytest.approx(3.855, rel=0.02)


def test_response_of_a_steady_sky_is_flat(drift_scan_images, parked, raw_lines):
    """40 s of an even sky, no closed strip: columns that the survey has flattened stay flat.

    Its own calibration vector still varies by 0.1 %, a column's mean level is good to 0.17 %,
    the sky's structure adds as much. The sky changes by 0.2 %, so nothing is known of the
    intercepts, and whatever is believed of them must not be spread over the response.
    """
    lines, amplifiers = raw_lines
    n_stage = drift_scan_images.N_STAGE
    # the scan ran before the file begins: its earlier lines are there, without data
    before = np.zeros((n_stage, lines.shape[1]), dtype=lines.dtype)
    strip = np.concatenate([before, lines])
    summary = summarise_columns(
        strip, np.arange(len(strip)) < n_stage, 0, amplifiers, options=SummaryOptions()
    )
    summary = settle_overscan(summary, amplifiers, options=OverscanOptions())
    dark = dark_from_nothing(
        drift_scan_images.COLUMNS,
        n_stage=n_stage,
        line_period=parked.line_period,
        options=DarkOptions(),
    )
    response = fit_response(
        [summary],
        dark,
        line_periods=[parked.line_period],
        n_stage=n_stage,
        options=ResponseOptions(),
    )
    assert response.choice == "ratio"
    assert response.value.std() < 0.005


@pytest.fixture(scope="module")
def electrons(great_circle):
    """Field-a as the stages see a block: electrons less sky, variance, mask."""
    image = (np.rint(great_circle.counts) - great_circle.sky) * great_circle.gain
    variance = great_circle.sky * great_circle.gain + great_circle.read_noise**2
    variance += great_circle.gain**2 / 12
    mask = np.zeros(image.shape, dtype=np.uint16)
    return image.astype(np.float32), variance.astype(np.float32), mask


def _model(fwhm: float):
    """Moffat seeing of exponent 3, alike on all of the chip: near enough for these stars."""
    return make_psf_model(
        [0.0],
        [fwhm],
        place_nodes(2048, path=None),
        beta=3.0,
        path=None,
        optics=None,
        half_size=16,
    )


def test_detection_is_as_complete_as_the_survey(drift_scan_images, great_circle, electrons):
    """95 % of the survey's stars brighter than r = 22.2, its own limit (checks.md)."""
    image, variance, mask = electrons
    kernel = _model(2.3).kernel(744.0, 1024.0, 7)
    found = detect(
        image,
        variance,
        mask,
        kernel[None, None],
        line_group=np.zeros(image.shape[0], dtype=int),
        column_group=np.zeros(image.shape[1], dtype=int),
        first_line=0,
        options=DetectOptions(),
    )
    stars = drift_scan_images.load_stars()
    wanted = stars["flux"] > 10 ** (0.4 * (22.5 - 22.2))
    wanted &= (stars["line"] > 5) & (stars["line"] < 1483)
    wanted &= (stars["column"] > 5) & (stars["column"] < 2042)
    distance = np.hypot(
        stars["line"][wanted, None] - found.line, stars["column"][wanted, None] - found.column
    ).min(axis=1)
    assert wanted.sum() > 100
    assert np.mean(distance < 1.5) >= 0.95
    # Flux of the 5 sigma limit: no deeper than the noise allows, no shallower than the survey.
    limit = np.median(found.flux_err) * 5 / great_circle.gain * great_circle.vector.mean()
    assert 22.2 < 22.5 - 2.5 * np.log10(limit) < 23.7


@pytest.fixture(scope="module")
def published_stars(drift_scan_images):
    """The survey's stars of 2 to 300 nanomaggies in field-a."""
    stars = drift_scan_images.load_stars()
    chosen = (stars["flux"] > 2) & (stars["flux"] < 300)
    return {name: value[chosen] for name, value in stars.items()}


@pytest.fixture(scope="module")
def star_fit(great_circle, electrons, published_stars):
    """PSF fit of those stars with the one seeing that suits the bright ones best."""
    stars = published_stars
    start = stars["flux"] / great_circle.vector.mean() * great_circle.gain
    fits_ = (
        fit_psf(
            *electrons,
            stars["line"],
            stars["column"],
            start,
            _model(fwhm),
            first_line=0,
            photon_variance=None,
            options=PsfFitOptions(),
        )
        for fwhm in (2.1, 2.2, 2.3, 2.4, 2.5)
    )
    bright = stars["flux"] > 20
    return min(fits_, key=lambda fit: np.median(fit.chi2[bright]))


def test_point_spread_fluxes_are_the_published_ones(great_circle, published_stars, star_fit):
    """PSF fluxes of 2 to 300 nanomaggies, one seeing for the whole image, fitted here.

    The survey fits its own, varying profile, so a common factor near one is allowed (aperture
    minus PSF magnitudes are good to 0.03, checks.md) and a scatter of 2.5 %.
    """
    flux, error = published_stars["flux"], published_stars["flux_err"]
    vector = great_circle.vector[np.rint(published_stars["column"]).astype(int)]
    ratio = star_fit.flux / great_circle.gain * vector / flux
    bright = flux > 20
    faint = ~bright
    assert bright.sum() >= 15
    assert faint.sum() >= 50
    for which in (bright, faint):
        assert np.median(ratio[which]) == pytest.approx(1, abs=0.03)
        scatter = 1.4826 * np.median(np.abs(ratio[which] - np.median(ratio[which])))
        assert scatter < 0.025
    assert np.median(star_fit.chi2[faint]) == pytest.approx(1, abs=0.1)
    # Both errors are those of the photons: they agree where the background rules.
    weak = flux < 5
    ours = star_fit.flux_err / great_circle.gain * vector
    assert np.median(ours[weak] / error[weak]) == pytest.approx(1, abs=0.1)


def test_point_spread_positions_are_the_published_ones(published_stars, star_fit):
    """Lines within 0.05 px of the survey's; columns too, less a quartic of the column.

    The survey corrects its column centroids for profiles that are asymmetric towards the edges,
    smoothly by up to 0.2 px, where this fit agrees with windowed centroids (next test).
    """
    line = star_fit.line - published_stars["line"]
    assert abs(np.median(line)) < 0.05
    assert 1.4826 * np.median(np.abs(line - np.median(line))) < 0.05
    column = star_fit.column - published_stars["column"]
    x = published_stars["column"] / 1023.5 - 1
    near = np.abs(column) < 0.3  # two blends and a galaxy lie beyond
    assert near.mean() > 0.95
    smooth = np.polynomial.Polynomial.fit(x[near], column[near], 4)
    assert np.abs(smooth(x)).max() < 0.25
    assert 1.4826 * np.median(np.abs(column - smooth(x))) < 0.05


def test_point_spread_positions_are_those_of_windowed_centroids(
    great_circle, published_stars, star_fit
):
    """`sep`, on the same pixels: 0.05 px rms in both axes, over all columns.

    Stars of 10 nanomaggies and more without a star within 10 px; what no point spread fits
    (chi-square above 10: galaxies, saturation) is left out.
    """
    sep = pytest.importorskip("sep")
    line, column = published_stars["line"], published_stars["column"]
    distance = np.hypot(line[:, None] - line, column[:, None] - column)
    np.fill_diagonal(distance, np.inf)
    chosen = (published_stars["flux"] > 10) & (distance.min(axis=1) > 10) & (star_fit.chi2 < 10)
    assert chosen.sum() > 20
    x, y, flag = sep.winpos(
        np.ascontiguousarray(great_circle.image),
        column[chosen],
        line[chosen],
        np.full(chosen.sum(), 1.3),
    )
    assert (flag == 0).all()
    assert np.sqrt(np.mean((star_fit.line[chosen] - y) ** 2)) < 0.05
    assert np.sqrt(np.mean((star_fit.column[chosen] - x) ** 2)) < 0.05
