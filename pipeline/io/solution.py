"""JSON products, such as a strip's solution: standard JSON, with provenance."""

import json
import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.errors import ProductError
from pipeline.io.atomic import write_text
from pipeline.io.provenance import Provenance

__all__ = ["format_json", "read_json", "to_plain", "write_json"]


def write_json(
    path: str | Path, content: Mapping[str, Any], *, provenance: Provenance | None = None
) -> Path:
    """Write a JSON file.

    Parameters
    ----------
    path : str or Path
        Product.
    content : mapping
        numpy scalars and arrays are converted; non-finite numbers become null, since JSON has no
        other way to say so.
    provenance : Provenance, optional
        Added under "provenance".

    Returns
    -------
    Path

    Raises
    ------
    ProductError
        If the system refuses.
    """
    data = dict(content)
    if provenance is not None:
        data["provenance"] = json.loads(provenance.to_json())
    write_text(path, format_json(data))
    return Path(path)


def format_json(content: Mapping[str, Any]) -> str:
    """Text of the file that `write_json` writes."""
    return json.dumps(to_plain(content), indent=2, allow_nan=False) + "\n"


def read_json(path: str | Path) -> dict[str, Any]:
    """Read a JSON product.

    Parameters
    ----------
    path : str or Path
        File that `write_json` wrote.

    Returns
    -------
    dict

    Raises
    ------
    ProductError
        If the file is missing or damaged.
    """
    try:
        data = json.loads(Path(path).read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        msg = f"{path}: cannot be read ({error}); remove it and start again"
        raise ProductError(msg) from error
    if not isinstance(data, dict):
        msg = f"{path}: holds no JSON object; remove it and start again"
        raise ProductError(msg)
    return data


def to_plain(value: Any) -> Any:
    """The same in what JSON has; arrays become lists, non-finite numbers None."""
    if isinstance(value, Mapping):
        return {str(k): to_plain(v) for k, v in value.items()}
    if isinstance(value, np.ndarray):
        return to_plain(value.tolist())
    if isinstance(value, list | tuple):
        return [to_plain(v) for v in value]
    if isinstance(value, np.generic):
        return to_plain(value.item())
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
