"""The configuration file: what loads, what fails, and in which words."""

import ast
import dataclasses
import pickle
import re
import tomllib
from pathlib import Path
from typing import get_args

import pytest
from pydantic import BaseModel, ValidationError
from pydantic_core import PydanticUndefined

import pipeline.config
from pipeline.config import Config, describe_config, load_config, parse_config
from pipeline.errors import ConfigError
from pipeline.tasks.options import make_options
from synthetic.files import format_configuration
from synthetic.scenarios import build_scenario

CONFIGS = Path(__file__).parents[1] / "configs"
REFERENCE = describe_config()
DEMO = (CONFIGS / "saltpan-ridge.toml").read_text(encoding="utf-8")


def edit(text, old, new):
    assert text.count(old) >= 1, old
    return text.replace(old, new, 1)


@pytest.mark.parametrize("path", sorted(CONFIGS.glob("*.toml")), ids=lambda p: p.stem)
def test_every_example_loads(path):
    config = load_config(path)
    assert config.folder == CONFIGS
    assert config.reference_path == CONFIGS / config.reference.path
    assert pickle.loads(pickle.dumps(config)) == config  # noqa: S301 - our own bytes


def test_examples_are_there():
    assert {p.stem for p in CONFIGS.glob("*.toml")} >= {"saltpan-ridge", "quillmere-shelf"}


def test_example_of_the_demo_reads_its_files():
    """Site, camera and headers are those that the simulator writes for the demo."""
    example = load_config(CONFIGS / "saltpan-ridge.toml")
    demo = parse_config(format_configuration(build_scenario("demo")))
    assert example.raw == demo.raw
    assert example.reference == demo.reference
    assert example.axis_declination == demo.axis_declination
    assert example.pointing.hour_angle == demo.pointing.hour_angle
    for key in ("name", "latitude", "longitude", "height"):
        assert getattr(example.observatory, key) == getattr(demo.observatory, key)
    for key in type(demo.camera).model_fields:
        if key != "amplifier":
            assert getattr(example.camera, key) == getattr(demo.camera, key), key
    for ours, theirs in zip(example.amplifiers, demo.amplifiers, strict=True):
        # At a higher level than the chip reaches, no pixel would ever count as saturated.
        assert 0.95 * theirs.saturation < ours.saturation <= theirs.saturation
        assert dataclasses.replace(ours, saturation=theirs.saturation) == theirs


def fields_of(model, prefix=""):
    """Dotted keys, defaults, and values of a loaded model."""
    for name, field in type(model).model_fields.items():
        value = getattr(model, name)
        if isinstance(value, tuple) and value and isinstance(value[0], BaseModel):
            value = value[0]
        if isinstance(value, BaseModel):
            yield from fields_of(value, f"{prefix}{name}.")
        else:
            yield f"{prefix}{name}", field, value


def test_reference_holds_the_defaults():
    """What the reference file says is what a file without the key gets."""
    config = parse_config(REFERENCE)
    shown = {"raw.keywords.line_period", "raw.keywords.filter"}  # one of two ways is needed
    compared = 0
    for key, field, value in fields_of(config):
        default = field.get_default(call_default_factory=True)
        if default is not PydanticUndefined and key not in shown:
            assert value == default, key
            compared += 1
    assert compared > 60


def test_reference_names_every_key():
    """Every key of the model stands in the reference, commented out or not."""
    text = re.sub(r"(?m)^# ([a-z_]+ = .*|\[[a-z.]+\])$", r"\1", REFERENCE)
    missing = []

    def search(model, table, prefix):
        for name, field in model.model_fields.items():
            kinds = [a for a in (field.annotation, *get_args(field.annotation))
                     if isinstance(a, type) and issubclass(a, BaseModel)]  # fmt: skip
            if name not in table:
                missing.append(prefix + name)
            elif kinds:
                inner = table[name][0] if isinstance(table[name], list) else table[name]
                search(kinds[0], inner, f"{prefix}{name}.")

    search(Config, tomllib.loads(text), "")
    assert not missing


def test_reference_examples_are_valid_where_uncommented():
    """Optional keys given as comments are valid too."""
    text = REFERENCE
    for line in ("declination = -46.2", "optical_centre = [511.5, 512.0]", 'pm_ra = "pm_ra"',
                 'pm_dec = "pm_dec"', 'magnitude_errors = { r = "mag_r_err" }', "width = 1040",
                 "zero_point_bright = 10.0", "zero_point_faint = 19.0",
                 "[cluster]", 'type = "slurm"', "jobs = 1",
                 "workers_per_job = 1", 'memory = "2GB"', "options = { job_cpu = 2 }"):  # fmt: skip
        text = edit(text, f"# {line}", line)
    config = parse_config(text)
    assert config.cluster is not None
    assert config.cluster.options == {"job_cpu": 2}


