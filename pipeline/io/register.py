"""The register of calibrations: a short file that says which one holds for which nights.

It is TOML, made to be read and edited by hand: one ``[[calibration]]`` table per calibration.
"""

import tomllib
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, StrictBool, StrictInt, ValidationError, model_validator

from pipeline.config_base import Problem, Section, Text, key, raise_problems
from pipeline.config_text import explain_errors
from pipeline.errors import CalibrationError
from pipeline.io.atomic import write_text
from pipeline.io.provenance import checksum_file

__all__ = ["BY_HAND", "Entry", "Kind", "Register", "read_register", "write_register"]

Kind = Literal["dark", "response"]

_HEAD = """\
# Register of calibrations, written by `driftloom season`; it may be edited by hand.
#
# A night uses the one entry of its kind, chip and filter whose validity holds it: both dates count,
# a night is the date of the local noon before. Where two hold it, one of them must say
# `preferred = true`. To widen a validity, change its dates: when the season is made again, a date
# that is not the computed one, and `preferred`, are kept, and all else is written anew. Put the
# computed date back to let a validity follow the season again. `file` starts at the folder of this
# file; a file that no longer has its `checksum` is refused.
"""


def _check_date(value: str) -> str:
    parts = value.split("-")
    if [len(p) for p in parts] != [4, 2, 2] or not all(p.isdigit() for p in parts):
        msg = "a date YYYY-MM-DD"
        raise ValueError(msg)
    if not (1 <= int(parts[1]) <= 12 and 1 <= int(parts[2]) <= 31):
        msg = "a date YYYY-MM-DD"
        raise ValueError(msg)
    return value


_Date = Annotated[str, AfterValidator(_check_date)]
_DateOrNone = Annotated[str, AfterValidator(lambda value: value and _check_date(value))]
_OMITTED = ("preferred", "computed_from", "computed_to")  # where they say nothing
BY_HAND = "set by hand: "
"""How a remark on dates and marks of a hand begins."""
_DATE_FORM = "a night as YYYY-MM-DD, in quotes"


class Entry(Section):
    """One calibration and the nights for which it holds."""

    id: Text = key("Name of the calibration")
    kind: Kind = key("What it is")
    chip: Text = key("Chip")
    filter: str = key("Filter; empty for a dark", default="")
    valid_from: _Date = key("First night for which it holds", form=_DATE_FORM)
    valid_to: _Date = key("Last night for which it holds", form=_DATE_FORM)
    computed_from: _DateOrNone = key(
        "First night that the season found; empty where none did", default="", form=_DATE_FORM
    )
    computed_to: _DateOrNone = key(
        "Last night that the season found; empty where none did", default="", form=_DATE_FORM
    )
    n_nights: StrictInt = key("Nights that went in", ge=0)
    made: Text = key("When it was made, UTC")
    file: Text = key("FITS table, from the folder of the register")
    checksum: Text = key(
        "SHA-256 of the file", pattern=r"^sha256:[0-9a-f]{64}$",
        form='"sha256:" and 64 hexadecimal digits',
    )  # fmt: skip
    preferred: StrictBool = key("Choose it where another claims the same night", default=False)
    inputs: tuple[str, ...] = key("Names and checksums of what it was made from", default=())
    remarks: tuple[str, ...] = key("What the reader should know", default=())

    @model_validator(mode="after")
    def _check_together(self) -> Self:
        problems: list[Problem] = []
        if self.valid_to < self.valid_from:
            rule = f"a night not before valid_from = {self.valid_from!r}"
            problems.append(("valid_to", self.valid_to, rule))
        raise_problems(problems)
        return self

    def covers(self, night: str) -> bool:
        """Whether its validity holds a night (YYYY-MM-DD)."""
        return self.valid_from <= night <= self.valid_to

    @property
    def edited(self) -> tuple[bool, bool]:
        """Whether the first and the last night are others than the season found."""
        if not (self.computed_from and self.computed_to):
            return False, False
        return self.valid_from != self.computed_from, self.valid_to != self.computed_to

    def describe_for(self, night: str) -> tuple[str, ...]:
        """What a night reduced with it should record.

        Parameters
        ----------
        night : str
            YYYY-MM-DD.

        Returns
        -------
        tuple of str
            Its remarks, but for those on dates set by hand, which say nothing to a night within
            the computed ones; a night beyond them gets a text of its own.
        """
        texts = tuple(r for r in self.remarks if not r.startswith(BY_HAND))
        if any(self.edited) and not self.computed_from <= night <= self.computed_to:
            nights = f"{self.computed_from} to {self.computed_to}"
            text = f"used for night {night} beyond the nights it was made for, {nights}"
            texts += (f"{text}: its validity was set by hand",)
        return texts


class _File(Section):
    """The whole register."""

    calibration: tuple[Entry, ...] = key("Calibrations", default=())

    @model_validator(mode="after")
    def _check_together(self) -> Self:
        problems: list[Problem] = []
        seen: set[str] = set()
        for number, entry in enumerate(self.calibration):
            if entry.id in seen:
                where = f"calibration[{number}].id"
                problems.append((where, entry.id, "a name that no other table has"))
            seen.add(entry.id)
        raise_problems(problems)
        return self


