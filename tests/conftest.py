"""The small invented observatory, made and reduced once per session."""

import importlib.util
import sys
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits


@pytest.fixture(scope="session")
def measuring():
    """Import a module that `python -m tests.NAME` runs, by path: tests are no package."""

    def load(name):
        alias = f"_tests_{name}"
        if alias not in sys.modules:
            path = Path(__file__).with_name(f"{name}.py")
            spec = importlib.util.spec_from_file_location(alias, path)
            module = importlib.util.module_from_spec(spec)
            sys.modules[alias] = module
            spec.loader.exec_module(module)
        return sys.modules[alias]

    return load


@pytest.fixture(scope="module")
def workers():
    """A runner on two worker processes of this machine."""
    from pipeline.graph import open_runner

    with open_runner(workers=2) as runner:
        yield runner


@pytest.fixture(params=["inline", "workers"])
def runner(request):
    """One in this process, and one on workers."""
    from pipeline.runners import InlineRunner

    return InlineRunner() if request.param == "inline" else request.getfixturevalue("workers")


@pytest.fixture(scope="session")
def small(tmp_path_factory):
    """Two nights of a small chip: raw segments, truth, configuration."""
    from synthetic.make import make
    from synthetic.scenarios import build_scenario

    out = tmp_path_factory.mktemp("small")
    make(build_scenario("small"), out, workers=1)
    return out


def reduce(out: Path, products: Path, *, raw=None, runner=None, nights=None, **changes):
    """Reduce a simulated folder in this process; changes are dotted keys with __ for the dot."""
    from pipeline.config import load_config
    from pipeline.reduction import reduce_folder
    from pipeline.runners import InlineRunner

    config = load_config(out / "observatory.toml")
    for key, value in changes.items():
        config = config.with_value(key.replace("__", "."), value)
    return reduce_folder(
        config, raw or out / "raw", products, runner=runner or InlineRunner(), nights=nights
    )


@pytest.fixture(scope="session")
def reduced(small, tmp_path_factory):
    """Products of the small observatory, and what the run said."""
    products = tmp_path_factory.mktemp("products")
    return products, reduce(small, products)


@pytest.fixture(scope="session")
def run_reduction():
    """The function that reduces a folder, for tests that change something."""
    return reduce


PARTS = ("strips", "tiles", "stacks", "deep", "calibration", "summaries")


def _assert_same_products(one, other, *, parts=PARTS):
    """Every table and image of some folders, array by array."""
    from pipeline.io.tables import read_table

    names = {p.relative_to(one) for part in parts for p in (one / part).rglob("*.fits")}
    assert names == {p.relative_to(other) for part in parts for p in (other / part).rglob("*.fits")}
    assert len(names) > 10
    for name in sorted(names):
        with fits.open(one / name) as ours, fits.open(other / name) as theirs:
            assert [h.name for h in ours] == [h.name for h in theirs]
            for a, b in zip(ours, theirs, strict=True):
                if a.data is None:
                    assert b.data is None
                elif a.data.dtype.names:
                    for column in a.data.dtype.names:
                        np.testing.assert_array_equal(a.data[column], b.data[column], str(name))
                else:
                    np.testing.assert_array_equal(a.data, b.data, str(name))
    for path in sorted(one.glob("strips/*/*/catalogue.parquet")):
        theirs = read_table(other / path.relative_to(one))
        for column, values in read_table(path).items():
            np.testing.assert_array_equal(values, theirs[column])


@pytest.fixture(scope="session")
def assert_same_products():
    """Compares two folders of products exactly."""
    return _assert_same_products
