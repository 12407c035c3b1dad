"""Every column of every table: name, unit, UCD1+, description, type.

Writers, readers and the documentation take columns from here. Units are FITS 4.0 strings that
VOUnit knows too, but for "electron", which both lack; UCDs follow the IVOA controlled vocabulary
UCD1+.
"""

from dataclasses import dataclass
from typing import Literal

__all__ = [
    "CANDIDATES",
    "COMPARISON_COLUMNS",
    "COMPARISON_LINES",
    "COMPARISON_MAGNITUDES",
    "COMPARISON_RESPONSES",
    "COMPARISON_STACKS",
    "COMPARISON_STRIPS",
    "CURVES",
    "DARK",
    "DEEP_CATALOGUE",
    "LIGHT_CURVES",
    "OBSCORE",
    "RESPONSE",
    "SCHEMAS",
    "STRIP_CATALOGUE",
    "Column",
    "Schema",
    "document_columns",
]

Kind = Literal["int64", "int32", "int16", "float64", "float32", "bool", "str"]


@dataclass(frozen=True)
class Column:
    """One column.

    Parameters
    ----------
    name : str
        Lower-case words joined by underscores.
    kind : str
        numpy type, or "str".
    unit : str
        Empty where it has none.
    ucd : str
        UCD1+.
    text : str
        What it is, in up to 68 characters.
    optional : bool
        May be left out of a table.
    """

    name: str
    kind: Kind
    unit: str
    ucd: str
    text: str
    optional: bool = False


Schema = tuple[Column, ...]


def _fluxes(unit: str, ucd: str, kinds: tuple[str, ...] = ("psf", "aperture", "total")) -> Schema:
    words = {
        "psf": "by the point-spread fit",
        "aperture": "in the fixed aperture",
        "total": "in the total-flux ellipse",
    }
    found: list[Column] = []
    for kind in kinds:
        text = f"flux {words[kind]}"
        found += [
            Column(f"flux_{kind}", "float64", unit, ucd, text),
            Column(
                f"flux_{kind}_err", "float64", unit, f"stat.error;{ucd}", f"error of the {text}"
            ),
        ]
    for kind in kinds:
        text = f"magnitude {words[kind]}"
        found += [
            Column(f"mag_{kind}", "float64", "mag", "phot.mag", text),
            Column(
                f"mag_{kind}_err", "float64", "mag", "stat.error;phot.mag", f"error of the {text}"
            ),
        ]
    return tuple(found)


_SOURCE_ID = Column("source_id", "int64", "", "meta.id;meta.main", "number of the source")
_SKY = (
    Column("ra", "float64", "deg", "pos.eq.ra;meta.main", "right ascension, ICRS"),
    Column("dec", "float64", "deg", "pos.eq.dec;meta.main", "declination, ICRS"),
    Column("ra_err", "float64", "arcsec", "stat.error;pos.eq.ra", "error of ra on the sky"),
    Column("dec_err", "float64", "arcsec", "stat.error;pos.eq.dec", "error of dec"),
)
_FLAGS = Column("flags", "int32", "", "meta.code.qual", "quality bits, named in the header")
_MOMENTS = (
    Column("mom_ll", "float64", "pixel2", "stat.variance;pos.cartesian.y",
           "windowed second moment along the lines"),
    Column("mom_lc", "float64", "pixel2", "stat.covariance;pos.cartesian",
           "windowed mixed second moment"),
    Column("mom_cc", "float64", "pixel2", "stat.variance;pos.cartesian.x",
           "windowed second moment along the columns"),
)  # fmt: skip
_TILE_MOMENTS = (
    Column("mom_xx", "float64", "pixel2", "stat.variance;pos.cartesian.x",
           "windowed second moment along the tile's x"),
    Column("mom_xy", "float64", "pixel2", "stat.covariance;pos.cartesian",
           "windowed mixed second moment"),
    Column("mom_yy", "float64", "pixel2", "stat.variance;pos.cartesian.y",
           "windowed second moment along the tile's y"),
)  # fmt: skip
_SHAPE = (
    Column("first_moment_radius", "float64", "pixel", "phys.angSize", "first-moment radius"),
    Column("semi_major", "float64", "pixel", "phys.angSize.smajAxis", "semi-major axis (rms)"),
    Column("semi_minor", "float64", "pixel", "phys.angSize.sminAxis", "semi-minor axis (rms)"),
    Column("position_angle", "float64", "deg", "pos.posAng",
           "of the major axis, from the line axis to the column axis"),
    Column("fwhm", "float64", "pixel", "phys.angSize;stat.fwhm", "full width at half maximum"),
)  # fmt: skip

