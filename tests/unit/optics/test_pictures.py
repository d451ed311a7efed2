"""The pictures of the optics page can be drawn again, and the page shows each of them."""

from __future__ import annotations

import importlib.util
import re
import xml.etree.ElementTree as ElementTree
from pathlib import Path

import pytest

PAGE = Path(__file__).parents[3] / "docs" / "optics"


@pytest.fixture(scope="module")
def drawn(tmp_path_factory):
    """What the script writes into an empty folder."""
    spec = importlib.util.spec_from_file_location("optics_pictures", PAGE / "pictures.py")
    script = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(script)
    folder = tmp_path_factory.mktemp("pictures")
    script.draw_all(folder)
    return folder


def test_the_script_draws_what_the_page_shows(drawn):
    shown = re.findall(r"!\[[^]]+\]\(([^)]+)\)", (PAGE / "README.md").read_text())
    assert len(shown) == 4
    assert sorted(shown) == sorted(path.name for path in drawn.iterdir())
    assert all((PAGE / name).is_file() for name in shown)


def test_every_picture_is_svg_with_its_words_as_text(drawn):
    svg = "{http://www.w3.org/2000/svg}"
    for path in drawn.iterdir():
        root = ElementTree.parse(path).getroot()
        assert root.tag == f"{svg}svg"
        words = " ".join("".join(text.itertext()) for text in root.iter(f"{svg}text"))
        assert "/ mm" in words


def test_the_staircase_names_the_plateaus_it_should(drawn):
    words = re.findall(r">(\d\d?)</text>", (drawn / "staircase.svg").read_text())
    # an exact trace made independently of this code found these between 170.8 and 210.2 mm
    assert {"26", "32", "38", "44", "50", "56", "62", "6"} <= set(words)
