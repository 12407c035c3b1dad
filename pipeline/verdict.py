"""The facts of nights that their verdicts rest on, read from products only."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.config import LINE_BIN, Config
from pipeline.constants import FWHM_PER_SIGMA
from pipeline.finite import middle
from pipeline.flags import MASK_MEANINGS
from pipeline.flats import Flats, read_flats
from pipeline.io.ledger import by_night, read_ledger, still_failed
from pipeline.io.solution import read_json
from pipeline.io.tables import read_either, read_table_meta
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
    "Judging",
    "NightFacts",
    "StripFacts",
    "Verdict",
    "VerdictLimits",
    "judge",
    "judging_of",
    "read_facts",
    "read_judging",
    "read_night_facts",
]

_DEAD = next(m.bit for m in MASK_MEANINGS if m.name == "DEAD")
# Steps whose failure leaves the catalogue whole.
_AFTERWARDS = {"tiles", "stack", "deep catalogue", "calibrated strip", "calibration"}
_POSITIONS = "sky positions"  # without these a strip is told to have no solution, with the reason


@dataclass(frozen=True)
class Judging:
    """By what nights are judged.

    Attributes
    ----------
    limits : VerdictLimits
    zero_point : mapping of str to float
        By filter, mag of one electron a second on a clear night; absent where not configured.
    dark_sky : mapping of str to float
        By filter, mag/arcsec2.
    """

    limits: VerdictLimits = field(default_factory=VerdictLimits)
    zero_point: Mapping[str, float] = field(default_factory=dict)
    dark_sky: Mapping[str, float] = field(default_factory=dict)

    def to_dict(self) -> dict[str, Any]:
        """What JSON can hold."""
        return asdict(self)


def judging_of(config: Config) -> Judging:
    """What the table [verdict] of a configuration says."""
    table = config.verdict
    limits = VerdictLimits(
        depth=table.depth, pixels=table.pixels, stars=table.stars, flat=table.flat,
        amplifier=table.amplifier, seeing=table.seeing,
    )  # fmt: skip
    return Judging(limits, dict(table.zero_point), dict(table.dark_sky))


def read_judging(path: Path) -> Judging:
    """Read what `Judging.to_dict` became on disk; the defaults where the file is missing."""
    if not path.exists():
        return Judging()
    content = read_json(path)
    limits: dict[str, Any] = {
        k: tuple(v) if isinstance(v, list) else v for k, v in content["limits"].items()
    }
    return Judging(VerdictLimits(**limits), content["zero_point"], content["dark_sky"])


@dataclass(frozen=True)
class _Strip:
    """A strip's own facts, and what is needed to compare it with others."""

    night: str
    kind: tuple[str, str]  # chip and filter
    lines: int
    exposure: float
    scale: float
    clearest: float
    clearest_err: float
    facts: StripFacts


def _removable(now: float, new: float) -> float:
    return float(np.sqrt(max(now**2 - new**2, 0.0)))


def _read_meta(folder: Path) -> dict[str, Any]:
    path = folder / "curves.parquet"
    return read_table_meta(path if path.exists() else path.with_suffix(".fits"))[0]


