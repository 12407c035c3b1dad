"""Pixel masks and column masks against what was really hit, crossed, bled or broken.

Pixel masks are read from the calibrated strips (``MASK``, its bits named in the header): they are
the only product that has them in the pixels where detection took place. Tiles have masks too, but
each of their pixels collects the bits of all that its kernel touched.
"""

import logging
import math
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from astropy.io import fits
from numpy.typing import NDArray
from scipy.ndimage import binary_dilation
from scipy.spatial import cKDTree

from synthetic.score_calibration import read_fits_table
from synthetic.score_rows import Row, judge, judge_absent, judge_unmeasurable
from synthetic.score_stars import Stars, compute_background, find_products
from synthetic.score_world import Camera, StripTruth, World, find_value

__all__ = ["score_masks"]

logger = logging.getLogger(__name__)

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

_HIT_SIGMA = 10.0
_TRAIL_SIGMA = 3.0
_HIT_TARGET = 99.0  # per cent; design and issue for cosmic rays, taken over for the others
_FALSE_PIXELS = 0.01  # per cent
_FALSE_STARS = 0.1  # per cent
_STAR_SN = 10.0
# A star is harmed by a false alarm within this many full widths of its middle.
_STAR_REACH = 1.0
# A masked pixel this far from anything recorded of a trail is a false alarm, px.
_TRAIL_SLACK = 16.0
_SIDES = np.ones((3, 3), dtype=bool)
# Words of the truth, and of the masks.
_REASONS = {"dead": "DEAD", "hot": "HOT", "noisy": "NOISY", "bent": "NONLINEAR", "trap": "TRAP"}
# A hot column below this many electrons an integration is calibrated well: it needs no mask.
_HOT_SIGNAL = 100.0
# A bent column is to be found where it leaves the straight line by this share at the highest sky,
# and by this many of the errors that the product states for it.
_BENT = 0.025
_BENT_SIGMA = 8.0


@dataclass
class _Tally:
    """Pixels counted over strips."""

    hits: Counter[str] = field(default_factory=Counter)
    targets: Counter[str] = field(default_factory=Counter)
    alarms: Counter[str] = field(default_factory=Counter)
    pixels: int = 0
    stars: int = 0
    harmed: int = 0
    strips: list[str] = field(default_factory=list)


def _read_bits(header: fits.Header) -> dict[str, int]:
    """Value of every mask bit by the name that the header gives."""
    found = {}
    for number in range(16):
        text = str(header.get(f"BIT{number}", ""))
        if text:
            found[text.split(":", maxsplit=1)[0].strip()] = 1 << number
    return found


def _within(pixels: FloatArray, start: int, shape: tuple[int, int]) -> BoolArray:
    """Pixels that lie in a file."""
    inside = (pixels[:, 0] >= start) & (pixels[:, 0] < start + shape[0])
    return np.asarray(inside & (pixels[:, 1] >= 0) & (pixels[:, 1] < shape[1]), dtype=bool)


