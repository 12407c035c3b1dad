"""A season's calibrations from column summaries alone: no raw pixel is read."""

import logging
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.config import Config
from pipeline.errors import CalibrationError, DriftloomError, ProductError
from pipeline.flags import PixelMask
from pipeline.io.atomic import replace_file
from pipeline.io.provenance import checksum_file, make_provenance
from pipeline.io.register import Entry, Register, read_register, write_register
from pipeline.io.register_edits import keep_edits
from pipeline.io.runlock import hold_lock
from pipeline.io.summary_files import StoredSummary, read_summary
from pipeline.stages.colmask import mask_columns
from pipeline.stages.dark_season import combine_darks
from pipeline.stages.season import Interval, combine_nights, find_intervals
from pipeline.stages.season_compare import ChangeOptions
from pipeline.tasks.options import StageOptions, make_options
from pipeline.tasks.season_nights import (
    NightDark,
    SeasonNight,
    make_night_dark,
    make_season_night,
)
from pipeline.tasks.season_products import (
    combine_transfer,
    file_name,
    write_nights,
    write_season_dark,
    write_season_response,
)

__all__ = ["IntervalRow", "SeasonSummary", "make_season"]

logger = logging.getLogger(__name__)


@dataclass(frozen=True)
class IntervalRow:
    """One interval of validity, for the reader.

    Parameters
    ----------
    id, chip, filter : str
    valid_from, valid_to : str
        Nights.
    n_nights : int
        Nights within the interval.
    error : float
        Typical error of the response of a column.
    change : str
        What changed against the interval before; empty for the first.
    chance : float
        Probability, at most, of such a change by chance in the whole season.
    """

    id: str
    chip: str
    filter: str
    valid_from: str
    valid_to: str
    n_nights: int
    error: float
    change: str
    chance: float


@dataclass
class SeasonSummary:
    """What a season was made of.

    Parameters
    ----------
    intervals : list of IntervalRow
    n_darks : int
        Nights with a dark in the register.
    n_summaries, n_bytes : int
        Summary files read, and their bytes.
    register, picture : Path or None
    problems : list of str
        What the reader should know; nothing was lost.
    failures : list of str
        What could not be used, and why.
    seconds : float
    """

    intervals: list[IntervalRow] = field(default_factory=list)
    n_darks: int = 0
    n_summaries: int = 0
    n_bytes: int = 0
    register: Path | None = None
    picture: Path | None = None
    problems: list[str] = field(default_factory=list)
    failures: list[str] = field(default_factory=list)
    seconds: float = 0.0

    def note(self, *texts: str) -> None:
        """Add problems, each once."""
        for text in texts:
            if text not in self.problems:
                self.problems.append(text)


class _Maker:
    """One making of a season: what every step needs, and what it leaves."""

    def __init__(self, config: Config, out: Path) -> None:
        self.config = config
        self.out = out
        self.folder = out / "calibration"
        self.options: StageOptions = make_options(config)
        self.changes = ChangeOptions(light_limit=self.options.response.scattered_limit)
        self.summary = SeasonSummary()
        self.entries: list[Entry] = []
        self.checksums: dict[str, str] = {}
        self.made = datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
        self.common: dict[str, Any] = {"ORIGIN": (config.observatory.name, "observatory")}
        path = self.folder / "register.toml"
        self.before = read_register(path) if path.exists() else Register(path, ())
        self._lost: dict[str, list[str]] = {}

    def find_files(self) -> dict[str, list[Path]]:
        """Summary files by night; what was reduced and has none is named."""
        found: dict[str, list[Path]] = {}
        for path in sorted((self.out / "summaries").glob("*/*.fits")):
            found.setdefault(path.parent.name, []).append(path)
        for folder in sorted((self.out / "strips").glob("*/*")):
            night, strip = folder.parent.name, folder.name
            if folder.is_dir() and not (self.out / "summaries" / night / f"{strip}.fits").exists():
                self.lose(
                    night,
                    f"{self.out / 'summaries' / night / f'{strip}.fits'}: missing, although the "
                    "strip was reduced; the season does without it. Reduce the night again",
                )
        return found

    def lose(self, night: str, text: str) -> None:
        """Note what a night lost."""
        self.summary.failures.append(text)
        self._lost.setdefault(night, []).append(text)

    def lost_within(self, first: str, last: str) -> list[str]:
        """What the nights of an interval lost."""
        return [t for n in sorted(self._lost) if first <= n <= last for t in self._lost[n]]

    def read(self, night: str, paths: Sequence[Path]) -> list[StoredSummary]:
        """Summaries of a night; damaged ones are named and left out."""
        stored = []
        for path in paths:
            try:
                one = read_summary(path)
            except ProductError as error:
                self.lose(night, str(error))
                continue
            self.summary.n_summaries += 1
            self.summary.n_bytes += one.n_bytes
            key = f"{one.strip.night}/{one.strip.name}"
            self.checksums[key] = checksum_file(path)
            stored.append(one)
        return stored

    def inputs(self, keys: Sequence[str]) -> list[tuple[str, str]]:
        """Names and checksums of summaries."""
        return [(f"summaries/{key}.fits", self.checksums[key]) for key in keys]

    def earlier(self, name: str) -> Entry | None:
        """The entry of the same name of an earlier making."""
        return next((e for e in self.before.entries if e.id == name), None)