STRIP_CATALOGUE: Schema = (
    _SOURCE_ID,
    Column("line", "float64", "pixel", "pos.cartesian.y;instr.det",
           "line of the point-spread fit, 0-based"),
    Column("line_err", "float64", "pixel", "stat.error;pos.cartesian.y", "error of line"),
    Column("column", "float64", "pixel", "pos.cartesian.x;instr.det",
           "column of the point-spread fit, 0-based"),
    Column("column_err", "float64", "pixel", "stat.error;pos.cartesian.x", "error of column"),
    *_SKY,
    Column("mjd_mid", "float64", "d", "time.epoch;meta.main",
           "mid-exposure of the source, UTC as MJD"),
    Column("exposure", "float64", "s", "time.duration;obs.exposure",
           "time the source spent on the chip"),
    *_fluxes("electron", "phot.count"),
    Column("aperture_share", "float64", "", "phot.flux;arith.ratio",
           "share of a star's light that the fixed aperture holds"),
    Column("total_share", "float64", "", "phot.flux;arith.ratio",
           "share of a star's light that the ellipse holds"),
    *_MOMENTS,
    *_SHAPE,
    Column("peak", "float64", "electron", "phot.count;stat.max", "brightest pixel above the sky"),
    Column("sky", "float64", "electron", "instr.skyLevel", "sky per pixel"),
    Column("sky_err", "float64", "electron", "stat.error;instr.skyLevel", "error of sky"),
    Column("chi2", "float64", "", "stat.fit.chi2", "reduced chi-square of the point-spread fit"),
    Column("extendedness", "float64", "", "src.class.starGalaxy",
           "how much more extended than a star"),
    Column("extendedness_err", "float64", "", "stat.error;src.class.starGalaxy",
           "error of extendedness"),
    Column("snr", "float64", "", "stat.snr", "signal-to-noise of the detection"),
    _FLAGS,
    Column("ref_index", "int64", "", "meta.id.cross", "row of the reference star, -1 for none"),
    Column("ref_ra_offset", "float64", "arcsec", "pos.eq.ra;arith.diff",
           "measured minus reference, on the sky"),
    Column("ref_dec_offset", "float64", "arcsec", "pos.eq.dec;arith.diff",
           "measured minus reference"),
    Column("ref_mag_offset", "float64", "mag", "phot.mag;arith.diff", "measured minus reference"),
)  # fmt: skip

DEEP_CATALOGUE: Schema = (
    _SOURCE_ID,
    Column("tile", "str", "", "meta.id;obs.field", "tile that owns the source"),
    Column("x", "float64", "pixel", "pos.cartesian.x", "column in the tile, 0-based"),
    Column("y", "float64", "pixel", "pos.cartesian.y", "row in the tile, 0-based"),
    Column("x_err", "float64", "pixel", "stat.error;pos.cartesian.x", "error of x"),
    Column("y_err", "float64", "pixel", "stat.error;pos.cartesian.y", "error of y"),
    *_SKY,
    *_fluxes("", "phot.flux"),
    *_TILE_MOMENTS,
    *(Column(c.name, c.kind, c.unit, c.ucd, c.text, optional=True) for c in _SHAPE),
    Column("chi2", "float64", "", "stat.fit.chi2", "reduced chi-square of the point-spread fit",
           optional=True),
    Column("extendedness", "float64", "", "src.class.starGalaxy",
           "how much more extended than a star", optional=True),
    Column("extendedness_err", "float64", "", "stat.error;src.class.starGalaxy",
           "error of extendedness", optional=True),
    Column("snr", "float64", "", "stat.snr", "signal-to-noise of the detection", optional=True),
    Column("peak", "float64", "", "phot.flux;stat.max", "brightest pixel", optional=True),
    Column("sky", "float64", "", "instr.skyLevel", "residual sky per pixel", optional=True),
    Column("sky_err", "float64", "", "stat.error;instr.skyLevel", "error of sky", optional=True),
    Column("n_epochs", "int32", "", "meta.number;obs", "epochs that contribute"),
    _FLAGS,
)  # fmt: skip

