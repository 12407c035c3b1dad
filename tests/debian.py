"""Programs of Debian's packages for tests that need real ones; what cannot be had is said."""

import os
import shutil
import subprocess
from collections.abc import Sequence

__all__ = ["NotHere", "install"]

PATIENCE = 600  # s


class NotHere(Exception):  # noqa: N818 - a reason to leave a test out
    """Programs cannot be had here; the text says why."""


def install(programs: Sequence[str], packages: Sequence[str]) -> None:
    """Make sure that programs are there, as root by installing the packages that hold them.

    Raises
    ------
    NotHere
        If they are not and cannot be installed.
    """
    missing = [name for name in programs if shutil.which(name) is None]
    if not missing:
        return
    if os.geteuid():
        msg = f"{', '.join(missing)} not found, and only root can install them"
        raise NotHere(msg)
    if shutil.which("apt-get") is None:
        msg = f"{', '.join(missing)} not found, and there is no apt-get to install them with"
        raise NotHere(msg)
    environment = {**os.environ, "DEBIAN_FRONTEND": "noninteractive"}
    fetch = ["apt-get", "install", "-y", "-q", "--no-install-recommends", *packages]
    for command in (["apt-get", "update", "-q"], fetch):
        try:
            done = subprocess.run(
                command, env=environment, capture_output=True, text=True, check=False,
                timeout=PATIENCE,
            )  # fmt: skip
        except subprocess.TimeoutExpired as error:
            msg = f"{' '.join(command[:2])} took more than {PATIENCE} s"
            raise NotHere(msg) from error
        if done.returncode and command is fetch:
            msg = f"{' '.join(packages)} cannot be had: {done.stderr.strip().splitlines()[-1:]}"
            raise NotHere(msg)
