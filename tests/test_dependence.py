"""What every step reads of the configuration while it runs is in its recipe."""

import dataclasses

import pytest

from pipeline import config as configuration
from pipeline.config import load_config
from pipeline.config_base import Section
from pipeline.recipes import STEPS
from pipeline.run import Run
from pipeline.tasks.options import make_options

pytestmark = pytest.mark.xdist_group("reduction")

# Read where work is cut and shared out, or for a name of a file: no value depends on them.
CHOICES = {"detection.block_lines", "calibration.register_file"}
# A zero-point curve keeps the options that it was made with: the tiles read them there, and a
# change comes to them by the key of the catalogue.
CARRIED = {"tiles": {"photometry.cloud_extinction"}}
# Known to later steps by the facts of the strip or the content of the file.
THROUGH_OTHERS = {"reference.path"}
OTHER_VALUES = {
    float: lambda v: v * 1.01, int: lambda v: v * 2, bool: lambda v: not v,
    type(None): lambda _: 7.5,
}  # fmt: skip


def tables_by_class():
    """Dotted name of the table that each class of the configuration describes."""
    names = {}

    def walk(cls, name):
        for field, info in cls.model_fields.items():
            dotted = f"{name}.{field}" if name else field
            for inner in (info.annotation, *getattr(info.annotation, "__args__", ())):
                if isinstance(inner, type) and issubclass(inner, Section):
                    names[inner] = dotted
                    walk(inner, dotted)

    walk(configuration.Config, "")
    return names


def option_keys(config):
    """Configuration keys behind each field of each stage's options, found by changing them."""
    plain = make_options(config)
    found = {}
    for table in ("calibration", "detection", "photometry", "astrometry", "stack", "camera"):
        for name, value in getattr(config, table).model_dump().items():
            change = OTHER_VALUES.get(type(value))
            if change is None:
                continue
            try:
                other = make_options(config.with_value(f"{table}.{name}", change(value)))
            except ValueError:
                continue
            for field in dataclasses.fields(plain):
                one, two = getattr(plain, field.name), getattr(other, field.name)
                if not dataclasses.is_dataclass(one):
                    if one != two:
                        found.setdefault((field.name, ""), set()).add(f"{table}.{name}")
                    continue
                for inner in dataclasses.fields(one):
                    if getattr(one, inner.name) != getattr(two, inner.name):
                        place = (field.name, inner.name)
                        found.setdefault(place, set()).add(f"{table}.{name}")
    return found


class Spy:
    """Notes which keys and options are read, by the step that is going on."""

    def __init__(self, monkeypatch, config):
        self.step = None
        self.read = {}
        self.mine = set()  # the run's own options: a stage may have others of the same class
        self._patch = monkeypatch
        for cls, name in tables_by_class().items():
            self._watch(cls, lambda field, name=name: {f"{name}.{field}"}, cls.model_fields)
        behind = option_keys(config)
        plain = make_options(config)
        self.n_options = len(behind)
        for field in dataclasses.fields(plain):
            value = getattr(plain, field.name)
            if dataclasses.is_dataclass(value):
                inner = [f.name for f in dataclasses.fields(value)]
                self._watch(
                    type(value), lambda f, name=field.name: behind.get((name, f), set()), inner
                )
        self._watch(
            type(plain), lambda f: behind.get((f, ""), set()),
            [f.name for f in dataclasses.fields(plain)],
        )  # fmt: skip
        fulfil = Run.fulfil_together

        def watched(run, works, **keywords):
            parts = (getattr(run.options, f.name) for f in dataclasses.fields(run.options))
            self.mine = {id(run.options), *(id(p) for p in parts)}
            made = []
            for work in works:  # one by one: what is read belongs to it
                self.step = work.name
                try:
                    made += fulfil(run, [work], **keywords)
                finally:
                    self.step = None
            return made

        monkeypatch.setattr(Run, "fulfil_together", watched)

    def _watch(self, cls, keys, fields):
        wanted, plain = set(fields), cls.__getattribute__

        def look(instance, name):
            ours = issubclass(cls, Section) or id(instance) in self.mine
            if self.step is not None and name in wanted and ours:
                self.read.setdefault(self.step, set()).update(keys(name))
            return plain(instance, name)

        self._patch.setattr(cls, "__getattribute__", look)


def covered(name, keys):
    return any(name == key or name.startswith(f"{key}.") or key.startswith(f"{name}.")
               for key in keys)  # fmt: skip


def test_no_step_reads_a_key_that_is_not_in_its_recipe(small, run_reduction, tmp_path, monkeypatch):
    """The whole reduction under watch, with all options that add steps."""
    config = load_config(small / "observatory.toml")
    spy = Spy(monkeypatch, config)
    assert spy.n_options > 15, "the spy must know what is behind the options"
    summary = run_reduction(
        small, tmp_path, products__calibrated_strips=True, tiles__equalise="broadest"
    )
    monkeypatch.undo()
    assert not summary.failures
    assert spy.read.keys() == STEPS.keys()
    # Keys that a step certainly uses, so that a blind spy does not pass.
    assert "stack.clip" in spy.read["stack"]
    assert "detection.threshold" in spy.read["search"]
    assert "photometry.cloud_extinction" in spy.read["catalogue"]
    forgotten = {
        step: sorted(
            name
            for name in names
            if not covered(name, (*STEPS[step].keys, *CHOICES, *THROUGH_OTHERS))
            and name not in CARRIED.get(step, ())
        )
        for step, names in spy.read.items()
    }
    assert {step: names for step, names in forgotten.items() if names} == {}
