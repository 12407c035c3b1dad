"""The command `quicklook`: it parses, looks, and prints a short summary."""

from pathlib import Path
from typing import Annotated

import numpy as np
import typer
from rich.console import Console
from rich.table import Table

from pipeline.glance import Glance, Reading
from pipeline.memory import keep_freed_memory, undisturbed

__all__ = ["register"]


def register(app: typer.Typer, console: Console, complaints: Console) -> None:
    """Add the command to the program.

    Parameters
    ----------
    app : typer.Typer
    console, complaints : Console
        For results, and for what is wrong.
    """

    @app.command()
    def quicklook(
        config: Annotated[Path, typer.Argument(help="Configuration of the observatory (TOML).")],
        strip: Annotated[
            Path,
            typer.Argument(
                help="A file of the strip, or a folder: then the strip that began last with the "
                "shutter open."
            ),
        ],
        out: Annotated[
            Path | None, typer.Option(help="Folder for the page; quicklook/STRIP by default.")
        ] = None,
        name: Annotated[
            str | None, typer.Option("--strip", help="Name of the strip in the folder.")
        ] = None,
        vectors: Annotated[
            Path | None, typer.Option(help="Products of an earlier reduction: its calibrations.")
        ] = None,
        blocks: Annotated[
            int, typer.Option(min=4, help="About how many blocks of 256 lines are read.")
        ] = 32,
        follow: Annotated[
            bool, typer.Option("--follow", help="Go on while the strip is being written.")
        ] = False,
        every: Annotated[
            float, typer.Option(min=0.5, help="With --follow: seconds between looks.")
        ] = 5.0,
        quiet: Annotated[
            float,
            typer.Option(
                min=1.0,
                help="With --follow: a whole strip to which nothing is added for so many seconds "
                "has ended; one that promises more lines, after three times as many.",
            ),
        ] = 60.0,
    ) -> None:
        """Look at one strip, in seconds: focus, clocking, clouds, camera; and write a page."""
        with undisturbed():
            from pipeline.config import load_config
            from pipeline.quicklook import follow_strip, take_quicklook
            from pipeline.stopping import catch_signals

            keep_freed_memory()  # each block wants the same arrays
            settings = load_config(config)
            if not follow:
                glance, page = take_quicklook(
                    settings, strip, out, name=name, vectors=vectors, blocks=blocks
                )
                _print(console, complaints, glance, page)
                raise typer.Exit(_status(glance))

        def tell(glance: Glance, page: Path) -> None:
            console.print(_line(glance), highlight=False, markup=False, soft_wrap=True)
            del page

        with catch_signals():
            glance, page, ending = follow_strip(
                settings, strip, out, name=name, vectors=vectors, blocks=blocks, every=every,
                quiet=quiet, tell=tell,
            )  # fmt: skip
        _print(console, complaints, glance, page)
        console.print(f"Ended: {ending}.", highlight=False, markup=False, soft_wrap=True)
        raise typer.Exit(_status(glance))


def _status(glance: Glance) -> int:
    """0, or 1 where lines could not be read or an open strip shows no star."""
    lost = float(np.sum(glance.blocks["lost"]))
    blind = glance.shutter_open and not np.isfinite(glance.blocks["fwhm"]).any()
    return 1 if lost or blind else 0


def _number(value: float, digits: int) -> str:
    if not np.isfinite(value):
        return "-"
    text = f"{value:.{digits}f}"
    return text if float(text) or not value else f"{value:.1g}"


def _line(glance: Glance) -> str:
    """One line of a strip that is followed: its newest block."""
    b = glance.blocks
    return (
        f"{glance.n_lines} lines, {b['minutes'][-1]:.1f} min: sky {b['sky'][-1]:.0f} electron, "
        f"seeing {_number(b['seeing'][-1], 2)} arcsec, dimming {_number(b['dimming'][-1], 2)} mag, "
        f"{_number(b['n_stars'][-1], 0)} stars, elongation {_number(b['elongation'][-1], 2)}"
    )


def _print(console: Console, complaints: Console, glance: Glance, page: Path) -> None:
    console.print(
        f"Strip {glance.name}, filter {glance.filter or '-'}: {glance.state}; "
        f"{glance.n_read} of them read, {glance.seconds:.1f} s.",
        highlight=False, markup=False, soft_wrap=True,
    )  # fmt: skip
    table = Table(box=None, pad_edge=False)
    for head in ("quantity", "value", "error", "unit", "remark"):
        right = head in {"value", "error"}
        table.add_column(head, justify="right" if right else "left", overflow="fold")
    for reading in glance.readings:
        if np.isfinite(reading.value):
            table.add_row(*_row(reading))
    console.print(table)
    for text in glance.advice:
        console.print(text, highlight=False, markup=False, soft_wrap=True)
    for missing in glance.missing:
        complaints.print(
            f"not measured: {missing.what}: {missing.why}", highlight=False, markup=False
        )
    console.print(f"Page: {page}", highlight=False, markup=False, soft_wrap=True)


def _row(reading: Reading) -> tuple[str, ...]:
    return (
        reading.name, _number(reading.value, reading.digits),
        _number(reading.error, reading.digits), reading.unit, reading.remark,
    )  # fmt: skip
