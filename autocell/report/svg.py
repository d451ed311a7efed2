"""From a matplotlib figure to SVG that can stand inside an HTML page.

Fonts stay text, colours follow the page's light or dark paper, ids are unique on the page, and
nothing points outside.
"""

from __future__ import annotations

import gc
import re
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from html import escape
from io import StringIO
from typing import TYPE_CHECKING, Any

from autocell.report.palette import LIGHT

if TYPE_CHECKING:
    from matplotlib.figure import Figure

WIDTH_IN = 9.4
"""Of a figure as wide as the page: its 8.5 pt then come close to the page's small print."""


def sheet(
    width_in: float,
    height_in: float,
    *,
    left: float = 0.7,
    right: float = 0.1,
    bottom: float = 0.5,
    top: float = 0.25,
) -> Figure:
    """An empty figure whose axes leave these margins, in inches.

    The layout engines of matplotlib find margins out by drawing each figure once more and
    measuring every label, which is more than half of what a report takes.
    """
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width_in, height_in))
    figure.subplots_adjust(
        left / width_in, bottom / height_in, 1.0 - right / width_in, 1.0 - top / height_in
    )
    return figure


_drawing: ContextVar[bool] = ContextVar("drawing", default=False)


@contextmanager
def drawing_style() -> Iterator[None]:
    """Matplotlib settings common to all figures; the user's own are left alone.

    Around a whole page it is set once instead of for every figure, which saves a tenth of a page.
    """
    if _drawing.get():
        yield
        return
    import matplotlib

    settings: dict[Any, Any] = {
        "svg.fonttype": "none",
        "svg.hashsalt": "autocell",
        "font.family": ["DejaVu Sans"],
        "font.size": 8.5,
        "axes.titlesize": 9,
        "axes.titlelocation": "left",
        "axes.titley": 1.0,
        "axes.spines.top": False,
        "axes.spines.right": False,
        "axes.facecolor": "none",
        "figure.facecolor": "none",
        "savefig.facecolor": "none",
        "axes.edgecolor": LIGHT["quiet"],
        "axes.labelcolor": LIGHT["quiet"],
        "axes.titlecolor": LIGHT["ink"],
        "text.color": LIGHT["ink"],
        "xtick.color": LIGHT["quiet"],
        "ytick.color": LIGHT["quiet"],
        "grid.color": LIGHT["rule"],
        "grid.linewidth": 0.6,
        "axes.linewidth": 0.7,
        "xtick.major.width": 0.7,
        "ytick.major.width": 0.7,
        "axes.unicode_minus": True,
        "path.simplify": True,
    }
    with matplotlib.rc_context(), _no_garbage_looked_for():
        matplotlib.rcdefaults()
        matplotlib.rcParams.update(settings)
        within = _drawing.set(True)
        try:
            yield
        finally:
            _drawing.reset(within)


@contextmanager
def _no_garbage_looked_for() -> Iterator[None]:
    """A figure is ten thousand small objects that live until it is drawn. Looking through them for
    garbage again and again would take a quarter of a report."""
    looks = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if looks:
            gc.enable()


def inline_svg(figure: Figure, name: str, title: str, description: str) -> str:
    """The figure as one ``<svg>`` element with an accessible title and description.

    ``name`` must be unique on the page: every id in the figure begins with it.
    """
    buffer = StringIO()
    nothing = dict.fromkeys(("Date", "Creator", "Format", "Type"))
    figure.savefig(buffer, format="svg", metadata=nothing)
    text = buffer.getvalue()

    viewbox = _first(r'viewBox="([^"]+)"', text)
    body = text[text.index(">", text.index("<svg")) + 1 : text.rindex("</svg>")]
    body = re.sub(r"<style.*?</style>", "", body, flags=re.DOTALL)
    body = re.sub(r"<!--.*?-->\s*", "", body, flags=re.DOTALL)
    body = re.sub(r'\bid="', f'id="{name}-', body)
    body = re.sub(r"url\(#", f"url(#{name}-", body)
    body = re.sub(r'xlink:href="#', f'href="#{name}-', body)
    body = body.replace("'DejaVu Sans'", "system-ui, sans-serif")
    for role, colour in LIGHT.items():
        body = body.replace(colour, f"var(--{role}, {colour})")
    return (
        f'<svg class="figure" viewBox="{viewbox}" role="img" '
        f'aria-labelledby="{name}-title {name}-desc">'
        f'<title id="{name}-title">{escape(title)}</title>'
        f'<desc id="{name}-desc">{escape(description)}</desc>{body}</svg>'
    )


def _first(pattern: str, text: str) -> str:
    found = re.search(pattern, text)
    if found is None:
        raise ValueError(f"matplotlib wrote an SVG without {pattern}")
    return found.group(1)
