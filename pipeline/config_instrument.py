"""Tables of the configuration file that describe the instrument and its files."""

from typing import Annotated, Literal, Self

from pydantic import Field, StrictBool, StrictFloat, StrictInt, model_validator

from pipeline.config_base import Constant, Problem, Range, Section, Text, key, raise_problems

__all__ = [
    "AmplifierConfig",
    "CameraConfig",
    "ObservatoryConfig",
    "PointingConfig",
    "RawConfig",
    "RawConstants",
    "RawKeywords",
    "ReferenceColumns",
    "ReferenceConfig",
    "ReferenceOptions",
]


Keyword = Annotated[str, Field(pattern=r"^([A-Z0-9_-]{1,8}|HIERARCH [A-Z0-9_ -]+)$")]
KEYWORD_FORM = "a FITS keyword, up to 8 of A-Z 0-9 - _ (or HIERARCH and words)"


class ObservatoryConfig(Section):
    """The site and the telescope."""

    name: Text = key("Name, for headers and reports", example="Saltpan Ridge (invented)")
    latitude: StrictFloat = key(
        "Astronomical latitude, north positive", unit="deg", example=-46.2, gt=-90, lt=90
    )
    longitude: StrictFloat = key(
        "Longitude, east positive", unit="deg", example=-71.3, ge=-180, le=360
    )
    height: StrictFloat = key(
        "Height above the ellipsoid", unit="m", example=1120.0, ge=-500, le=9000
    )
    mirror: Literal["solid", "rotating-liquid"] = key(
        "Kind of primary mirror; a rotating liquid adds advice on its spin rate", default="solid"
    )


class PointingConfig(Section):
    """Where the parked telescope points; without this table, at the zenith."""

    declination: StrictFloat | None = key(
        "Apparent declination of the optical axis; the latitude when absent",
        default=None, unit="deg", example=-46.2, ge=-89, le=89,
    )  # fmt: skip
    hour_angle: StrictFloat = key(
        "Hour angle of the optical axis, west positive", default=0.0, unit="deg", gt=-180, le=180
    )


class AmplifierConfig(Section):
    """One amplifier. Ranges are half-open; raw columns are counted after `raw.flip_columns`."""

    name: str = key(
        "Short name; header keywords end in it",
        example="A",
        pattern=r"^[A-Z0-9_-]{1,3}$",
        form="text, 1 to 3 of A-Z 0-9 - _",
    )
    data: Range = key("Raw columns that hold image", example=[0, 1024])
    overscan: Range = key(
        "Raw columns of its serial overscan; an empty range such as [0, 0] where there is none",
        example=[1024, 1040],
    )
    chip: Range = key("Chip columns that they fill", example=[0, 1024])
    reversed: StrictBool = key("True where raw columns run against chip columns", default=False)
    gain: StrictFloat = key("Gain", unit="electron/ADU", example=1.8, gt=0)
    read_noise: StrictFloat = key("Read noise", unit="electron", example=6.0, gt=0)
    saturation: StrictFloat = key("Level taken as saturated", unit="ADU", example=60000.0, gt=0)