def _count_file(
    path: Path, strip: StripTruth, camera: Camera, stars: dict[str, NDArray[Any]], tally: _Tally
) -> None:
    """Add one calibrated file to the counts."""
    with fits.open(path, memmap=False) as hdus:
        start = int(hdus[0].header["LINE0"])
        excess = np.asarray(hdus["IMAGE"].data, dtype=np.float32) - hdus["SKY"].data
        mask = np.asarray(hdus["MASK"].data).astype(np.int64)
        bits = _read_bits(hdus["MASK"].header)
    ray, trail = bits["COSMIC_RAY"], bits["TRAIL"]
    full = bits["SATURATED"] | bits["BLEED"]
    response = np.where(camera.bad, 1.0, camera.response)
    tally.pixels += mask.size

    # Cosmic rays. The noise of a hit pixel is that of sky, dark, read-out and of the star it
    # may have hit. Saturated pixels and bad columns are masked for a better reason.
    own = _within(strip.cosmic, start, mask.shape)
    place = strip.cosmic[own].astype(np.int64)
    electrons = strip.cosmic_e[own]
    l, c = place[:, 0] - start, place[:, 1]
    light = np.maximum(response[c] * excess[l, c] - electrons, 0.0)
    background = compute_background(camera, strip, place[:, 0].astype(float), c)
    judged = (mask[l, c] & full == 0) & ~camera.bad[c]
    bright = judged & (electrons > _HIT_SIGMA * np.sqrt(background + light))
    blank = bright & (light < np.sqrt(background) * 3.0)
    found = mask[l, c] & ray != 0
    for name, chosen in (("ray", bright), ("ray on blank sky", blank)):
        tally.targets[name] += int(chosen.sum())
        tally.hits[name] += int((chosen & found).sum())
    real = np.zeros(mask.shape, dtype=bool)
    real[l, c] = True
    beside = binary_dilation(real, _SIDES)
    marked = mask & ray != 0
    tally.alarms["ray"] += int((marked & ~real).sum())
    tally.alarms["ray away from hits"] += int((marked & ~beside).sum())

    # Stars that lost pixels to a false alarm.
    lost = np.add(np.argwhere(marked & ~beside), [start, 0])
    mine = (stars["line"] >= start) & (stars["line"] < start + mask.shape[0])
    tally.stars += int(mine.sum())
    if len(lost) and mine.any():
        there = np.column_stack([stars["line"], stars["column"]])[mine]
        distance = cKDTree(lost).query(there)[0]
        tally.harmed += int((distance <= _STAR_REACH * stars["fwhm"][mine]).sum())

    # Trails: pixels where the trail itself stands out of the noise of the sky.
    own = _within(strip.trail, start, mask.shape)
    place = strip.trail[own].astype(np.int64)
    l, c = place[:, 0] - start, place[:, 1]
    if len(strip.trail_e) == len(strip.trail):
        sigma = np.sqrt(compute_background(camera, strip, place[:, 0].astype(float), c))
        level = response[c] * strip.trail_e[own] / sigma
        for name, least in (("trail", _TRAIL_SIGMA), ("trail above 1 sigma", 1.0)):
            chosen = level > least
            tally.targets[name] += int(chosen.sum())
            tally.hits[name] += int((chosen & (mask[l, c] & (trail | full) != 0)).sum())
    wrong = np.add(np.argwhere(mask & trail != 0), [start, 0])
    if len(wrong) and len(strip.trail):
        wrong = wrong[cKDTree(strip.trail).query(wrong)[0] > _TRAIL_SLACK]
    tally.alarms["trail"] += len(wrong)

    # Charge that bled: at full well, or filled from a neighbour.
    own = _within(strip.bleed, start, mask.shape)
    place = strip.bleed[own].astype(np.int64)
    l, c = place[:, 0] - start, place[:, 1]
    judged = ~camera.bad[c]
    tally.targets["bleed"] += int(judged.sum())
    tally.hits["bleed"] += int((judged & (mask[l, c] & full != 0)).sum())


def _count(world: World, stars: Stars) -> tuple[_Tally, list[str]]:
    """Counts over all calibrated strips, and what could not be read."""
    tally, failures = _Tally(), []
    t = stars.truth
    chosen = t["complete"] & t["good_place"] & t["unsaturated"] & (t["sn"] > _STAR_SN)
    for index, strip in enumerate(world.science):
        folder = find_products(world.products, strip)
        paths = sorted(folder.glob("calibrated-*.fits")) if folder else []
        camera = world.find_camera(strip.night)
        own = chosen & (t["strip"] == index)
        mine = {key: t[key][own] for key in ("line", "column", "fwhm")}
        for path in paths:
            try:
                _count_file(path, strip, camera, mine, tally)
            except (OSError, KeyError, ValueError) as error:
                logger.exception("%s cannot be judged", path)
                failures.append(f"{strip.name}/{path.name}: {error}")
        if paths:
            tally.strips.append(strip.name)
    return tally, failures