def _nights_of(
    maker: _Maker, files: dict[str, list[Path]]
) -> tuple[dict[str, dict[str, NightDark]], dict[tuple[str, str], dict[str, list[StoredSummary]]]]:
    """Darks by chip and night, and summaries by chip, filter and night (closed ones with each)."""
    darks: dict[str, dict[str, NightDark]] = {}
    groups: dict[tuple[str, str], dict[str, list[StoredSummary]]] = {}
    for night, paths in sorted(files.items()):
        stored = maker.read(night, paths)
        for chip in sorted({s.strip.chip for s in stored}):
            mine = [s for s in stored if s.strip.chip == chip]
            closed = [s for s in mine if not s.strip.shutter_open]
            darks.setdefault(chip, {})[night] = make_night_dark(mine, options=maker.options)
            for filter_name in sorted({s.strip.filter for s in mine if s.strip.shutter_open}):
                science = [s for s in mine if s.strip.shutter_open]
                science = [s for s in science if s.strip.filter == filter_name]
                groups.setdefault((chip, filter_name), {})[night] = [*science, *closed]
    return darks, groups


def _register_darks(
    maker: _Maker, chip: str, darks: dict[str, NightDark], models: dict[str, StoredSummary]
) -> dict[str, NightDark]:
    """Write a dark for every night; those without one of their own get that of the others."""
    measured = {n: d for n, d in darks.items() if d.measured}
    chosen: dict[str, NightDark] = {}
    for night, own in darks.items():
        remarks = [*own.problems]
        used = own
        if not own.measured and measured:
            dark = combine_darks([d.dark for d in measured.values()])
            mask = np.bitwise_and.reduce([d.mask for d in measured.values()])
            used = NightDark(dark, mask, measured=False, problems=own.problems)
            remarks.append(
                f"no usable shutter-closed strip of this night: bias and dark are the mean of "
                f"{len(measured)} other night(s), {', '.join(measured)}, with errors raised by "
                "what nights differ by"
            )
        elif not own.measured:
            remarks.append("no night of the season has a usable shutter-closed strip")
        chosen[night] = used
        nights = [night] if own.measured else list(measured) or [night]
        closed = [
            key for n in nights for key in sorted(maker.checksums)
            if key.startswith(f"{n}/") and key in models and not models[key].strip.shutter_open
            and models[key].strip.chip == chip
        ]  # fmt: skip
        strip = next(
            s.strip for k, s in models.items() if k.startswith(f"{night}/") and s.strip.chip == chip
        )
        inputs = maker.inputs(closed)
        name = file_name(chip, night, "dark")
        entry = {
            "id": name, "kind": "dark", "chip": chip, "valid_from": night, "valid_to": night,
            "computed_from": night, "computed_to": night,
            "n_nights": len(nights) if own.measured or measured else 0, "made": maker.made,
            "inputs": tuple(" ".join(i) for i in inputs), "remarks": tuple(remarks),
        }  # fmt: skip
        maker.entries.append(
            write_season_dark(
                maker.folder, entry, strip, used.dark.for_period(strip.line_period), used.mask,
                common=maker.common, provenance=make_provenance(maker.config, inputs=inputs),
                before=maker.earlier(name),
            )
        )  # fmt: skip
        maker.summary.note(*(f"night {night}, chip {chip}: {text}" for text in remarks))
        maker.summary.n_darks += 1
    return chosen


def _make_nights(
    maker: _Maker, group: dict[str, list[StoredSummary]], darks: dict[str, NightDark]
) -> list[SeasonNight]:
    """Vectors of every night that allows them."""
    made = []
    for night, stored in group.items():
        own = darks[night]
        other = own.dark if not own.measured and own.dark.n_strips > 0 else None
        try:
            made.append(make_season_night(stored, other, options=maker.options))
        except CalibrationError as error:
            chip, name = stored[0].strip.chip, stored[0].strip.filter
            maker.lose(night, f"night {night}, chip {chip}, filter {name}: no response: {error}")
    return made


