"""The facts of a night that its verdict rests on, read from products only."""

from collections.abc import Iterable, Mapping, Sequence
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.finite import middle
from pipeline.flags import MASK_MEANINGS
from pipeline.io.ledger import read_ledger
from pipeline.io.solution import read_json
from pipeline.io.tables import read_either, read_table
from pipeline.stages.verdict import (
    Finding,
    NightFacts,
    StripFacts,
    Verdict,
    VerdictLimits,
    judge,
)

__all__ = [
    "Finding",
    "NightFacts",
    "StripFacts",
    "Verdict",
    "VerdictLimits",
    "judge",
    "read_facts",
    "read_night_facts",
]

_DEAD = next(m.bit for m in MASK_MEANINGS if m.name == "DEAD")
_PARTS = 8  # equal stretches of columns in which dead ones are counted
_SMOOTH = 9  # columns averaged before responses are compared
Table = dict[str, NDArray[Any]]


def _removable(now: float, new: float) -> float:
    return float(np.sqrt(max(now**2 - new**2, 0.0)))


def _read_strip(folder: Path) -> StripFacts:
    solution, curves = read_json(folder / "solution.json"), read_either(folder / "curves")
    advice = solution.get("advice")
    parameters = solution.get("parameters") or {}
    scale = float(parameters.get("pixel_scale_arcsec", np.nan))
    facts: dict[str, Any] = {"name": folder.name, "solved": advice is not None}
    if advice is not None:
        for word, key in (("period_change", "line_period_change"), ("rotation", "rotation_deg")):
            facts[word] = advice[key]["value"]
            error = advice[key]["error"]
            facts[f"{word}_err"] = np.nan if error is None else error
        for way in ("line", "column"):
            now, new = advice[f"smear_{way}_now"], advice[f"smear_{way}_new"]
            facts[f"smear_{way}"] = _removable(now, new)
    point, error = curves["zero_point"], curves["zero_point_err"]
    known = np.isfinite(point) & np.isfinite(error)
    if known.any():
        best, worst = np.argmax(point[known]), np.argmin(point[known])
        facts["cloud"] = float(point[known][best] - point[known][worst])
        facts["cloud_err"] = float(np.hypot(error[known][best], error[known][worst]))
    fwhm = curves["fwhm"][np.isfinite(curves["fwhm"])]
    if fwhm.size:
        facts["seeing"] = float(np.median(fwhm)) * scale
        facts["seeing_err"] = middle(curves["fwhm_err"]) * scale
        facts["seeing_spread"] = float(np.std(fwhm) / np.median(fwhm))
    sky = curves["sky"][np.isfinite(curves["sky"])]
    if sky.size:
        level = float(np.median(sky))
        facts["sky"] = level
        if level > 0:
            facts["sky_slope"] = float((sky[-1] - sky[0]) / level)
            facts["sky_mag"] = middle(point) - 2.5 * np.log10(level / scale**2)
    facts["lost_lines"] = tuple(
        (float(s["line"]), float(s["line_err"]), int(s["lost"]))
        for s in (solution.get("geometry") or {}).get("slips", ())
    )
    smear = solution.get("smear_table") or {}
    columns = (smear.get("column") or [np.nan])[-1] + 1
    masked = (solution.get("masked_pixels") or {}).get("TRAIL", 0)
    if np.isfinite(columns):
        facts["trail_share"] = masked / (columns * solution["n_lines"])
    facts["n_trails"] = len(solution.get("trails", ()))
    return StripFacts(**facts)


def _smooth(values: NDArray[np.float64], weight: NDArray[np.float64]) -> NDArray[np.float64]:
    """Running weighted mean; NaN where no column is good."""
    kernel = np.ones(_SMOOTH)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(
            np.convolve(values * weight, kernel, "same") / np.convolve(weight, kernel, "same")
        )