def test_axis_defaults_to_zenith_and_middle():
    text = edit(DEMO, "declination = -46.20            #", "#")
    text = edit(text, "optical_centre = [511.5, 512.0] #", "#")
    config = parse_config(text)
    assert config.axis_declination == -46.2
    assert config.camera.centre == (511.5, 512.0)
    assert [a.name for a in config.amplifiers] == ["A", "B"]


def test_digest_follows_values_not_comments():
    config = parse_config(DEMO)
    assert parse_config(DEMO + "\n# another comment\n").digest() == config.digest()
    changed = edit(DEMO, "threshold = 5.0 ", "threshold = 5.5 ")
    assert parse_config(changed).digest() != config.digest()


def test_config_is_frozen():
    config = parse_config(DEMO)
    with pytest.raises(ValidationError, match="frozen"):
        config.camera.columns = 3


BAD = [
    ("latitude = -46.20 ", "lattitude = -46.20 ",
     r"site.toml: observatory.lattitude: unknown key; did you mean 'latitude'\? valid keys: name"),
    ("latitude = -46.20 ", "latitude = -146.20 ",
     r"observatory.latitude: received -146.2; allowed: a finite number, > -90, < 90"),
    ("height = 1120.0", "# height", r"observatory.height: missing; it is required \(Height"),
    ("height = 1120.0", "height = nan", "observatory.height: received nan; allowed: a finite"),
    ("gain = 1.8", "gain = -1.8", r"camera.amplifier\[0\].gain: received -1.8; allowed: .*> 0"),
    ("gain = 1.9", 'gain = "1.9"', r"camera.amplifier\[1\].gain: received '1.9'; allowed: a fin"),
    ("columns = 1024 ", "columns = 1024.5 ", "camera.columns: received 1024.5; allowed: an int"),
    ("columns = 1024 ", "columns = true ", "camera.columns: received True; allowed: an integer"),
    ("columns = 1024 ", "columns = 1100 ",
     "camera.amplifier: received .*; allowed: .*column 1024 has no amplifier"),
    ("columns = 1024 ", "columns = 1000 ",
     r"camera.amplifier\[1\].chip: received \[512, 1024\]; allowed: .*0 to 1000"),
    ("chip = [512, 1024]", "chip = [500, 1012]",
     r"amplifier\[1\].chip: received \[500, 1012\]; .*no other amplifier fills.*amplifier\[0\]"),
    ("chip = [512, 1024]", "chip = [512, 1000]", r"amplifier\[1\].chip: .*as many columns as data"),
    ("overscan = [1040, 1056]", "overscan = [1000, 1056]",
     r"amplifier\[1\].overscan: received \[1000, 1056\]; allowed: raw columns apart from .*\.data"),
    ("data = [512, 1024]", "data = [1024, 512]", r"amplifier\[1\].data: .*0 <= first < stop"),
    ("data = [512, 1024]", "data = [512, 1024, 3]", r"amplifier\[1\].data: received \[512, 1024"),
    ('name = "B"', 'name = "A"', r"amplifier\[1\].name: received 'A'; allowed: a name of its own"),
    ("optical_centre = [511.5, 512.0]", "optical_centre = [51150.0, 512.0]",
     "camera.optical_centre: received"),
    ("line_axis = 2", "line_axis = 3", "raw.line_axis: received 3; allowed: one of 1, 2"),
    ('time_refers_to = "first_line"', 'time_refers_to = "middle"',
     "raw.time_refers_to: received 'middle'; allowed: one of \"first_line\", \"shutter_open\""),
    ('strip = "STRIP"', 'strip = "strip number"',
     "raw.keywords.strip: received 'strip number'; allowed: a FITS keyword"),
    ('line_period = "LINEPER"', "", "raw.keywords.line_period: not given; allowed: a FITS keyword"),
    ('chip = "CHIP"', 'chip = "CHIP"\n[raw.constants]\nchip = 4',
     "raw.constants.chip: received 4; allowed: nothing, since raw.keywords.chip = 'CHIP'"),
    ('pm_dec = "pm_dec"', "", "reference.columns.pm_dec: not given; .*go together"),
    ("[reference.magnitude_errors]\nr", "[reference.magnitude_errors]\ng",
     "reference.magnitude_errors.g: received 'mag_r_err'; allowed: a filter of"),
    ("block_lines = 2048", "block_lines = 2000",
     "detection.block_lines: received 2000; allowed: .*a multiple of 256"),
    ("overlap = 64", "overlap = 600", "tiles.overlap: received 600; allowed: less than half"),
    ("size = 1024", 'size = 1024\nfilters = ["z"]', "tiles.filters: .*filters of reference.magn"),
    ('time_refers_to = "first_line"', 'time_refers_to = "shutter_open"\nstarts_full = true',
     "raw.starts_full: received True; allowed: false, since raw.time_refers_to = 'shutter_open'"),
    ("aperture_radius = 4.0", "zero_point_bright = 17.0\nzero_point_faint = 12.0",
     "photometry.zero_point_bright: received 17.0; allowed: less than zero_point_faint = 12.0"),
    ("aperture_radius = 4.0", "zero_point_knot = 0.4", "zero_point_knot: received 0.4; .*>= 0.5"),
    ("aperture_radius = 4.0", "aperture_radius = 0.4",
     "photometry.aperture_radius: received 0.4; allowed: at least one pixel"),
    ("[tiles]", "[stack]\nclip_epochs = 1\n[tiles]", "stack.clip_epochs: received 1; .*>= 2"),
    ("workers = 0", 'workers = 0\nmemory_limit = "plenty"', 'memory_limit: .*allowed: "auto"'),
    ("workers = 0", 'workers = 0\n[cluster]\ntype = "mosix"', "cluster.type: received 'mosix'"),
    ("workers = 0", 'workers = 0\n[cluster]\ntype = "slurm"\nmemory = "much"',
     "cluster.memory: received 'much'; allowed: a number with kB, MB"),
    ("workers = 0", 'workers = 0\n[cluster]\ntype = "slurm"\ntime_limit = 3600',
     "cluster.time_limit: received 3600; allowed: empty, or hours:minutes:seconds"),
    ("workers = 0", 'workers = 0\n[cluster]\ntype = "slurm"\nwalltime = "1:00:00"',
     "cluster.walltime: unknown key; valid keys: type, jobs, workers_per_job, memory, time_limit"),
    ("workers = 0", 'workers = 0\n[cluster]\ntype = "slurm"\noptions = { cores = 3 }',
     "cluster.options.cores: received 3; allowed: left to the key cluster.workers_per_job"),
    ("workers = 0", 'workers = 0\n[cluster]\ntype = "htcondor"\npartition = "night"',
     "cluster.partition: received 'night'; allowed: left out: an htcondor queue has no such"),
    ("[compute]", "[computing]", "computing: unknown key; did you mean 'compute'"),
    ("[compute]", "[compute", "not valid TOML: .*line"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "match"), BAD, ids=lambda v: str(v)[:30])
