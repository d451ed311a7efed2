"""Bytes of an ASCII motion controller to values and back, as its dialect says. No I/O."""

from __future__ import annotations

import functools
import math
import operator
import re
from collections.abc import Mapping
from dataclasses import dataclass

from autocell.errors import BadReply, Refused
from autocell_drivers.dialect import FLAGS, NUMBER, Dialect, ErrorReply, Phrase


@dataclass(frozen=True)
class Status:
    """What a controller says of an axis. None: it does not tell."""

    moving: bool
    low_limit: bool = False
    high_limit: bool = False
    fault: bool = False
    referenced: bool | None = None


@dataclass(frozen=True)
class WireUnits:
    """Controller value = ``offset`` + SI position times ``per_si``, with so many decimals.

    A negative ``per_si`` is an axis that the controller counts the other way.
    """

    per_si: float
    offset: float
    decimals: int

    def to_wire(self, position: float) -> str:
        """A position (m or rad) in the controller's digits."""
        return self._digits(self.offset + position * self.per_si)

    def amount_to_wire(self, amount: float) -> str:
        """A distance (m or rad) in the controller's digits."""
        return self._digits(amount * self.per_si)

    def to_si(self, value: float) -> float:
        """A controller value as a position (m or rad)."""
        return (value - self.offset) / self.per_si

    @property
    def resolution(self) -> float:
        """The smallest step that the digits can say, m or rad."""
        return float(10.0**-self.decimals / abs(self.per_si))

    def _digits(self, value: float) -> str:
        text = f"{value:.{self.decimals}f}"
        return text.removeprefix("-") if float(text) == 0.0 else text


class AsciiCodec:
    """Messages of one dialect. Every method is pure; ``bytes`` in never do worse than BadReply."""

    def __init__(self, dialect: Dialect) -> None:
        self._dialect = dialect
        self._ending = dialect.command_ending.encode(dialect.encoding)

    def axis_name(self, channel: int) -> str:
        """What the controller calls an axis."""
        return self._dialect.axis_names.get(channel, str(channel))

    def encode(self, phrase: Phrase, **fields: str) -> bytes:
        """The bytes to send, checksum and ending included."""
        text = _fill(phrase.send, fields).encode(self._dialect.encoding)
        return text + self._checksum(text) + self._ending

    def decode(self, raw: bytes) -> str:
        """The text of a reply whose ending is already off. Raises BadReply."""
        if self._dialect.checksum != "none":
            cut = len(raw) - len(self._checksum(b""))
            text, checksum = raw[: max(cut, 0)], raw[max(cut, 0) :]
            if cut < 0 or checksum.upper() != self._checksum(text):
                raise BadReply(f"{raw!r} fails its {self._dialect.checksum} checksum")
            raw = text
        try:
            return raw.decode(self._dialect.encoding)
        except UnicodeDecodeError as error:
            raise BadReply(f"{raw!r} is not {self._dialect.encoding}") from error

    def match(self, phrase: Phrase, raw: bytes, **fields: str) -> Mapping[str, str]:
        """The named groups of a reply.

        Raises Refused when the controller says no, BadReply when this is no answer to the phrase.
        """
        text = self.decode(raw)
        if self._dialect.error is not None:
            self._check_error(self._dialect.error, text, fields)
        found = re.fullmatch(_pattern(phrase.reply or "", tuple(fields.items())), text)
        if found is None:
            raise BadReply(
                f"{text!r} is no answer to {_fill(phrase.send, fields)!r} in the dialect "
                f"{self._dialect.name}"
            )
        return {name: value for name, value in found.groupdict().items() if value is not None}

    def status(self, raw: bytes, axis: str) -> Status:
        """A status reply."""
        groups = self.match(self._dialect.status, raw, axis=axis)
        bits = self._dialect.status_bits
        flags: dict[str, bool]
        if bits is None:
            flags = {flag: bool(groups.get(flag)) for flag in self._dialect.status_flags()}
        else:
            number = _integer(groups.get("bits", ""), bits.base)
            masks = {flag: getattr(bits, flag) for flag in FLAGS}
            flags = {flag: bool(number & mask) for flag, mask in masks.items() if mask is not None}
        return Status(
            moving=flags["moving"] if "moving" in flags else not flags["in_position"],
            low_limit=flags.get("low_limit", False),
            high_limit=flags.get("high_limit", False),
            fault=flags.get("fault", False),
            referenced=flags.get("referenced"),
        )

    def number(self, groups: Mapping[str, str], name: str) -> float:
        """A finite number in a named group. Raises BadReply."""
        text = groups.get(name, "").strip()
        value = float(text) if re.fullmatch(NUMBER, text, re.ASCII) else math.nan
        if not math.isfinite(value):
            raise BadReply(f"{name} {text!r} is not a finite number")
        return value

    def _check_error(self, error: ErrorReply, text: str, fields: Mapping[str, str]) -> None:
        found = re.fullmatch(_pattern(error.reply, tuple(fields.items())), text)
        if found is None:
            return
        groups = found.groupdict()
        asked, about = fields.get("axis"), groups.get("axis")
        if asked is not None and about != asked and about in self._other_axes(asked):
            raise BadReply(f"{text!r} is about axis {about}, asked was axis {asked}")
        meaning = error.meanings.get(groups.get("code") or "", "")
        told = f"the controller answered {text!r}"
        raise Refused(f"{told}: {meaning}" if meaning else told)

    def _other_axes(self, asked: str) -> set[str]:
        names = set(self._dialect.axis_names.values()) or {str(n) for n in range(1, 100)}
        return names - {asked}

    def _checksum(self, text: bytes) -> bytes:
        if self._dialect.checksum == "none":
            return b""
        if self._dialect.checksum == "xor":
            value = functools.reduce(operator.xor, text, 0)
        else:
            value = sum(text) & 0xFF
        return self._dialect.checksum_separator.encode(self._dialect.encoding) + b"%02X" % value


def _fill(template: str, fields: Mapping[str, str]) -> str:
    for name, value in fields.items():
        template = template.replace(f"{{{name}}}", value)
    return template


@functools.lru_cache(maxsize=512)
def _pattern(template: str, fields: tuple[tuple[str, str], ...]) -> re.Pattern[str]:
    for name, value in fields:
        template = template.replace(f"{{{name}}}", re.escape(value))
    return re.compile(template.replace("{number}", NUMBER), re.ASCII)


def _integer(text: str, base: int) -> int:
    try:
        return int(text, base)
    except ValueError as error:
        raise BadReply(f"status {text!r} is not a number in base {base}") from error