class CameraConfig(Section):
    """The detector and its scale. The geometry is a first guess; the stars refine it."""

    pixel_scale: StrictFloat = key(
        "Scale on the optical axis", unit="arcsec/px", example=0.55, gt=0, le=60
    )
    columns: StrictInt = key("Columns that image", unit="px", example=1024, ge=16, le=100_000)
    n_stage: StrictInt = key("Rows that integrate", unit="px", example=1024, ge=16, le=100_000)
    rotation: StrictFloat = key(
        "Camera rotation, first guess; turns the drift from rows towards lower columns",
        default=0.0, unit="deg", ge=-10, le=10,
    )  # fmt: skip
    column_sign: Literal[1, -1] = key("1: columns grow to the north, -1: to the south", default=1)
    optical_centre: tuple[StrictFloat, StrictFloat] | None = key(
        "Column and row of the optical axis; the middle of the chip when absent",
        default=None, unit="px", example=[511.5, 512.0],
    )  # fmt: skip
    radial_distortion: tuple[StrictFloat, StrictFloat] = key(
        "k1 and k2 of the radial factor 1 + k1 r^2 + k2 r^4, r in radians from the axis",
        default=(0.0, 0.0), unit="rad-2, rad-4",
    )  # fmt: skip
    amplifier: tuple[AmplifierConfig, ...] = key(
        "Amplifiers; together they tile the chip", min_length=1
    )

    @property
    def centre(self) -> tuple[float, float]:
        """Column and row of the optical axis in pixels, given or by default."""
        return self.optical_centre or ((self.columns - 1) / 2.0, self.n_stage / 2.0)

    @model_validator(mode="after")
    def _check_together(self) -> Self:
        problems: list[Problem] = []
        used: dict[int, str] = {}
        raw: dict[int, str] = {}
        names: set[str] = set()
        for position, amplifier in enumerate(self.amplifier):
            where = f"amplifier[{position}]"
            if amplifier.name in names:
                problems.append((f"{where}.name", amplifier.name, "a name of its own"))
            names.add(amplifier.name)
            ranges = {
                "data": amplifier.data,
                "overscan": amplifier.overscan,
                "chip": amplifier.chip,
            }
            for word, (first, stop) in ranges.items():
                if first < 0 or stop < first or (word != "overscan" and stop == first):
                    rule = "a half-open range [first, stop] with 0 <= first < stop"
                    problems.append((f"{where}.{word}", [first, stop], rule))
            first, stop = amplifier.chip
            if stop - first != amplifier.data[1] - amplifier.data[0]:
                rule = f"as many columns as data {list(amplifier.data)}"
                problems.append((f"{where}.chip", [first, stop], rule))
            if stop > self.columns:
                rule = f"columns of the chip, 0 to {self.columns} (camera.columns)"
                problems.append((f"{where}.chip", [first, stop], rule))
                stop = self.columns
            clash = {used[c] for c in range(first, stop) if c in used}
            if clash:
                others = ", ".join(sorted(clash))
                rule = f"chip columns that no other amplifier fills (also in {others})"
                problems.append((f"{where}.chip", list(amplifier.chip), rule))
            used.update(dict.fromkeys(range(first, stop), where))
            for word in ("data", "overscan"):
                first, stop = ranges[word]
                clash = {raw[c] for c in range(first, stop) if c in raw}
                if clash and not (word == "overscan" and all("overscan" in c for c in clash)):
                    rule = f"raw columns apart from {', '.join(sorted(clash))}"
                    problems.append((f"{where}.{word}", [first, stop], rule))
                raw.update(dict.fromkeys(range(first, stop), f"{where}.{word}"))
        empty = [c for c in range(self.columns) if c not in used]
        if empty and not problems:
            rule = f"chip ranges that fill every column; column {empty[0]} has no amplifier"
            problems.append(("amplifier", [list(a.chip) for a in self.amplifier], rule))
        if self.optical_centre is not None:
            column, row = self.optical_centre
            # An axis far off the chip is a slip of the pen: fields of view are about a chip wide.
            if abs(column - self.columns / 2) > self.columns or abs(row) > 2 * self.n_stage:
                rule = "column and row within one chip width of the chip"
                problems.append(("optical_centre", [column, row], rule))
        raise_problems(problems)
        return self


class RawKeywords(Section):
    """Our word on the left, the FITS keyword of this camera on the right."""

    start_time: Keyword = key("Time of `raw.time_refers_to`", example="DATE-BEG", form=KEYWORD_FORM)
    line_period: Keyword | None = key(
        "Seconds per line, or lines per second with `raw.line_rate_given`",
        default=None, example="LINEPER", form=KEYWORD_FORM, shown=True,
    )  # fmt: skip
    filter: Keyword | None = key(
        "Filter", default=None, example="FILTER", form=KEYWORD_FORM, shown=True
    )
    shutter: Keyword | None = key(
        "Shutter state; always open when absent", default=None, example="SHUTTER", form=KEYWORD_FORM
    )
    strip: Keyword | None = key(
        "Name of the strip; each file is a strip of its own when absent",
        default=None, example="STRIP", form=KEYWORD_FORM,
    )  # fmt: skip
    segment: Keyword | None = key(
        "Number of the segment; the order of the start times when absent",
        default=None, example="SEGMENT", form=KEYWORD_FORM,
    )  # fmt: skip
    chip: Keyword | None = key("Name of the chip", default=None, example="CHIP", form=KEYWORD_FORM)


class RawConstants(Section):
    """Values for words that the headers of this camera do not carry."""

    line_period: Constant | None = key(
        "Seconds per line, or lines per second with `raw.line_rate_given`",
        default=None, example=0.0345,
    )  # fmt: skip
    filter: Text | None = key("Filter", default=None, example="r")
    shutter: Text | None = key("Shutter state", default=None, example="OPEN")
    chip: Constant | None = key("Name of the chip", default=None, example="1")