CURVES: Schema = (
    Column("line", "float64", "pixel", "pos.cartesian.y;instr.det", "middle of the line bin"),
    Column("mjd", "float64", "d", "time.epoch", "when that line left the register, UTC as MJD"),
    Column("sky", "float64", "electron", "instr.skyLevel", "sky per pixel"),
    Column("fwhm", "float64", "pixel", "instr.obsty.seeing", "full width at half maximum of stars"),
    Column("fwhm_err", "float64", "pixel", "stat.error;instr.obsty.seeing", "error of fwhm"),
    Column("zero_point", "float64", "mag", "phot.mag;arith.zp", "magnitude of 1 electron"),
    Column("zero_point_err", "float64", "mag", "stat.error;phot.mag;arith.zp",
           "error of zero_point"),
    Column("extinction", "float64", "mag", "obs.atmos.extinction",
           "beyond the clearest lines of the strip"),
    Column("cloudy", "bool", "", "meta.code.qual", "extinction beyond what is allowed"),
    Column("wander_line", "float64", "pixel", "pos.cartesian.y;arith.diff",
           "wander of the line of sight along the scan"),
    Column("wander_column", "float64", "pixel", "pos.cartesian.x;arith.diff",
           "wander of the line of sight across the scan"),
    Column("n_stars", "int32", "", "meta.number", "reference stars used"),
)  # fmt: skip

_COLUMN = Column("column", "int32", "pixel", "pos.cartesian.x;instr.det", "chip column, 0-based")
_MASK = Column("mask", "int32", "", "meta.code.qual", "mask bits, named in the header")

DARK: Schema = (
    _COLUMN,
    Column("bias", "float64", "electron", "phot.count;obs.calib", "bias"),
    Column("bias_err", "float64", "electron", "stat.error;phot.count;obs.calib", "error of bias"),
    Column("dark", "float64", "electron/s", "arith.rate;obs.calib.dark",
           "dark signal of one row"),
    Column("dark_err", "float64", "electron/s", "stat.error;obs.calib.dark", "error of dark"),
    Column("total", "float64", "electron", "phot.count;obs.calib.dark", "bias + n_stage tau dark"),
    Column("total_err", "float64", "electron", "stat.error;phot.count;obs.calib.dark",
           "error of total"),
    _MASK,
)  # fmt: skip

RESPONSE: Schema = (
    _COLUMN,
    Column("response", "float64", "", "instr.sensitivity;obs.calib.flat",
           "response relative to the chip"),
    Column("response_err", "float64", "", "stat.error;instr.sensitivity", "error of response"),
    Column("intercept", "float64", "electron", "phot.count;obs.calib.flat",
           "what bias and dark missed"),
    Column("intercept_err", "float64", "electron", "stat.error;phot.count;obs.calib.flat",
           "error of intercept"),
    Column("chi2", "float64", "", "stat.fit.chi2", "reduced chi-square of level against sky"),
    Column("linearity", "float64", "", "stat.fit.residual;instr.sensitivity",
           "deviation from the straight line at the highest sky, relative",
           optional=True),
    Column("linearity_err", "float64", "", "stat.error;instr.sensitivity",
           "error of linearity; infinite where the sky does not tell", optional=True),
    _MASK,
)  # fmt: skip

LIGHT_CURVES: Schema = (
    Column("source_id", "int64", "", "meta.id;meta.main", "source of the deep catalogue"),
    Column("strip", "str", "", "meta.id;obs", "night and name of the strip"),
    Column("mjd_mid", "float64", "d", "time.epoch", "mid-exposure of the source, UTC as MJD"),
    *_fluxes("", "phot.flux", ("psf",)),
    _FLAGS,
)

CANDIDATES: Schema = (
    Column("candidate_id", "int64", "", "meta.id;meta.main", "number of the candidate"),
    Column("kind", "str", "", "meta.code.class", "variable, new, vanished or moving"),
    *_SKY,
    Column("mjd_mid", "float64", "d", "time.epoch", "when it stood out most, UTC as MJD"),
    Column("source_id", "int64", "", "meta.id.cross", "source of the deep catalogue, -1 for none"),
    Column("significance", "float64", "", "stat.snr", "in standard deviations"),
    Column("n_epochs", "int32", "", "meta.number;obs", "epochs that contribute"),
    _FLAGS,
)