def test_wrong_value_is_explained(old, new, match):
    with pytest.raises(ConfigError, match=match):
        parse_config(edit(DEMO, old, new), name="site.toml")


def test_pole_in_the_field():
    text = edit(DEMO, "declination = -46.20 ", "declination = -88.9 ")
    text = edit(text, "pixel_scale = 0.55", "pixel_scale = 5.5")
    with pytest.raises(ConfigError, match=r"pointing.declination: received -88.9; .*from the pole"):
        parse_config(text)


def test_all_problems_at_once():
    text = edit(DEMO, "gain = 1.8", "gain = 0")
    text = edit(text, "hour_angle", "hourangle")
    text = edit(text, "threshold = 5.0", "threshold = 0.1")
    with pytest.raises(ConfigError) as caught:
        parse_config(text, name="site.toml")
    lines = str(caught.value).splitlines()
    assert len(lines) == 3
    assert all(line.startswith("site.toml: ") for line in lines)


def test_all_contradictions_of_a_table_at_once():
    text = edit(DEMO, 'name = "B"', 'name = "A"')
    text = edit(text, "overscan = [1040, 1056]", "overscan = [1000, 1056]")
    with pytest.raises(ConfigError) as caught:
        parse_config(text)
    assert len(str(caught.value).splitlines()) == 2


def test_missing_file(tmp_path):
    with pytest.raises(ConfigError, match=r"nothing.toml: cannot be read .*give the path"):
        load_config(tmp_path / "nothing.toml")


