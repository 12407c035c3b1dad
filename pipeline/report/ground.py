"""The same figure on light and on dark ground."""

from io import BytesIO
from pathlib import Path
from typing import Any

from matplotlib.axis import Axis
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.collections import Collection
from matplotlib.colors import to_hex
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.text import Text

from pipeline.io.atomic import write_bytes
from pipeline.report.figures import INK

__all__ = ["DARK_PAPER", "both_forms", "save_both"]

DARK_PAPER = "#1b1c1e"
_DPI = 110
# Ink and paper change places; of Okabe and Ito's colours only the deep blue is too dark.
_ON_DARK = {
    INK: "#e8e6e1", "#000000": "#f2f0ea", "#ffffff": DARK_PAPER, "#888888": "#9a9a96",
    "#e6e6e6": "#3a3b3e", "#7a7a7a": "#a5a5a0", "#0072b2": "#4da6e0", "#d55e00": "#f07f2e",
}  # fmt: skip


def save_both(figure: Figure, folder: Path, name: str) -> None:
    """Write NAME.png on white and NAME-dark.png on dark paper.

    Parameters
    ----------
    figure : Figure
        Is recoloured: draw it anew for other uses.
    folder : Path
    name : str

    Raises
    ------
    ProductError
        If the system refuses.
    """
    for ending, picture in zip(("", "-dark"), both_forms(figure), strict=True):
        write_bytes(folder / f"{name}{ending}.png", picture)


def both_forms(figure: Figure) -> tuple[bytes, bytes]:
    """PNG on white and on dark paper, as `save_both` writes them.

    Parameters
    ----------
    figure : Figure
        Is recoloured: draw it anew for other uses.

    Returns
    -------
    light, dark : bytes
    """
    figure.set_dpi(_DPI)
    canvas: Any = FigureCanvasAgg(figure)  # its printing has no types
    forms = []
    for dark in (False, True):
        if dark:
            _darken(figure)  # the ticks are there: they came into being with the light picture
            figure.set_layout_engine("none")  # the places are found; colours move nothing
        stream = BytesIO()
        # Not `savefig`, which draws everything twice: once to find the places alone. The files are
        # a twentieth larger than at the usual level, and packed in half the time.
        canvas.print_png(stream, pil_kwargs={"compress_level": 4})
        forms.append(stream.getvalue())
    return forms[0], forms[1]


def _swap(colour: Any) -> Any:
    if isinstance(colour, str) and colour == "none":
        return colour
    try:
        name = to_hex(colour, keep_alpha=True)
    except ValueError:
        return colour
    base, alpha = name[:7], name[7:]
    return _ON_DARK[base] + alpha if base in _ON_DARK else colour


def _darken(figure: Figure) -> None:
    for artist in figure.findobj():
        if isinstance(artist, Axis):
            for tick in (*artist.get_major_ticks(), *artist.get_minor_ticks()):
                for line in (tick.tick1line, tick.tick2line):
                    line.set_markeredgecolor("#e8e6e1")
                for label in (tick.label1, tick.label2):
                    label.set_color("#e8e6e1")
                tick.gridline.set_color("#3a3b3e")
            artist.offsetText.set_color("#e8e6e1")
        elif isinstance(artist, Text):
            artist.set_color(_swap(artist.get_color()))
        elif isinstance(artist, Line2D):
            artist.set_color(_swap(artist.get_color()))
            artist.set_markerfacecolor(_swap(artist.get_markerfacecolor()))
            artist.set_markeredgecolor(_swap(artist.get_markeredgecolor()))
        elif isinstance(artist, Patch):
            face, edge = artist.get_facecolor(), artist.get_edgecolor()
            artist.set_edgecolor(_swap(edge))
            artist.set_facecolor(_swap(face))
        elif isinstance(artist, Collection) and artist.get_array() is None:
            artist.set_edgecolor([_swap(c) for c in artist.get_edgecolor()])
            artist.set_facecolor([_swap(c) for c in artist.get_facecolor()])