def _score_hits(tally: _Tally, name: str, figure: str, notes: list[str], lack: str) -> Row:
    """Share of the pixels to be masked that are."""
    n = tally.targets[name]
    if lack:
        return judge_unmeasurable(figure, lack, low=_HIT_TARGET, high=100.0, unit="per cent")
    if n == 0:
        reason = "there is none in the calibrated strips"
        return judge_unmeasurable(figure, reason, low=_HIT_TARGET, high=100.0, unit="per cent")
    share = tally.hits[name] / n
    # Where nothing is missed, a share of one in n could still be.
    error = 100.0 * math.sqrt(max(share * (1.0 - share), 1.0 / n) / n)
    return judge(
        figure,
        100.0 * share,
        low=_HIT_TARGET,
        high=100.0,
        n=n,
        unit="per cent",
        error=error,
        tolerance=2.0 * (100.0 - _HIT_TARGET),
        notes=[f"{n - tally.hits[name]} missed", *notes],
    )


def _score_pixels(tally: _Tally, failures: list[str], lack: str) -> list[Row]:
    """Rows of cosmic rays, trails and bleeds."""
    blank = tally.targets["ray on blank sky"]
    rays = "cosmic-ray pixels above 10 sigma that are masked"
    rows = [
        _score_hits(
            tally,
            "ray",
            rays,
            [
                "sigma holds star light in the pixel; saturated pixels, bad columns left out",
                f"{blank - tally.hits['ray on blank sky']} of {blank} missed on blank sky",
            ],
            lack,
        )
    ]
    false_pixels = "good pixels masked as cosmic rays"
    false_stars = f"stars of S/N > {_STAR_SN:g} hit by a false cosmic ray"
    if lack:
        rows += [
            judge_unmeasurable(figure, lack, high=high, strict=True, unit="per cent")
            for figure, high in ((false_pixels, _FALSE_PIXELS), (false_stars, _FALSE_STARS))
        ]
    else:
        away = tally.alarms["ray away from hits"]
        rows.append(
            judge(
                false_pixels,
                100.0 * tally.alarms["ray"] / tally.pixels,
                high=_FALSE_PIXELS,
                strict=True,
                n=tally.pixels,
                unit="per cent",
                notes=[
                    f"{tally.alarms['ray']} pixels, {away} of them not beside a real hit",
                    f"calibrated strips: {', '.join(tally.strips)}",
                ],
                failures=failures,
            )
        )
        share = tally.harmed / tally.stars if tally.stars else math.nan
        error = math.sqrt(max(tally.harmed, 1)) / max(tally.stars, 1)
        rows.append(
            judge(
                false_stars,
                100.0 * share,
                high=_FALSE_STARS,
                strict=True,
                n=tally.stars,
                unit="per cent",
                error=100.0 * error,
                notes=[f"{tally.harmed} stars within a full width of one, no real hit beside it"],
            )
        )
    faint = tally.targets["trail above 1 sigma"]
    rows.append(
        _score_hits(
            tally,
            "trail",
            "pixels of satellite trails above 3 sigma of the sky that are masked",
            [
                f"of {faint} above 1 sigma {100 * tally.hits['trail above 1 sigma'] / faint:.1f} %"
                if faint
                else "",
            ],
            lack,
        )
    )
    figure = "good pixels masked as a trail"
    if lack:
        rows.append(judge_unmeasurable(figure, lack, high=_FALSE_PIXELS, strict=True))
    else:
        rows.append(
            judge(
                figure,
                100.0 * tally.alarms["trail"] / tally.pixels,
                high=_FALSE_PIXELS,
                strict=True,
                n=tally.pixels,
                unit="per cent",
                notes=[f"more than {_TRAIL_SLACK:g} px from any trail"],
            )
        )
    rows.append(_score_hits(tally, "bleed", "saturated and bled pixels that are masked", [], lack))
    return rows


def _measure_bend(world: World, night: str) -> float:
    """Share by which a bent column leaves its straight line at the highest sky of a night."""
    levels = [
        s.lines["sky"][s.lines["line"] >= world.camera.n_stage]
        for s in world.science
        if s.night == night
    ]
    sky = np.concatenate(levels) if levels else np.empty(0)
    if sky.size < 3 or np.ptp(sky) == 0:
        return 0.0
    loss = float(find_value(world.scenario, "bent_loss") or 0.0)
    half = float(find_value(world.scenario, "bent_level") or 1.0)
    curve = np.polynomial.Polynomial.fit(sky, sky * (1.0 - loss * sky / (sky + half)), 2)
    bend = curve.convert().coef[2] * sky.max()
    return float(abs(bend))


