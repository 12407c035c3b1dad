"""The chip: response, dark, bias, bad columns, bleeding, amplifiers and the converter."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from synthetic.scenario import AmplifierSpec, Scenario

__all__ = [
    "ADC_TOP",
    "BLEED_REACH",
    "CHUNK_REACH",
    "Detector",
    "bend",
    "bleed",
    "find_saturation",
    "hold_back",
    "make_detector",
    "overscan_level",
    "read_out",
]

Floats = NDArray[np.float64]

ADC_TOP = 65535
# Bled charge is followed this far, and what a trap holds back this far behind; chunks of a strip
# overlap by as much, so that cutting changes none.
BLEED_REACH = 256
_TRAP_REACH = 160
CHUNK_REACH = BLEED_REACH + _TRAP_REACH


@dataclass(frozen=True)
class Detector:
    """One value per chip column. `dark` in electrons per second, `bias` in electrons.

    `stray` is light of the sky that reaches the chip beside the optics, relative to what comes
    through them: it follows the sky exactly, so a flat made from the sky holds it as response,
    while stars have none of it.
    """

    response: Floats
    dark: Floats
    bias: Floats
    scattered: Floats
    extra_noise: Floats
    bad: NDArray[np.str_]
    stray: Floats

    def find(self, reason: str) -> NDArray[np.int64]:
        """Columns that are bad for a reason."""
        return np.flatnonzero(self.bad == reason)


def _dust(rng: np.random.Generator, columns: int, count: int) -> Floats:
    """Shadows of dust grains: product of shallow dips."""
    c = np.arange(columns)
    shadow = np.ones(columns)
    for _ in range(count):
        z = (c - rng.uniform(0, columns)) / rng.uniform(4.0, 16.0)
        shadow *= 1.0 - rng.uniform(0.01, 0.04) * np.exp(-0.5 * z**4)
    return shadow


def make_detector(scenario: Scenario, night: str) -> Detector:
    """Invent the chip as it is on a night; the same seed gives the same chip.

    Parameters
    ----------
    scenario : Scenario
        Its `response_changes` list the nights from which the response is another one.
    night : str
        YYYY-MM-DD.

    Returns
    -------
    Detector
    """
    camera, spec = scenario.camera, scenario.detector
    n = camera.columns
    rng = np.random.default_rng([scenario.seed, 11])
    u = (np.arange(n) - 0.5 * (n - 1)) / (0.5 * n)
    scattered = 1.0 + 0.5 * u + 0.4 * np.sin(5.0 * u + 0.7) * np.exp(-(u**2))
    stray = spec.stray * (0.25 + 0.3 * u + 0.45 * u**2)
    if spec.flat:
        zero = np.zeros(n)
        bad = np.full(n, "", dtype="<U8")
        return Detector(np.ones(n), zero, zero.copy(), scattered, zero.copy(), bad, stray)
    response = 1.0 - spec.shading * u**2 + 0.01 * np.sin(3.1 * u + 1.0)
    response *= 1.0 + spec.pixel_scatter * rng.standard_normal(n)
    response *= _dust(rng, n, spec.dust)
    dark = spec.dark * (1.0 + 0.15 * rng.standard_normal(n)).clip(0.3)
    bias = spec.bias_scatter * rng.standard_normal(n)
    for amplifier in camera.amplifiers:
        first, last = amplifier.chip
        towards = np.arange(last - first)
        bias[first:last] += 5.0 * np.exp(-towards / 25.0) + rng.normal(0, 1.0)
    bad = np.full(n, "", dtype="<U8")
    extra = np.zeros(n)
    inner = np.arange(n // 16, n - n // 16)
    chosen = rng.choice(inner, size=spec.dead + spec.hot + spec.noisy, replace=False)
    dead, hot, noisy = np.split(chosen, [spec.dead, spec.dead + spec.hot])
    bad[dead], bad[hot], bad[noisy] = "dead", "hot", "noisy"
    dark[hot] += rng.uniform(1.5, 6.0, size=len(hot))
    extra[noisy] = spec.noisy_sigma
    # A stream of their own, so that the rest of the chip does not depend on their number.
    rest = np.setdiff1d(inner, chosen)
    more = np.random.default_rng([scenario.seed, 14]).choice(
        rest, size=spec.bent + spec.trap, replace=False
    )
    bad[more[: spec.bent]], bad[more[spec.bent :]] = "bent", "trap"
    for number, change in enumerate(scenario.response_changes):
        if night >= change:
            again = np.random.default_rng([scenario.seed, 12, number])
            response *= 1.0 + 0.02 * np.cos(2.0 * u + again.uniform(0, 6)) + 0.005
            response *= _dust(again, n, max(4, spec.dust))
    response /= np.median(response)
    response[dead] = 0.02
    for fault in (plan.fault for plan in scenario.science if plan.night == night):
        for column, width, depth in fault.grains:
            response *= 1.0 - depth * np.exp(-0.5 * ((np.arange(n) - column) / width) ** 4)
        for amplifier in camera.amplifiers:
            if amplifier.name == fault.dead_amplifier:
                silent = slice(*amplifier.chip)
                response[silent] = dark[silent] = bias[silent] = extra[silent] = 0.0
                bad[silent] = "dead"
    return Detector(response, dark, bias, scattered, extra, bad, stray)


def bend(image: Floats, detector: Detector, *, loss: float, level: float) -> None:
    """Let bent columns lose a share of their charge that grows with it, in place.

    Parameters
    ----------
    image : ndarray of shape (lines, columns)
        Electrons.
    detector : Detector
        Its columns that are bad for the reason ``bent``.
    loss : float
        Share lost at the highest levels.
    level : float
        Electrons at which half of it is lost.
    """
    columns = detector.find("bent")
    charge = image[:, columns]
    image[:, columns] = charge * (1.0 - loss * charge / (charge + level))


def hold_back(image: Floats, detector: Detector, *, share: float, lines: float) -> None:
    """Let traps hold back a share of every packet and release it into later lines, in place.

    Each electron is held independently of the others, so that Poisson noise stays Poisson noise:
    it suffices to spread the expected charge.

    Parameters
    ----------
    image : ndarray of shape (lines, columns)
        Expected electrons.
    detector : Detector
        Its columns that are bad for the reason ``trap``.
    share : float
        Held back.
    lines : float
        E-folding length of the release.
    """
    tail = np.exp(-np.arange(1, _TRAP_REACH + 1) / lines)
    kernel = np.concatenate([[1.0 - share], share * tail / tail.sum()])
    for column in detector.find("trap"):
        image[:, column] = np.convolve(image[:, column], kernel)[: len(image)]


@njit(cache=True)
def bleed(image: Floats, full_well: float, reach: int) -> None:
    """Let charge above full well run along the lines, half each way, in place.

    Parameters
    ----------
    image : ndarray of shape (lines, columns)
        Electrons. Charge is conserved unless it leaves the image or runs further than `reach`
        without room, where it is lost to the drain.
    full_well : float
        Electrons a pixel holds.
    reach : int
        Longest run, lines.
    """
    n_lines, n_columns = image.shape
    for c in range(n_columns):
        line = 0
        while line < n_lines:
            if image[line, c] <= full_well:
                line += 1
                continue
            # Gather one saturated run, then fill outwards from both of its ends.
            first = line
            excess = 0.0
            while line < n_lines and image[line, c] > full_well:
                excess += image[line, c] - full_well
                image[line, c] = full_well
                line += 1
            for direction in (-1, 1):
                left = 0.5 * excess
                place = first - 1 if direction < 0 else line
                steps = 0
                while left > 0.0 and 0 <= place < n_lines and steps < reach:
                    room = full_well - image[place, c]
                    if room > 0.0:
                        moved = min(room, left)
                        image[place, c] += moved
                        left -= moved
                    place += direction
                    steps += 1


def find_saturation(scenario: Scenario, amplifier: AmplifierSpec) -> float:
    """Raw value (ADU) from which a pixel counts as saturated."""
    top = scenario.detector.full_well / amplifier.gain + amplifier.offset
    return float(np.floor(0.96 * min(top, ADC_TOP)))


def overscan_level(
    scenario: Scenario, number: int, strip_number: int, lines: NDArray[np.int64]
) -> Floats:
    """Zero level (ADU) of amplifier `number` at strip lines: a slow drift, no noise."""
    rng = np.random.default_rng([scenario.seed, 13, strip_number, number])
    drift = scenario.detector.overscan_drift
    phase = rng.uniform(0, 2 * np.pi, size=2)
    slow = 0.7 * np.sin(lines / 2900.0 + phase[0]) + 0.3 * np.sin(lines / 730.0 + phase[1])
    return scenario.camera.amplifiers[number].offset + drift * slow


def read_out(
    scenario: Scenario,
    detector: Detector,
    charge: Floats,
    *,
    first_line: int,
    strip_number: int,
    rng: np.random.Generator,
) -> NDArray[np.uint16]:
    """Turn collected electrons into a raw frame.

    Parameters
    ----------
    scenario, detector : Scenario, Detector
        Camera and chip.
    charge : ndarray of shape (lines, columns)
        Electrons collected (after Poisson noise).
    first_line : int
        Strip line of the first row, for the drift of the zero level.
    strip_number : int
        Which strip, for the phase of that drift.
    rng : Generator
        Read noise.

    Returns
    -------
    ndarray of shape (lines, raw columns), uint16
    """
    camera = scenario.camera
    n_lines = charge.shape[0]
    lines = np.arange(first_line, first_line + n_lines)
    raw = np.zeros((n_lines, camera.n_raw))
    for number, amplifier in enumerate(camera.amplifiers):
        level = overscan_level(scenario, number, strip_number, lines)[:, None]
        noise = amplifier.read_noise if scenario.read else 0.0
        columns = slice(*amplifier.chip)
        electrons = charge[:, columns] + detector.bias[columns]
        width = electrons.shape[1]
        if scenario.read:
            sigma = np.hypot(noise, detector.extra_noise[columns])
            electrons = electrons + sigma * rng.standard_normal((n_lines, width))
        if amplifier.reversed:
            electrons = electrons[:, ::-1]
        raw[:, slice(*amplifier.data)] = level + electrons / amplifier.gain
        width = amplifier.overscan[1] - amplifier.overscan[0]
        blank = noise * rng.standard_normal((n_lines, width)) if scenario.read else 0.0
        raw[:, slice(*amplifier.overscan)] = level + blank / amplifier.gain
    return np.clip(np.rint(raw), 0, ADC_TOP).astype(np.uint16)
