"""The configuration file: one validated, frozen model of the TOML text.

Every key states its meaning, unit, limits and default once, in the module of its table; the
commented reference file is generated from these statements (`describe_config`).
"""

import hashlib
import json
import tomllib
from pathlib import Path
from typing import Any, Self

from pydantic import PrivateAttr, ValidationError, model_validator

from pipeline.config_base import LINE_BIN, Problem, Section, key, raise_problems
from pipeline.config_instrument import (
    AmplifierConfig,
    CameraConfig,
    ObservatoryConfig,
    PointingConfig,
    RawConfig,
    RawConstants,
    RawKeywords,
    ReferenceColumns,
    ReferenceConfig,
    ReferenceOptions,
)
from pipeline.config_text import explain_errors, render_reference
from pipeline.config_tuning import (
    AstrometryConfig,
    CalibrationConfig,
    ClusterConfig,
    ComputeConfig,
    DetectionConfig,
    PhotometryConfig,
    ProductsConfig,
    StackConfig,
    TilesConfig,
    VerdictConfig,
)
from pipeline.errors import ConfigError
from pipeline.strip import Amplifier

__all__ = [
    "LINE_BIN",
    "AmplifierConfig",
    "AstrometryConfig",
    "CalibrationConfig",
    "CameraConfig",
    "ClusterConfig",
    "ComputeConfig",
    "Config",
    "DetectionConfig",
    "ObservatoryConfig",
    "PhotometryConfig",
    "PointingConfig",
    "ProductsConfig",
    "RawConfig",
    "RawConstants",
    "RawKeywords",
    "ReferenceColumns",
    "ReferenceConfig",
    "ReferenceOptions",
    "StackConfig",
    "TilesConfig",
    "VerdictConfig",
    "describe_config",
    "load_config",
    "parse_config",
]


class Config(Section):
    """The whole file."""

    observatory: ObservatoryConfig = key("Site")
    pointing: PointingConfig = key("Pointing", default=PointingConfig())
    camera: CameraConfig = key("Camera")
    raw: RawConfig = key("Raw files")
    reference: ReferenceConfig = key("Reference catalogue")
    calibration: CalibrationConfig = key("Calibration", default=CalibrationConfig())
    detection: DetectionConfig = key("Detection", default=DetectionConfig())
    photometry: PhotometryConfig = key("Photometry", default=PhotometryConfig())
    astrometry: AstrometryConfig = key("Astrometry", default=AstrometryConfig())
    tiles: TilesConfig = key("Tiles", default=TilesConfig())
    stack: StackConfig = key("Stacks", default=StackConfig())
    products: ProductsConfig = key("Products", default=ProductsConfig())
    verdict: VerdictConfig = key("Verdicts", default=VerdictConfig())
    compute: ComputeConfig = key("Compute", default=ComputeConfig())
    cluster: ClusterConfig | None = key("Batch queue", default=None)

    _folder: Path = PrivateAttr(default=Path())

    @property
    def folder(self) -> Path:
        """Folder of the configuration file; relative paths start here."""
        return self._folder

    @property
    def reference_path(self) -> Path:
        """Where the reference catalogue is; existence is checked when it is read."""
        return self._folder / self.reference.path

    @property
    def axis_declination(self) -> float:
        """Apparent declination of the optical axis in degrees, given or the latitude."""
        given = self.pointing.declination
        return self.observatory.latitude if given is None else given

    @property
    def amplifiers(self) -> tuple[Amplifier, ...]:
        """The amplifiers as the stages know them."""
        return tuple(Amplifier(**a.model_dump()) for a in self.camera.amplifier)

    def digest(self) -> str:
        """SHA-256 of all values, defaults included; the same wherever the file lies."""
        text = json.dumps(self.model_dump(mode="json"), sort_keys=True)
        return hashlib.sha256(text.encode()).hexdigest()

    def with_value(self, dotted: str, value: object) -> Self:
        """Copy with one key changed, checked like the file.

        Parameters
        ----------
        dotted : str
            Such as "detection.block_lines".
        value : object
            New value.

        Returns
        -------
        Config

        Raises
        ------
        ConfigError
            If there is no such key or the value is not allowed.
        """
        data = self.model_dump(mode="python", exclude_unset=True)
        *tables, name = dotted.split(".")
        place: Any = data
        for table in tables:
            place = place.setdefault(table, {}) if isinstance(place, dict) else None
        if not name or not isinstance(place, dict):
            msg = f"option: {dotted}: received {value!r}; allowed: keys of tables, table.key"
            raise ConfigError(msg)
        place[name] = value
        try:
            changed = type(self).model_validate(data)
        except ValidationError as error:
            raise ConfigError(explain_errors(error, Config, name="option")) from error
        changed._folder = self._folder  # noqa: SLF001 - a copy of the same file
        return changed

    @model_validator(mode="after")
    def _check_together(self) -> Self:
        problems: list[Problem] = []
        declination = self.axis_declination
        # Beyond this the pole is in the field and stars no longer drift along the columns.
        half_field = self.camera.pixel_scale * self.camera.columns / 3600.0
        if abs(declination) + half_field >= 90:
            rule = f"an axis at least {half_field:.3f} deg from the pole (the width of the field)"
            problems.append(("pointing.declination", declination, rule))
        if self.photometry.aperture_radius < self.camera.pixel_scale:
            rule = f"at least one pixel (camera.pixel_scale = {self.camera.pixel_scale} arcsec)"
            radius = self.photometry.aperture_radius
            problems.append(("photometry.aperture_radius", radius, rule))
        for name in self.tiles.filters:
            if name not in self.reference.magnitudes:
                known = ", ".join(self.reference.magnitudes)
                rule = f"filters of reference.magnitudes: {known}"
                problems.append(("tiles.filters", list(self.tiles.filters), rule))
                break
        width = self.raw.width
        for position, amplifier in enumerate(self.camera.amplifier):
            for word, given in (("data", amplifier.data), ("overscan", amplifier.overscan)):
                if width is not None and given[1] > width:
                    where = f"camera.amplifier[{position}].{word}"
                    problems.append((where, list(given), f"raw columns 0 to {width} (raw.width)"))
        raise_problems(problems)
        return self


