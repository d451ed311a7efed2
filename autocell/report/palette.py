"""The colours of all figures and of the page, by what they stand for, on light and dark paper.

Blue and orange carry every distinction that matters: they stay apart under red-green colour
blindness. Green and red only ever repeat what a mark or a word says too.
"""

from __future__ import annotations

LIGHT = {
    "paper": "#fdfcfa",
    "panel": "#f3f1ec",
    "ink": "#20262c",
    "quiet": "#626a70",
    "rule": "#d5d2ca",
    "entrance": "#2a5f94",
    "far": "#b5651d",
    "model": "#5d8fc0",
    "chosen": "#8a3d6b",
    "good": "#1c7a5e",
    "bad": "#a83a2c",
}
DARK = {
    "paper": "#171a1d",
    "panel": "#20252a",
    "ink": "#e6e3dc",
    "quiet": "#a2a8ab",
    "rule": "#3b4147",
    "entrance": "#7db3e6",
    "far": "#e9a15c",
    "model": "#4f80b3",
    "chosen": "#dd92bd",
    "good": "#6cc7a5",
    "bad": "#ec8a7a",
}


def as_css(colours: dict[str, str]) -> str:
    """The colours as CSS custom properties, to go inside a rule."""
    return " ".join(f"--{name}: {colour};" for name, colour in colours.items())
