"""What a check found of one axis, and what that means in words."""

from __future__ import annotations

from dataclasses import dataclass

from autocell.description import AxisDescription
from autocell.procedures.ending import wrong_way
from autocell.procedures.positioning.figures import Positioning
from autocell.procedures.positioning.light import Seen


@dataclass(frozen=True)
class AxisChecked:
    """What a check found of one axis: as its controller reads, and as the light shows where there
    was any. ``finding`` says in words what that means."""

    axis: AxisDescription
    positioning: Positioning
    light: Seen | None
    cycles: int

    @property
    def read_reversal(self) -> float | None:
        """The mean reversal that the controller reads, m or rad; None when it is no more than the
        axis scatters by."""
        mean = self.positioning.mean_reversal
        return mean if abs(mean) > 3.0 * self.axis.repeatability else None

    @property
    def lost(self) -> float | None:
        """What a reversal loses of the light's way, m or rad: a value of three standard
        uncertainties at least; zero where it is surely less than half of what the bench file
        allows, or than the axis scatters by; None when the light tells neither."""
        if self.light is None:
            return None
        size, axis = abs(self.light.lost), self.axis
        if size > max(3.0 * self.light.u, axis.repeatability):
            return self.light.lost
        negligible = max(0.5 * axis.backlash, 3.0 * axis.repeatability)
        return 0.0 if size + 2.0 * self.light.u < negligible else None

    @property
    def backlash(self) -> float:
        """The most that a reversal may lose by what was measured, m or rad: with twice its standard
        uncertainty by the light, else as it reads. Zero when nothing was seen of it."""
        if self.light is not None and self.lost is not None:
            return abs(self.light.lost) + 2.0 * self.light.u
        return 0.0 if self.read_reversal is None else self.positioning.reversal

    @property
    def compensated(self) -> bool | None:
        """Whether the controller makes up for what a reversal loses, or nothing is lost; None when
        that cannot be told."""
        return None if self.lost is None else self.lost == 0.0

    @property
    def finding(self) -> str:
        """What the figures mean, and what they cannot tell."""
        return f"{self._reversal_in_words()}; {self._sign_in_words()}"

    def _reversal_in_words(self) -> str:
        axis, lost, read = self.axis, self.lost, self.read_reversal
        if self.light is None:
            dark = "there was no light to see more by"
        else:
            dark = (
                "the light changes too little here to show more; at the edge of a plateau it would"
            )
        if lost is not None and lost < 0.0:
            return (
                "the controller makes up for more backlash than there is: by the light "
                f"{_short(axis, lost)} too much at a reversal"
            )
        if lost is None and read is None:
            return f"the position that is read shows no reversal, and {dark}"
        if lost is None:
            return (
                f"the position that is read differs by {_short(axis, read or 0.0)} between both "
                f"sides: its encoder sees the backlash, or the controller counts what it adds to "
                f"make up for it; {dark}"
            )
        most = _short(axis, self.backlash)
        if lost == 0.0 and read is None:
            return (
                f"by the light a reversal loses no more than {most}: there is no backlash, or the "
                "controller makes up for it"
            )
        if lost == 0.0:
            return (
                f"the controller makes up for backlash: it goes {_short(axis, read or 0.0)} "
                f"further after a reversal, and the light loses no more than {most}"
            )
        if read is None:
            return (
                f"a reversal loses {_short(axis, lost)} that the position does not show: the "
                "encoder is before the gear, and the controller does not make up for it"
            )
        return (
            f"a reversal loses {_short(axis, lost)}, and the position that is read shows "
            f"{_short(axis, read)}: the controller sees it and does not make up for it"
        )

    def _sign_in_words(self) -> str:
        agrees = None if self.light is None else self.light.agrees
        if agrees is None:
            return "whether it moves the light the right way is not decided"
        return "it moves the light the right way" if agrees else wrong_way(self.axis)


def _short(axis: AxisDescription, value: float) -> str:
    unit = {"mm": "µm", "mrad": "µrad"}[axis.unit]
    return f"{abs(value) * 1e6:.3g} {unit}"