# Mandatory fields of IVOA ObsCore 1.1 (Louys et al. 2017), table 1, in that order; their UCDs are
# the standard's (from memory, checked against the controlled vocabulary).
OBSCORE: Schema = (
    Column("dataproduct_type", "str", "", "meta.code.class", "kind of data product"),
    Column("calib_level", "int32", "", "meta.code;obs.calib", "calibration level, 0 to 4"),
    Column("obs_collection", "str", "", "meta.id", "collection"),
    Column("obs_id", "str", "", "meta.id", "observation"),
    Column("obs_publisher_did", "str", "", "meta.ref.ivoid", "identifier given by the publisher"),
    Column("access_url", "str", "", "meta.ref.url", "path relative to this table"),
    Column("access_format", "str", "", "meta.code.mime", "file format"),
    Column("access_estsize", "int64", "kbyte", "phys.size;meta.file", "size of the file"),
    Column("target_name", "str", "", "meta.id;src", "tile"),
    Column("s_ra", "float64", "deg", "pos.eq.ra", "right ascension of the centre, ICRS"),
    Column("s_dec", "float64", "deg", "pos.eq.dec", "declination of the centre, ICRS"),
    Column("s_fov", "float64", "deg", "phys.angSize;instr.fov", "diameter"),
    Column("s_region", "str", "", "pos.outline;obs.field", "outline, STC-S"),
    Column("s_xel1", "int64", "", "meta.number", "pixels along the first axis"),
    Column("s_xel2", "int64", "", "meta.number", "pixels along the second axis"),
    Column("s_resolution", "float64", "arcsec", "pos.angResolution", "full width of stars"),
    Column("t_min", "float64", "d", "time.start;obs.exposure", "start, UTC as MJD"),
    Column("t_max", "float64", "d", "time.end;obs.exposure", "end, UTC as MJD"),
    Column("t_exptime", "float64", "s", "time.duration;obs.exposure", "exposure time"),
    Column("t_resolution", "float64", "s", "time.resolution", "time resolution"),
    Column("t_xel", "int64", "", "meta.number", "elements in time"),
    Column("em_min", "float64", "m", "em.wl;stat.min", "shortest wavelength"),
    Column("em_max", "float64", "m", "em.wl;stat.max", "longest wavelength"),
    Column("em_res_power", "float64", "", "spect.resolution", "resolving power"),
    Column("em_xel", "int64", "", "meta.number", "elements in wavelength"),
    Column("o_ucd", "str", "", "meta.ucd", "UCD of the pixel values"),
    Column("pol_states", "str", "", "meta.code;phys.polarization", "polarization states"),
    Column("pol_xel", "int64", "", "meta.number", "elements in polarization"),
    Column("facility_name", "str", "", "meta.id;instr.tel", "telescope"),
    Column("instrument_name", "str", "", "meta.id;instr", "instrument"),
)

_STRIP = Column("strip", "str", "", "meta.id;obs", "name of the strip")
_NIGHT = Column("night", "str", "", "time.epoch;obs", "date of the local noon before, YYYY-MM-DD")
_N = Column("n", "int64", "", "meta.number", "sources kept, unflagged on both sides")


def _sides(name: str, unit: str, ucd: str, text: str) -> Schema:
    """A number before and after."""
    return tuple(
        Column(f"{name}_{side}", "float64", unit, ucd, f"{text}, {side}") for side in ("old", "new")
    )


def _change(name: str, unit: str, ucd: str, text: str, *, spread: bool = True) -> Schema:
    """Median of new minus old, its error, and the robust spread."""
    found = (
        Column(f"{name}_change", "float64", unit, f"{ucd};arith.diff", f"{text}, new minus old"),
        Column(f"{name}_change_err", "float64", unit, f"stat.error;{ucd}", "error of that median"),
    )
    last = Column(f"{name}_spread", "float64", unit, f"stat.stdev;{ucd}", "robust spread of it")
    return (*found, last) if spread else found


def _magnitude_changes() -> Schema:
    kinds = ("psf", "aperture", "total")
    return tuple(
        column
        for kind in kinds
        for column in _change(f"mag_{kind}", "mag", "phot.mag", f"median magnitude ({kind})")
    )


def _position_changes() -> Schema:
    words = {"line": "pos.cartesian.y", "column": "pos.cartesian.x"}
    return tuple(
        column
        for name, ucd in words.items()
        for column in _change(name, "pixel", ucd, f"median {name}")
    )


