"""New products in the place of old ones, folder by folder; broken off, it is taken up again."""

import json
import shutil
from pathlib import Path

from pipeline.errors import ProductError
from pipeline.io.atomic import explain_failure, write_bytes

__all__ = ["NEXT", "PREVIOUS", "exchange", "finish_exchange"]

NEXT, PREVIOUS = ".next", "previous"
_WHOLE = ".whole"  # marks new products that wait for nothing but the exchange
# What a reduction writes. Where the new products have none of it, the old must not stay.
_WRITTEN = (
    "calibration", "comparison", "coverage.fits", "deep", "ledger.jsonl", "obscore.parquet",
    "report", "stacks", "strips", "summaries", "tiles", "work",
)  # fmt: skip


def exchange(out: Path, *, keep_previous: bool) -> None:
    """Put the products in ``.next``, which are whole, in the place of the old ones.

    Parameters
    ----------
    out : Path
        Folder of products, held by this run. Files that no reduction writes stay where they are.
    keep_previous : bool
        The old products go to the folder ``previous``, in the place of what was there; otherwise
        they are removed.

    Raises
    ------
    ProductError
        If the system refuses.
    """
    try:
        # From here on those of an earlier time are not needed any more.
        if (out / PREVIOUS).exists():
            shutil.rmtree(out / PREVIOUS)
    except OSError as error:
        raise explain_failure(out / PREVIOUS, error) from error
    names = sorted(p.name for p in (out / NEXT).iterdir())
    order = {"keep_previous": keep_previous, "names": names}
    write_bytes(out / NEXT / _WHOLE, json.dumps(order).encode("utf-8"))
    finish_exchange(out)


def finish_exchange(out: Path) -> bool:
    """Take up an exchange that was broken off, if there is one.

    Parameters
    ----------
    out : Path
        Folder of products, held by this run.

    Returns
    -------
    bool
        True where there was one; it is done then.

    Raises
    ------
    ProductError
        If the system refuses.
    """
    new, old = out / NEXT, out / PREVIOUS
    try:
        order = json.loads((new / _WHOLE).read_bytes())
        names, keep_previous = list(order["names"]), bool(order["keep_previous"])
    except FileNotFoundError:
        return False
    except (OSError, ValueError, KeyError, TypeError) as error:
        msg = f"{new / _WHOLE}: cannot be read ({error}); remove it and reprocess again"
        raise ProductError(msg) from error
    try:
        old.mkdir(exist_ok=True)
        for name in sorted({*_WRITTEN, *names}):
            # Each is a step that leaves its mark: what is new is either still waiting or in place.
            waits = name in names and (new / name).exists()
            if (out / name).exists() and (waits or name not in names):
                (out / name).rename(old / name)
            if waits:
                (new / name).rename(out / name)
        if not keep_previous:
            shutil.rmtree(old)
        (new / _WHOLE).unlink()
        new.rmdir()
    except OSError as error:
        raise explain_failure(out, error) from error
    return True