def parse_config(text: str, *, name: str = "configuration", folder: Path | None = None) -> Config:
    """Validate the text of a configuration file.

    Parameters
    ----------
    text : str
        TOML.
    name : str
        Name of the file, for messages.
    folder : Path, optional
        Where relative paths start; the working folder when absent.

    Returns
    -------
    Config

    Raises
    ------
    ConfigError
        If the text is no TOML, or with all wrong keys and values at once.
    """
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        msg = f"{name}: not valid TOML: {error}"
        raise ConfigError(msg) from error
    try:
        config = Config.model_validate(data)
    except ValidationError as error:
        raise ConfigError(explain_errors(error, Config, name=name)) from error
    config._folder = (folder or Path()).resolve()  # noqa: SLF001 - set once, here, where the object is made
    return config


def load_config(path: str | Path) -> Config:
    """Read and validate a configuration file.

    Parameters
    ----------
    path : str or Path
        TOML file.

    Returns
    -------
    Config

    Raises
    ------
    ConfigError
        If the file cannot be read, is no TOML, or with all wrong keys and values at once: each
        with its dotted key, the value received and what is allowed.
    """
    path = Path(path)
    try:
        text = path.read_text(encoding="utf-8")
    except OSError as error:
        msg = f"{path}: cannot be read ({error.strerror}); give the path of a TOML file"
        raise ConfigError(msg) from error
    except UnicodeDecodeError as error:
        msg = f"{path}: not UTF-8 text ({error.reason} at byte {error.start}); TOML files are UTF-8"
        raise ConfigError(msg) from error
    return parse_config(text, name=str(path), folder=path.parent)


def describe_config() -> str:
    """Reference configuration: every key with its meaning, unit, limits and default.

    Returns
    -------
    str
        TOML that loads as it stands; required keys hold examples, optional keys without a default
        are commented out.
    """
    return render_reference(Config)
