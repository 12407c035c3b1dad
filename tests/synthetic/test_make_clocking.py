"""Charge dropped in rows and clocked: against a direct sum, and what must be conserved."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import dblquad

from synthetic.camera import N_NODES, Paths
from synthetic.clocking import TRUTH_COLUMNS
from synthetic.moffat import (
    CORE_RADIUS,
    PHASES,
    choose_radius,
    find_noise_area,
    moffat_scale,
    tabulate_profile,
)
from synthetic.plain import build_plain
from synthetic.scenario import Seeing
from synthetic.segment import expose_stars, strip_weather
from synthetic.weather import Weather, integrate_window

N_STAGE = 64
LINE = {name: n for n, name in enumerate(TRUTH_COLUMNS)}


@pytest.fixture
def scenario():
    """A short chip, so that a direct sum is affordable."""
    return build_plain(
        latitude=-46.2,
        columns=96,
        n_stage=N_STAGE,
        pixel_scale=0.55,
        n_lines=400,
        mjd_start=60737.1,
    )


def straight(scenario, line, column, *, drift=0.0, slip=0.0, bend=0.0):
    """Path through (line, column); drift and bend across, slip along, in px over a crossing."""
    camera = scenario.camera
    centre = (np.atleast_1d(line) - 0.5 * camera.n_stage) * camera.line_period
    x = np.zeros((len(centre), N_NODES))
    y = np.zeros((len(centre), N_NODES))
    x[:, 0], x[:, 1], x[:, 2] = column, drift, bend
    y[:, 0], y[:, 1] = 0.5 * camera.n_stage, -camera.n_stage + slip
    return Paths(centre=centre, column=x, height=y)


def expose(scenario, paths, mag, *, lines=400, first=0, weather=None):
    image = np.zeros((lines, scenario.camera.columns))
    plan = scenario.strips[0]
    weather = strip_weather(scenario, plan, 0) if weather is None else weather
    truth = expose_stars(
        image,
        first,
        scenario=scenario,
        weather=weather,
        paths=paths,
        mag=np.full(len(paths.centre), mag),
    )
    return image, truth


def changing_weather():
    """Seeing and transparency that change during a crossing."""
    period = np.arange(-200, 700)
    return Weather(
        first=-200,
        sky=np.zeros(900),
        scattered=np.zeros(900),
        transparency=0.8 + 0.15 * np.sin(period / 20.0),
        fwhm=2.6 + 0.3 * np.cos(period / 31.0),
    )


def direct(scenario, paths, mag, weather, *, radius):
    """The same exposure without grid or table: every sub-step integrated over every pixel.

    Five Gauss-Legendre points in each clock period, 4 x 4 in each pixel.
    """
    camera, beta = scenario.camera, scenario.beta
    tau, n = camera.line_period, camera.n_stage
    image = np.zeros((400, camera.columns))
    node, share = np.polynomial.legendre.leggauss(4)
    offset = (np.arange(-radius, radius + 1)[:, None] + 0.5 * node).ravel()
    rate = 10 ** (-0.4 * (mag - scenario.zero_point)) / camera.exposure
    weight = np.outer(np.tile(0.5 * share, 2 * radius + 1), np.tile(0.5 * share, 2 * radius + 1))
    size = 2 * radius + 1
    for k in range(1, 400):
        for moment, part in zip(*np.polynomial.legendre.leggauss(5), strict=True):
            t = (k - 0.5 + 0.5 * moment) * tau
            s = (t - paths.centre[0]) / camera.exposure
            y = np.polyval(paths.height[0][::-1], s)
            x = np.polyval(paths.column[0][::-1], s)
            if not -radius - 1 < y < n + radius + 1:
                continue
            fwhm = weather.fwhm[k - weather.first]
            a = moffat_scale(fwhm, beta)
            top, left = int(np.floor(y)), int(np.rint(x))
            dy = top + 0.5 + offset - y
            dx = left + offset - x
            value = (1 + (dy[:, None] ** 2 + dx[None, :] ** 2) / a**2) ** -beta
            value *= (beta - 1) / (np.pi * a * a)
            stamp = (value * weight).reshape(size, 4, size, 4).sum(axis=(1, 3))
            stamp *= 0.5 * part * rate * tau * weather.transparency[k - weather.first]
            for i in range(size):
                row = top - radius + i
                if 0 <= row < n and 0 <= k + row < 400:
                    image[k + row, left - radius : left + radius + 1] += stamp[i]
    return image


@pytest.mark.parametrize("line", [200.3, 30.0])
def test_image_is_that_of_a_direct_sum(scenario, line):
    """Grid, table and cells change no pixel by more than 2e-4 of the peak; the ramp included."""
    weather = changing_weather()
    paths = straight(scenario, line, 45.4, drift=1.3, slip=0.8, bend=-1.0)
    image, _ = expose(scenario, paths, 12.0, weather=weather)
    expected = direct(scenario, paths, 12.0, weather, radius=CORE_RADIUS)
    window = slice(int(line) - 11, int(line) + 12), slice(35, 56)
    peak = expected.max()
    assert peak > 1000
    np.testing.assert_allclose(image[window], expected[window], atol=2e-4 * peak)
    assert image[window].sum() == pytest.approx(expected[window].sum(), rel=1e-4)


def test_halving_the_steps_changes_nothing(scenario):
    """Twice as many sub-steps: places stay within 1e-3 px, pixels within 1e-4 of the flux."""
    paths = straight(scenario, 200.3, 45.4, drift=1.3, slip=0.8, bend=-1.0)
    one, truth_one = expose(scenario, paths, 12.0)
    two, truth_two = expose(replace(scenario, sub_steps=6), paths, 12.0)
    places = [LINE["line"], LINE["column"]]
    np.testing.assert_allclose(truth_one[0, places], truth_two[0, places], atol=1e-3)
    moments = [LINE["mom_ll"], LINE["mom_lc"], LINE["mom_cc"]]
    np.testing.assert_allclose(truth_one[0, moments], truth_two[0, moments], atol=1e-3)
    np.testing.assert_allclose(one, two, atol=1e-4 * one.sum())
    assert one.sum() == pytest.approx(two.sum(), rel=1e-4)


def test_flux_is_conserved(scenario):
    """All light of a bright star's crossing arrives in the image; faint ones lose under 2e-3."""
    exposure = LINE["exposure"]
    for mag, lost in ((12.0, 1e-4), (19.0, 2e-3)):
        flux = 10 ** (-0.4 * (mag - scenario.zero_point))
        paths = straight(scenario, 200.3, 45.4, drift=0.4)
        image, truth = expose(scenario, paths, mag)
        expected = flux * truth[0, exposure] / scenario.camera.exposure
        assert image.sum() == pytest.approx(expected, rel=lost)
        assert image.sum() < expected * (1 + 2e-5)


