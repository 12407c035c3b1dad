"""What a process works with: versions and code, compared before work is handed to it.

This module travels to workers by value, since they may have another version of this program, or
none. So it uses nothing but the standard library.
"""

import os
import platform
import socket
import sys
from collections.abc import Mapping
from importlib import import_module
from importlib.metadata import PackageNotFoundError, version

__all__ = ["compare_environments", "describe_environment"]

LIBRARIES = (
    "numpy", "scipy", "astropy", "pyerfa", "numba", "sep", "pyarrow", "photutils", "dask",
    "distributed",
)  # fmt: skip
CODE = "driftloom"
ABSENT = "not installed"


def describe_environment() -> dict[str, str]:
    """Versions of this process: Python, libraries, this program and its sources.

    Returns
    -------
    dict of str to str
        By name; "host" and "process" say where it is.
    """
    found = {"host": socket.gethostname(), "process": str(os.getpid())}
    found["python"] = platform.python_version()
    for name in LIBRARIES:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            found[name] = ABSENT
    try:
        # What this process has loaded counts, not what was put on the disk since.
        found[CODE] = import_module("pipeline.recipes").digest_code()
    except (ImportError, AttributeError) as error:
        found[CODE] = f"{ABSENT} ({error}; {sys.executable})"
    return found


def compare_environments(ours: Mapping[str, str], theirs: Mapping[str, str]) -> list[str]:
    """Where two environments differ.

    Parameters
    ----------
    ours, theirs : mapping of str to str
        From `describe_environment`.

    Returns
    -------
    list of str
        A package with both versions, such as "numpy 2.1.0 there, 2.2.0 here".
    """
    names = [name for name in ours if name not in {"host", "process"}]
    return [
        f"{name} {theirs.get(name, ABSENT)} there, {ours[name]} here"
        for name in names
        if theirs.get(name) != ours[name]
    ]
