"""Every fault by the name that a scenario calls it, and the table of them in docs/faults.md."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping

from autocell_simulators.faults import environment, host, light, mechanics, meter, wire
from autocell_simulators.faults.fault import Fault

GROUPS = (mechanics, light, meter, wire, environment, host)

MET_ON_BENCHES: Mapping[int, str] = {
    1: "10–30 %",
    2: "5–20 %",
    3: "3–10 % of a step, grows as √n",
    4: "0–20 steps",
    5: "2–10 µm, 80–300 µrad",
    6: "1–5 %",
    7: "5–20 µrad, 5–30 min",
    8: "a move with no motion",
    9: "to the limit switch",
    10: "1–500 steps",
    11: "the counter reads 0",
    12: "stall, or travel past the end",
    13: "25–200 µrad, 2–10 µm",
    14: "5–12 µm/K for a base of 0.5 m",
    15: "1–20 µrad/K, part does not return",
    16: "5–20 µrad/K",
    17: "0.2–0.5 K over 10–40 min, 0.5–2 K over a night",
    18: "0.5–5 %",
    19: "1–10 %",
    20: "1–5 % extra noise",
    21: "0.2–2 % peak to peak",
    22: "0.01–1 nW, more with room light",
    23: "20–500 ms dead, 0.1–1 % mismatch",
    24: "above the range",
    25: "5 % to a factor of 5",
    26: "0.5–3 s",
    27: "1e-4–1e-2 of all queries",
    28: "1–60 s",
    29: "0.1–5 %",
    30: "0.01–0.1 % per reflection and month",
    31: "5–80 % for 10–60 min",
    32: "1–100 %, seconds to for ever",
    33: "another plateau",
    34: "a step up",
    35: "a night skipped or doubled, a log that stops",
    36: "replies split between readers",
    37: "0.05–0.3 %",
    38: "waist up to threefold",
}
"""How large each is on real benches: common practice, no source. By the rows of the table."""


def _named(kinds: Iterable[type[Fault]]) -> Iterator[type[Fault]]:
    """Those that have a name of their own, and those below them."""
    for kind in kinds:
        if "name" in vars(kind):
            yield kind
        yield from _named(kind.__subclasses__())


FAULTS: Mapping[str, type[Fault]] = {
    fault.name: fault
    for group in GROUPS
    for fault in _named(Fault.__subclasses__())
    if fault.__module__ == group.__name__
}


def table() -> str:
    """The faults in the order of their rows, as a table in Markdown."""
    lines = ["| Row | Fault | What happens | Keys and usual values | On real benches |",
             "|---|---|---|---|---|"]  # fmt: skip
    for fault in sorted(FAULTS.values(), key=lambda fault: fault.rows):
        says = (fault.__doc__ or "").partition("\n\n")[0].strip().rstrip(".")
        says = " ".join(says.split()).replace("``", "`")
        rows = ", ".join(map(str, fault.rows))
        met = "; ".join(MET_ON_BENCHES[row] for row in fault.rows)
        lines.append(f"| {rows} | `{fault.name}` | {says} | {_keys(fault)} | {met} |")
    return "\n".join(lines) + "\n"


def _keys(fault: type[Fault]) -> str:
    """Each key with its value where a scenario does not say one."""
    found = []
    for key, field in fault.model_fields.items():
        value = "needed" if field.is_required() else _plain(field.default)
        found.append(f"`{key}`: {value}" if value else f"`{key}`")
    if fault.usual:
        chance = ", ".join(f"{kind}: {value:g}" for kind, value in fault.usual.items())
        found.append(f"usually `when: {{{chance}}}`")
    return ", ".join(found) or "none"


def _plain(value: object) -> str:
    match value:
        case None:
            return ""
        case bool():
            return str(value).lower()
        case float():
            return f"{value:g}"
    return str(value)
