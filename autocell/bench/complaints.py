"""What pydantic found wrong with a bench file, in words a laboratory can act on."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, get_args

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from autocell.bench import schema
from autocell.bench.yaml_tree import Path, at


@dataclass(frozen=True)
class Complaint:
    """One thing that is wrong: the path to the value, and what would be right."""

    path: Path
    text: str


_UNITS = (
    "nm|um|mm|cm|m|in|inch|deg|rad|mrad|urad|arcsec|nw|uw|mw|w|dbm|us|ms|s|min|h|percent|"
    "hz|khz|mhz|ghz"
)
_UNIT = re.compile(rf"(?:_(?:{_UNITS})\d?)?(?:_per_(?:{_UNITS})\d?)?$", re.I)


def schema_complaints(raw: Mapping[str, Any]) -> list[Complaint]:
    """Everything in ``raw`` that the schema does not allow."""
    found = list(model_complaints(schema.BenchFile, raw, (), raw))
    axes = raw.get("axes")
    if isinstance(axes, Mapping):
        for name, section in axes.items():
            if isinstance(section, Mapping):
                model = schema.axis_model(name, section)
                found.extend(model_complaints(model, section, ("axes", name), raw))
    return found


def model_complaints(
    model: type[BaseModel], section: Mapping[str, Any], above: Path, raw: Mapping[str, Any]
) -> Iterator[Complaint]:
    """Everything in ``section``, which stands at ``above`` in ``raw``, that ``model`` forbids."""
    try:
        model.model_validate(section)
    except ValidationError as error:
        details = [detail for detail in error.errors() if not _is_second_branch(detail)]
        unknown = [tuple(d["loc"]) for d in details if d["type"] == "extra_forbidden"]
        meant = {loc: _meant(model, loc, raw, above) for loc in unknown}
        excused = {(*loc[:-1], key) for loc, key in meant.items() if key}
        for detail in details:
            loc = tuple(detail["loc"])
            if detail["type"] == "extra_forbidden":
                known = _known_keys(model, loc[:-1])
                yield Complaint((*above, *loc), _unknown_key(str(loc[-1]), meant[loc], known))
            elif not (detail["type"] == "missing" and loc in excused):
                path = (*above, *_without_branch(loc))
                yield Complaint(path, _wrong_value(path, detail, _known_keys(model, loc[:-1])))


def _is_second_branch(detail: ErrorDetails) -> bool:
    """A channel may be a number or a word; pydantic reports both, one complaint is enough."""
    return "constrained-str" in detail["loc"] or detail["loc"][-1:] == ("str",)


def _without_branch(loc: Path) -> Path:
    return tuple(part for part in loc if part not in ("constrained-int", "int"))


def _known_keys(model: type[BaseModel], loc: Path) -> list[str]:
    for part in loc:
        by_key = {field.alias or name: field for name, field in model.model_fields.items()}
        if part in by_key:
            model = next(_models_in(by_key[str(part)].annotation), model)
    return [field.alias or name for name, field in model.model_fields.items()]


def _models_in(annotation: Any) -> Iterator[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for argument in get_args(annotation):
        yield from _models_in(argument)


def _meant(model: type[BaseModel], loc: Path, raw: Mapping[str, Any], above: Path) -> str | None:
    """The known key that the unknown one at ``loc`` stands for, if one is near and free."""
    siblings = at(raw, (*above, *loc[:-1])) or {}
    free = [key for key in _known_keys(model, loc[:-1]) if key not in siblings]
    return _nearest(str(loc[-1]), free)


def _nearest(key: str, known: Iterable[str]) -> str | None:
    candidates = list(known)
    for candidate in candidates:
        if _stem(candidate) == _stem(key):
            return candidate
    lower = {candidate.lower(): candidate for candidate in candidates}
    close = difflib.get_close_matches(key.lower(), lower, n=1, cutoff=0.7)
    return lower[close[0]] if close else None


def _stem(key: str) -> str:
    return _UNIT.sub("", key).lower()


def _unknown_key(key: str, meant: str | None, known: list[str]) -> str:
    if meant is None:
        already = _nearest(key, known)
        if already:
            return f"unknown key; {already} is the one that counts, and it is there: remove this"
        return f"unknown key; known here: {', '.join(known)}"
    if _stem(meant) != _stem(key):
        return f"unknown key; did you mean {meant}?"
    unit = meant[len(_stem(meant)) :].lstrip("_")
    if key.lower() == meant.lower() or not unit:
        return f"unknown key; write {meant}"
    wrong = key[len(_stem(key)) :].lstrip("_")
    if not wrong:
        return f"the unit is missing; write {meant}, with the value in {_spoken(unit)}"
    return f"wrong unit {_spoken(wrong)}; write {meant}, with the value in {_spoken(unit)}"


def _spoken(unit: str) -> str:
    """``uw`` is written µW, ``mm_per_s2`` mm/s2."""
    spoken = unit.replace("_per_", "/").replace("percent", "%")
    spoken = re.sub(r"w$", "W", re.sub(r"^u(?=m|w|s|rad)", "µ", spoken))
    return re.sub(r"^[mg](?=hz$)", lambda prefix: prefix[0].upper(), spoken).replace("hz", "Hz")


def _missing(path: Path, unknown: Iterable[str]) -> str:
    key = str(path[-1])
    near = _nearest(key, unknown)
    if near:
        return f"missing; is {near} meant to be {key}?"
    if key.startswith("limits"):
        return f"missing; write [low, high]{_in_unit(path)}"
    return "missing; " + _wanted_unit(path, "write it with a value")


def _wrong_value(path: Path, detail: ErrorDetails, known: list[str]) -> str:
    kind, value, context = detail["type"], detail["input"], detail.get("ctx", {})
    shown = _shown(value)
    match kind:
        case "missing":
            return _missing(path, [key for key in detail["input"] if key not in known])
        case "float_type" | "int_type" | "float_parsing" | "int_parsing" | "int_from_float":
            what = "a whole number" if kind.startswith("int") else "a number"
            return f"{shown} is not {what}; " + _wanted_unit(path, f"write {what}, without quotes")
        case "bool_type" | "bool_parsing":
            return f"{shown} is neither true nor false; write true or false"
        case "string_type" | "string_too_short":
            return f"{shown} is not text; write a word or a text in quotes"
        case "finite_number":
            return f"{shown} is not a finite number; " + _wanted_unit(path, "write a number")
        case "greater_than":
            return f"{shown} must be more than {context['gt']:g}"
        case "greater_than_equal":
            return f"{shown} must not be less than {context['ge']:g}"
        case "less_than":
            return f"{shown} must be less than {context['lt']:g}"
        case "literal_error":
            return f"{shown} is not one of {context['expected'].replace(' or ', ', ')}"
        case "too_short" | "too_long" | "list_type":
            if str(path[-1]).startswith("limits"):
                return f"{shown} are no limits; write [low, high]" + _in_unit(path)
            if str(path[-1]).startswith("beam_from_corner"):
                return f"{shown} is no place; write [x, y]" + _in_unit(path)
            return f"{shown} has the wrong length or is no list; write at least one entry"
        case "model_type" | "dict_type" | "model_attributes_type":
            return f"{shown} is not a section; write its keys indented below it"
        case _:
            return f"{shown}: {detail['msg']}"


def _wanted_unit(path: Path, otherwise: str) -> str:
    unit = _in_unit(path)
    if not unit:
        return otherwise
    return f"write a plain number{unit}; the unit is in the key"


def _in_unit(path: Path) -> str:
    key = next((str(part) for part in reversed(path) if isinstance(part, str)), "")
    unit = key[len(_stem(key)) :].lstrip("_")
    return f" in {_spoken(unit)}" if unit else ""


def _shown(value: object) -> str:
    if value is None:
        return "nothing"
    if isinstance(value, Mapping):
        return "a section"
    text = repr(value) if isinstance(value, str) else str(value)
    return text if len(text) <= 60 else text[:57] + "..."