_RESPONSE_RATIO = (
    Column("response_ratio", "float64", "", "instr.sensitivity;arith.ratio",
           "median response of the columns, new over old"),
    Column("response_ratio_err", "float64", "", "stat.error;instr.sensitivity",
           "error of that median, from the spread of the columns"),
)  # fmt: skip

COMPARISON_STRIPS: Schema = (
    _STRIP,
    _NIGHT,
    Column("filter", "str", "", "meta.id;instr.filter", "filter"),
    Column("n_old", "int64", "", "meta.number", "sources, old"),
    Column("n_new", "int64", "", "meta.number", "sources, new"),
    Column("n_kept", "int64", "", "meta.number", "sources on both sides"),
    Column("n_lost", "int64", "", "meta.number", "sources on the old side only"),
    Column("n_gained", "int64", "", "meta.number", "sources on the new side only"),
    Column("n_flags_changed", "int64", "", "meta.number", "kept sources with other flags"),
    _N,
    *_magnitude_changes(),
    *(
        Column(f"mag_{kind}_error_ratio", "float64", "", "stat.error;phot.mag;arith.ratio",
               f"median stated error of the magnitude ({kind}), new over old")
        for kind in ("psf", "aperture", "total")
    ),
    *(
        Column(f"n_changed_{kind}", "int64", "", "meta.number",
               f"kept, magnitude ({kind}) changed by over 3 of its errors")
        for kind in ("psf", "aperture", "total")
    ),
    *_position_changes(),
    *_change("ra", "arcsec", "pos.eq.ra", "median right ascension on the sky"),
    *_change("dec", "arcsec", "pos.eq.dec", "median declination"),
    *_change("zero_point", "mag", "phot.mag;arith.zp", "median zero point along the strip"),
    Column("zero_point_most", "float64", "mag", "phot.mag;arith.zp;stat.max",
           "largest change of the zero point, either sign"),
    Column("n_trend", "int64", "", "meta.number", "bright reference stars of the trends"),
    Column("trend_old", "float64", "mag", "phot.mag;arith.diff",
           "trend with column: last minus first, old"),
    Column("trend_old_err", "float64", "mag", "stat.error;phot.mag", "error of trend_old"),
    Column("trend_new", "float64", "mag", "phot.mag;arith.diff",
           "trend with column: last minus first, new"),
    Column("trend_new_err", "float64", "mag", "stat.error;phot.mag", "error of trend_new"),
    *_change("trend", "mag", "phot.mag", "trend of bright stars", spread=False),
    *_RESPONSE_RATIO,
    *_sides("rms_line", "pixel", "stat.stdev;pos.cartesian.y", "rms of the solution in line"),
    *_sides("rms_column", "pixel", "stat.stdev;pos.cartesian.x", "rms of the solution in column"),
    *_sides("zero_point_rms", "mag", "stat.stdev;phot.mag;arith.zp", "rms of the zero point"),
    Column("identical", "bool", "", "meta.code", "catalogue, curves and solution are the same"),
)  # fmt: skip

COMPARISON_COLUMNS: Schema = (
    _STRIP,
    _NIGHT,
    Column("column_from", "float64", "pixel", "pos.cartesian.x;stat.min", "first column"),
    Column("column_to", "float64", "pixel", "pos.cartesian.x;stat.max", "end, not included"),
    _N,
    *_magnitude_changes(),
    *_position_changes(),
    Column("n_bright", "int64", "", "meta.number", "bright reference stars"),
    *(
        Column(f"bright_offset_{side}{end}", "float64", "mag", ucd, text)
        for side in ("old", "new")
        for end, ucd, text in (
            ("", "phot.mag;arith.diff", f"bright stars, measured minus reference, {side}"),
            ("_err", "stat.error;phot.mag", "error of that median"),
        )
    ),
    *_RESPONSE_RATIO,
)  # fmt: skip

COMPARISON_MAGNITUDES: Schema = (
    _STRIP,
    _NIGHT,
    Column("mag_from", "float64", "mag", "phot.mag;stat.min", "bright end of the bin"),
    Column("mag_to", "float64", "mag", "phot.mag;stat.max", "faint end of the bin"),
    _N,
    Column("n_kept", "int64", "", "meta.number", "sources on both sides"),
    Column("n_lost", "int64", "", "meta.number", "sources on the old side only"),
    Column("n_gained", "int64", "", "meta.number", "sources on the new side only"),
    *_magnitude_changes(),
    Column("mag_psf_error_ratio", "float64", "", "stat.error;phot.mag;arith.ratio",
           "median stated error of the magnitude (psf), new over old"),
)  # fmt: skip

