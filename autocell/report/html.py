"""A page and its pieces: tables, figures, and what folds away."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape
from importlib import resources

from autocell.report import palette


def whole_page(title: str, bench: str, sections: Iterable[str], *styles: str) -> str:
    """A whole page that needs no network, light or dark as its reader likes it.

    ``sections`` are HTML already; ``styles`` are style sheets of this package beside ``page.css``.
    """
    files = resources.files("autocell.report")
    style = "".join(files.joinpath(name).read_text("utf-8") for name in ("page.css", *styles))
    light, dark = palette.as_css(palette.LIGHT), palette.as_css(palette.DARK)
    return f"""<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta name="color-scheme" content="light dark">
<title>{escape(title)} · {escape(bench)}</title>
<style>
:root {{ {light} }}
@media screen and (prefers-color-scheme: dark) {{ :root {{ {dark} }} }}
{style}</style>
</head>
<body>
<main>
{"".join(sections)}</main>
</body>
</html>
"""


def folded(
    label: str, head: Sequence[str], rows: Sequence[Sequence[str]], numeric: set[int]
) -> str:
    if not rows:
        return ""
    content = table(head, rows, numeric=numeric)
    return f"<details><summary>{escape(label)}</summary>{content}</details>"


def table(
    head: Sequence[str], rows: Iterable[Sequence[str]], numeric: set[int], foot: str = ""
) -> str:
    """``rows`` are HTML already; ``numeric`` are the columns that are set to the right."""

    def cell(tag: str, column: int, content: str) -> str:
        if column not in numeric:
            return f"<{tag}>{content}</{tag}>"
        return f'<{tag} class="number">{content.replace("-", "−")}</{tag}>'

    titles = "".join(cell("th", column, escape(text)) for column, text in enumerate(head))
    body = "".join(
        f"<tr>{''.join(cell('td', column, text) for column, text in enumerate(row))}</tr>"
        for row in rows
    )
    tail = f"<tfoot>{foot}</tfoot>" if foot else ""
    return (
        f'<div class="scroll"><table><thead><tr>{titles}</tr></thead>'
        f"<tbody>{body}</tbody>{tail}</table></div>"
    )


def figure(heading: str, svg: str, caption: str) -> str:
    return (
        f"<section><h2>{escape(heading)}</h2><figure>{svg}"
        f"<figcaption>{escape(caption)}</figcaption></figure></section>\n"
    )