def test_truth_is_where_the_light_is(scenario):
    """First moments of the image and of the path agree, second moments up to the profile."""
    still, _ = expose(scenario, straight(scenario, 200.3, 45.4), 12.0)
    paths = straight(scenario, 200.3, 45.4, drift=3.0, slip=2.0)
    image, truth = expose(scenario, paths, 12.0)

    def moments(frame):
        # A window without truncation effects to speak of.
        l, c = np.mgrid[190:212, 35:57]
        z = frame[190:212, 35:57]
        ml, mc = (l * z).sum() / z.sum(), (c * z).sum() / z.sum()
        return ml, mc, ((c - mc) ** 2 * z).sum() / z.sum(), ((l - ml) ** 2 * z).sum() / z.sum()

    ml, mc, cc, ll = moments(image)
    assert ml == pytest.approx(truth[0, LINE["line"]], abs=2e-3)
    assert mc == pytest.approx(truth[0, LINE["column"]], abs=2e-3)
    _, _, cc0, ll0 = moments(still)
    # A uniform drift of d px adds d**2/12; the slower star takes 64/62 of the time.
    across, along = (3 * 64 / 62) ** 2 / 12, (2 * 64 / 62) ** 2 / 12
    assert truth[0, LINE["mom_cc"]] == pytest.approx(across, rel=1e-3)
    # The clock's sawtooth and the slip within a period (2/64 row) are correlated.
    assert truth[0, LINE["mom_ll"]] == pytest.approx(along + 1 / 12, abs=2 * (2 / 64) / 12)
    # A packet d rows ahead integrates d periods later, when the star has slipped d * 2/64 more: the
    # strip's scale along the scan is that of the slower star, and so is the seeing's image.
    stretch = (1 + 2 / 64) ** 2
    # In a window the wings of the wider image are cut more.
    assert cc - cc0 == pytest.approx(across, rel=0.05)
    assert ll - stretch * ll0 == pytest.approx(along, rel=0.05)


