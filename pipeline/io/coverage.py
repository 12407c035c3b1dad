"""Temporary."""
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True)
class ImageRecord:
    path: Any; obs_id: Any; target: Any; calib_level: Any; ra: Any; dec: Any; fov: Any; outline: Any; t_min: Any; t_max: Any
    exposure: Any; resolution: Any; shape: Any; facility: Any; instrument: Any; filter: Any; size_bytes: Any


def make_obscore_rows(records):
    from pipeline.io.columns import OBSCORE
    import numpy as np
    out = {}
    for c in OBSCORE:
        out[c.name] = np.array(["" for r in records]) if c.kind == "str" else np.zeros(len(records), c.kind)
    return out


def write_coverage(path, outlines, order):
    pass
