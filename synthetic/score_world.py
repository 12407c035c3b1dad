"""What a scenario's truth says, read from the files that the simulator left."""

import json
import math
import tomllib
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow.parquet as pq
from numpy.typing import NDArray

__all__ = ["Camera", "Columns", "StripTruth", "World", "find_value", "read_parquet", "read_world"]

Columns = dict[str, NDArray[Any]]


@dataclass(frozen=True)
class Camera:
    """The true camera.

    Attributes
    ----------
    n_stage, n_columns : int
        Rows that integrate, imaging columns.
    response, dark, bias, scattered : ndarray of shape (columns,)
        Of every column: relative response, dark current (electron/s), bias (electron), share
        of the scattered light.
    solid_angle : ndarray of shape (columns,)
        Of a pixel averaged along its column, relative: a flat made from the sky holds it too.
    stray : ndarray of shape (columns,)
        Light of the sky beside the optics, relative: stars have none of it, the flat does.
    reasons : ndarray of str, shape (columns,)
        Why a column is bad (dead, hot, noisy, bent, trap); empty for a good one.
    amplifier : ndarray of shape (columns,)
        Index of the amplifier that reads the column.
    names : tuple of str
        Of the amplifiers.
    gain, read_noise, saturation : ndarray of shape (amplifiers,)
        electron/ADU, electron, ADU.
    overscan_width : ndarray of shape (amplifiers,)
        Overscan columns.
    full_well : float
        Electrons that a pixel holds; infinite where the scenario tells none.
    """

    n_stage: int
    n_columns: int
    response: NDArray[np.float64]
    dark: NDArray[np.float64]
    bias: NDArray[np.float64]
    scattered: NDArray[np.float64]
    solid_angle: NDArray[np.float64]
    stray: NDArray[np.float64]
    reasons: NDArray[np.str_]
    amplifier: NDArray[np.int64]
    names: tuple[str, ...]
    gain: NDArray[np.float64]
    read_noise: NDArray[np.float64]
    saturation: NDArray[np.float64]
    overscan_width: NDArray[np.float64]
    full_well: float

    @property
    def bad(self) -> NDArray[np.bool_]:
        """True for a bad column, whatever the reason."""
        return np.asarray(self.reasons != "", dtype=bool)

    @property
    def boundaries(self) -> NDArray[np.float64]:
        """Columns (half-integers) at which the amplifier changes, shape (m,)."""
        return np.asarray(np.flatnonzero(np.diff(self.amplifier)) + 0.5, dtype=np.float64)

    def compute_pixel_variance(self, line_period: float) -> NDArray[np.float64]:
        """Variance of one dark pixel per column: read noise, dark, quantisation; electron^2."""
        gain, noise = self.gain[self.amplifier], self.read_noise[self.amplifier]
        variance = noise**2 + self.dark * self.n_stage * line_period + gain**2 / 12.0
        return np.asarray(variance, dtype=np.float64)


@dataclass(frozen=True)
class StripTruth:
    """Truth of one strip; tables are read when first asked for.

    Attributes
    ----------
    folder : pathlib.Path
        Where the truth files are.
    name, night, filter : str
        As in the scenario.
    n_lines : int
        Lines, the ramp included.
    shutter_open : bool
        False for a dark strip.
    line_period : float
        Seconds per line.
    """

    folder: Path
    name: str
    night: str
    filter: str
    n_lines: int
    shutter_open: bool
    line_period: float

    @cached_property
    def sources(self) -> Columns:
        """Every source that left light in the strip."""
        return read_parquet(self.folder / f"{self.name}_sources.parquet")

    @cached_property
    def lines(self) -> Columns:
        """Sky, transparency and seeing of every line."""
        return read_parquet(self.folder / f"{self.name}_lines.parquet")

    @cached_property
    def trail(self) -> NDArray[np.float64]:
        """Pixels of satellite trails, shape (m, 2): line, column."""
        return self._read_artefact("trail")

    @cached_property
    def cosmic(self) -> NDArray[np.float64]:
        """Pixels hit by cosmic rays, shape (m, 2): line, column."""
        return self._read_artefact("cosmic")

    @cached_property
    def cosmic_e(self) -> NDArray[np.float64]:
        """Electrons that the cosmic rays left there, shape (m,)."""
        return self._read_artefact("cosmic_e")[:, 0]

    @cached_property
    def trail_e(self) -> NDArray[np.float64]:
        """Electrons of the trails in their pixels, for a response of 1, shape (m,)."""
        return self._read_artefact("trail_e")[:, 0]

    @cached_property
    def bleed(self) -> NDArray[np.float64]:
        """Pixels that gave or took charge above full well, shape (m, 2): line, column."""
        return self._read_artefact("bleed")

    def _read_artefact(self, key: str) -> NDArray[np.float64]:
        width = 1 if key.endswith("_e") else 2
        path = self.folder / f"{self.name}_artefacts.npz"
        if not path.exists():
            return np.empty((0, width))
        with np.load(path) as archive:
            if key not in archive.files:
                return np.empty((0, width))
            return np.asarray(archive[key], dtype=np.float64).reshape(-1, width)


