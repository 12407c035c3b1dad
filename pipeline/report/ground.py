"""The same figure on light and on dark ground."""

from collections.abc import Callable, Sequence
from functools import lru_cache
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg, RendererAgg
from matplotlib.colors import to_rgb
from matplotlib.figure import Figure
from matplotlib.image import imsave

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

    Returns
    -------
    light, dark : bytes
    """
    figure.set_dpi(_DPI)
    FigureCanvasAgg(figure)  # the layout measures texts with it
    width, height = figure.bbox.size
    light = _TwoGrounds(width, height, figure.dpi)
    figure.draw(light)
    return _pack(light), _pack(light.dark)


def _pack(renderer: Any) -> bytes:
    stream = BytesIO()
    # The files are a twentieth larger than at the usual level, and packed in half the time.
    imsave(
        stream, np.asarray(renderer.buffer_rgba()), format="png", origin="upper", dpi=_DPI,
        pil_kwargs={"compress_level": 4},
    )  # fmt: skip
    return stream.getvalue()


class _TwoGrounds(RendererAgg):
    """Draws on light paper, and everything a second time in other colours on dark paper.

    Most of a figure's time goes into finding out what to draw; that is the same on both.
    """

    def __init__(self, width: float, height: float, dpi: float) -> None:
        super().__init__(width, height, dpi)  # type: ignore[no-untyped-call]
        self.dark = RendererAgg(width, height, dpi)  # type: ignore[no-untyped-call]
        # In place of methods: some of those of the library are attributes of the instance too.
        for name, colours in _DRAWING.items():
            twice = _twice(getattr(self, name), getattr(self.dark, name), colours)
            setattr(self, name, twice)


# Methods of a renderer, and which of their arguments behind the first are colours. Images keep
# theirs, as do meshes, whose colours mean values.
_DRAWING: dict[str, tuple[int, ...]] = {
    "draw_path": (2,), "draw_markers": (4,), "draw_path_collection": (5, 6), "draw_text": (),
    "draw_image": (), "draw_quad_mesh": (), "draw_gouraud_triangles": (),
}  # fmt: skip


def _twice(
    light: Callable[..., None], dark: Callable[..., None], colours: tuple[int, ...]
) -> Callable[..., None]:
    """A method of a renderer that draws with two of them."""

    def draw(gc: Any, *args: Any, **more: Any) -> None:
        light(gc, *args, **more)
        ink = gc.get_rgb()
        gc.set_foreground(_swap(tuple(ink)), isRGBA=True)
        turned = list(args)
        for k in colours:
            if k < len(args):
                turned[k] = _swap_all(args[k])
        if "rgbFace" in more:
            more["rgbFace"] = _swap_all(more["rgbFace"])
        dark(gc, *turned, **more)
        gc.set_foreground(ink, isRGBA=True)

    return draw


def _swap_all(colours: Any) -> Any:
    """One colour, or none, or an array of them."""
    if colours is None or not len(colours):
        return colours
    if np.ndim(colours) == 1:
        return _swap(tuple(colours))
    return np.array([_swap(tuple(c)) for c in colours])


@lru_cache(maxsize=256)
def _swap(colour: Sequence[float]) -> tuple[float, ...]:
    """The colour on dark paper; what is behind red, green and blue stays."""
    name = "#" + "".join(f"{round(255 * v):02x}" for v in colour[:3])
    return (*to_rgb(_ON_DARK[name]), *colour[3:]) if name in _ON_DARK else tuple(colour)
