"""The verdict of a night: measured facts against limits, each fault by the quantity defining it."""

from collections.abc import Callable

import numpy as np

from pipeline.stages.depth_cost import (
    cloud_costing,
    cost_of_cloud,
    cost_of_sky,
    cost_of_smear,
    cost_of_width,
    sky_costing,
    smear_costing,
    width_costing,
)
from pipeline.stages.verdict_facts import (
    Finding,
    NightFacts,
    Severity,
    StripFacts,
    Verdict,
    VerdictLimits,
    Word,
)

__all__ = ["Finding", "NightFacts", "StripFacts", "Verdict", "VerdictLimits", "judge"]

_SURE = 3.0  # standard errors that a value must be beyond a limit
_NOTED = 0.25  # of the first limit on depth, from where on smear is worth a note
_RANK: dict[Severity, int] = {"note": 0, "usable": 1, "bad": 2}
_WORDS: tuple[Word, ...] = ("good", "usable", "bad")


def _grade(value: float, limits: tuple[float, float]) -> tuple[Severity, float] | None:
    """Severity and the limit passed; None where it is within limits or unknown."""
    if not np.isfinite(value) or value <= limits[0]:
        return None
    return ("bad", limits[1]) if value > limits[1] else ("usable", limits[0])


def _known(error: float) -> float | None:
    return float(error) if np.isfinite(error) else None


def _sure(value: float, error: float) -> float:
    """The least that a value may be."""
    return value - _SURE * float(np.nan_to_num(error))


def _limits_of(limits: VerdictLimits, invert: Callable[[float], float]) -> tuple[float, float]:
    """Limits on depth in the unit of a fault."""
    return invert(limits.depth[0]), invert(limits.depth[1])


def judge(facts: NightFacts, limits: VerdictLimits | None = None) -> Verdict:
    """Judge a night.

    Parameters
    ----------
    facts : NightFacts
    limits : VerdictLimits, optional
        The defaults where absent.

    Returns
    -------
    Verdict
        "bad" with any bad finding or no strip at all, "usable" with any that says so, else "good".
        The worst finding is first. What was not measured is no fault, and is listed.
    """
    limits = VerdictLimits() if limits is None else limits
    found: list[Finding] = []
    unjudged: list[str] = []
    for strip in facts.strips:
        found += _judge_stars(strip, limits, unjudged)
        found += _judge_air(strip, limits, unjudged)
        found += _judge_camera(strip, limits)
    if not facts.strips:
        found.append(
            Finding("no products", facts.night, 0.0, None, 1.0, "strips",
                    "No strip of the night has products: nothing could be measured.", "bad")
        )  # fmt: skip
    found += _judge_columns(facts, limits, unjudged)
    if facts.failed:
        grade = _grade(facts.failed_share, limits.pixels) or ("usable", 0.0)
        steps = "1 step" if len(facts.failed) == 1 else f"{len(facts.failed)} steps"
        text = (
            f"{steps} failed, which took {100 * facts.failed_share:.0f} % of the "
            f"night's lines; the first: {facts.failed[0]}."
        )
        found.append(
            Finding("failed steps", facts.night, facts.failed_share, None, grade[1],
                    "share of lines", text, grade[0])
        )  # fmt: skip
    worst = max((_RANK[f.severity] for f in found), default=0)
    order = sorted(found, key=lambda f: -_RANK[f.severity])
    return Verdict(_WORDS[worst], tuple(order), tuple(dict.fromkeys(unjudged)))


def _judge_columns(facts: NightFacts, limits: VerdictLimits, unjudged: list[str]) -> list[Finding]:
    found: list[Finding] = []
    if facts.strips and not facts.dead_columns:
        unjudged.append("amplifiers: no response vector of the night names their columns")
    loose = 0.0  # share of the chip that is dead outside dead amplifiers
    for name, share, of_chip in facts.dead_columns:
        if share > limits.amplifier:
            bad = share * of_chip > limits.pixels[1]
            text = (
                f"{100 * share:.0f} % of the columns of {name}, which has {100 * of_chip:.0f} % of "
                "the chip, have no response: look at its electronics."
            )
            found.append(
                Finding("dead amplifier", name, share, None, limits.amplifier, "share of columns",
                        text, "bad" if bad else "usable")
            )  # fmt: skip
        else:
            loose += share * of_chip
    if grade := _grade(loose, limits.pixels):
        text = f"{100 * loose:.0f} % of the chip's columns have no response."
        found.append(
            Finding("dead columns", facts.night, loose, None, grade[1], "share of columns", text,
                    grade[0])
        )  # fmt: skip
    if not facts.flat_others:
        unjudged.append("change of response: no other night to compare with")
    if grade := _grade(_sure(facts.flat_change, facts.flat_change_err), limits.flat):
        found.append(_tell_flat(facts, grade))
    return found


