"""The errors a user can cause or meet; each says what was found, expected, and what to do."""

__all__ = [
    "CalibrationError",
    "ConfigError",
    "DriftloomError",
    "ProductError",
    "RawError",
    "ReferenceCatalogueError",
    "SolutionError",
]


class DriftloomError(Exception):
    """Root of every error that the command line turns into a message and exit status 2."""


class ConfigError(DriftloomError, ValueError):
    """The configuration file has a wrong key or value."""


class RawError(DriftloomError, ValueError):
    """A raw segment is unreadable, cut short, or contradicts its neighbours or configuration."""


class CalibrationError(DriftloomError, ValueError):
    """The data do not allow a calibration product to be made."""


class ReferenceCatalogueError(DriftloomError, ValueError):
    """The reference catalogue cannot be read or does not cover the strip."""


class SolutionError(DriftloomError, ValueError):
    """The stars do not determine the strip's geometry or zero point."""


class ProductError(DriftloomError, OSError):
    """A product cannot be written or read back."""
