"""The layers keep to themselves: what may not be imported is not, and modules stay small."""

import ast
import json
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PURE = ("pipeline/stages", "pipeline/geometry")
RUNNING = ("pipeline.graph", "pipeline.pool", "pipeline.runners", "pipeline.run", "pipeline.made",
           "pipeline.nightly", "pipeline.reduction")  # fmt: skip
LONGEST = 600  # lines of a module


def modules_under(folder):
    return sorted(p for p in (ROOT / folder).rglob("*.py") if p.name != "__init__.py")


def dotted(path):
    return ".".join(path.relative_to(ROOT).with_suffix("").parts)


def loaded_after(names):
    """Modules in a fresh interpreter after importing others."""
    code = (
        "import importlib, json, sys\n"
        "for name in json.loads(sys.argv[1]):\n"
        "    importlib.import_module(name)\n"
        "print(json.dumps(sorted(sys.modules)))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, json.dumps(names)],
        cwd=ROOT, capture_output=True, text=True, check=True,
    )  # fmt: skip
    return set(json.loads(done.stdout))


def imports_of(path):
    """Every module that a file names in an import, wherever in the file."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


def offenders(folder, banned, *, but=()):
    return [
        f"{path.relative_to(ROOT)}: {name}"
        for path in modules_under(folder)
        if path.relative_to(ROOT).as_posix() not in but
        for name in imports_of(path)
        if any(name == b or name.startswith(f"{b}.") for b in banned)
    ]


@pytest.mark.parametrize("folder", PURE)
def test_importing_the_numerics_brings_neither_scheduler_nor_files(folder):
    loaded = loaded_after([dotted(p) for p in modules_under(folder)])
    unwanted = {
        "dask", "distributed", "pyarrow", "pydantic", "typer", "mocpy", "pipeline.config",
        "pipeline.tasks", "pipeline.io", *RUNNING,
    }  # fmt: skip
    if folder == "pipeline/stages":  # for Earth rotation the geometry needs astropy, which has it
        unwanted |= {"astropy", "pipeline.geometry"}
    assert not unwanted & loaded


def test_everything_but_the_scheduling_does_without_a_scheduler():
    """A reduction in one process needs no dask at all."""
    loaded = loaded_after(["pipeline.cli", "pipeline.reduction", "pipeline.report.page"])
    assert not {"dask", "distributed"} & loaded


def test_the_simulator_and_the_pipeline_never_meet():
    names = [dotted(p) for p in modules_under("synthetic") if p.stem != "__main__"]
    loaded = loaded_after(names)
    assert not [n for n in loaded if n.split(".")[0] == "pipeline"]
    loaded = loaded_after([dotted(p) for p in modules_under("pipeline")])
    assert not [n for n in loaded if n.split(".")[0] == "synthetic"]


@pytest.mark.parametrize(
    ("folder", "banned", "but"),
    [
        ("pipeline", ("dask", "distributed", "dask_jobqueue"), ("pipeline/graph.py",)),
        ("pipeline", ("synthetic",), ()),
        ("synthetic", ("pipeline",), ()),
        ("pipeline/stages", ("astropy.io", "pipeline.io", "pipeline.config", "pipeline.tasks",
                             "pipeline.geometry", *RUNNING, "datetime", "time", "pathlib"), ()),
        ("pipeline/geometry", ("astropy.io", "pipeline.io", "pipeline.config", "pipeline.tasks",
                               *RUNNING, "datetime", "time", "pathlib"), ()),
        ("pipeline/io", ("pipeline.stages", "pipeline.tasks", *RUNNING), ()),
        ("pipeline/tasks", ("astropy.io", *RUNNING), ()),
        ("pipeline/report", ("pipeline.stages", "pipeline.tasks", "pipeline.io.raw"), ()),
    ],
    ids=lambda v: v if isinstance(v, str) else "",
)  # fmt: skip
def test_no_file_names_what_its_layer_may_not_use(folder, banned, but):
    """Late imports within functions count too, which importing alone would not show."""
    assert modules_under(folder)
    assert offenders(folder, banned, but=but) == []


def test_no_module_is_too_long():
    long = {
        str(path.relative_to(ROOT)): n
        for folder in ("pipeline", "synthetic")
        for path in modules_under(folder)
        if (n := len(path.read_text(encoding="utf-8").splitlines())) > LONGEST
    }
    assert long == {}
