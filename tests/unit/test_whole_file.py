"""Files are replaced whole, and nothing is left beside them."""

from __future__ import annotations

import os
import threading
from pathlib import Path

import pytest

from autocell.whole_file import put


@pytest.mark.parametrize("on_disk", [False, True])
def test_a_file_is_replaced_and_nothing_else_is_there(tmp_path: Path, on_disk: bool) -> None:
    file = tmp_path / "page.html"
    for text in ("half an hour ago", "now: 62 µm"):
        put(file, text, on_disk=on_disk)
        assert file.read_text("utf-8") == text
    assert list(tmp_path.iterdir()) == [file]


def test_what_cannot_be_written_leaves_the_old_file_and_nothing_beside_it(tmp_path: Path) -> None:
    file = tmp_path / "page.html"
    put(file, "the old one")
    with pytest.raises(UnicodeEncodeError):
        put(file, "no character: \ud800")
    assert file.read_text("utf-8") == "the old one"
    assert list(tmp_path.iterdir()) == [file]


def test_a_link_stays_one(tmp_path: Path) -> None:
    (tmp_path / "there").mkdir()
    file, link = tmp_path / "there" / "page.html", tmp_path / "page.html"
    link.symlink_to(file)
    put(link, "first")
    put(link, "then")
    assert link.is_symlink()
    assert file.read_text("utf-8") == "then"


def test_a_pipe_is_written_into_and_stays_a_pipe(tmp_path: Path) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    read: list[str] = []
    reader = threading.Thread(target=lambda: read.append(pipe.read_text("utf-8")))
    reader.start()
    put(pipe, "for whoever listens")
    reader.join()
    assert read == ["for whoever listens"]
    assert pipe.is_fifo()