def _read_strip(folder: Path) -> _Strip:
    solution, curves = read_json(folder / "solution.json"), read_either(folder / "curves")
    meta = _read_meta(folder)
    advice = solution.get("advice")
    parameters = solution.get("parameters") or {}
    scale = float(parameters.get("pixel_scale_arcsec", np.nan))
    facts: dict[str, Any] = {"name": folder.name, "solved": advice is not None}
    facts["n_sources"] = int(np.sum(curves["n_stars"]))
    # In the ramp no star is measured, and curves go on as they begin behind it.
    full = curves["line"] >= float(meta["NSTAGE"])
    if full.any():
        curves = {name: values[full] for name, values in curves.items()}
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
    clearest = clearest_err = np.nan
    if known.any():
        point, error = point[known], error[known]
        best, worst = np.argmax(point), np.argmin(point)
        clearest, clearest_err = float(point[best]), float(error[best])
        facts["cloud"] = clearest - float(point[worst])
        facts["cloud_err"] = float(np.hypot(clearest_err, error[worst]))
        facts["cloud_typical"] = clearest - float(np.median(point))
    fwhm = curves["fwhm"][np.isfinite(curves["fwhm"])]
    if fwhm.size:
        facts["seeing"] = float(np.median(fwhm)) * scale
        facts["seeing_err"] = middle(curves["fwhm_err"]) * scale
        facts["seeing_spread"] = float(np.std(fwhm)) * scale
        facts["sigma"] = float(np.median(fwhm)) / FWHM_PER_SIGMA
    sky = curves["sky"][np.isfinite(curves["sky"])]
    if sky.size:
        level = float(np.median(sky))
        facts["sky"] = level
        if level > 0:
            facts["sky_slope"] = float((sky[-1] - sky[0]) / level)
            facts["sky_mag"] = clearest - 2.5 * np.log10(level / scale**2)
    facts["lost_lines"] = tuple(
        (float(s["line"]), float(s["line_err"]), int(s["lost"]))
        for s in (solution.get("geometry") or {}).get("slips", ())
    )
    n_lines = int(solution["n_lines"])
    columns = ((solution.get("smear_table") or {}).get("column") or [np.nan])[-1] + 1
    masked = (solution.get("masked_pixels") or {}).get("TRAIL", 0)
    if np.isfinite(columns):
        facts["trail_share"] = masked / (columns * n_lines)
    facts["n_trails"] = len(solution.get("trails", ()))
    exposure = float(meta["LINEPER"]) * float(meta["NSTAGE"])
    return _Strip(
        folder.parent.name, (str(meta["CHIP"]), str(meta["FILTER"])), n_lines, exposure, scale,
        clearest, clearest_err, StripFacts(**facts),
    )  # fmt: skip


