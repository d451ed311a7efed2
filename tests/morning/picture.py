"""The picture of a morning report in the documentation, of nights that never were.

    python -m tests.morning.picture docs/pictures/morning.png

needs Chromium on the path; with a name that ends in .html it writes the page itself.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
import tempfile
from dataclasses import replace
from pathlib import Path

from PIL import Image

from autocell.bench.file import load, shipped
from autocell.errors import UsageError
from autocell.report.morning.page import render
from autocell.session.mornings import look_back
from tests.morning.conftest import at_seven
from tests.morning.invented import HELSINKI, Story, invented_nights

_SIZE = "1040,2360"


def page() -> str:
    """The morning after thirty nights, with nothing in it that tells where it was made."""
    bench, story = load(shipped("peat-bog-reference")), Story()
    with invented_nights(":memory:", bench, story) as store:
        morning = look_back(store, bench, at_seven(story), HELSINKI)
    described = replace(bench, path=Path("peat-bog-reference.yaml"))
    return render(replace(morning, bench=described, store=Path("runs.sqlite")))


def draw(target: Path) -> None:
    """Write the page, or what Chromium shows of it. Raises UsageError without Chromium."""
    if target.suffix == ".html":
        target.write_text(page(), encoding="utf-8")
        return
    chromium = shutil.which("chromium")
    if chromium is None:
        raise UsageError("there is no chromium on the path; give a name that ends in .html")
    with tempfile.TemporaryDirectory() as folder:
        written = Path(folder) / "page.html"
        written.write_text(page(), encoding="utf-8")
        subprocess.run(
            [
                chromium, "--headless", "--no-sandbox", "--disable-gpu",
                "--disable-background-networking", "--hide-scrollbars",
                f"--window-size={_SIZE}", f"--screenshot={target.absolute()}", written.as_uri(),
            ],
            check=True,
            capture_output=True,
        )  # fmt: skip
    with Image.open(target) as picture:
        few = picture.convert("RGB").quantize(256, method=Image.Quantize.FASTOCTREE)
    few.save(target, optimize=True)


if __name__ == "__main__":
    draw(Path(sys.argv[1]))