def _tell_flat(facts: NightFacts, grade: tuple[Severity, float]) -> Finding:
    place = f"column {facts.flat_column:.0f}"
    head = f"The response differs by {100 * facts.flat_change:.1f} % from that of "
    severity = grade[0]
    if facts.flat_others == 1:
        severity, name = "note", "changed response"
        text = f"{head}the only other night at {place}: which of the two changed cannot be told."
    elif facts.flat_alike:
        severity, name = "note", "changed response"
        text = (
            f"{head}most other nights at {place}, as it does on {facts.flat_alike} of the "
            f"{facts.flat_others}: a lasting change, such as dust or cleaning. Make season vectors."
        )
    else:
        name = "dirty flat"
        text = (
            f"{head}all {facts.flat_others} other nights at {place}: look for dust, or for light "
            "on the chip."
        )
    return Finding(
        name, place, facts.flat_change, _known(facts.flat_change_err), grade[1], "relative", text,
        severity,
    )  # fmt: skip


def _judge_stars(strip: StripFacts, limits: VerdictLimits, unjudged: list[str]) -> list[Finding]:
    """Whether there are stars, and where they are on the sky."""
    found: list[Finding] = []
    if not strip.solved:
        why = f": {strip.unsolved}" if strip.unsolved else ""
        found.append(
            Finding("no solution", strip.name, 0.0, None, 1.0, "solutions",
                    f"The strip has no sky positions{why}.", "bad")
        )  # fmt: skip
    if np.isfinite(strip.cloud):
        if not np.isfinite(strip.dimming):
            unjudged.append("even cloud: no other night, and no verdict.zero_point")
        return found
    unjudged.append(f"cloud over {strip.name}: it has no zero point")
    missing = 1.0 - strip.n_sources / strip.sources_usual if strip.sources_usual > 0 else np.nan
    if not strip.n_sources:
        missing = 1.0
    elif not np.isfinite(missing):
        unjudged.append(f"number of stars of {strip.name}: no other night")
    if grade := _grade(missing, limits.stars):
        usual = f", where {strip.sources_usual:.0f} are usual" if strip.sources_usual > 0 else ""
        text = (
            f"The strip has {strip.n_sources} source(s){usual}: look for thick cloud, a closed "
            "cover, or lost focus."
        )
        limit = (1.0 - grade[1]) * float(np.nan_to_num(strip.sources_usual))
        found.append(
            Finding("no stars", strip.name, strip.n_sources, float(np.sqrt(strip.n_sources)),
                    limit, "sources", text, grade[0])
        )  # fmt: skip
    return found


def _judge_air(strip: StripFacts, limits: VerdictLimits, unjudged: list[str]) -> list[Finding]:
    """Cloud, width of the stars, sky."""
    found: list[Finding] = []

    def add(
        fault: str, value: float, error: float, grade: tuple[Severity, float] | None, unit: str,
        text: str, cost: float,
    ) -> None:  # fmt: skip
        if grade is not None:
            found.append(
                Finding(fault, strip.name, float(value), _known(error), float(grade[1]), unit,
                        text, grade[0], cost)
            )  # fmt: skip

    in_mag = _limits_of(limits, cloud_costing)
    dimming = float(np.nan_to_num(strip.dimming))
    if grade := _grade(_sure(strip.cloud, strip.cloud_err), (in_mag[0], np.inf)):
        # A passing cloud spoils a night when half of it is lost so far.
        typical = strip.cloud_typical + max(dimming, 0.0)
        if typical > in_mag[1]:
            grade = ("bad", in_mag[1])
        add("cloud", strip.cloud, strip.cloud_err, grade, "mag",
            f"The zero point drops by up to {strip.cloud:.2f} mag below the strip's clearest part, "
            f"along half of the strip by {strip.cloud_typical:.2f} mag or more.",
            cost_of_cloud(strip.cloud))  # fmt: skip
    add("even cloud", strip.dimming, strip.dimming_err,
        _grade(_sure(strip.dimming, strip.dimming_err), in_mag), "mag",
        f"At its clearest the strip is {strip.dimming:.2f} mag dimmer than usual: an even cloud, "
        "or dirt or dew on the optics.", cost_of_cloud(dimming))  # fmt: skip
    usual = min(limits.seeing, np.nan_to_num(strip.seeing_usual, nan=np.inf))
    in_arcsec = _limits_of(limits, lambda share: usual * width_costing(share))
    fault, why = _tell_width(strip)
    add(fault, strip.seeing, strip.seeing_err,
        _grade(_sure(strip.seeing, strip.seeing_err), in_arcsec), "arcsec",
        f"Stars are {strip.seeing:.2f} arcsec wide ({usual:.2f} usual), {why}.",
        cost_of_width(strip.seeing / usual))  # fmt: skip
    if not np.isfinite(strip.seeing):
        unjudged.append(f"seeing and focus of {strip.name}: no star is bright enough")
    ratio = strip.sky / strip.sky_usual if strip.sky_usual > 0 else np.nan
    if not np.isfinite(ratio):
        unjudged.append(
            f"brightness of the sky of {strip.name}: no other night, and no verdict.dark_sky"
        )
    bright = f"{strip.sky_mag:.2f} mag/arcsec2, " if np.isfinite(strip.sky_mag) else ""
    add("bright sky", ratio, np.nan, _grade(ratio, _limits_of(limits, sky_costing)), "x usual",
        f"The sky is {ratio:.1f} times as bright as usual ({bright}{strip.sky:.0f} electron/px, "
        f"changing by {100 * strip.sky_slope:+.0f} % along the strip): moon, twilight or a lamp.",
        cost_of_sky(ratio))  # fmt: skip
    return found


