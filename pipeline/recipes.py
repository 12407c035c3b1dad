"""What every step of a run depends on, in words, and the keys that follow from it.

A recipe names all that decides about an outcome: the code, the configuration keys that the step
uses, the facts of its strip, the checksums of its inputs, and the keys of the steps before it. So
a key is known before anything is computed, and two recipes tell by their parts why a step is to
be done again.
"""

import hashlib
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from pipeline import __version__
from pipeline.config import Config
from pipeline.errors import DriftloomError
from pipeline.io.provenance import checksum_file, checksum_raw, make_provenance
from pipeline.strip import Strip

__all__ = [
    "STEPS",
    "Recipe",
    "Step",
    "base_parts",
    "compare_recipes",
    "configured",
    "digest_code",
    "pixel_facts",
    "raw_parts",
    "reference_part",
    "time_facts",
]

_GRID = (
    "tiles.size", "tiles.overlap", "tiles.pixel_scale", "tiles.epoch", "camera.columns",
    "camera.pixel_scale", "camera.column_sign", "pointing.declination", "observatory.latitude",
    "astrometry.search_pointing",
)  # fmt: skip
_DETECT = ("detection.threshold", "detection.deblend_prominence", "detection.deblend_contrast")
_COSMIC = ("calibration.cosmic_threshold", "calibration.cosmic_margin")
_READING = ("raw.hdu", "raw.line_axis", "raw.flip_lines", "raw.flip_columns")
# Names of files are no part of a recipe, their content is.
_PATHS = ("reference.path",)
_ONLY_SHOWN = ("cli.py", "logs.py", "status.py", "status_text.py")


@dataclass(frozen=True)
class Step:
    """A kind of task.

    Parameters
    ----------
    name : str
        As in the ledger.
    keys : tuple of str
        Keys and tables of the configuration that it depends on itself; what the steps before it
        depend on comes with their keys.
    """

    name: str
    keys: tuple[str, ...]


STEPS = {
    step.name: step
    for step in (
        Step("summary", ("calibration.clip", *_READING)),
        Step("column summary", ("calibration.clip",)),
        Step(
            "column vectors",
            (
                "calibration.clip", "calibration.dead_response", "calibration.hot_signal",
                "calibration.noise_ratio", "calibration.vectors", "observatory.name",
            ),
        ),
        Step(
            "first geometry",
            (
                "observatory.latitude", "observatory.longitude", "observatory.height", "pointing",
                "camera", "reference", "astrometry", "detection.sky_columns",
            ),
        ),
        Step("search", (*_READING, *_DETECT, *_COSMIC, "photometry.psf_min_snr")),
        Step("trails", ()),
        Step(
            "point spread",
            (
                "astrometry", "photometry.psf_min_snr", "photometry.psf_beta",
                "photometry.psf_radius_fwhm",
            ),
        ),
        Step(
            "measure",
            (
                *_READING, *_COSMIC, "photometry.aperture_radius", "photometry.total_factor",
                "photometry.psf_radius_fwhm", "camera.pixel_scale",
            ),
        ),
        Step(
            "catalogue",
            (
                "observatory", "pointing", "camera", "astrometry", "detection.threshold",
                "raw.flip_lines", "reference.columns.dec",  # where a failure is explained
                "photometry.cloud_extinction", "photometry.zero_point_knot",
                "photometry.zero_point_bright", "photometry.zero_point_faint",
                "products.catalogue_formats", "calibration.illumination",
            ),
        ),
        Step("calibrated strip", (*_READING, *_COSMIC, "observatory", "products.compress_masks")),
        Step("equalisation", ("tiles.equalise",)),
        Step(
            "tiles",
            (
                *_GRID, *_READING, *_COSMIC, "observatory", "products.compress_masks",
                "tiles.equalise",
            ),
        ),
        Step(
            "stack",
            (
                *_GRID, *_DETECT, "observatory", "stack.clip", "stack.clip_epochs",
                "photometry.aperture_radius", "photometry.total_factor", "reference",
                "products.compress_masks",
            ),
        ),
        Step(
            "deep catalogue",
            ("observatory", "detection.threshold", "products.catalogue_formats"),
        ),
    )
}  # fmt: skip


@dataclass(frozen=True)
class Recipe:
    """All that decides about an outcome.

    Parameters
    ----------
    parts : dict of str to str
        By name; those that begin with "upstream " are keys of other recipes.
    """

    parts: Mapping[str, str]

    @property
    def key(self) -> str:
        """SHA-256 of all parts."""
        return hashlib.sha256(json.dumps(dict(self.parts), sort_keys=True).encode()).hexdigest()

    def __repr__(self) -> str:
        return f"<Recipe {self.key[:8]} of {len(self.parts)} parts>"

    def with_parts(self, **parts: str) -> "Recipe":
        """The same with more parts."""
        return Recipe({**self.parts, **parts})


