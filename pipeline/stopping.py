"""A run that is asked to stop: signals set a mark, and the work ends at the next safe place.

Nothing is raised out of a signal's handler: it could strike between the writing of a file and its
renaming. Runners look for the mark between two tasks.
"""

import os
import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType

from pipeline.errors import Stopped

__all__ = ["ask_to_stop", "catch_signals", "check_stop", "forget_stop"]

_SIGNALS = (signal.SIGTERM, signal.SIGINT, signal.SIGHUP)
_asked = threading.Event()
_reason = ""


def ask_to_stop(reason: str) -> None:
    """Leave the mark.

    Parameters
    ----------
    reason : str
        Who asked, such as "SIGTERM".
    """
    global _reason  # noqa: PLW0603 - signals belong to the process, and so does the mark
    _reason = reason
    _asked.set()


def forget_stop() -> None:
    """Take the mark away."""
    _asked.clear()


def check_stop() -> None:
    """Go on, unless the run is asked to stop.

    Raises
    ------
    Stopped
        If it is.
    """
    if _asked.is_set():
        msg = f"stopped by {_reason}; what is finished is kept, the same command goes on from here"
        raise Stopped(msg)


@contextmanager
def catch_signals() -> Iterator[None]:
    """Turn signals that ask a process to end into the mark, while the body runs.

    A second signal ends the process at once. Outside the main thread nothing is caught.
    """

    def handle(number: int, _: FrameType | None) -> None:
        if _asked.is_set():
            signal.signal(number, signal.SIG_DFL)
            os.kill(os.getpid(), number)
        ask_to_stop(signal.Signals(number).name)

    if threading.current_thread() is not threading.main_thread():
        yield
        return
    forget_stop()
    # What is ignored stays so: `nohup` means it.
    caught = [n for n in _SIGNALS if signal.getsignal(n) is not signal.SIG_IGN]
    before = {number: signal.signal(number, handle) for number in caught}
    try:
        yield
    finally:
        for number, old in before.items():
            signal.signal(number, old if old is not None else signal.SIG_DFL)
        forget_stop()