def _score_columns(world: World) -> list[Row]:
    """Rows of the column masks by reason, and of good columns masked."""
    hits: Counter[str] = Counter()
    seen: Counter[str] = Counter()
    missed: list[str] = []
    good = wrong = 0
    alarms: Counter[str] = Counter()
    failures: list[str] = []
    for night in world.nights:
        camera = world.find_camera(night)
        bend = _measure_bend(world, night)
        period = next(s.line_period for s in world.strips if s.night == night)
        signal = camera.dark * camera.n_stage * period
        hot = signal - np.median(signal) > _HOT_SIGNAL
        paths = sorted((world.products / "calibration" / night).glob("*_response.fits"))
        if not paths and any(s.night == night for s in world.science):
            failures.append(f"no response vector of {night}")
        for path in paths:
            try:
                with fits.open(path, memmap=False) as hdus:
                    header = next(h.header for h in hdus if isinstance(h, fits.BinTableHDU))
                table, _ = read_fits_table(path)
                bits = _read_bits(header)
                mask = np.asarray(table["mask"]).astype(np.int64)
                unsure = np.asarray(table.get("linearity_err", np.zeros(mask.size)))
            except (OSError, KeyError, StopIteration) as error:
                failures.append(f"{night}/{path.name}: {error}")
                continue
            masked = mask != 0
            good += int((~camera.bad).sum())
            wrong += int((masked & ~camera.bad).sum())
            for name, bit in bits.items():
                alarms[name] += int(((mask & bit != 0) & ~camera.bad).sum())
            for column in np.flatnonzero(camera.bad):
                reason = str(camera.reasons[column])
                bent = bend > max(_BENT, _BENT_SIGMA * float(unsure[column]))
                if (reason == "bent" and not bent) or (reason == "hot" and not hot[column]):
                    continue
                seen[reason] += 1
                if mask[column] & bits.get(_REASONS[reason], 0):
                    hits[reason] += 1
                else:
                    what = "masked for another reason" if masked[column] else "not masked"
                    missed.append(f"{reason} column {column} {what} on {night}")
    figure = "bad columns masked with their reason"
    total = sum(seen.values())
    if total == 0 and not failures:
        reason = "the chip has no bad column"
        rows = [judge_unmeasurable(figure, reason, low=_HIT_TARGET, high=100.0, unit="per cent")]
    elif total == 0:
        rows = [judge_absent(figure, "; ".join(failures), low=_HIT_TARGET, high=100.0)]
    else:
        each = ", ".join(f"{name} {hits[name]} of {seen[name]}" for name in sorted(seen))
        rows = [
            judge(
                figure,
                100.0 * sum(hits.values()) / total,
                low=_HIT_TARGET,
                high=100.0,
                n=total,
                unit="per cent",
                notes=[
                    f"columns times nights: {each}",
                    f"hot ones of more than {_HOT_SIGNAL:g} electrons an integration",
                    f"bent ones that leave the line by {100 * _BENT:g} %, {_BENT_SIGMA:g} errors",
                    *missed[:6],
                ],
                failures=failures,
            )
        ]
    figure = "good columns masked"
    if good == 0:
        reason = "; ".join(failures) or "no response vector was expected"
        return [*rows, judge_absent(figure, reason, high=1.0, unit="per cent")]
    names = ", ".join(f"{name} {n}" for name, n in alarms.items() if n)
    rows.append(
        judge(
            figure,
            100.0 * wrong / good,
            high=_FALSE_STARS,
            n=good,
            unit="per cent",
            notes=[names or "none"],
            failures=failures,
        )
    )
    return rows


def score_masks(world: World, stars: Stars) -> list[Row]:
    """Rows of hit rates and false alarms of pixel masks and column masks.

    Parameters
    ----------
    world : World
        Truth, and where the products are.
    stars : Stars
        The joined table.

    Returns
    -------
    list of Row
        Pixel masks are not measured where no calibrated strip was written.
    """
    tally, failures = _count(world, stars)
    lack = "" if tally.strips else "no calibrated strip (products.calibrated_strips) to read"
    return [*_score_pixels(tally, failures, lack), *_score_columns(world)]
