"""Column summaries kept as FITS files: all that a season's calibrations are made from."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

import numpy as np
from astropy.io import fits
from numpy.typing import NDArray

from pipeline.errors import ProductError
from pipeline.io.atomic import replace_file
from pipeline.io.cards import make_header
from pipeline.io.opening import open_product
from pipeline.io.provenance import Provenance
from pipeline.strip import Amplifier, Segment, Strip

__all__ = ["StoredSummary", "SummaryLike", "read_summary", "summary_path", "write_summary"]

_FORMAT = 1
_IMAGES = ("level", "level_err", "noise_var", "count")
_OVERSCAN = ("level", "error", "noise_var", "count")
_UNITS = {
    "LEVEL": "electron", "LEVEL_ERR": "electron", "NOISE_VAR": "electron2",
    "OVERSCAN_LEVEL": "adu", "OVERSCAN_ERROR": "adu", "OVERSCAN_NOISE_VAR": "adu2",
}  # fmt: skip
_TEXTS = {
    "LEVEL": "clipped mean less the overscan, by bin and column",
    "LEVEL_ERR": "error of LEVEL, without that of the overscan",
    "NOISE_VAR": "variance of one pixel, by bin and column",
    "COUNT": "pixels used, by bin and column",
    "OVERSCAN_LEVEL": "overscan by sub-bin and amplifier",
    "OVERSCAN_ERROR": "error of OVERSCAN_LEVEL",
    "OVERSCAN_NOISE_VAR": "variance of one overscan pixel",
    "OVERSCAN_COUNT": "overscan pixels used",
}


class OverscanLike(Protocol):
    """Overscan levels, as `pipeline.stages.overscan.OverscanLevels` has them."""

    @property
    def first_line(self) -> int: ...
    @property
    def n_lines(self) -> int: ...
    @property
    def level(self) -> NDArray[np.float64]: ...
    @property
    def error(self) -> NDArray[np.float64]: ...
    @property
    def noise_var(self) -> NDArray[np.float64]: ...
    @property
    def count(self) -> NDArray[np.int32]: ...


class SummaryLike(Protocol):
    """A column summary, as `pipeline.stages.colstats.ColumnSummary` is one."""

    @property
    def first_line(self) -> int: ...  # noqa: D102
    @property
    def n_lines(self) -> int: ...  # noqa: D102
    @property
    def line(self) -> NDArray[np.float64]: ...  # noqa: D102
    @property
    def present(self) -> NDArray[np.int32]: ...  # noqa: D102
    @property
    def level(self) -> NDArray[np.float32]: ...  # noqa: D102
    @property
    def level_err(self) -> NDArray[np.float32]: ...  # noqa: D102
    @property
    def noise_var(self) -> NDArray[np.float32]: ...  # noqa: D102
    @property
    def count(self) -> NDArray[np.int16]: ...  # noqa: D102
    @property
    def overscan(self) -> OverscanLike: ...  # noqa: D102
    @property
    def settled(self) -> bool: ...  # noqa: D102


@dataclass(frozen=True)
class StoredSummary:
    """What a summary file holds.

    Parameters
    ----------
    strip : Strip
        The strip; its segments have names of files, not paths.
    fields : dict
        Fields of a column summary by name, without the overscan.
    overscan : dict
        Fields of its overscan levels by name.
    clip : float
        Limit with which pixels were clipped, sigma.
    provenance : Provenance or None
    n_bytes : int
        Size of the file.
    """

    strip: Strip
    fields: dict[str, Any]
    overscan: dict[str, Any]
    clip: float
    provenance: Provenance | None
    n_bytes: int


def summary_path(out: str | Path, strip: Strip) -> Path:
    """Where the summary of a strip lies below a folder of products.

    Parameters
    ----------
    out : str or Path
        Folder of products.
    strip : Strip

    Returns
    -------
    Path
    """
    return Path(out) / "summaries" / strip.night / f"{strip.name}.fits"


def write_summary(
    path: str | Path,
    summary: SummaryLike,
    strip: Strip,
    *,
    clip: float,
    provenance: Provenance,
) -> Path:
    """Write the column summary of a strip.

    Parameters
    ----------
    path : str or Path
        Product (`summary_path`).
    summary : ColumnSummary
        Of the whole strip, settled.
    strip : Strip
        Its facts go along, so that no raw file is asked again.
    clip : float
        Limit with which pixels were clipped, sigma.
    provenance : Provenance
        Into the primary header; its inputs are the raw segments.

    Returns
    -------
    Path

    Raises
    ------
    ValueError
        If the summary is not settled.
    ProductError
        If the system refuses.
    """
    path = Path(path)
    if not summary.settled:
        msg = f"summary of {strip.name} must be settled before it is written"
        raise ValueError(msg)
    header = make_header(
        {
            "FORMAT": (_FORMAT, "of summary files"),
            "NIGHT": (strip.night, "date of the local noon before"),
            "STRIP": (strip.name, "strip"),
            "CHIP": (strip.chip, "chip"),
            "FILTER": (strip.filter, "filter"),
            "SHUTTER": ("OPEN" if strip.shutter_open else "CLOSED", "state of the shutter"),
            "TIMESYS": ("UTC", "time scale"),
            "MJD-BEG": (strip.mjd_start, "[d] line 0 leaves the register"),
            "LINEPER": (strip.line_period, "[s] line period"),
            "NLINES": (strip.n_lines, "lines"),
            "NCOLUMNS": (strip.n_columns, "columns of the chip"),
            "NRAWCOL": (strip.n_raw_columns, "columns of the raw frame"),
            "NSTAGE": (strip.n_stage, "rows that integrate"),
            "FIRSTLIN": (summary.first_line, "line of the first bin"),
            "SUMLINES": (summary.n_lines, "lines covered by the bins"),
            "OVFIRST": (summary.overscan.first_line, "line of the first sub-bin"),
            "OVLINES": (summary.overscan.n_lines, "lines covered by the sub-bins"),
            "CLIP": (clip, "limit of clipping, standard deviations"),
        },
        provenance.to_cards(),
    )
    hdus = fits.HDUList([fits.PrimaryHDU(header=header)])
    for name in _IMAGES:
        hdus.append(_make_image(name.upper(), getattr(summary, name)))
    for name in _OVERSCAN:
        hdus.append(_make_image(f"OVERSCAN_{name.upper()}", getattr(summary.overscan, name)))
    hdus.append(
        _make_table("BINS", [("line", "D", summary.line), ("present", "J", summary.present)])
    )
    hdus.append(_make_amplifiers(strip.amplifiers))
    hdus.append(
        _make_table(
            "SEGMENTS",
            [
                ("name", "A", [Path(s.path).name for s in strip.segments]),
                ("number", "J", [s.number for s in strip.segments]),
                ("first_line", "K", [s.first_line for s in strip.segments]),
                ("n_lines", "K", [s.n_lines for s in strip.segments]),
            ],
        )
    )
    hdus.append(
        _make_table(
            "GAPS",
            [("first", "K", [g[0] for g in strip.gaps]), ("stop", "K", [g[1] for g in strip.gaps])],
        )
    )
    hdus.append(_make_table("PROBLEMS", [("text", "A", list(strip.problems))]))
    with replace_file(path) as partial:
        # The comment of a checksum is its date, which would make every file another one.
        hdus.update_extend()
        for hdu in hdus:
            hdu.add_checksum(when="")
        hdus.writeto(partial)
        back = _read(partial)
        if back.strip.name != strip.name or not np.array_equal(
            back.fields["level"], summary.level, equal_nan=True
        ):
            msg = f"{path}: not the same when read back; check the disk"
            raise ProductError(msg)
    return path


def read_summary(path: str | Path) -> StoredSummary:
    """Read what `write_summary` wrote; the checksums of the file are tested.

    Parameters
    ----------
    path : str or Path
        Summary file.

    Returns
    -------
    StoredSummary

    Raises
    ------
    ProductError
        If the file is missing, damaged, or of another format.
    """
    return _read(Path(path))


def _read(path: Path) -> StoredSummary:
    with open_product(path) as hdus:
        # astropy tests checksums only where asked, and by a warning; here damage is an error.
        for hdu in hdus:
            if hdu.verify_checksum() == 0 or hdu.verify_datasum() == 0:
                msg = f"{path}: {hdu.name or 'primary HDU'} does not have the checksum it states"
                raise ProductError(f"{msg}; remove the file and reduce its night again")
        head = hdus[0].header
        if head["FORMAT"] != _FORMAT:
            msg = (
                f"{path}: summary format {head['FORMAT']}, this program reads {_FORMAT}; "
                "reduce its night again"
            )
            raise ProductError(msg)
        fields: dict[str, Any] = {n: _native(hdus[n.upper()].data) for n in _IMAGES}
        overscan: dict[str, Any] = {
            n: _native(hdus[f"OVERSCAN_{n.upper()}"].data) for n in _OVERSCAN
        }
        fields |= {n: _native(hdus["BINS"].data[n]) for n in ("line", "present")}
        fields |= {
            "first_line": int(head["FIRSTLIN"]), "n_lines": int(head["SUMLINES"]), "settled": True
        }  # fmt: skip
        overscan |= {"first_line": int(head["OVFIRST"]), "n_lines": int(head["OVLINES"])}
        _check_shapes(path, fields, int(head["NCOLUMNS"]))
        strip = Strip(
            name=str(head["STRIP"]), night=str(head["NIGHT"]), chip=str(head["CHIP"]),
            filter=str(head["FILTER"]), shutter_open=str(head["SHUTTER"]) == "OPEN",
            mjd_start=float(head["MJD-BEG"]), line_period=float(head["LINEPER"]),
            n_lines=int(head["NLINES"]), n_columns=int(head["NCOLUMNS"]),
            n_raw_columns=int(head["NRAWCOL"]), n_stage=int(head["NSTAGE"]),
            amplifiers=_read_amplifiers(hdus["AMPLIFIERS"].data),
            segments=tuple(
                Segment(_text(r["name"]), int(r["number"]), int(r["first_line"]), int(r["n_lines"]))
                for r in hdus["SEGMENTS"].data
            ),
            gaps=tuple((int(r["first"]), int(r["stop"])) for r in hdus["GAPS"].data),
            problems=tuple(_text(r["text"]) for r in hdus["PROBLEMS"].data),
        )  # fmt: skip
        provenance = Provenance.from_cards(head)
        clip = float(head["CLIP"])
    return StoredSummary(strip, fields, overscan, clip, provenance, path.stat().st_size)


def _check_shapes(path: Path, fields: dict[str, Any], n_columns: int) -> None:
    shape = (len(fields["line"]), n_columns)
    wrong = [name for name in _IMAGES if fields[name].shape != shape]
    if wrong:
        msg = (
            f"{path}: {wrong[0]} must have the shape {shape}, has {fields[wrong[0]].shape}; "
            "remove the file and reduce its night again"
        )
        raise ProductError(msg)


def _make_image(name: str, values: NDArray[Any]) -> fits.ImageHDU:
    cards = {"COMMENT": _TEXTS[name]}
    if name in _UNITS:
        cards["BUNIT"] = _UNITS[name]
    return fits.ImageHDU(values, make_header(cards), name=name)


def _make_table(name: str, columns: Sequence[tuple[str, str, Any]]) -> fits.BinTableHDU:
    made = []
    for column, code, values in columns:
        if code == "A":
            texts = np.array([str(t).encode("ascii", "replace") for t in values] or [b" "])
            texts = texts[: len(values)]
            made.append(fits.Column(column, f"{max(1, texts.dtype.itemsize)}A", array=texts))
        else:
            made.append(fits.Column(column, code, array=np.asarray(values)))
    return fits.BinTableHDU.from_columns(made, name=name)


def _make_amplifiers(amplifiers: tuple[Amplifier, ...]) -> fits.BinTableHDU:
    ranges = [
        (f"{key}_{end}", "J", [getattr(a, key)[i] for a in amplifiers])
        for key in ("data", "overscan", "chip")
        for i, end in enumerate(("first", "stop"))
    ]
    numbers = [
        (key, "D", [getattr(a, key) for a in amplifiers])
        for key in ("gain", "read_noise", "saturation")
    ]
    return _make_table(
        "AMPLIFIERS",
        [
            ("name", "A", [a.name for a in amplifiers]),
            *ranges,
            ("reversed", "L", [a.reversed for a in amplifiers]),
            *numbers,
        ],
    )


def _read_amplifiers(rows: Any) -> tuple[Amplifier, ...]:
    return tuple(
        Amplifier(
            name=_text(r["name"]),
            data=(int(r["data_first"]), int(r["data_stop"])),
            overscan=(int(r["overscan_first"]), int(r["overscan_stop"])),
            chip=(int(r["chip_first"]), int(r["chip_stop"])),
            reversed=bool(r["reversed"]),
            gain=float(r["gain"]),
            read_noise=float(r["read_noise"]),
            saturation=float(r["saturation"]),
        )
        for r in rows
    )


def _text(value: Any) -> str:
    return (value.decode("ascii") if isinstance(value, bytes) else str(value)).rstrip()


def _native(values: Any) -> NDArray[Any]:
    array = np.asarray(values)
    return np.array(array, dtype=array.dtype.newbyteorder("="))