def _compare_flats(vectors: Mapping[Path, Table], night: str) -> tuple[float, float, float]:
    """Largest smoothed change of the response from the other nights' median, error, column."""
    found = (np.nan, np.nan, np.nan)
    for path, mine in vectors.items():
        if path.parent.name != night:
            continue
        others = [
            table
            for p, table in vectors.items()
            if p.name == path.name
            and p.parent.name != night
            and table["response"].shape == mine["response"].shape
        ]
        if not others:
            continue
        usual = np.median([t["response"] for t in others], axis=0)
        with np.errstate(invalid="ignore", divide="ignore"):
            change = mine["response"] / usual - 1.0
        good = (mine["mask"] == 0) & np.isfinite(change)
        if not good.any():
            continue
        smooth = _smooth(np.where(good, change, 0.0), good.astype(np.float64))
        smooth = np.where(good, smooth - np.median(change[good]), 0.0)
        worst = int(np.argmax(np.abs(smooth)))
        if not abs(smooth[worst]) <= found[0]:
            error = float(mine["response_err"][worst]) / np.sqrt(_SMOOTH)
            found = (float(abs(smooth[worst])), error, float(worst))
    return found


def _count_dead(vectors: Mapping[Path, Table], night: str) -> tuple[tuple[str, float], ...]:
    """Share of dead columns in equal stretches: products do not name amplifiers' columns."""
    shares = []
    for path, table in vectors.items():
        if path.parent.name != night:
            continue
        mask = table["mask"]
        edges = np.linspace(0, mask.size, _PARTS + 1).astype(int)
        for first, last in pairwise(edges):
            share = float(np.mean((mask[first:last] & _DEAD) != 0)) if last > first else 0.0
            chip = path.name.split("_")[0]
            shares.append((f"chip {chip}, columns {first} to {last - 1}", share))
    return tuple(shares)


def _find_failures(
    ledger: Sequence[Mapping[str, Any]], night: str
) -> tuple[tuple[str, ...], float]:
    # The last word on a step counts: what failed once and was done later is done.
    last: dict[tuple[str, str, str], Mapping[str, Any]] = {}
    for row in ledger:
        if row.get("night") == night and row.get("state") in ("ok", "failed", "skipped"):
            last[(row["strip"], row["step"], str(row.get("block")))] = row
    failed = [row for row in last.values() if row["state"] == "failed"]
    texts = tuple(f"{r['strip']} {r['step']}: {r.get('reason', '')}".strip() for r in failed)
    return texts, len(failed) / max(len(last), 1)


def read_facts(products: str | Path, nights: Iterable[str]) -> dict[str, NightFacts]:
    """Read what the products of nights say of their quality.

    A night is judged beside all others of the folder, so these are read too, once for all nights.

    Parameters
    ----------
    products : str or Path
        Folder of products.
    nights : iterable of str
        YYYY-MM-DD.

    Returns
    -------
    dict of str to NightFacts

    Raises
    ------
    ProductError
        If a product is damaged.
    """
    products = Path(products)
    strips: dict[str, list[StripFacts]] = {}
    for path in sorted(products.glob("strips/*/*/solution.json")):
        strips.setdefault(path.parents[1].name, []).append(_read_strip(path.parent))
    dark = min((s.sky for mine in strips.values() for s in mine if s.sky > 0), default=np.nan)
    vectors = {p: read_table(p) for p in sorted(products.glob("calibration/*/*_response.fits"))}
    path = products / "ledger.jsonl"
    ledger = read_ledger(path) if path.exists() else []
    found = {}
    for night in nights:
        change, error, column = _compare_flats(vectors, night)
        failed, share = _find_failures(ledger, night)
        found[night] = NightFacts(
            night=night, strips=tuple(strips.get(night, ())),
            dead_columns=_count_dead(vectors, night),
            flat_change=change, flat_change_err=error, flat_column=column, sky_dark=dark,
            failed=failed, failed_share=share,
        )  # fmt: skip
    return found


def read_night_facts(products: str | Path, night: str) -> NightFacts:
    """Read what the products of one night say of its quality; see `read_facts`."""
    return read_facts(products, [night])[night]