def _register_responses(
    maker: _Maker,
    nights: list[SeasonNight],
    group: dict[str, list[StoredSummary]],
    darks: dict[str, NightDark],
) -> tuple[tuple[Interval, ...], list[NDArray[np.float64]]]:
    """Find the intervals of a chip and filter and write their responses."""
    bit = np.uint16(PixelMask.NONLINEAR)
    bent = np.any([(n.vectors.column_mask & bit) != 0 for n in nights], axis=0)
    seen = [n.as_night(bent) for n in nights]
    intervals = find_intervals(seen, options=maker.changes)
    drawn = []
    model = nights[0].model
    for interval in intervals:
        members = [nights[m] for m in interval.members]
        own = [nights[m] for m in range(interval.first, interval.stop)]
        combined, texts = combine_nights([seen[m] for m in interval.members], options=maker.changes)
        remarks = [f"night {n.model.night}: {text}" for n in members for text in n.problems]
        first, last = own[0].model.night, own[-1].model.night
        remarks += maker.lost_within(first, last)
        change, chance = "", 0.0
        if interval.change is not None:
            change, chance = interval.change.describe(), interval.change.chance
            earlier = nights[interval.first - 1].model.night
            remarks.append(
                f"response changed between {earlier} and {first}: {change} (by chance with a "
                f"probability of at most {max(chance, 1e-99):.0e})"
            )
        if len(members) > len(own):
            remarks.append(
                "equal to the interval beyond the single night that stands apart: made of the "
                f"nights of both, {', '.join(n.model.night for n in members)}"
            )
        if len(own) == 1 and len(nights) > 1 and interval.change is not None:
            remarks.append("a single night differs from the one before: a change, or a bad night")
        remarks += texts
        inputs = maker.inputs(
            sorted(f"{s.strip.night}/{s.strip.name}" for n in members for s in group[n.model.night])
        )
        noise = _average_noise([n.noise for n in members])
        mask, _ = mask_columns(
            darks[first].dark, combined, noise, options=maker.options.column_mask
        )
        mask |= _common_bit(members, PixelMask.TRAP) | np.where(bent, bit, np.uint16(0))
        name = file_name(model.chip, model.filter, first, "response")
        entry = {
            "id": name, "kind": "response", "chip": model.chip, "filter": model.filter,
            "valid_from": first, "valid_to": last, "computed_from": first, "computed_to": last,
            "n_nights": len(members), "made": maker.made,
            "inputs": tuple(" ".join(i) for i in inputs), "remarks": tuple(remarks),
        }  # fmt: skip
        maker.entries.append(
            write_season_response(
                maker.folder, entry, own[0].model, combined, mask,
                transfer=combine_transfer(members), common=maker.common,
                provenance=make_provenance(maker.config, inputs=inputs),
                before=maker.earlier(name),
            )
        )  # fmt: skip
        good = np.isfinite(combined.error) & (mask == 0)
        maker.summary.intervals.append(
            IntervalRow(
                name, model.chip, model.filter, first, last, len(own),
                float(np.median(combined.error[good])) if good.any() else np.inf, change, chance,
            )
        )  # fmt: skip
        maker.summary.note(*remarks)
        drawn.append(np.where(mask == 0, combined.value, np.nan))
    return intervals, drawn


def _common_bit(nights: Sequence[SeasonNight], bit: PixelMask) -> NDArray[np.uint16]:
    """A bit of columns that most nights mark."""
    share = np.mean([n.vectors.column_mask & int(bit) > 0 for n in nights], axis=0)
    return np.where(share > 0.5, np.uint16(bit), np.uint16(0))


