"""From catalogues to tiles, from tiles to stacks and the deep catalogue."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.geometry.apparent import apply_proper_motion
from pipeline.geometry.tiles import Tile
from pipeline.made import Job, Made, Work, strip_slot
from pipeline.run import Run
from pipeline.strip import Strip
from pipeline.tasks.catalogue import StripResult
from pipeline.tasks.deep import TieStars
from pipeline.tasks.equalisation import equalisation_path, prepare_equaliser
from pipeline.tasks.stacks import StackInput, StackOutput, merge_deep, stack_tile
from pipeline.tasks.tiles import EpochTile, make_grid, plan_tiles, rectify_tile

__all__ = ["TileMade", "fill_tiles", "stack_groups"]


_GROUP = 1.5  # heights of a tile: a range of tiles then needs as many lines as a block measured


@dataclass(frozen=True)
class TileMade:
    """One epoch tile, as part of what one task made.

    Parameters
    ----------
    tile, filter, night, strip : str
        Where it is and where it comes from.
    slot : str
        Of the task.
    group : Made
        All epoch tiles of the task.
    index : int
        Which of them.
    """

    tile: str
    filter: str
    night: str
    strip: str
    slot: str
    group: Made
    index: int

    @property
    def epoch(self) -> EpochTile:
        """What is known of the file."""
        epoch: EpochTile = self.group.value[self.index]
        return epoch


def _group_tiles(run: Run, made: Made) -> dict[int, list[Tile]]:
    """Tiles of a strip whose middles lie within a range of lines, to share what they read.

    Lines at the ends of a range are read for both: the longer it is, the less is done twice.
    """
    result: StripResult = made.value
    assert result.solution is not None
    groups: dict[int, list[Tile]] = {}
    tiles = plan_tiles(make_grid(run.config), result)
    line, _ = result.solution.sky_to_strip(
        np.array([t.ra_deg for t in tiles]), np.array([t.dec_deg for t in tiles])
    )
    for tile, middle in zip(tiles, line, strict=True):
        groups.setdefault(int(middle // (_GROUP * tile.size)), []).append(tile)
    return dict(sorted(groups.items()))


def _equalisers(run: Run, results: Sequence[tuple[Strip, Made]]) -> dict[str, Made]:
    """Kernels of strips whose tiles are equalised, by name of strip."""
    if run.config.tiles.equalise == "off":
        return {}
    jobs = [
        Job(
            strip_slot(strip, "equalisation"),
            run.recipe("equalisation", {"upstream catalogue": made.key}),
            lambda s=strip, m=made: (m.value, run.provenance(s)),  # type: ignore[misc]
            strip.night, strip.name,
        )
        for strip, made in results
    ]  # fmt: skip
    slots = {job.slot: strip for job, (strip, _) in zip(jobs, results, strict=True)}
    work = Work(
        "equalisation", prepare_equaliser, jobs, label="equalisation",
        common=(run.config, str(run.out)), facts=lambda v: {"problems": list(v[1])},
        products=lambda v: [equalisation_path(run.out, *v[2])],
    )  # fmt: skip
    found = run.fulfil(work)
    for _, made in results:
        made.release()
    named = {slots[slot].name: made for slot, made in found.items()}
    run.note_problems(named)
    return named


def _jobs_of(run: Run, strip: Strip, made: Made, equaliser: Made | None) -> list[Job]:
    """Tasks that fill the tiles of a strip; in a plan, as they were last time."""
    prefix = strip_slot(strip, "tiles.")

    def job(
        slot: str, names: Sequence[str], arguments: Callable[[], tuple[Any, ...]]
    ) -> Job:  # fmt: skip
        parts = {"upstream catalogue": made.key, "tiles": ", ".join(names)}
        if equaliser is not None:
            parts["upstream equalisation"] = equaliser.key
        return Job(slot, run.recipe("tiles", parts), arguments, strip.night, strip.name)

    if made.planned:
        jobs = []
        for slot in run.store.slots(prefix):
            old = run.store.peek(slot)
            asked = old.components.get("tiles", "") if old is not None else ""
            jobs.append(job(slot, [asked], tuple))
        if not jobs:
            run.open_row("tiles", strip.night, strip.name)
        return jobs

    def arguments(tiles: list[Tile]) -> tuple[Any, ...]:
        kernels = None if equaliser is None else equaliser.value[0]
        return made.value, run.provenance(strip), tiles, kernels

    return [
        job(f"{prefix}{number}", [t.name for t in tiles], lambda t=tiles: arguments(t))  # type: ignore[misc]
        for number, tiles in _group_tiles(run, made).items()
    ]


def fill_tiles(run: Run, results: Sequence[tuple[Strip, Made]]) -> list[TileMade]:
    """Epoch tiles of all strips that have positions and magnitudes.

    Parameters
    ----------
    run : Run
        The run.
    results : sequence of (Strip, Made)
        Catalogues.

    Returns
    -------
    list of TileMade
    """
    wanted = run.config.tiles.filters
    tiled: list[tuple[Strip, Made]] = []
    for strip, made in results:
        if not made.planned and not made.facts["placed"]:
            run.summary.note(f"{strip.name}: no tiles, since it has no positions or magnitudes")
            continue
        if wanted and strip.filter not in wanted:
            continue
        tiled.append((strip, made))
    equalisers = _equalisers(run, tiled)
    jobs: list[tuple[Strip, Job]] = []
    for strip, made in tiled:
        if run.config.tiles.equalise != "off" and strip.name not in equalisers:
            continue  # its failure has been told
        jobs += [(strip, j) for j in _jobs_of(run, strip, made, equalisers.get(strip.name))]
        made.release()

    def pack(epochs: tuple[EpochTile, ...]) -> tuple[EpochTile, ...]:
        return tuple(replace(e, path=_relative(run, e.path)) for e in epochs)

    def unpack(epochs: tuple[EpochTile, ...]) -> tuple[EpochTile, ...]:
        return tuple(replace(e, path=str(run.out / e.path)) for e in epochs)

    work = Work(
        "tiles", rectify_tile, [j for _, j in jobs], label="tiles",
        common=(run.config, str(run.out)), pack=pack, unpack=unpack,
        facts=lambda epochs: {"tiles": [e.tile.name for e in epochs]},
        products=lambda epochs: [Path(e.path) for e in epochs],
    )  # fmt: skip
    made_tiles = run.fulfil(work)
    found = []
    for strip, job in jobs:
        if job.slot not in made_tiles:
            continue
        group = made_tiles[job.slot]
        names = group.facts.get("tiles")
        if names is None:  # planned: as they were last time
            old = run.store.peek(job.slot)
            names = old.facts.get("tiles", ()) if old is not None else ()
        found += [
            TileMade(name, strip.filter, strip.night, strip.name, job.slot, group, index)
            for index, name in enumerate(names)
        ]
    return found


def _relative(run: Run, path: str) -> str:
    return Path(path).relative_to(run.out).as_posix()


def _stars_of(run: Run, epochs: Sequence[EpochTile]) -> TieStars | None:
    """Reference stars of a tile, at the middle of its epochs."""
    catalogue = run.catalogue(epochs[0].filter)
    if catalogue is None:
        return None
    mjd = float(np.mean([e.mjd_mean for e in epochs]))
    ra, dec = apply_proper_motion(
        catalogue.ra, catalogue.dec, catalogue.pm_ra, catalogue.pm_dec,
        epoch=run.config.reference.options.epoch, mjd=mjd,
    )  # fmt: skip
    tile = epochs[0].tile
    x, y = tile.sky_to_pixel(ra, dec)
    inside = (x >= 0) & (x < tile.size) & (y >= 0) & (y < tile.size)
    inside &= np.isfinite(catalogue.mag)
    return TieStars(x[inside], y[inside], catalogue.mag[inside], catalogue.mag_err[inside])


def stack_groups(run: Run, tiles: Sequence[TileMade]) -> None:
    """Stacks and the deep catalogue.

    Parameters
    ----------
    run : Run
        The run; its summary is told.
    tiles : sequence of TileMade
        All epoch tiles.
    """
    groups: dict[tuple[str, str], list[TileMade]] = {}
    for tile in sorted(tiles, key=lambda t: (t.tile, t.filter, t.night, t.strip)):
        groups.setdefault((tile.tile, tile.filter), []).append(tile)

    def arguments(name: str, filter_name: str, members: list[TileMade]) -> tuple[StackInput]:
        epochs = tuple(t.epoch for t in members)
        return (StackInput(name, filter_name, epochs, _stars_of(run, epochs)),)

    jobs = {
        (name, filter_name): Job(
            slot=f"stacks/{name}_{filter_name.replace('/', '_')}",
            recipe=run.recipe(
                "stack", run.reference(), {"tile": name, "filter": filter_name},
                {f"upstream tiles: {t.night} {t.strip}": t.group.key for t in members},
            ),
            arguments=lambda n=name, f=filter_name, m=members: arguments(n, f, m),  # type: ignore[misc]
            night="", strip=f"{name}_{filter_name}",
        )
        for (name, filter_name), members in groups.items()
        if len(members) >= run.config.stack.min_epochs
    }  # fmt: skip

    def pack(output: StackOutput) -> StackOutput:
        return replace(output, path=_relative(run, output.path))

    def unpack(output: StackOutput) -> StackOutput:
        return replace(output, path=str(run.out / output.path))

    work = Work(
        "stack", stack_tile, list(jobs.values()), label="stacks",
        common=(run.config, run.options, str(run.out), make_grid(run.config)),
        pack=pack, unpack=unpack, facts=lambda v: {"problems": list(v.problems)},
        products=lambda v: [Path(v.path)],
    )  # fmt: skip
    made = run.fulfil(work)
    parts = [made[job.slot] for job in jobs.values() if job.slot in made]
    for part in parts:
        run.summary.note(*part.facts.get("problems", ()))
    run.summary.n_stacks = len(parts)
    _merge(run, {k: made[j.slot] for k, j in jobs.items() if j.slot in made}, tiles)


def _merge(run: Run, stacks: dict[tuple[str, str], Made], tiles: Sequence[TileMade]) -> None:
    """Deep catalogue, coverage and table of images."""
    formats = run.config.products.catalogue_formats
    names = [f"deep/{f}.{kind}" for f in sorted({f for _, f in stacks}) for kind in formats]
    names += ["coverage.fits", "obscore.parquet"] if tiles else []
    upstream = {f"upstream stack: {n}_{f}": made.key for (n, f), made in stacks.items()}
    upstream |= {f"upstream tiles: {t.slot}": t.group.key for t in tiles}

    def merge() -> int:
        return merge_deep(
            run.config, run.out, [m.value for m in stacks.values()], [t.epoch for t in tiles]
        )

    job = Job("stacks/all", run.recipe("deep catalogue", upstream), tuple, "", "")
    job = replace(job, complaint="deep catalogue")
    work = Work(
        "deep catalogue", merge, [job], label="deep catalogue",
        facts=lambda count: {"count": count},
        products=lambda _: [run.out / name for name in names],
    )  # fmt: skip
    made = run.fulfil(work, here=True)
    run.summary.n_deep = made[job.slot].facts.get("count", 0) if job.slot in made else 0