def _better_half(values: Sequence[float], *, high: bool) -> float:
    """Median of the better half of what is known; NaN without any."""
    known = np.sort([v for v in values if np.isfinite(v)])
    if high:
        known = known[::-1]
    return middle(known[: (known.size + 1) // 2])


@dataclass(frozen=True)
class _Usual:
    """What is usual among all strips of a chip and filter; ``beside``: of more than one night.

    Rate and sky are for a second of exposure and the number of sources for a line, since strips
    differ in both.
    """

    beside: bool
    rate: float
    sky: float
    density: float
    seeing: float
    spread: float


def _find_usual(strips: Sequence[_Strip]) -> _Usual:
    return _Usual(
        beside=len({s.night for s in strips}) > 1,
        rate=_better_half(
            [s.clearest - 2.5 * np.log10(s.exposure) for s in strips], high=True
        ),
        sky=_better_half([s.facts.sky / s.exposure for s in strips], high=False),
        density=_better_half([s.facts.n_sources / s.lines for s in strips], high=True),
        seeing=_better_half([s.facts.seeing for s in strips], high=False),
        spread=middle(np.array([s.facts.seeing_spread for s in strips])),
    )  # fmt: skip


def _compare(strip: _Strip, others: _Usual, judging: Judging) -> StripFacts:
    """Facts of a strip beside those of all strips of its chip and filter, itself among them."""
    facts = strip.facts
    gain = 2.5 * np.log10(strip.exposure)
    usual = judging.zero_point.get(strip.kind[1], np.nan) + gain
    if not np.isfinite(usual) and others.beside:
        usual = others.rate + gain
    changes: dict[str, Any] = {
        "dimming": usual - strip.clearest, "dimming_err": strip.clearest_err
    }  # fmt: skip
    dark = judging.dark_sky.get(strip.kind[1])
    if dark is not None and np.isfinite(usual):
        changes["sky_usual"] = 10.0 ** (-0.4 * (dark - usual)) * strip.scale**2
    elif others.beside:
        changes["sky_usual"] = others.sky * strip.exposure
    if others.beside:
        changes["sources_usual"] = others.density * strip.lines
        changes["seeing_usual"] = others.seeing
        changes["spread_usual"] = others.spread
    return replace(facts, **changes)


def _compare_flats(flats: Flats, night: str) -> dict[str, Any]:
    """The largest change of the response among a night's chips and filters."""
    changes = [c for c in map(flats.change, flats.of(night)) if c and np.isfinite(c.largest)]
    if not changes:
        return {}
    worst = max(changes, key=lambda c: c.largest)
    return {
        "flat_change": worst.largest, "flat_change_err": worst.error,
        "flat_column": worst.column, "flat_others": worst.others, "flat_alike": worst.alike,
    }  # fmt: skip


def _count_dead(flats: Flats, night: str) -> tuple[tuple[str, float, float], ...]:
    """Share of dead columns of each amplifier, and the amplifier's share of the chip."""
    shares = {}
    for path, table in flats.of(night).items():
        dead = (table["mask"] & _DEAD) != 0
        chip = path.name.split("_")[0]
        for name, (first, last) in flats.ranges[path].items():
            where = f"amplifier {name} (chip {chip}, columns {first} to {last - 1})"
            shares[where] = (float(np.mean(dead[first:last])), (last - first) / dead.size)
    return tuple((where, *share) for where, share in shares.items())


def _find_failures(
    ledger: Sequence[Mapping[str, Any]], standing: Sequence[Mapping[str, Any]], night: str
) -> tuple[tuple[str, ...], float]:
    """What failed and still stands, and its share of the night's lines."""
    lines: dict[str, int] = {}
    for row in ledger:
        if row.get("night") == night and row.get("strip") and row.get("block"):
            strip = str(row["strip"])
            lines[strip] = max(lines.get(strip, 0), int(row["block"][1]))
    lost = {strip: np.zeros(-(-n // LINE_BIN), dtype=bool) for strip, n in lines.items()}
    texts = []
    nowhere = False
    for row in standing:
        if row.get("night") != night or row.get("step") == _POSITIONS:
            continue
        strip, block, step = str(row.get("strip", "")), row.get("block"), str(row.get("step"))
        texts.append(f"{strip} {step}: {row.get('reason', '')}".strip())
        if step in _AFTERWARDS:
            continue
        if strip and strip not in lost:
            nowhere = True  # it failed before it was cut: no line of it is known
        for name in (strip,) if strip else tuple(lost):
            if name in lost:
                first, last = block or (0, lines[name])
                lost[name][first // LINE_BIN : -(-last // LINE_BIN)] = True
    total = sum(v.size for v in lost.values())
    share = sum(int(v.sum()) for v in lost.values()) / total if total else float(nowhere)
    return tuple(texts), share


def read_facts(
    products: str | Path,
    nights: Iterable[str],
    judging: Judging | None = None,
    *,
    flats: Flats | None = None,
    unreadable: Sequence[dict[str, Any]] = (),
) -> dict[str, NightFacts]:
    """Read what the products of nights say of their quality.

    A night is judged beside all others of the folder, so these are read too, once for all nights.

    Parameters
    ----------
    products : str or Path
        Folder of products.
    nights : iterable of str
        YYYY-MM-DD.
    judging : Judging, optional
        What is usual where the configuration says it.
    flats : Flats, optional
        The responses, where they were read already.
    unreadable : sequence of dict
        Rows as of the ledger, of strips whose products are damaged: these are not read, and count
        as failed.

    Returns
    -------
    dict of str to NightFacts

    Raises
    ------
    ProductError
        If a product is damaged.
    """
    products = Path(products)
    judging = Judging() if judging is None else judging
    damaged = {(row["night"], row["strip"]) for row in unreadable}
    strips = [
        _read_strip(folder)
        for folder in (p.parent for p in sorted(products.glob("strips/*/*/solution.json")))
        if (folder.parent.name, folder.name) not in damaged
    ]
    flats = read_flats(products) if flats is None else flats
    path = products / "ledger.jsonl"
    ledger = read_ledger(path) if path.exists() else []
    standing = [*still_failed(ledger), *unreadable]
    rows, stand = by_night(ledger), by_night(standing)
    unsolved = {
        (str(row.get("night")), str(row.get("strip"))): str(row.get("reason", "")).removeprefix(
            f"no {_POSITIONS}: "
        )
        for row in standing
        if row.get("step") == _POSITIONS
    }
    kinds: dict[tuple[str, str], list[_Strip]] = {}
    nightly: dict[str, list[_Strip]] = {}
    for strip in strips:
        kinds.setdefault(strip.kind, []).append(strip)
        nightly.setdefault(strip.night, []).append(strip)
    usual = {kind: _find_usual(alike) for kind, alike in kinds.items()}
    found = {}
    for night in nights:
        failed, share = _find_failures(rows.get(night, ()), stand.get(night, ()), night)
        mine = [
            replace(
                _compare(s, usual[s.kind], judging),
                unsolved=unsolved.get((night, s.facts.name), ""),
            )
            for s in nightly.get(night, ())
        ]
        found[night] = NightFacts(
            night=night, strips=tuple(mine), dead_columns=_count_dead(flats, night),
            failed=failed, failed_share=share, **_compare_flats(flats, night),
        )  # fmt: skip
    return found


def read_night_facts(products: str | Path, night: str) -> NightFacts:
    """Read what the products of one night say of its quality; see `read_facts`."""
    return read_facts(products, [night])[night]
