"""Tables of the configuration file that tune the reduction; every key has a default."""

from typing import Annotated, Any, Literal, Self

from pydantic import Field, StrictBool, StrictFloat, StrictInt, model_validator

from pipeline.config_base import Problem, Section, Text, key, raise_problems

__all__ = [
    "AstrometryConfig",
    "CalibrationConfig",
    "ClusterConfig",
    "ComputeConfig",
    "DetectionConfig",
    "PhotometryConfig",
    "ProductsConfig",
    "StackConfig",
    "TilesConfig",
    "VerdictConfig",
]


class CalibrationConfig(Section):
    """Bias, dark, response and pixel masks."""

    clip: StrictFloat = key(
        "Rejection threshold of the column summary", default=3.0, unit="sigma", ge=1.5, le=4
    )
    dead_response: StrictFloat = key(
        "A column with less response than this is dead", default=0.3, gt=0, lt=1
    )
    hot_signal: StrictFloat = key(
        "A column with more dark signal than this above the chip's is hot",
        default=100.0, unit="electron", gt=0,
    )  # fmt: skip
    noise_ratio: StrictFloat = key(
        "A column with more than this many times the expected noise is noisy", default=1.5, gt=1
    )
    cosmic_threshold: StrictFloat = key(
        "Excess that makes a pixel a candidate cosmic ray", default=5.0, unit="sigma", ge=3
    )
    cosmic_margin: StrictFloat = key(
        "Sharpest star allowed: its width over the narrowest predicted", default=0.85, gt=0, le=1
    )
    vectors: Literal["night", "season"] = key(
        "Column vectors made from the night itself, or chosen from the register of the season",
        default="night",
    )
    register_file: str = key(
        "Register of calibrations, from the folder of this file; that of the products when empty",
        default="",
    )
    # Not applied unless asked for: the stars of a strip know the illumination to millimagnitudes,
    # the response to tenths of that, and colours or errors of the reference catalogue that
    # change across the field would be written into every flux.
    illumination: Literal["off", "report", "apply"] = key(
        "Illumination measured from reference stars against column: not at all, reported, or also "
        "taken out of the fluxes of catalogues and tiles",
        default="report",
    )


class DetectionConfig(Section):
    """Finding sources in blocks of lines."""

    threshold: StrictFloat = key(
        "Detection limit of the matched filter", default=5.0, unit="sigma", ge=1.5
    )
    deblend_prominence: StrictFloat = key(
        "Rise of a peak above the saddle to a brighter one that makes it a source of its own",
        default=3.0, unit="sigma", ge=0,
    )  # fmt: skip
    deblend_contrast: StrictFloat = key(
        "The same rise relative to the peak, against structure in the wings of bright stars",
        default=0.05, ge=0, le=1,
    )  # fmt: skip
    block_lines: StrictInt = key(
        "Lines in one block; a multiple of 256", default=2048, unit="lines", ge=256, multiple_of=256
    )
    sky_columns: StrictInt = key(
        "Columns in one cell of the sky model", default=64, unit="px", ge=8
    )


class PhotometryConfig(Section):
    """Measuring sources and the zero-point curve."""

    aperture_radius: StrictFloat = key(
        "Radius of the fixed aperture", default=4.0, unit="arcsec", gt=0
    )
    total_factor: StrictFloat = key(
        "Radius of the total-flux ellipse in first-moment radii", default=2.5, ge=1, le=6
    )
    psf_radius_fwhm: StrictFloat = key(
        "Radius within which the point spread is fitted", default=2.5, unit="FWHM", ge=1, le=8
    )
    psf_beta: StrictFloat | None = key(
        "Exponent of the point spread's wings; fitted when absent", default=None, example=3.5,
        gt=1, le=10,
    )  # fmt: skip
    psf_min_snr: StrictFloat = key(
        "Least signal-to-noise of a star that sets the point spread", default=50.0, gt=0
    )
    cloud_extinction: StrictFloat = key(
        "Extinction beyond which lines are called cloudy", default=0.3, unit="mag", gt=0
    )
    zero_point_knot: StrictFloat = key(
        "Spacing of the zero-point curve's knots", default=0.5, unit="T0", ge=0.5
    )
    zero_point_bright: StrictFloat | None = key(
        "Brighter stars do not set the zero point", default=None, unit="mag", example=10.0
    )
    zero_point_faint: StrictFloat | None = key(
        "Fainter stars do not set the zero point", default=None, unit="mag", example=19.0
    )

    @model_validator(mode="after")
    def _check_together(self) -> Self:
        problems: list[Problem] = []
        bright, faint = self.zero_point_bright, self.zero_point_faint
        if bright is not None and faint is not None and bright >= faint:
            rule = f"less than zero_point_faint = {faint}"
            problems.append(("zero_point_bright", bright, rule))
        raise_problems(problems)
        return self