def _average_noise(
    noises: Sequence[tuple[NDArray[np.float64], NDArray[np.float64]]],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Excess noise of columns over nights, by inverse variance."""
    ratio = np.array([r for r, _ in noises])
    error = np.array([e for _, e in noises])
    known = np.isfinite(ratio) & np.isfinite(error) & (error > 0)
    weight = np.where(known, 1.0 / np.where(known, error, 1.0) ** 2, 0.0)
    total = weight.sum(axis=0)
    safe = np.where(total > 0, total, 1.0)
    mean = (weight * np.where(known, ratio, 0.0)).sum(axis=0) / safe
    return np.where(total > 0, mean, np.nan), np.where(total > 0, safe**-0.5, np.inf)


def make_season(config: Config, out: Path) -> SeasonSummary:
    """Make the column calibrations of a season and their register, from summaries alone.

    Parameters
    ----------
    config : Config
        The observatory.
    out : Path
        Folder of products of one or more reductions; ``out/summaries`` is read, and
        ``out/calibration`` is written: ``season/`` and ``register.toml``. Entries of the register
        that point elsewhere than ``season/``, and validities and marks of preference that were set
        by hand, are kept; the summary says which.

    Returns
    -------
    SeasonSummary

    Raises
    ------
    CalibrationError
        If there is no summary, no night allows a response, or the register that stands there
        cannot be read.
    ProductError
        If another run holds the folder, or it cannot be written.
    """
    begin = time.perf_counter()
    out = Path(out)
    if not any((out / "summaries").glob("*/*.fits")):
        msg = (
            f"{out / 'summaries'}: no column summary of a strip; a season is made from the "
            "summaries that `driftloom reduce` leaves. Reduce the nights first, or correct the path"
        )
        raise CalibrationError(msg)
    with hold_lock(out):
        maker = _Maker(config, out)
        summary = maker.summary
        darks, groups = _nights_of(maker, maker.find_files())
        models = {
            f"{s.strip.night}/{s.strip.name}": s
            for group in groups.values() for stored in group.values() for s in stored
        }  # fmt: skip
        chosen = {
            chip: _register_darks(
                maker, chip,
                {n: d for n, d in mine.items() if any(n in g for (c, _), g in groups.items()
                                                      if c == chip)},
                models,
            )
            for chip, mine in darks.items()
        }  # fmt: skip
        panels = []
        for (chip, filter_name), group in sorted(groups.items()):
            nights = _make_nights(maker, group, chosen[chip])
            if not nights:
                continue
            intervals, drawn = _register_responses(maker, nights, group, chosen[chip])
            keys = sorted(
                f"{s.strip.night}/{s.strip.name}" for n in nights for s in group[n.model.night]
            )
            inputs = maker.inputs(keys)
            write_nights(
                maker.folder, nights, common=maker.common,
                provenance=make_provenance(config, inputs=inputs),
            )  # fmt: skip
            panels.append((chip, filter_name, nights, intervals, drawn))
        if not panels:
            msg = "no night of the season allows a response: " + "; ".join(summary.failures)
            raise CalibrationError(msg)
        _finish(maker, panels)
        summary.seconds = time.perf_counter() - begin
    return summary


def _find_uncovered(made: Sequence[Entry], entries: Sequence[Entry]) -> list[str]:
    """Nights at the ends of intervals that, by dates set by hand, no calibration claims."""
    texts = []
    for entry in made:
        rivals = [e for e in entries if (e.kind, e.chip, e.filter)
                  == (entry.kind, entry.chip, entry.filter)]  # fmt: skip
        left = [
            night
            for night in sorted({entry.computed_from, entry.computed_to})
            if not any(e.covers(night) for e in rivals)
        ]
        if left:
            texts.append(
                f"{entry.id}: set by hand: no {entry.kind} holds now for {' and '.join(left)}, "
                "which it was made from"
            )
    return texts


def _finish(maker: _Maker, panels: Sequence[tuple[Any, ...]]) -> None:
    """Register, picture, and an end to files that no entry names any more."""
    made, texts = keep_edits(maker.entries, maker.before.entries)
    maker.summary.note(*texts)
    mine = {e.id for e in made}
    foreign = [
        e for e in maker.before.entries
        if e.id not in mine and not e.file.startswith("season/")
    ]  # fmt: skip
    entries = [*made, *foreign]
    maker.summary.note(*_find_uncovered(made, entries))
    path = maker.folder / "register.toml"
    if path.exists():
        kept = path.with_name("register-previous.toml")
        with replace_file(kept) as partial:
            partial.write_bytes(path.read_bytes())
    maker.summary.register = write_register(path, entries)
    maker.summary.note(*Register(path, entries).find_overlaps())
    files = {e.file for e in entries}
    for old in maker.before.entries:
        if old.file.startswith("season/") and old.file not in files:
            for suffix in (".fits", ".parquet"):
                (maker.folder / old.file).with_suffix(suffix).unlink(missing_ok=True)
    maker.summary.picture = maker.folder / "season" / "season.png"
    try:
        _draw(maker.summary.picture, panels)
    except (DriftloomError, OSError, ValueError) as error:
        maker.summary.failures.append(f"{maker.summary.picture}: not drawn: {error}")
        maker.summary.picture = None


def _draw(path: Path, panels: Sequence[tuple[Any, ...]]) -> None:
    from pipeline.report.season_figure import SeasonPanel, draw_season

    figure = draw_season(
        [
            SeasonPanel(
                f"Column response, chip {chip}, filter {filter_name}",
                [n.model.night for n in nights],
                np.array(
                    [
                        np.where(n.vectors.column_mask == 0, n.vectors.response.value, np.nan)
                        for n in nights
                    ]
                ),
                [i.first for i in intervals],
                np.array(drawn),
            )
            for chip, filter_name, nights, intervals, drawn in panels
        ]
    )
    with replace_file(path) as partial:
        figure.savefig(partial, format="png", dpi=150)
