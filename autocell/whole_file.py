"""Files that somebody may read at any moment."""

from __future__ import annotations

import os
from pathlib import Path


def put(path: Path, text: str, *, on_disk: bool = False) -> None:
    """Write a text file so that a reader sees the old one or the new one, never half of one; with
    ``on_disk`` it is there, and stays after a power failure, before this ends.

    A link stays a link, and what is no file, such as a pipe, is written into. Raises OSError, after
    which the old file is as it was and nothing else is left.
    """
    path = path.resolve()
    if path.exists() and not path.is_file():
        path.write_text(text, encoding="utf-8")
        return
    beside = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        with beside.open("w", encoding="utf-8") as file:
            file.write(text)
            file.flush()
            if on_disk:
                os.fsync(file.fileno())
        beside.replace(path)
    except BaseException:
        beside.unlink(missing_ok=True)
        raise