def test_no_text(tmp_path):
    (tmp_path / "binary.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(ConfigError, match="not UTF-8 text"):
        load_config(tmp_path / "binary.toml")


def test_defaults_are_those_of_the_stages():
    """Each default is stated in the configuration and in the stage, and is the same there."""
    options = make_options(parse_config(REFERENCE))
    compared = []
    for field in dataclasses.fields(options):
        value = getattr(options, field.name)
        if dataclasses.is_dataclass(value):
            assert value == type(value)(), field.name
            compared.append(field.name)
    assert len(compared) > 10


CHANGES = {
    "calibration.clip": 2.5, "calibration.dead_response": 0.2, "calibration.hot_signal": 7.0,
    "calibration.noise_ratio": 1.7, "calibration.cosmic_threshold": 6.0,
    "calibration.cosmic_margin": 0.7, "detection.threshold": 6.0,
    "detection.deblend_prominence": 4.0, "detection.deblend_contrast": 0.1,
    "detection.sky_columns": 48, "photometry.aperture_radius": 3.0, "photometry.total_factor": 2.0,
    "photometry.psf_radius_fwhm": 3.0, "photometry.psf_beta": 3.5, "photometry.psf_min_snr": 40.0,
    "photometry.cloud_extinction": 0.2, "photometry.zero_point_knot": 0.8,
    "astrometry.search_clock": 12.0, "astrometry.search_pointing": 3.0,
    "astrometry.fit_distortion": False, "astrometry.fit_wander": False, "stack.clip": 5.0,
    "stack.clip_epochs": 4,
}  # fmt: skip


@pytest.mark.parametrize("key", CHANGES)
def test_each_tuning_key_reaches_its_stage(key):
    config = parse_config(REFERENCE)
    changed = make_options(config.with_value(key, CHANGES[key]))
    assert changed != make_options(config)
    assert repr(make_options(config.with_value(key, CHANGES[key]))) == repr(changed)


def keys_read(folder):
    """Keys that code reads as config.table.key, or through a name given to config.table.

    An argument whose type is a table's model is such a name.
    """
    tables, found = set(Config.model_fields), set()
    models = {f"{table.title()}Config": table for table in tables}
    for path in folder.rglob("*.py"):
        if path.stem.startswith("config"):
            continue
        tree = ast.parse(path.read_text(encoding="utf-8"))
        names = {}
        for node in ast.walk(tree):
            if isinstance(node, ast.arg) and isinstance(node.annotation, ast.Name):
                names.setdefault(node.arg, set()).add(models.get(node.annotation.id))
            if isinstance(node, ast.Assign) and len(node.targets) == 1:
                target = node.targets[0]
                pairs = (
                    zip(target.elts, node.value.elts, strict=True)
                    if isinstance(target, ast.Tuple) and isinstance(node.value, ast.Tuple)
                    else [(target, node.value)]
                )
                for left, right in pairs:
                    if isinstance(left, ast.Name) and isinstance(right, ast.Attribute):
                        names.setdefault(left.id, set()).add(right.attr)
        for node in ast.walk(tree):
            if isinstance(node, ast.Attribute):
                inner = node.value
                if isinstance(inner, ast.Attribute):
                    found.add((inner.attr, node.attr))
                elif isinstance(inner, ast.Name):
                    found |= {(table, node.attr) for table in names.get(inner.id, ())}
    return {(table, key) for table, key in found if table in tables}


def test_no_tuning_key_is_idle():
    """A key that nothing reads would be a promise not kept."""
    read = keys_read(Path(__file__).parents[1] / "pipeline")
    idle = []
    for table in ("calibration", "detection", "photometry", "astrometry", "tiles", "stack",
                  "products", "verdict", "compute", "cluster"):  # fmt: skip
        model = getattr(pipeline.config, f"{table.title()}Config")
        idle += [f"{table}.{key}" for key in model.model_fields if (table, key) not in read]
    assert not idle


def test_changed_copy(tmp_path):
    config = parse_config(DEMO, folder=tmp_path)
    changed = config.with_value("detection.block_lines", 512)
    assert changed.detection.block_lines == 512
    assert config.detection.block_lines == 2048
    assert changed.folder == tmp_path
    assert changed.reference_path == config.reference_path
    assert changed.with_value("detection.block_lines", 2048).digest() == config.digest()
    assert config.with_value("stack.min_epochs", 3).stack.min_epochs == 3  # a table not in the file
    assert config.with_value("reference.magnitudes.i", "mag_i").reference.magnitudes == {
        "r": "mag_r", "i": "mag_i"
    }  # fmt: skip


@pytest.mark.parametrize(
    ("key", "value", "match"),
    [
        ("detection.block_lines", 500, "option: detection.block_lines: received 500; .*of 256"),
        ("detection.blocklines", 512, "detection.blocklines: unknown key; did you mean 'block_lin"),
        ("detecting.block_lines", 512, "detecting: unknown key; did you mean 'detection'"),
        ("detection.threshold.x", 1.0, "detection.threshold.x: received 1.0; allowed: keys of"),
        ("camera.amplifier.0.gain", 1.0, "camera.amplifier.0.gain: received 1.0; allowed: keys of"),
        ("detection", 3, "option: detection: received 3; allowed: a table"),
        ("", 3, "option: : received 3; allowed: keys of tables"),
        ("tiles.overlap", 600, "tiles.overlap: received 600; allowed: less than half"),
    ],
)
def test_changed_copy_is_checked(key, value, match):
    with pytest.raises(ConfigError, match=match):
        parse_config(DEMO).with_value(key, value)