def _tell_width(strip: StripFacts) -> tuple[str, str]:
    """Name for wide stars, and why.

    Air that is worse varies more, in proportion; a blur of the telescope's own comes on top of
    the air in quadrature and makes its changes smaller than they usually are, in arcsec.
    """
    if not np.isfinite(strip.spread_usual):
        return "seeing", "by the air or the focus: no other night tells how much the air varies"
    spread = f"{strip.seeing_spread:.2f} arcsec along the strip ({strip.spread_usual:.2f} usual)"
    if strip.seeing_spread <= strip.spread_usual:
        return "defocus", f"and vary by only {spread}: look at the focus"
    return "seeing", f"and vary by {spread}: the air"


def _judge_camera(strip: StripFacts, limits: VerdictLimits) -> list[Finding]:
    """Clocking, rotation, lines and trails."""
    found: list[Finding] = []
    # Without a width, a point spread of two pixels: the least that is sampled.
    sigma = strip.sigma if strip.sigma > 0 else 2.0 / 2.355
    in_px = _limits_of(limits, lambda share: smear_costing(share, sigma))
    worth = smear_costing(_NOTED * limits.depth[0], sigma)

    def add(fault: str, smear: float, value: float, error: float, unit: str, text: str) -> None:
        grade = _grade(smear, in_px) or _grade(smear, (worth, np.inf))
        if grade is None:
            return
        severity, limit = grade if smear > in_px[0] else ("note", worth)
        cost = cost_of_smear(smear, sigma)
        found.append(
            Finding(fault, strip.name, float(value), _known(error),
                    float(abs(value) * limit / smear), unit,
                    f"{text} It costs {100 * cost:.0f} % of the depth.", severity, cost)
        )  # fmt: skip

    add("clock error", strip.smear_line, 100.0 * strip.period_change,
        100.0 * strip.period_change_err, "% of line period",
        f"The line period should change by {100 * strip.period_change:+.3f} %; as it is, it "
        f"smears stars by {strip.smear_line:.2f} px rms along the scan.")  # fmt: skip
    add("rotated camera", strip.smear_column, strip.rotation, strip.rotation_err, "deg",
        f"The camera is rotated by {strip.rotation:+.3f} deg against the drift, which smears "
        f"stars by {strip.smear_column:.2f} px rms across the scan.")  # fmt: skip
    for line, line_err, lost in strip.lost_lines:
        found.append(
            Finding("lost lines", strip.name, lost, None, 1.0, "lines",
                    f"{abs(lost)} lines {'lost' if lost > 0 else 'written twice'} at line "
                    f"{line:.0f} (+- {line_err:.0f}).", "usable")
        )  # fmt: skip
    if grade := _grade(strip.trail_share, limits.pixels):
        found.append(
            Finding("satellites", strip.name, strip.trail_share, None, grade[1],
                    "share of pixels",
                    f"{100 * strip.trail_share:.1f} % of the pixels are masked by "
                    f"{strip.n_trails} trails.", grade[0])
        )  # fmt: skip
    return found
