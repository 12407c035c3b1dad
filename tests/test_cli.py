"""The command line: exit statuses, where messages go, and what each command says."""

import json
import subprocess
import sys
from pathlib import Path

import pytest
from typer.testing import CliRunner

import pipeline
from pipeline.cli import app
from pipeline.config import describe_config, load_config, parse_config

pytestmark = pytest.mark.xdist_group("reduction")  # shares the simulated nights and one reduction


def run(*arguments):
    """The command line in this process; what `main` would print of an error is left raised."""
    return CliRunner().invoke(app, [str(a) for a in arguments])


def drive(*arguments):
    """The command line in a process of its own, as a user starts it."""
    return subprocess.run(
        [sys.executable, "-m", "pipeline.cli", *map(str, arguments)],
        cwd=Path(__file__).parents[1], capture_output=True, text=True, check=False,
    )  # fmt: skip


def flat(text):
    return " ".join(text.split())


def test_version():
    done = run("--version")
    assert done.exit_code == 0
    assert done.stdout.strip() == f"driftloom {pipeline.__version__}"


def test_help_names_every_command():
    done = run("--help")
    assert done.exit_code == 0
    for command in ("reduce", "check", "demo", "report", "settings"):
        assert command in done.stdout


def test_settings_are_a_configuration_that_loads(tmp_path):
    done = run("settings")
    assert done.exit_code == 0
    path = tmp_path / "observatory.toml"
    path.write_text(done.stdout, encoding="utf-8")
    assert load_config(path).digest() == parse_config(describe_config()).digest()


def test_check_lists_strips_and_touches_nothing(small):
    before = sorted(p.name for p in small.iterdir())
    done = run("check", small / "observatory.toml", small / "raw")
    assert done.exit_code == 0
    scenario = json.loads((small / "truth" / "scenario.json").read_text())
    rows = {line.split()[1]: line.split() for line in done.stdout.splitlines()[1:] if line.strip()}
    for strip in scenario["strips"]:
        night, _, _, filter_name, shutter, lines, segments, gaps = rows[strip["strip"]]
        assert night == strip["night"]
        assert filter_name == strip["filter"]
        assert shutter == ("open" if strip["shutter_open"] else "closed")
        assert int(lines) == strip["n_lines"]
        assert int(segments) == len(list((small / "raw").glob(f"{strip['strip']}_*.fits")))
        assert gaps == "0"
    assert len(rows) == len(scenario["strips"])
    assert sorted(p.name for p in small.iterdir()) == before


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("check", "absent.toml", "RAW"), ("absent.toml", "cannot be read", "TOML")),
        (("check", "CONFIG", "nowhere"), ("nowhere", "no such folder")),
        (("reduce", "CONFIG", "RAW", "OUT", "--block-lines", "300"), ("block_lines", "256")),
        (("reduce", "CONFIG", "RAW", "OUT", "--workers", "1", "--night", "1999-01-01"),
         ("1999-01-01", "2025-03-02, 2025-03-03")),
        (("report", "OUT"), ("OUT", "no products here")),
    ],
    ids=["no configuration", "no folder", "block", "night", "no products"],
)  # fmt: skip
def test_mistakes_go_to_stderr_with_status_2(small, tmp_path, arguments, words):
    out = tmp_path / "OUT"
    places = {"CONFIG": small / "observatory.toml", "RAW": small / "raw", "OUT": out}
    done = drive(*(places.get(a, a) for a in arguments))
    assert done.returncode == 2, done.stderr
    assert done.stdout == ""
    assert "Traceback" not in done.stderr
    assert done.stderr.startswith("error: ")
    for word in words:
        assert word in flat(done.stderr)
    assert not out.exists()


def test_wrong_use_is_told_with_status_2():
    for arguments in (
        ("reduce",), ("polish",), ("check", "a", "b", "--loudly"),
        ("reduce", "a", "b", "c", "--workers", "-3"), ("report", "a", "--workers", "-1"),
    ):  # fmt: skip
        done = run(*arguments)
        assert done.exit_code == 2
        assert "Usage" in done.stderr


def test_a_dry_run_tells_what_reduce_would_do_and_does_nothing(small, reduced, tmp_path):
    places = (small / "observatory.toml", small / "raw")
    done = run("reduce", *places, tmp_path / "products", "--dry-run", "--each")
    assert done.exit_code == 0
    rows = [line.split() for line in done.stdout.splitlines()]
    for strip in ("2025-03-02_s01", "2025-03-03_s01"):
        (row,) = [r for r in rows if r[0] == "catalogue" and strip in r]
        assert row[1:] == [strip[:10], strip, "1", "0", "never", "made"]
    assert "stand." in rows[-1]
    assert list(tmp_path.iterdir()) == []
    again = run("reduce", *places, reduced[0], "--dry-run")
    assert again.exit_code == 0
    assert again.stdout.splitlines()[-1].startswith("0 tasks to be done, ")


@pytest.mark.slow
def test_reduce_tells_what_it_did(small, tmp_path):
    done = drive(
        "reduce", small / "observatory.toml", small / "raw", tmp_path / "products",
        "--workers", "1", "--night", "2025-03-02", "--block-lines", "1024",
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    (row,) = [line for line in done.stdout.splitlines() if line.startswith("2025-03-02 ")]
    assert row.split()[1:3] == ["2025-03-02_s01", "3000"]
    assert not [line for line in done.stdout.splitlines() if line.startswith("2025-03-03")]
    assert "failed" not in done.stderr
    assert "Warning" not in done.stderr
    assert (tmp_path / "products" / "report" / "index.html").exists()
    assert [p.name for p in (tmp_path / "products" / "strips").iterdir()] == ["2025-03-02"]
    # Drawn again from the products alone.
    (tmp_path / "products" / "report" / "index.html").unlink()
    again = drive("report", tmp_path / "products")
    assert again.returncode == 0, again.stderr
    assert (tmp_path / "products" / "report" / "index.html").exists()