@dataclass(frozen=True)
class World:
    """A scenario's truth and where the products to be judged are.

    Attributes
    ----------
    out : pathlib.Path
        Directory that the simulator wrote; products are in ``out/products``.
    scenario : dict
        Every true parameter.
    camera : Camera
        The true camera of the first night.
    changes : tuple of (str, Camera)
        Nights from which on the chip is another one, sorted.
    strips : tuple of StripTruth
        All strips, shutter-closed ones included.
    pixel_scale : float
        True, arcsec/px.
    beta : float
        Exponent of the true Moffat profile.
    """

    out: Path
    scenario: dict[str, Any]
    camera: Camera
    changes: tuple[tuple[str, Camera], ...]
    strips: tuple[StripTruth, ...]
    pixel_scale: float
    beta: float

    @property
    def products(self) -> Path:
        """Directory of the products."""
        return self.out / "products"

    def find_camera(self, night: str) -> Camera:
        """The true camera of a night."""
        valid = self.camera
        for first, camera in self.changes:
            if night >= first:
                valid = camera
        return valid

    @property
    def science(self) -> tuple[StripTruth, ...]:
        """Strips with the shutter open."""
        return tuple(strip for strip in self.strips if strip.shutter_open)

    @property
    def nights(self) -> tuple[str, ...]:
        """Nights, sorted."""
        return tuple(sorted({strip.night for strip in self.strips}))


def read_parquet(path: Path) -> Columns:
    """Read a Parquet table.

    Parameters
    ----------
    path : pathlib.Path
        File.

    Returns
    -------
    dict
        Column name to array.
    """
    table = pq.read_table(path)
    return {
        name: np.asarray(table.column(name).to_numpy(zero_copy_only=False))
        for name in table.column_names
    }


def find_value(tree: Any, *names: str) -> Any:
    """First value filed under one of the names, anywhere in nested dictionaries.

    Parameters
    ----------
    tree : dict
        Nested dictionaries, as read from JSON.
    *names : str
        Keys in order of preference; an outer level goes before an inner one. What the
        configuration was told (a dictionary named ``guess``) is not searched.

    Returns
    -------
    object
        None when no key is there.
    """
    for name in names:
        level = [tree] if isinstance(tree, dict) else []
        while level:
            for node in level:
                if name in node:
                    return node[name]
            level = [
                child
                for node in level
                for key, child in node.items()
                if isinstance(child, dict) and key != "guess"
            ]
    return None


def _require(tree: Any, *names: str) -> Any:
    value = find_value(tree, *names)
    if value is None:
        raise KeyError(f"truth/scenario.json holds none of the keys {names}")
    return value


def _read_camera(out: Path, scenario: dict[str, Any], *, detector_file: str) -> Camera:
    with (out / "observatory.toml").open("rb") as stream:
        configured = tomllib.load(stream)["camera"]
    truth = out / "truth"
    detector = read_parquet(truth / detector_file)
    amplifiers = json.loads((truth / "amplifiers.json").read_text())
    n_columns = len(detector["column"])
    owner = np.zeros(n_columns, dtype=np.int64)
    names = tuple(str(item["name"]) for item in amplifiers)
    width = np.ones(len(names))
    for item in configured["amplifier"]:
        index = names.index(item["name"])
        owner[item["chip"][0] : item["chip"][1]] = index
        width[index] = item["overscan"][1] - item["overscan"][0]
    return Camera(
        n_stage=int(configured["n_stage"]),
        n_columns=n_columns,
        response=np.asarray(detector["response"], dtype=np.float64),
        dark=np.asarray(detector["dark"], dtype=np.float64),
        bias=np.asarray(detector["bias"], dtype=np.float64),
        scattered=np.asarray(detector["scattered"], dtype=np.float64),
        solid_angle=np.asarray(detector.get("solid_angle", np.ones(n_columns)), dtype=np.float64),
        stray=np.asarray(detector.get("stray", np.zeros(n_columns)), dtype=np.float64),
        reasons=np.array([str(reason or "") for reason in detector["bad"]], dtype=np.str_),
        amplifier=owner,
        names=names,
        gain=np.array([float(item["gain"]) for item in amplifiers]),
        read_noise=np.array([float(item["read_noise"]) for item in amplifiers]),
        saturation=np.array([float(item["saturation"]) for item in amplifiers]),
        overscan_width=width,
        full_well=float(find_value(scenario, "full_well_e", "full_well") or math.inf),
    )


def read_world(out: Path) -> World:
    """Read the truth of a synthetic output directory.

    Parameters
    ----------
    out : pathlib.Path
        Directory that ``python -m synthetic make`` wrote.

    Returns
    -------
    World

    Raises
    ------
    FileNotFoundError
        If a truth file is missing.
    KeyError
        If the scenario lacks a parameter.
    ValueError
        If no strip has the shutter open.
    """
    scenario = json.loads((out / "truth" / "scenario.json").read_text())
    period = find_value(scenario, "line_period", "line_period_s")
    strips = []
    for item in scenario["strips"]:
        own = find_value(item, "line_period", "line_period_s") or period
        if own is None:
            raise KeyError("truth/scenario.json holds no line_period")
        strips.append(
            StripTruth(
                folder=out / "truth",
                name=str(item["strip"]),
                night=str(item["night"]),
                filter=str(item["filter"]),
                n_lines=int(item["n_lines"]),
                shutter_open=bool(item["shutter_open"]),
                line_period=float(own),
            )
        )
    if not any(strip.shutter_open for strip in strips):
        raise ValueError("no strip has the shutter open: there is nothing to judge")
    return World(
        out=out,
        scenario=scenario,
        camera=_read_camera(out, scenario, detector_file="detector.parquet"),
        changes=tuple(
            (item["night"], _read_camera(out, scenario, detector_file=item["file"]))
            for item in sorted(
                scenario.get("response_changes", ()), key=lambda item: str(item["night"])
            )
        ),
        strips=tuple(strips),
        pixel_scale=float(_require(scenario, "pixel_scale_arcsec", "pixel_scale")),
        beta=float(_require(scenario, "beta", "moffat_beta", "seeing_beta", "psf_beta")),
    )
