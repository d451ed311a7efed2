"""Set a two-mirror multipass cell to a wanted number of passes, prove it, keep it there.

What is listed in ``__all__`` is for an experiment's own code; it is imported when it is used.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from autocell.outcome import Outcome, Verdict
    from autocell.session.api import OwnedBench, change_passes, open_bench, recover

__version__ = "0.1.0"

__all__ = [
    "Outcome",
    "OwnedBench",
    "Verdict",
    "__version__",
    "change_passes",
    "open_bench",
    "recover",
]

_FOUND_IN = {
    "Outcome": "autocell.outcome",
    "Verdict": "autocell.outcome",
    "OwnedBench": "autocell.session.api",
    "change_passes": "autocell.session.api",
    "open_bench": "autocell.session.api",
    "recover": "autocell.session.api",
}


def __getattr__(name: str) -> Any:
    if name not in _FOUND_IN:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from importlib import import_module

    return getattr(import_module(_FOUND_IN[name]), name)


def __dir__() -> list[str]:
    return sorted({*globals(), *_FOUND_IN})