class RawConfig(Section):
    """How this camera writes its files."""

    pattern: Text = key(
        "Which files of the raw folder are segments; **/ searches sub-folders", default="*.fits*"
    )
    hdu: StrictInt = key(
        "HDU of the image, counted from 0; where HDU 0 is empty and HDU 1 is tile-compressed, "
        "0 means HDU 1",
        default=0, ge=0,
    )  # fmt: skip
    width: StrictInt | None = key(
        "Raw columns that every file must have; when absent, all that the amplifiers need",
        default=None, unit="px", example=1040, ge=1,
    )  # fmt: skip
    line_axis: Literal[1, 2] = key("FITS axis along which lines run", default=2)
    flip_lines: StrictBool = key("True where the last line of a file comes first", default=False)
    flip_columns: StrictBool = key("True where raw columns are stored backwards", default=False)
    time_refers_to: Literal["first_line", "shutter_open", "strip_end"] = key(
        "What the start time tells: when the first line of its own file leaves the register; when "
        "the strip began to collect charge (its first line leaves then); when the last line of the "
        "strip leaves",
        default="first_line",
    )
    start_time_format: Literal["iso", "mjd", "jd"] = key(
        "How the start time is written; UTC unless the header has TIMESYS", default="iso"
    )
    time_tolerance: StrictFloat = key(
        "Disagreement allowed between the start time of a segment and the end of the one before",
        default=0.1, unit="s", gt=0, le=3600,
    )  # fmt: skip
    starts_full: StrictBool = key(
        "True where a strip's first line was already integrated on all rows, because the scan ran "
        "before the file began; then there is no ramp",
        default=False,
    )
    first_segment: StrictInt = key("Number of a strip's first segment", default=1, ge=0)
    line_rate_given: StrictBool = key(
        "True where the line period is given as lines per second", default=False
    )
    shutter_closed_values: tuple[Text, ...] = key(
        "Shutter states that mean closed, in any case of letters", default=("CLOSED",)
    )
    keywords: RawKeywords = key("Keywords")
    constants: RawConstants = key("Constants", default=RawConstants())

    @model_validator(mode="after")
    def _check_together(self) -> Self:
        problems: list[Problem] = []
        for word in type(self.constants).model_fields:
            given = getattr(self.constants, word)
            keyword = getattr(self.keywords, word)
            if given is not None and keyword is not None:
                rule = f"nothing, since raw.keywords.{word} = {keyword!r} is given too"
                problems.append((f"constants.{word}", given, rule))
        for word in ("line_period", "filter"):
            if getattr(self.constants, word) is None and getattr(self.keywords, word) is None:
                rule = f"a FITS keyword here, or a value in raw.constants.{word}"
                problems.append((f"keywords.{word}", None, rule))
        if self.starts_full and self.time_refers_to == "shutter_open":
            # That time is the beginning of the very ramp that starts_full denies.
            rule = "false, since raw.time_refers_to = 'shutter_open' times the ramp's first line"
            problems.append(("starts_full", True, rule))
        period = self.constants.line_period
        if period is not None and not (isinstance(period, int | float) and period > 0):
            problems.append(("constants.line_period", period, "a positive number"))
        raise_problems(problems)
        return self


class ReferenceColumns(Section):
    """Columns of the reference catalogue; leave out what it does not have."""

    ra: Text = key("Right ascension, ICRS", default="ra", unit="deg")
    dec: Text = key("Declination, ICRS", default="dec", unit="deg")
    pm_ra: Text | None = key(
        "Proper motion in right ascension times cos(dec)",
        default=None,
        unit="mas/yr",
        example="pm_ra",
    )
    pm_dec: Text | None = key(
        "Proper motion in declination", default=None, unit="mas/yr", example="pm_dec"
    )
    ra_err: Text | None = key(
        "Error of the right ascension, on the sky", default=None, unit="mas", example="ra_err"
    )
    dec_err: Text | None = key(
        "Error of the declination", default=None, unit="mas", example="dec_err"
    )

    @model_validator(mode="after")
    def _check_together(self) -> Self:
        problems: list[Problem] = []
        for one, other in (("pm_ra", "pm_dec"), ("ra_err", "dec_err")):
            if (getattr(self, one) is None) != (getattr(self, other) is None):
                missing = one if getattr(self, one) is None else other
                rule = f"a column name: {one} and {other} go together"
                problems.append((missing, None, rule))
        raise_problems(problems)
        return self


class ReferenceOptions(Section):
    """What the reference catalogue does not say itself."""

    epoch: StrictFloat = key(
        "Epoch of its positions, Julian year", default=2016.0, unit="yr", ge=1900, le=2200
    )
    hdu: StrictInt = key("HDU of the table in a FITS file, counted from 0", default=1, ge=1)
    position_error: StrictFloat = key(
        "Error taken per axis where there are no error columns", default=10.0, unit="mas", gt=0
    )
    magnitude_error: StrictFloat = key(
        "Error taken where there is no magnitude error column", default=0.02, unit="mag", gt=0
    )


class ReferenceConfig(Section):
    """The catalogue of reference stars."""

    path: Text = key(
        "FITS table, Parquet, CSV, ECSV or VOTable; relative to this file", example="reference.fits"
    )
    columns: ReferenceColumns = key("Columns", default=ReferenceColumns())
    magnitudes: dict[Text, Text] = key(
        "Filter on the left, magnitude column on the right", example={"r": "mag_r"}, min_length=1
    )
    magnitude_errors: dict[Text, Text] = key(
        "Filter on the left, column of the magnitude error on the right",
        default={}, example={"r": "mag_r_err"},
    )  # fmt: skip
    options: ReferenceOptions = key("Options", default=ReferenceOptions())

    @model_validator(mode="after")
    def _check_together(self) -> Self:
        extra = sorted(set(self.magnitude_errors) - set(self.magnitudes))
        rule = f"a filter of reference.magnitudes: {', '.join(sorted(self.magnitudes))}"
        raise_problems([(f"magnitude_errors.{f}", self.magnitude_errors[f], rule) for f in extra])
        return self