class AstrometryConfig(Section):
    """Matching reference stars and fitting the geometry."""

    search_clock: StrictFloat = key(
        "How far the clock may be wrong", default=30.0, unit="s", gt=0, le=3600
    )
    search_pointing: StrictFloat = key(
        "How far the axis may be from where it should be", default=5.0, unit="arcmin", gt=0, le=120
    )
    fit_distortion: StrictBool = key(
        "Fit a radial distortion; kept only where the stars ask for it", default=True
    )
    fit_wander: StrictBool = key(
        "Fit slow wander of the line of sight; kept only where the stars ask for it", default=True
    )


class TilesConfig(Section):
    """The fixed grid of sky cells."""

    size: StrictInt = key("Side of a tile", default=1024, unit="px", ge=64, le=16384)
    overlap: StrictInt = key("Pixels shared by neighbours", default=64, unit="px", ge=8)
    pixel_scale: StrictFloat | None = key(
        "Scale of the tiles; camera.pixel_scale when absent", default=None, unit="arcsec/px",
        example=0.55, gt=0,
    )  # fmt: skip
    epoch: StrictFloat = key(
        "Epoch of the declination that the grid follows, Julian year", default=2025.0, unit="yr",
        ge=1900, le=2200,
    )  # fmt: skip
    filters: tuple[Text, ...] = key("Filters that get tiles; all when empty", default=())
    # Not done unless asked for: it costs tenths of a magnitude of depth in fits that take the
    # noise for white, and crowded stars run together.
    equalise: Literal["off", "broadest", "centre"] = key(
        "Point spread of tiles: as the strip's columns have it (off), or one for all columns: "
        "the narrowest that all reach, or restored towards the least smeared column's",
        default="off",
    )

    @model_validator(mode="after")
    def _check_together(self) -> Self:
        if 2 * self.overlap >= self.size:
            rule = f"less than half of tiles.size = {self.size}"
            raise_problems([("overlap", self.overlap, rule)])
        return self


class StackConfig(Section):
    """Combining the epochs of a tile."""

    clip: StrictFloat = key("Rejection threshold between epochs", default=4.0, unit="sigma", ge=2)
    min_epochs: StrictInt = key("Fewer epochs are not stacked", default=1, ge=1)
    clip_epochs: StrictInt = key("Fewer epochs are stacked without rejection", default=2, ge=2)


class ProductsConfig(Section):
    """What is written."""

    calibrated_strips: StrictBool = key("Write the calibrated strips as images", default=False)
    catalogue_formats: tuple[Literal["parquet", "fits"], ...] = key(
        "Formats of the catalogues", default=("parquet", "fits"), min_length=1
    )
    compress_masks: StrictBool = key("Write masks tile-compressed", default=True)
    full_checksums: StrictBool = key(
        "Provenance by SHA-256 of whole raw files; otherwise DATASUM or header, size and time",
        default=False,
    )


Share = Annotated[StrictFloat, Field(gt=0, lt=1)]
Pair = tuple[Share, Share]


class VerdictConfig(Section):
    """From where on a night is called usable only, or bad: pairs of both.

    What is usual is taken from the nights of the same folder where it is not said here.
    """

    depth: Pair = key(
        "Share of the signal-to-noise ratio of faint stars lost to cloud, wide stars, smear or a "
        "bright sky; 0.2 is a limit 0.24 mag brighter",
        default=(0.2, 0.5),
    )
    pixels: Pair = key("Share of columns, pixels or lines lost", default=(0.05, 0.25))
    stars: Pair = key(
        "Share of the usual number of sources that is missing, where there is no zero point",
        default=(0.5, 0.9),
    )
    flat: Pair = key(
        "Largest change of the column response from the other nights'", default=(0.01, 0.1)
    )
    amplifier: StrictFloat = key(
        "Share of an amplifier's columns without response from which on it is called dead",
        default=0.5, gt=0, lt=1,
    )  # fmt: skip
    seeing: StrictFloat = key(
        "Widest stars that are usual here; narrower ones of other nights go before",
        default=2.0, unit="arcsec", gt=0,
    )  # fmt: skip
    zero_point: dict[str, StrictFloat] = key(
        "By filter, magnitude of one electron a second in a clear night; without it the clearest "
        "nights tell",
        default={}, unit="mag", example={"r": 24.6},
    )  # fmt: skip
    dark_sky: dict[str, StrictFloat] = key(
        "By filter, surface brightness of a dark sky; without it the darkest nights tell",
        default={}, unit="mag/arcsec2", example={"r": 21.0},
    )  # fmt: skip

    @model_validator(mode="after")
    def _check_together(self) -> Self:
        problems: list[Problem] = []
        for name in ("depth", "pixels", "stars", "flat"):
            usable, bad = getattr(self, name)
            if usable >= bad:
                problems.append((name, [usable, bad], "two limits in rising order"))
        raise_problems(problems)
        return self