COMPARISON_LINES: Schema = (
    _STRIP,
    _NIGHT,
    Column("line", "float64", "pixel", "pos.cartesian.y;instr.det", "middle of the line bin"),
    *_sides("zero_point", "mag", "phot.mag;arith.zp", "magnitude of 1 electron"),
    Column("zero_point_change", "float64", "mag", "phot.mag;arith.zp;arith.diff",
           "new minus old"),
    Column("zero_point_change_err", "float64", "mag", "stat.error;phot.mag;arith.zp",
           "stated errors, as if old and new were independent"),
)  # fmt: skip

COMPARISON_RESPONSES: Schema = (
    _NIGHT,
    Column("vector", "str", "", "meta.id;obs.calib.flat", "name of the response vector"),
    _COLUMN,
    *_sides("response", "", "instr.sensitivity;obs.calib.flat", "response"),
    Column("response_ratio", "float64", "", "instr.sensitivity;arith.ratio",
           "new over old; not a number where masked on a side"),
    Column("response_ratio_err", "float64", "", "stat.error;instr.sensitivity",
           "stated errors, as if old and new were independent"),
    Column("mask_old", "int32", "", "meta.code.qual", "mask bits, named in the header, old"),
    Column("mask_new", "int32", "", "meta.code.qual", "mask bits, named in the header, new"),
)  # fmt: skip

COMPARISON_STACKS: Schema = (
    Column("tile", "str", "", "meta.id;obs.field", "tile"),
    Column("filter", "str", "", "meta.id;instr.filter", "filter"),
    Column("n_epochs_old", "int64", "", "meta.number;obs", "epochs, old"),
    Column("n_epochs_new", "int64", "", "meta.number;obs", "epochs, new"),
    Column("n_pixels", "int64", "", "meta.number", "unmasked pixels on both sides"),
    *_sides("noise", "", "stat.stdev;phot.flux", "noise of a pixel from the variance"),
    *_sides("spread", "", "stat.stdev;phot.flux", "robust spread of the pixels"),
    Column("noise_ratio", "float64", "", "stat.stdev;phot.flux;arith.ratio",
           "noise from the variance, new over old"),
    Column("spread_ratio", "float64", "", "stat.stdev;phot.flux;arith.ratio",
           "spread of the pixels, new over old"),
    *_sides("depth", "mag", "phot.mag;stat.max", "5 sigma magnitude from the variance"),
    Column("depth_change", "float64", "mag", "phot.mag;arith.diff", "new minus old"),
    *_sides("depth_deep", "mag", "phot.mag;stat.max", "5 sigma magnitude, deep catalogue"),
    Column("depth_deep_change", "float64", "mag", "phot.mag;arith.diff", "new minus old"),
    Column("depth_deep_change_err", "float64", "mag", "stat.error;phot.mag",
           "error of it, as if old and new were independent"),
    Column("n_deep_old", "int64", "", "meta.number", "sources of the deep catalogue, old"),
    Column("n_deep_new", "int64", "", "meta.number", "sources of the deep catalogue, new"),
    Column("identical", "bool", "", "meta.code", "every pixel is the same"),
)  # fmt: skip

SCHEMAS: dict[str, Schema] = {
    "strip catalogue": STRIP_CATALOGUE,
    "deep catalogue": DEEP_CATALOGUE,
    "curves": CURVES,
    "dark": DARK,
    "response": RESPONSE,
    "light curves": LIGHT_CURVES,
    "candidates": CANDIDATES,
    "obscore": OBSCORE,
    "comparison of strips": COMPARISON_STRIPS,
    "comparison of columns": COMPARISON_COLUMNS,
    "comparison of magnitudes": COMPARISON_MAGNITUDES,
    "comparison of lines": COMPARISON_LINES,
    "comparison of responses": COMPARISON_RESPONSES,
    "comparison of stacks": COMPARISON_STACKS,
}


def document_columns(schema: Schema) -> str:
    """Table of columns as text, for documentation and reports.

    Parameters
    ----------
    schema : tuple of Column
        One of `SCHEMAS`.

    Returns
    -------
    str
        Markdown.
    """
    rows = [f"| {c.name} | {c.unit} | {c.ucd} | {c.text} |" for c in schema]
    return "\n".join(["| column | unit | UCD | what |", "| --- | --- | --- | --- |", *rows]) + "\n"
