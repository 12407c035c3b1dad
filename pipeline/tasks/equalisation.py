"""Kernels that equalise a strip's tiles, and a table of what they do."""

from pathlib import Path
from typing import Any, cast

import numpy as np

from pipeline.config import Config
from pipeline.io.provenance import Provenance
from pipeline.io.solution import write_json
from pipeline.stages.equalise import EqualiseOptions, Equaliser, make_equaliser
from pipeline.stages.equalise_fit import measure_widths
from pipeline.tasks.catalogue import StripResult
from pipeline.tasks.finish import strip_folder

__all__ = ["equalisation_path", "prepare_equaliser"]

_BINS = 16
_UNIFORM = 0.03  # what is asked of widths from edge to edge; worse is told


def equalisation_path(out: Path, night: str, name: str) -> Path:
    """Where the table of a strip lies."""
    return strip_folder(out, night, name) / "equalisation.json"


def prepare_equaliser(
    config: Config, out: str, result: StripResult, provenance: Provenance
) -> tuple[Equaliser, tuple[str, ...], tuple[str, str]]:
    """Find the kernels of a strip and write what they do to its point spread and its noise.

    Parameters
    ----------
    config : Config
        The observatory; `tiles.equalise` names the target.
    out : str
        Folder of products.
    result : StripResult
        Gives the point spread.
    provenance : Provenance
        Into the table.

    Returns
    -------
    equaliser : Equaliser
    problems : tuple of str
        What the reader should know.
    place : tuple of str
        Night and strip.
    """
    target: Any = config.tiles.equalise
    equaliser = make_equaliser(result.psf, options=EqualiseOptions(target=target))
    content = describe_equaliser(equaliser, result.strip.n_columns)
    path = equalisation_path(Path(out), result.strip.night, result.strip.name)
    write_json(path, {"strip": result.strip.name, **content}, provenance=provenance)
    problems: tuple[str, ...] = ()
    worst = max(cast("dict[str, float]", content["uniformity"]).values())
    if worst > _UNIFORM:
        text = (
            f"equalisation ({target}): widths from edge to edge differ by {100 * worst:.1f} % from "
            f"the target's, more than {100 * _UNIFORM:.0f} %"
        )
        problems = (text,)
    return equaliser, problems, (result.strip.night, result.strip.name)


def describe_equaliser(equaliser: Equaliser, n_columns: int) -> dict[str, Any]:
    """Widths, noise and depth against column, before and after.

    Parameters
    ----------
    equaliser : Equaliser
        Of a strip.
    n_columns : int
        Columns of the chip.

    Returns
    -------
    dict
        ``table`` for the median seeing in 16 bins of columns; ``uniformity``: largest relative
        difference of widths from the target, over all columns at the best and worst seeing.
    """
    psf = equaliser.psf
    nodes = psf.node_columns
    box = equaliser.box()
    wanted = measure_widths(box.image(equaliser.target()), oversample=psf.oversample)
    middle = float(np.median(psf.fwhm_values))
    columns = (np.arange(_BINS) + 0.5) * n_columns / _BINS - 0.5
    reports = [equaliser.report(middle, int(np.argmin(np.abs(nodes - c)))) for c in columns]
    ends = [
        equaliser.report(float(np.exp(w)), int(n))
        for w in equaliser.ln_widths[[0, -1]]
        for n in np.unique(np.linspace(0, nodes.size - 1, 9).astype(int))
    ]
    uniformity = {
        name: max(abs(getattr(r.after, name) / getattr(wanted, name) - 1.0) for r in ends)
        for name in wanted._fields
    }
    table: dict[str, Any] = {
        "column": [float(nodes[np.argmin(np.abs(nodes - c))]) for c in columns]
    }
    for name in wanted._fields:
        table[f"{name}_before"] = [getattr(r.before, name) for r in reports]
        table[f"{name}_after"] = [getattr(r.after, name) for r in reports]
    for name in ("residual", "noise", "depth_plain", "depth_best"):
        table[name] = [getattr(r, name) for r in reports]
    support = equaliser.support
    return {
        "target": equaliser.options.target,
        "target_widths": wanted._asdict(),
        "target_seeing": equaliser.target_fwhm,
        "seeing": middle,
        "kernel_px": [2 * support.half_line + 1, 2 * support.half_column + 1],
        "uniformity": uniformity,
        "largest_residual": max(r.residual for r in ends),
        "largest_noise": max(r.noise for r in ends),
        "table": table,
    }
