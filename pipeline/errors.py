"""The errors a user can cause or meet; each says what was found, expected, and what to do."""

from typing import Any

__all__ = [
    "BrokenOffError",
    "CalibrationError",
    "ConfigError",
    "DiskFullError",
    "DriftloomError",
    "MirrorError",
    "ProductError",
    "RawError",
    "ReferenceCatalogueError",
    "SolutionError",
    "Stopped",
    "UnfinishedError",
]


class DriftloomError(Exception):
    """Root of every error that the command line turns into a message and exit status 2."""


class ConfigError(DriftloomError, ValueError):
    """The configuration file has a wrong key or value."""


class RawError(DriftloomError, ValueError):
    """A raw segment is unreadable, cut short, or contradicts its neighbours or configuration."""


class UnfinishedError(RawError):
    """A raw file is being written, and what is there does not suffice yet."""


class CalibrationError(DriftloomError, ValueError):
    """The data do not allow a calibration product to be made."""


class ReferenceCatalogueError(DriftloomError, ValueError):
    """The reference catalogue cannot be read or does not cover the strip."""


class SolutionError(DriftloomError, ValueError):
    """The stars do not determine the strip's geometry or zero point."""


class MirrorError(SolutionError):
    """The stars match once columns or lines are turned round.

    Parameters
    ----------
    message : str
        What was found.
    columns, lines : bool
        Which of them run the wrong way.
    """

    def __init__(self, message: str, *, columns: bool = False, lines: bool = False) -> None:
        super().__init__(message)
        self.columns, self.lines = columns, lines

    def __reduce__(self) -> tuple[Any, ...]:
        """Errors cross from worker to worker: their keywords must come along."""
        return _remake_mirror, (str(self), self.columns, self.lines)


def _remake_mirror(message: str, columns: bool, lines: bool) -> MirrorError:
    return MirrorError(message, columns=columns, lines=lines)


class ProductError(DriftloomError, OSError):
    """A product cannot be written or read back."""


class BrokenOffError(DriftloomError, RuntimeError):
    """A run ended before its work did; the same command goes on where it was."""


class Stopped(BrokenOffError):  # noqa: N818 - nothing went wrong
    """Somebody asked the run to end."""


class DiskFullError(BrokenOffError, ProductError):
    """There is no room for a product."""
