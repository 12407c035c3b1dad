"""A strip that a second process writes line by line, followed to its end."""

import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from pipeline.config import load_config
from pipeline.errors import RawError
from pipeline.quicklook import follow_strip, take_quicklook

pytestmark = pytest.mark.xdist_group("reduction")

STRIP = "2025-03-02_s01"
WRITE = """
import sys, time
from pathlib import Path
source, out, page, pause = Path(sys.argv[1]), Path(sys.argv[2]), Path(sys.argv[3]), sys.argv[5]
paths = sorted(source.glob(sys.argv[4]))
data = [p.read_bytes() for p in paths]
done, total, waits, known = 0, sum(map(len, data)), [0.2, 0.5, 0.8], 0
for path, content in zip(paths, data):
    with (out / path.name).open("wb") as stream:
        for first in range(0, len(content), 5000):  # no line and no block has this length
            done += stream.write(content[first:first + 5000])
            stream.flush()
            time.sleep(float(pause))
            # However slow the machine is: from time to time the page has to be written first.
            while waits and done > waits[0] * total:
                now = page.stat().st_mtime_ns if page.exists() else 0
                if now != known:
                    known = now
                    waits.pop(0)
                time.sleep(0.02)
"""


@pytest.fixture(scope="module")
def config(small):
    return load_config(small / "observatory.toml")


@pytest.fixture(scope="module")
def once(small, config, tmp_path_factory):
    """The same strip, looked at when it was whole; also compiles the kernels."""
    out = tmp_path_factory.mktemp("once")
    return take_quicklook(config, small / "raw" / f"{STRIP}_0001.fits", out)[0]


@pytest.fixture
def writer(small, tmp_path):
    """Starts the second process; gives the folder it writes into."""
    folder = tmp_path / "raw"
    folder.mkdir()
    processes = []

    def start(pause):
        command = [sys.executable, "-c", WRITE, str(small / "raw"), str(folder),
                   str(tmp_path / "out" / "index.html"), f"{STRIP}_*.fits", str(pause)]  # fmt: skip
        processes.append(subprocess.Popen(command))
        return folder

    yield start
    for process in processes:
        process.kill()
        process.wait()


def test_a_growing_strip_is_followed_until_it_ends(config, once, writer, tmp_path):
    seen = []

    def tell(glance, page):
        seen.append((glance, page.read_text()))

    folder = writer(0.003)
    glance, page, ending = follow_strip(
        config, folder, tmp_path / "out", every=0.7, quiet=1.5, tell=tell
    )
    assert ending == "its last file is whole and nothing came for 1.5 s"
    lines = [look.n_lines for look, _ in seen]
    assert len(lines) >= 3
    assert lines == sorted(set(lines))
    assert lines[-1] == glance.n_lines == once.n_lines
    assert "of" in seen[0][0].state
    assert "being followed" in seen[0][0].state
    # A page that is open loads itself again, until the last one.
    assert all('http-equiv="refresh"' in text for _, text in seen)
    assert 'http-equiv="refresh"' not in page.read_text()
    assert not list((tmp_path / "out").glob("*.partial"))
    # What was looked at while it grew is what is found in the whole.
    np.testing.assert_array_equal(glance.blocks["line"], once.blocks["line"])
    np.testing.assert_array_equal(glance.blocks["sky"], once.blocks["sky"])
    np.testing.assert_allclose(glance.blocks["seeing"], once.blocks["seeing"], rtol=0.05)
    # Single lines round their overscan: an ADU either way.
    np.testing.assert_allclose(glance.preview.cells, once.preview.cells, atol=3.0)


def test_a_strip_that_its_writer_left_ends_after_three_quiet_times(config, once, small, tmp_path):
    folder = tmp_path / "raw"
    folder.mkdir()
    data = (small / "raw" / f"{STRIP}_0001.fits").read_bytes()
    (folder / f"{STRIP}_0001.fits").write_bytes(data[: len(data) // 2])
    begin = time.monotonic()
    glance, page, ending = follow_strip(
        config, folder, tmp_path / "out", every=0.5, quiet=0.7, tell=lambda *_: None
    )
    assert ending.startswith("nothing came for 2.1 s, though ")
    assert ending.endswith(" lines are promised")
    assert 2.1 <= time.monotonic() - begin < 15.0
    assert glance.n_lines < once.n_lines
    assert ending in page.read_text()


def test_a_strip_that_never_begins_is_said(config, tmp_path):
    with pytest.raises(RawError, match=r"no file matches .* nothing came within 0\.6 s"):
        follow_strip(config, tmp_path, tmp_path / "out", every=0.5, quiet=0.2, tell=lambda *_: None)


def test_an_interrupt_ends_it_with_the_page_written(small, writer, tmp_path):
    folder, out = writer(0.5), tmp_path / "out"
    process = subprocess.Popen(
        [sys.executable, "-m", "pipeline.cli", "quicklook", str(small / "observatory.toml"),
         str(folder), "--follow", "--every", "0.5", "--out", str(out)],
        cwd=Path(__file__).parents[1], text=True, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
    )  # fmt: skip
    end = time.monotonic() + 60.0
    while not (out / "index.html").exists():
        assert time.monotonic() < end
        assert process.poll() is None, process.stderr.read()
        time.sleep(0.1)
    process.send_signal(signal.SIGINT)
    output, _ = process.communicate(timeout=60)
    # 1: of a strip that has just begun no star was measured.
    assert process.returncode in {0, 1}
    assert "Ended: asked to stop." in output
    text = (out / "index.html").read_text()
    assert "followed until: asked to stop" in text
    assert 'http-equiv="refresh"' not in text