def test_matched_star_is_smeared_by_one_row(scenario):
    """A star that moves with its packet is smeared by the clock alone: variance 1/12."""
    _, truth = expose(scenario, straight(scenario, 200.3, 45.4), 12.0)
    assert truth[0, LINE["mom_ll"]] == pytest.approx(1 / 12, abs=2e-4)
    assert truth[0, LINE["mom_cc"]] == pytest.approx(0, abs=1e-9)
    assert truth[0, LINE["line"]] == pytest.approx(200.3, abs=1e-2)
    assert truth[0, LINE["exposure"]] == pytest.approx(scenario.camera.exposure, rel=1e-9)


def test_ramp_collects_in_proportion(scenario):
    """A packet at line l has integrated l periods: so has a star that leaves at line l."""
    lines = np.array([14.0, 30.0, 40.0, 90.0])
    paths = straight(scenario, lines, np.full(4, 45.4))
    for n in range(4):
        one = Paths(paths.centre[n : n + 1], paths.column[n : n + 1], paths.height[n : n + 1])
        image, truth = expose(scenario, one, 12.0)
        share = min(lines[n] / N_STAGE, 1.0)
        assert truth[0, LINE["exposure"]] == pytest.approx(
            share * scenario.camera.exposure, rel=1e-6
        )
        flux = 10 ** (-0.4 * (12.0 - scenario.zero_point))
        # Lines before 0 left the chip before the shutter opened; nothing is lost otherwise.
        assert image.sum() == pytest.approx(share * flux, rel=3e-3 if n == 0 else 3e-4)


def test_wings_join_the_core(scenario):
    """Beyond the table the profile goes on as the analytic one."""
    paths = straight(scenario, 200.0, 48.0)
    image, truth = expose(scenario, paths, 10.0)
    a = moffat_scale(2.5, scenario.beta)
    flux = 10 ** (-0.4 * (10.0 - scenario.zero_point))
    line = truth[0, LINE["line"]]
    for distance in (10, 12, 13, 16, 20):
        r2 = (200 + distance - line) ** 2
        expected = flux * (scenario.beta - 1) / (np.pi * a * a) * (1 + r2 / a**2) ** -scenario.beta
        # The point value leaves out the curvature over pixel and clocking: under 5 % here.
        assert image[200 + distance, 48] == pytest.approx(expected, rel=0.05)


def test_star_off_the_side_leaves_its_wing(scenario):
    """A star centred on the outer edge of the last column leaves half of its light."""
    inside, _ = expose(scenario, straight(scenario, 200.3, 45.5), 12.0)
    outside, _ = expose(scenario, straight(scenario, 200.3, 95.5), 12.0)
    assert outside.sum() == pytest.approx(0.5 * inside.sum(), rel=1e-3)


def test_chunks_join(scenario):
    """The same star computed in two overlapping images gives the same lines."""
    paths = straight(scenario, 200.3, 45.4, drift=1.0)
    whole, _ = expose(scenario, paths, 12.0)
    part, _ = expose(scenario, paths, 12.0, lines=100, first=198)
    np.testing.assert_array_equal(part, whole[198:298])


# Fractions of the light of a Moffat profile within r = 0.5, 1, 2 and 3 full widths at half maximum:
# analytic, 1-(1+(r/a)**2)**(1-beta), as listed for the project.
@pytest.mark.parametrize(
    ("beta", "inside"),
    [
        (2.5, (0.34025, 0.70916, 0.93382, 0.97738)),
        (3.0, (0.37004, 0.75963, 0.96242, 0.99068)),
        (4.765, (0.42171, 0.83974, 0.99111, 0.99920)),
    ],
)
def test_scale_radius_gives_the_light_inside(beta, inside):
    """The scale radius belongs to the width at half maximum."""
    a = moffat_scale(1.0, beta)
    r = np.array([0.5, 1.0, 2.0, 3.0])
    np.testing.assert_allclose(1 - (1 + (r / a) ** 2) ** (1 - beta), inside, atol=6e-6)