_MEMORY = r"\d+(\.\d+)?\s?(kB|MB|GB|TB|KiB|MiB|GiB|TiB)"
# Words of dask-jobqueue for what has a key of its own here.
_OWN_WORDS = {
    "cores": "workers_per_job", "processes": "workers_per_job", "memory": "memory",
    "walltime": "time_limit", "queue": "partition", "account": "account", "project": "account",
    "interface": "network", "log_directory": "log_folder", "local_directory": "scratch_folder",
    "job_script_prologue": "setup", "job_extra_directives": "requests",
}  # fmt: skip


class ComputeConfig(Section):
    """Where the work is done."""

    workers: StrictInt = key("Worker processes; 0 for one a core", default=0, ge=0)
    memory_limit: str = key(
        "Memory of one worker, such as 1.5GiB; auto shares what the machine has",
        default="auto", pattern=rf"^(auto|{_MEMORY})$",
        form='"auto", or a number with kB, MB, GB, TB, KiB, MiB, GiB or TiB',
    )  # fmt: skip
    scheduler: str = key(
        "Address of a running scheduler; empty to start one here", default="",
        pattern=r"^$|^(tcp|tls|ucx|ws|wss)://.+$",
        form="empty, or an address such as tcp://host:8786",
    )  # fmt: skip


class ClusterConfig(Section):
    """A batch queue, instead of processes on this machine; needs the extra `cluster`."""

    type: Literal["htcondor", "lsf", "moab", "oar", "pbs", "sge", "slurm"] = key(
        "Kind of queue", example="slurm"
    )
    jobs: StrictInt = key("Jobs to submit; lost ones are submitted again", default=1, ge=1)
    workers_per_job: StrictInt = key("Workers in one job, one core each", default=1, ge=1)
    memory: str = key(
        "Memory of one job", default="2GB", pattern=rf"^{_MEMORY}$",
        form="a number with kB, MB, GB, TB, KiB, MiB, GiB or TiB",
    )  # fmt: skip
    time_limit: str = key(
        "Time that a job may take; the queue's own limit when empty", default="",
        pattern=r"^$|^(\d+-)?\d+:\d\d(:\d\d)?$", form="empty, or hours:minutes:seconds",
    )  # fmt: skip
    partition: str = key("Queue or partition of the system; its first when empty", default="")
    account: str = key("Account or project that the time is charged to", default="")
    network: str = key(
        "Network interface that scheduler and workers talk over, such as ib0", default=""
    )
    setup: tuple[Text, ...] = key("Lines of shell before a worker starts", default=())
    requests: tuple[Text, ...] = key(
        "More requests for the head of the job, as this kind of queue writes them", default=()
    )
    log_folder: str = key("Folder for what jobs print", default="")
    scratch_folder: str = key("Folder on the nodes for what workers put aside", default="")
    patience: StrictFloat = key(
        "How long to wait for the first worker, or without any", default=3600.0, unit="s", gt=0
    )
    options: dict[str, Any] = key(
        "Anything else, passed as it is to the cluster class of dask-jobqueue", default={},
        example={"job_cpu": 2},
    )  # fmt: skip

    @model_validator(mode="after")
    def _check_together(self) -> Self:
        problems: list[Problem] = []
        if self.type == "htcondor":
            for name in ("time_limit", "partition", "account", "requests"):
                if given := getattr(self, name):
                    rule = "left out: an htcondor queue has no such thing"
                    problems.append((name, given, rule))
        for word, own in _OWN_WORDS.items():
            if self.type == "htcondor" and word == "job_extra_directives":
                continue  # a table there, not lines
            if word in self.options:
                rule = f"left to the key cluster.{own}"
                problems.append((f"options.{word}", self.options[word], rule))
        raise_problems(problems)
        return self