@cache
def digest_code() -> str:
    """Version of this program and digest of its sources.

    What only draws pages, parses the command line or tells how a run stands has no part in any
    outcome.

    Returns
    -------
    str
    """
    root = Path(__file__).parent
    digest = hashlib.sha256()
    for path in sorted(root.rglob("*.py")):
        name = path.relative_to(root).as_posix()
        if name in _ONLY_SHOWN or name.startswith("report/"):
            continue
        digest.update(f"{name}\n".encode())
        digest.update(path.read_bytes())
    return f"{__version__} {digest.hexdigest()[:16]}"


def _leaves(value: Any, name: str) -> Iterable[tuple[str, str]]:
    if isinstance(value, Mapping):
        for word, inner in value.items():
            yield from _leaves(inner, f"{name}.{word}" if name else str(word))
    elif name not in _PATHS:
        yield name, json.dumps(value)


def configured(config: Config, step: Step) -> dict[str, str]:
    """Values of the configuration that a step depends on, by dotted key.

    Parameters
    ----------
    config : Config
        Configuration in force.
    step : Step
        Its keys may name whole tables.

    Returns
    -------
    dict of str to str
    """
    return {
        name: value
        for name, value in _leaves(config.model_dump(mode="json"), "")
        if any(name == key or name.startswith(f"{key}.") for key in step.keys)
    }


def base_parts(config: Config, step: Step) -> dict[str, str]:
    """Parts that every recipe of a step has."""
    made = make_provenance(config)
    text = ", ".join([f"python {made.python}", *(f"{n} {v}" for n, v in made.libraries)])
    return {
        "step": step.name, "code": digest_code(), "libraries": text, **configured(config, step)
    }  # fmt: skip


def pixel_facts(strip: Strip) -> dict[str, str]:
    """What of a strip decides about its lines: shape, amplifiers, shutter, gaps."""
    facts: dict[str, Any] = {
        name: getattr(strip, name)
        for name in ("n_lines", "n_columns", "n_raw_columns", "n_stage", "shutter_open", "gaps")
    }
    for amplifier in strip.amplifiers:
        facts[f"amplifier {amplifier.name}"] = repr(amplifier)
    return {f"strip {name}": str(value) for name, value in facts.items()}


def time_facts(strip: Strip) -> dict[str, str]:
    """What else of a strip decides: its time, line period and names."""
    names = ("name", "night", "chip", "filter", "mjd_start", "line_period")
    return {f"strip {name}": repr(getattr(strip, name)) for name in names}


def raw_parts(strip: Strip, config: Config) -> dict[str, str]:
    """Identity of the raw segments of a strip, by name of file.

    With `products.full_checksums` the whole file counts. Otherwise headers, size and time of
    modification do, so that an edit that leaves an old DATASUM standing is seen as well.

    Parameters
    ----------
    strip : Strip
        The strip.
    config : Config
        Gives `raw.hdu` and the kind of checksum.

    Returns
    -------
    dict of str to str
    """
    parts = {}
    for segment in strip.segments:
        path = Path(segment.path)
        place = f"lines {segment.first_line} to {segment.stop_line}"
        try:
            status = path.stat()
            full = config.products.full_checksums
            text = checksum_raw(path, hdu=config.raw.hdu, full=full)
            if not full:
                text += f" {status.st_size} bytes of {status.st_mtime_ns}"
        except (DriftloomError, OSError):
            text = "unreadable"
        name = f"raw {path.name}"
        if name in parts:  # of the same name in another folder
            name += f" ({segment.number})"
        parts[name] = f"{place}, {text}"
    return parts


def reference_part(config: Config) -> str:
    """Checksum of the reference catalogue; "absent" where there is no such file."""
    try:
        return checksum_file(config.reference_path)
    except OSError:
        return "absent"


def compare_recipes(old: Mapping[str, str], new: Mapping[str, str]) -> list[str]:
    """Why one recipe is not another, in words.

    Parameters
    ----------
    old, new : mapping of str to str
        Parts of two recipes.

    Returns
    -------
    list of str
        Such as "detection.threshold: 5.0 -> 4.0" or "raw x.fits: changed"; steps before it come
        last, as "upstream: search".
    """
    reasons, upstream = [], set()
    for name in sorted(old.keys() | new.keys()):
        before, after = old.get(name), new.get(name)
        if before == after:
            continue
        if name.startswith("upstream "):
            upstream.add(name.removeprefix("upstream ").split(":")[0])
        elif before is None:
            reasons.append(f"{name}: new")
        elif after is None:
            reasons.append(f"{name}: gone")
        elif len(before) + len(after) > 60:  # checksums say nothing to a reader
            reasons.append(f"{name}: changed")
        else:
            reasons.append(f"{name}: {before} -> {after}")
    if upstream:
        reasons.append(f"upstream: {', '.join(sorted(upstream))}")
    return reasons