@pytest.mark.parametrize("fwhm", [1.3, 2.9])
def test_table_holds_integrals_over_pixels(fwhm):
    """Pixels of the table against adaptive quadrature of the profile."""
    beta = 3.5
    table = tabulate_profile(fwhm, 1.01 * fwhm, beta)
    a = moffat_scale(fwhm, beta)

    def profile(x, y):
        return (beta - 1) / (np.pi * a * a) * (1 + (x * x + y * y) / a**2) ** -beta

    for p, q, i, j in ((4, 4, 0, 0), (0, 7, 0, 1), (2, 5, -3, 4), (7, 1, 9, -12)):
        dy, dx = i - (p - 4) / PHASES, j - (q - 4) / PHASES
        expected, _ = dblquad(profile, dy - 0.5, dy + 0.5, dx - 0.5, dx + 0.5, epsrel=1e-8)
        found = table.values[0, p, q, CORE_RADIUS + i, CORE_RADIUS + j]
        assert found == pytest.approx(expected, rel=1e-5)


def test_profile_phases_move_the_centroid():
    """Each phase of the table shifts the stamp by its fraction of a pixel."""
    table = tabulate_profile(2.0, 2.4, 4.0)
    grid = np.arange(-CORE_RADIUS, CORE_RADIUS + 1)
    for p in range(PHASES):
        stamp = table.values[1, p, 3]
        centre = (stamp.sum(axis=1) * grid).sum() / stamp.sum()
        assert centre == pytest.approx((p - PHASES // 2) / PHASES, abs=2e-3)
    assert table.values[0].sum(axis=(2, 3)).max() < 1.0


def test_noise_area_is_that_of_the_profile():
    """1 / sum(P**2) of a well sampled profile, and a radius that grows with brightness."""
    table = tabulate_profile(5.0, 5.0, 4.765)
    stamp = table.values[0, PHASES // 2, PHASES // 2]
    assert 1 / (stamp**2).sum() == pytest.approx(find_noise_area(5.0, 4.765), rel=0.03)
    radius = choose_radius(np.array([1e2, 1e4, 1e6]), 2.9, 3.5)
    assert list(radius) == sorted(radius)
    a = moffat_scale(2.9, 3.5)
    assert (1 + (radius[2] / a) ** 2) ** (1 - 3.5) <= 2e-5


def test_sky_integrates_its_window():
    """Lines of the ramp see l periods, later ones n_stage; a step is smeared linearly."""
    weather = changing_weather()
    lines = np.array([0, 1, 30, 64, 65, 300])
    step = (np.arange(900) - 200 > 250).astype(float)
    ones, count = integrate_window(weather, np.ones(900), lines, N_STAGE)
    np.testing.assert_array_equal(count, [0, 1, 30, 64, 64, 64])
    np.testing.assert_allclose(ones, count)
    stepped, _ = integrate_window(weather, step, lines, N_STAGE)
    np.testing.assert_allclose(stepped, [0, 0, 0, 0, 0, 50])


def test_seeing_varies_within_bounds_and_slowly(scenario):
    """No faster than the stated period, never outside the stated widths."""
    plan = replace(scenario.strips[0], seeing=Seeing(1.3, 1.9, 120.0), n_lines=40_000)
    weather = strip_weather(replace(scenario, strips=(plan,)), plan, 0)
    seeing = weather.fwhm * scenario.camera.pixel_scale
    assert seeing.min() >= 1.3
    assert seeing.max() <= 1.9
    assert np.ptp(seeing) > 0.3
    rate = np.abs(np.diff(seeing)).max() / scenario.camera.line_period
    # A sinusoid of 120 s with all of the range would reach 0.3 * 2 pi / 120 arcsec/s; tanh
    # steepens the sum of four slower ones by no more than a few times.
    assert rate < 3 * 0.3 * 2 * np.pi / 120.0
