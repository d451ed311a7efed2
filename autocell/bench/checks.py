"""What it takes several values of a bench file to judge, before anything is opened.

The checks read the plain values, in the units of the file, and pass over what is missing or no
number: the schema has complained about that already, and one typing error must not hide another.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from itertools import combinations
from typing import Any

import numpy as np
from pydantic import ValidationError

from autocell.bench import schema
from autocell.bench.complaints import Complaint
from autocell.bench.mounts import Effect, effect_of
from autocell.bench.yaml_tree import Path, at
from autocell.optics.absorption import SPEED_OF_LIGHT_M_PER_S

_INSTRUMENTS = ("power_meter", "delay_meter", "reference_meter", "thermometer", "shutter")
"""Sections beside the axes that name a device."""

_SPOKEN = {"um": "µm", "urad": "µrad"}

CAUTION_CLASSES = ("3R", "3B", "4")
"""Classes of IEC 60825-1 whose direct beam can injure an eye."""


def semantic_complaints(raw: Mapping[str, Any]) -> list[Complaint]:
    """Everything in ``raw`` that contradicts itself, the physics or plain caution."""
    return [complaint for check in _CHECKS for complaint in check(raw)]


def _laser_caution(raw: Mapping[str, Any]) -> Iterator[Complaint]:
    laser_class = str(at(raw, ("laser", "class")))
    if laser_class in CAUTION_CLASSES and at(raw, ("laser", "caution_acknowledged")) is not True:
        yield Complaint(
            ("laser", "class"),
            f"laser class {laser_class} (IEC 60825-1) can injure eyes: read 'Cautions' in the "
            "README, follow your local rules, and ask your laser safety officer, who decides; "
            "then write caution_acknowledged: true",
        )


def _holes_in_apertures(raw: Mapping[str, Any]) -> Iterator[Complaint]:
    for name, key in (
        ("entrance_mirror", "hole"),
        ("entrance_mirror", "exit_hole"),
        ("far_mirror", "hole"),
    ):
        mirror: Path = ("cell", name)
        hole = _round_hole(raw, *mirror, key)
        aperture = _number(raw, *mirror, "clear_aperture_mm")
        if hole is None or aperture is None:
            continue
        x, y, diameter = hole
        centre, room = math.hypot(x, y), aperture / 2 - diameter / 2
        if centre > room:
            where = "outside" if centre - diameter / 2 >= aperture / 2 else "cut by the edge of"
            right = f"at most {room:g} mm from it" if room > 0 else "smaller than the aperture"
            yield Complaint(
                (*mirror, key),
                f"the hole is {where} the clear aperture: its centre is {centre:g} mm from the "
                f"mirror's centre and must be {right} ({aperture:g} mm aperture, {diameter:g} mm "
                "hole)",
            )


def _exit_hole_is_another(raw: Mapping[str, Any]) -> Iterator[Complaint]:
    place: Path = ("cell", "entrance_mirror", "exit_hole")
    one = _round_hole(raw, "cell", "entrance_mirror", "hole")
    other = _round_hole(raw, *place)
    if other is not None and at(raw, ("cell", "exit_mirror")) == "far":
        yield Complaint(
            place,
            "a way out of the entrance mirror, and exit_mirror says that the light leaves through "
            "the far one; leave out one of them",
        )
    if one is None or other is None:
        return
    apart, least = math.hypot(one[0] - other[0], one[1] - other[1]), 0.5 * (one[2] + other[2])
    if apart <= least:
        yield Complaint(
            place,
            f"this hole and the entrance hole touch: their centres are {apart:g} mm apart and "
            f"must be more than {least:g} mm; where the light leaves as it came, leave exit_hole "
            "out",
        )


def _exit_has_a_hole(raw: Mapping[str, Any]) -> Iterator[Complaint]:
    if (
        at(raw, ("cell", "exit_mirror")) == "far"
        and at(raw, ("cell", "far_mirror", "hole")) is None
    ):
        yield Complaint(
            ("cell", "exit_mirror"),
            "the far mirror has no hole to leave by; write its hole below far_mirror, or "
            "exit_mirror: entrance",
        )


def _detector_faces_something(raw: Mapping[str, Any]) -> Iterator[Complaint]:
    acceptance = _number(raw, "detector", "acceptance_mrad")
    slopes = [_number(raw, "detector", f"slope_{axis}_mrad") for axis in "xy"]
    if acceptance is not None and _number(raw, "detector", "distance_mm") == 0 and None in slopes:
        yield Complaint(
            ("detector", "acceptance_mrad"),
            "a detector at no distance faces no hole, so nothing says which directions it accepts; "
            "write its distance, or slope_x_mrad and slope_y_mrad of the light that it faces",
        )


def _limits(raw: Mapping[str, Any]) -> Iterator[Complaint]:
    for name, axis in _axes(raw).items():
        for unit in ("mm", "mrad"):
            path: Path = ("axes", name, f"limits_{unit}")
            limits = _pair(raw, path)
            if limits is None:
                continue
            low, high = limits
            if low == high:
                yield Complaint(path, f"the limits are equal, both {low:g} {unit}; write the low "
                                      "and the high end of the travel")  # fmt: skip
            elif low > high:
                yield Complaint(path, f"the limits are swapped; write [{high:g}, {low:g}]")
            else:
                backlash = _value(axis.get(f"backlash_{unit}"))
                if backlash is not None and 2 * backlash >= high - low:
                    yield Complaint(
                        ("axes", name, f"backlash_{unit}"),
                        f"a backlash of {backlash:g} {unit} leaves no travel between the limits "
                        f"{low:g} and {high:g} {unit}",
                    )


def _steps(raw: Mapping[str, Any]) -> Iterator[Complaint]:
    """An axis that goes by whole steps stops up to half a step beside any target."""
    for name in _axes(raw):
        for unit, small in (("mm", "um"), ("mrad", "urad")):
            place: Path = ("axes", name, "open_loop", f"step_{small}")
            step = _number(raw, *place)
            repeats = _number(raw, "axes", name, f"repeatability_{unit}")
            if step is not None and repeats is not None and 2e3 * repeats < step:
                yield Complaint(
                    place,
                    f"a step of {step:g} {_SPOKEN[small]} is too coarse for a repeatability of "
                    f"{repeats:g} {unit}: the axis stops up to half a step beside its target; "
                    f"write a repeatability_{unit} of at least {step / 2e3:g}",
                )


def _zeroing(raw: Mapping[str, Any]) -> Iterator[Complaint]:
    if at(raw, ("power_meter", "zeroing")) is not None and at(raw, ("shutter",)) is None:
        yield Complaint(
            ("power_meter", "zeroing"),
            "a meter is zeroed in the dark, and there is no shutter to make it dark; take the key "
            "out, or describe the shutter",
        )


def _spacing(raw: Mapping[str, Any]) -> Iterator[Complaint]:
    if isinstance(raw.get("axes"), Mapping) and "spacing" not in raw["axes"]:
        yield Complaint(
            ("axes",),
            "there is no spacing axis; the axis that moves a mirror is called spacing and has "
            "spacing_at_zero_mm",
        )
    zero = _number(raw, "axes", "spacing", "spacing_at_zero_mm")
    limits = _pair(raw, ("axes", "spacing", "limits_mm"))
    if zero is None or limits is None or limits[0] >= limits[1]:
        return
    low, high = zero + limits[0], zero + limits[1]
    gap = _number(raw, "cell", "minimum_gap_mm")
    if gap is not None and gap >= high:
        yield Complaint(
            ("cell", "minimum_gap_mm"),
            f"the minimum gap of {gap:g} mm is not below the reach of the spacing axis, "
            f"{low:g} to {high:g} mm; write a gap below {high:g}",
        )
    elif gap is not None:
        low = max(low, gap)
    yield from _stability(raw, low, high)


def _stability(raw: Mapping[str, Any], low: float, high: float) -> Iterator[Complaint]:
    """0 ≤ g1 g2 ≤ 1 (Kogelnik & Li, Appl. Opt. 5, 1550 (1966)): between the smaller and the
    larger radius, and from their sum on, no beam stays in the cell."""
    reach = f"the spacing axis reaches {low:g} to {high:g} mm"
    told = set()
    for key in ("radius_mm", "radius_y_mm"):  # the second only of toroidal mirrors
        radii = [
            _number(raw, "cell", name, key) or _number(raw, "cell", name, "radius_mm")
            for name in ("entrance_mirror", "far_mirror")
        ]
        if radii[0] is None or radii[1] is None or min(radii[0], radii[1]) <= 0:
            continue
        small, large = sorted((radii[0], radii[1]))
        if (small, large) in told:
            continue
        told.add((small, large))
        if high >= small + large:
            yield Complaint(
                ("axes", "spacing", "limits_mm"),
                f"the cell is unstable where the spacing is not below the sum of the radii, "
                f"{small + large:g} mm, and {reach}; keep the spacing below that",
            )
        if max(low, small) < min(high, large):
            yield Complaint(
                ("axes", "spacing", "limits_mm"),
                f"the cell is unstable between the two radii, {small:g} to {large:g} mm, and "
                f"{reach}; keep the spacing on one side of that",
            )


def _devices_exist(raw: Mapping[str, Any]) -> Iterator[Complaint]:
    devices = raw.get("devices")
    if not isinstance(devices, Mapping):
        return
    users: list[Path] = [("axes", name) for name in _axes(raw)]
    users += [(name,) for name in _INSTRUMENTS]
    for user in users:
        device = at(raw, (*user, "device"))
        if isinstance(device, str) and device not in devices:
            yield Complaint(
                (*user, "device"),
                f"there is no device {device!r}; known: {', '.join(map(str, devices))}",
            )


def _channels_differ(raw: Mapping[str, Any]) -> Iterator[Complaint]:
    taken: dict[tuple[str, str], str] = {}
    for name, axis in _axes(raw).items():
        if "device" not in axis or "channel" not in axis:
            continue
        key = (str(axis["device"]), str(axis["channel"]))
        if key in taken:
            yield Complaint(
                ("axes", name, "channel"),
                f"channel {key[1]} of {key[0]} already drives the axis {taken[key]}",
            )
        taken.setdefault(key, name)


def _effects(raw: Mapping[str, Any]) -> Iterator[Complaint]:
    effects: dict[str, Effect] = {}
    places: dict[str, Path] = {}
    for name, axis in _axes(raw).items():
        model = schema.axis_model(name, axis)
        if issubclass(model, schema.SpacingAxis):
            continue
        given = [key for key in model.described_by if axis.get(key) is not None]
        if len(given) != 1:
            yield Complaint(
                ("axes", name),
                "say what this axis does to the input beam by one of "
                f"{', '.join(model.described_by)}; there is {' and '.join(given) or 'none'}",
            )
            continue
        places[name] = ("axes", name, given[0])
        if given == ["adjuster"]:
            yield from _adjuster(name, axis["adjuster"])
        try:
            effects[name] = effect_of(model.model_validate(axis))
        except ValidationError:
            continue  # the schema has said what is wrong
    still = [name for name, effect in effects.items() if not any(effect)]
    for name in still:
        yield Complaint(places[name], "this axis moves nothing; say what it moves")
        del effects[name]
    pairs = [
        (one, other)
        for one, other in combinations(effects, 2)
        if np.linalg.matrix_rank(np.array([effects[one], effects[other]])) < 2
    ]
    for one, other in pairs:
        yield Complaint(
            places[other],
            f"{other} does the same as {one}, so no setting says where either should be; "
            "correct one of them, or leave one out",
        )
    if not pairs and effects:
        rank = np.linalg.matrix_rank(np.array(list(effects.values())))
        if rank < len(effects):
            yield Complaint(
                ("axes",),
                f"the {len(effects)} input axes {', '.join(effects)} have only {rank} independent "
                "effects, so no setting says where they should be; leave one out",
            )


def _adjuster(name: str, adjuster: object) -> Iterator[Complaint]:
    """Keys that would be passed over in silence."""
    if not isinstance(adjuster, Mapping):
        return
    path: Path = ("axes", name, "adjuster")
    if "yaw_lever_arm_mm" in adjuster and adjuster.get("turns") != "corner":
        yield Complaint(
            (*path, "yaw_lever_arm_mm"),
            "only a corner adjuster has a second lever arm; write lever_arm_mm alone",
        )
    if "incidence_deg" in adjuster and adjuster.get("carries") != "mirror":
        yield Complaint(
            (*path, "incidence_deg"),
            "a collimator sends the light and has no incidence; write carries: mirror, or leave "
            "this out",
        )


def _delay_tells_passes_apart(raw: Mapping[str, Any]) -> Iterator[Complaint]:
    """φ = 2π f ΔL / c: two passes more must turn the phase by more than is uncertain of it."""
    modulation, noise, systematic, gap = (
        _number(raw, *path)
        for path in (
            ("delay_meter", "modulation_mhz"),
            ("delay_meter", "noise_mrad"),
            ("delay_meter", "systematic_mrad"),
            ("cell", "minimum_gap_mm"),
        )
    )
    if modulation is None or noise is None or systematic is None or gap is None:
        return
    turn = 2e3 * math.pi * (modulation * 1e6) * (2 * gap * 1e-3) / SPEED_OF_LIGHT_M_PER_S
    doubt = 3 * math.hypot(noise, systematic)
    if 0 < turn < doubt:
        yield Complaint(
            ("delay_meter", "modulation_mhz"),
            f"two passes more turn the phase by {turn:.3g} mrad at {modulation:g} MHz, and its "
            f"uncertainty (three standard deviations, {doubt:.3g} mrad) hides that; write at least "
            f"{modulation * doubt / turn:.3g} MHz, or leave the delay meter out",
        )


def _round_hole(raw: Mapping[str, Any], *path: str | int) -> tuple[float, float, float] | None:
    """Centre and diameter of a hole, mm; None where one of them is missing or wrong."""
    x, y, diameter = (_number(raw, *path, key) for key in ("x_mm", "y_mm", "diameter_mm"))
    return None if x is None or y is None or diameter is None else (x, y, diameter)


def _axes(raw: Mapping[str, Any]) -> dict[str, Mapping[str, Any]]:
    axes = raw.get("axes")
    if not isinstance(axes, Mapping):
        return {}
    return {str(name): axis for name, axis in axes.items() if isinstance(axis, Mapping)}


def _number(raw: Mapping[str, Any], *path: str | int) -> float | None:
    return _value(at(raw, path))


def _value(value: object) -> float | None:
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    return float(value) if math.isfinite(value) else None


def _pair(raw: Mapping[str, Any], path: Path) -> tuple[float, float] | None:
    limits = at(raw, path)
    if not isinstance(limits, list) or len(limits) != 2:
        return None
    low, high = _value(limits[0]), _value(limits[1])
    return None if low is None or high is None else (low, high)


_CHECKS: tuple[Callable[[Mapping[str, Any]], Iterator[Complaint]], ...] = (
    _laser_caution,
    _holes_in_apertures,
    _exit_hole_is_another,
    _exit_has_a_hole,
    _detector_faces_something,
    _limits,
    _steps,
    _zeroing,
    _spacing,
    _devices_exist,
    _channels_differ,
    _effects,
    _delay_tells_passes_apart,
)
