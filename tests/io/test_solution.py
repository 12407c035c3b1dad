"""JSON products: standard JSON whatever goes in."""

import json

import numpy as np
import pytest

from pipeline.errors import ProductError
from pipeline.io.provenance import make_provenance
from pipeline.io.solution import read_json, write_json


def test_numpy_values_become_plain(tmp_path):
    content = {
        "a": np.float32(0.5), "b": np.arange(3), "c": [np.int64(7), (True, None)],
        "d": {"e": np.array([[1.5, np.nan]]), 4: np.bool_(False)}, "f": float("inf"), "g": "μ",
    }  # fmt: skip
    path = write_json(tmp_path / "new" / "s.json", content)
    assert read_json(path) == {
        "a": 0.5, "b": [0, 1, 2], "c": [7, [True, None]],
        "d": {"e": [[1.5, None]], "4": False}, "f": None, "g": "μ",
    }  # fmt: skip
    text = path.read_text(encoding="utf-8")
    assert "NaN" not in text
    assert "Infinity" not in text


def test_numbers_are_exact(tmp_path):
    value = 60837.12345678901
    path = write_json(tmp_path / "s.json", {"mjd": value, "small": 1 / 3})
    assert read_json(path) == {"mjd": value, "small": 1 / 3}


def test_provenance_is_added(tmp_path, camera):
    provenance = make_provenance(camera.config, inputs=[("a.fits", "sha256:00")])
    content = {"x": 1}
    path = write_json(tmp_path / "s.json", content, provenance=provenance)
    assert content == {"x": 1}
    found = read_json(path)
    assert found["provenance"] == json.loads(provenance.to_json())


@pytest.mark.parametrize("text", ["", "{", "[1, 2]", "3"])
def test_damaged_file(tmp_path, text):
    (tmp_path / "s.json").write_text(text)
    with pytest.raises(ProductError, match=r"s.json: .*; remove it and start again"):
        read_json(tmp_path / "s.json")


def test_no_file(tmp_path):
    with pytest.raises(ProductError, match=r"s.json: cannot be read .*No such file"):
        read_json(tmp_path / "s.json")


def test_what_is_no_json_leaves_the_old_file(tmp_path):
    path = write_json(tmp_path / "s.json", {"x": 1})
    with pytest.raises(TypeError):
        write_json(path, {"x": object()})
    assert read_json(path) == {"x": 1}
    assert [p.name for p in tmp_path.iterdir()] == ["s.json"]