class Register:
    """The calibrations of a file, and the choice among them.

    Parameters
    ----------
    path : Path
        The file.
    entries : sequence of Entry
        In the order of the file.
    """

    def __init__(self, path: Path, entries: Sequence[Entry]) -> None:
        self.path = path
        self.entries = tuple(entries)

    def __repr__(self) -> str:
        return f"<Register {self.path.name}: {len(self.entries)} calibrations>"

    def choose(self, kind: Kind, chip: str, filter_name: str, night: str) -> Entry:
        """The calibration of a night.

        Parameters
        ----------
        kind : {"dark", "response"}
        chip, filter_name : str
            The filter counts for a response only.
        night : str
            YYYY-MM-DD.

        Returns
        -------
        Entry

        Raises
        ------
        CalibrationError
            If none holds for the night, or more than one does and not exactly one of them is
            marked as preferred; the message names file, night, and what to do.
        """
        mine = [
            e
            for e in self.entries
            if e.kind == kind and e.chip == chip and (kind == "dark" or e.filter == filter_name)
        ]
        what = f"{kind} of chip {chip}" + (f", filter {filter_name}" if kind == "response" else "")
        having = [e for e in mine if e.covers(night)]
        if not having:
            known = "; ".join(f"{e.id}: {e.valid_from} to {e.valid_to}" for e in mine) or "none"
            msg = (
                f"{self.path}: night {night}: no {what} holds for it (there are: {known}). Run "
                "`driftloom season` with the summaries of that night, widen valid_from or valid_to "
                'of an entry, or set calibration.vectors = "night"'
            )
            raise CalibrationError(msg)
        if len(having) == 1:
            return having[0]
        preferred = [e for e in having if e.preferred]
        if len(preferred) == 1:
            return preferred[0]
        claims = ", ".join(f"{e.id} ({e.valid_from} to {e.valid_to})" for e in having)
        msg = (
            f"{self.path}: night {night}: {len(having)} calibrations claim it as {what}: {claims}; "
            f"{len(preferred)} of them are marked. Correct valid_from and valid_to, or add "
            "preferred = true to the one that is to be used"
        )
        raise CalibrationError(msg)

    def find_overlaps(self) -> tuple[str, ...]:
        """Pairs of calibrations that claim the same nights, in words.

        Returns
        -------
        tuple of str
        """
        found = []
        for number, one in enumerate(self.entries):
            for other in self.entries[number + 1 :]:
                if (one.kind, one.chip, one.filter) != (other.kind, other.chip, other.filter):
                    continue
                first = max(one.valid_from, other.valid_from)
                last = min(one.valid_to, other.valid_to)
                if first > last:
                    continue
                chosen = [e.id for e in (one, other) if e.preferred]
                end = f"{chosen[0]} is preferred" if len(chosen) == 1 else "none is preferred"
                found.append(f"{one.id} and {other.id} both claim {first} to {last}: {end}")
        return tuple(found)

    def file_of(self, entry: Entry) -> Path:
        """Path of the file of an entry."""
        return self.path.parent / entry.file

    def open(self, entry: Entry) -> Path:
        """Path of the file of an entry, after a look at its checksum.

        Raises
        ------
        CalibrationError
            If the file is missing or not the one that was registered.
        """
        path = self.file_of(entry)
        again = "run `driftloom season` again"
        try:
            found = checksum_file(path)
        except OSError as error:
            msg = f"{self.path}: {entry.id}: {path} cannot be read ({error.strerror}); {again}"
            raise CalibrationError(msg) from error
        if found != entry.checksum:
            msg = (
                f"{self.path}: {entry.id}: {path} was changed after it was registered (checksum "
                f"{found}, expected {entry.checksum}); {again}, or register the new checksum"
            )
            raise CalibrationError(msg)
        return path


def read_register(path: str | Path) -> Register:
    """Read and check a register.

    Parameters
    ----------
    path : str or Path
        TOML file.

    Returns
    -------
    Register

    Raises
    ------
    CalibrationError
        If the file cannot be read, is no TOML, or holds wrong keys or values: all of them are
        named, each with the number of its table (from 0), its key, and what is expected.
    """
    path = Path(path)
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        msg = (
            f"{path}: the register of calibrations cannot be read ({error.strerror}). Run "
            '`driftloom season` first, or set calibration.vectors = "night"'
        )
        raise CalibrationError(msg) from error
    except (UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        msg = f"{path}: not valid TOML: {error}"
        raise CalibrationError(msg) from error
    try:
        entries = _File.model_validate(data).calibration
    except ValidationError as error:
        raise CalibrationError(explain_errors(error, _File, name=str(path))) from error
    return Register(path, entries)


def write_register(path: str | Path, entries: Sequence[Entry]) -> Path:
    """Write a register, one table per calibration.

    Parameters
    ----------
    path : str or Path
        TOML file.
    entries : sequence of Entry

    Returns
    -------
    Path

    Raises
    ------
    ProductError
        If the system refuses.
    """
    path = Path(path)
    tables = [_HEAD]
    for entry in entries:
        lines = ["[[calibration]]"]
        for name, field in Entry.model_fields.items():
            value = getattr(entry, name)
            if name in _OMITTED and value == field.default:
                continue
            lines.append(f"{name} = {_format(value)}")
        tables.append("\n".join(lines) + "\n")
    write_text(path, "\n".join(tables))
    return path


def _format(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int):
        return str(value)
    if isinstance(value, tuple):
        if not value:
            return "[]"
        return "[\n" + "".join(f"    {_format(v)},\n" for v in value) + "]"
    text = str(value).replace("\\", "\\\\").replace('"', '\\"')
    # TOML 1.0: control characters other than tab must be escaped in a basic string.
    return '"' + "".join(c if c >= " " and c != "\x7f" else f"\\u{ord(c):04x}" for c in text) + '"'
