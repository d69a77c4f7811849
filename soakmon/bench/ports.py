"""The ports of a bench: what the service asks of the world. `hardware` and `sim` implement them.

Every call returns at once or within the time it names; no call raises for a sensor that is broken,
missing or silent: it returns a reading without a value and with the reason.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from typing import Protocol, runtime_checkable


@dataclass(frozen=True, slots=True)
class Reading:
    """A sensor reading: its value, or None with the reason why there is none."""

    value: float | None
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Edge:
    """A raw change of a drop gate's beam: gate from 0, monotonic time in s, blocked or free."""

    gate: int
    t_s: float
    blocked: bool


class LoadCell(Protocol):
    """A bridge converter. Readings are raw counts; the bench's calibration turns them to grams."""

    def read(self) -> Reading:
        """The newest conversion in counts; waits for one at most 0.2 s."""

    def close(self) -> None:
        """Let go of the hardware."""


@runtime_checkable
class ClockedCell(Protocol):
    """A load cell whose converter this machine must clock itself."""

    def clock_cost_s(self) -> float:
        """The longest clock-high in s that this machine needs."""


class DropGates(Protocol):
    """The optical gates under the bowls."""

    @property
    def count(self) -> int:
        """Number of gates."""

    def edges(self) -> list[Edge]:
        """Raw edges since the last call, oldest first."""

    def blocked(self) -> tuple[bool | None, ...]:
        """Whether each beam is blocked now; None where that cannot be known."""

    def close(self) -> None:
        """Let go of the hardware."""


class Thermometer(Protocol):
    """A thermometer in °C; a read may take a second, so it has a thread of its own."""

    def read(self) -> Reading:
        """Temperature in °C."""

    def close(self) -> None:
        """Let go of the hardware."""


class Valve(Protocol):
    """The normally closed feed valve: without power it is shut."""

    @property
    def is_open(self) -> bool:
        """Whether it is driven open, read back where that can be done; at once."""

    def open(self) -> None:
        """Energise the valve."""

    def shut(self) -> None:
        """Take the power from the valve; safe to call at any time, from any thread."""

    def close(self) -> None:
        """Shut and let go of the hardware."""


class Press(StrEnum):
    """What a person did with the bench's button."""

    SHORT = "short"
    HELD = "held"


class Panel(Protocol):
    """Buzzer, lamp and button on the bench."""

    def show(self, *, lamp: bool, buzzer: bool) -> None:
        """Set lamp and buzzer."""

    def presses(self) -> list[Press]:
        """Button presses since the last call: short acknowledges, held ends the soak."""

    def close(self) -> None:
        """Let go of the hardware."""


class VapourContact(Protocol):
    """The alarm contact of a vapour detector."""

    def active(self) -> bool | None:
        """True in alarm or when the loop is broken; None when none is fitted."""

    def close(self) -> None:
        """Let go of the hardware."""


class Clock(Protocol):
    """Time: one that never jumps for durations, one for people."""

    def boot_s(self) -> float:
        """Seconds since boot, counting sleep; never jumps."""

    def wall_s(self) -> float:
        """Seconds since 1970 as far as the machine knows; may jump."""

    def synchronised(self) -> bool:
        """Whether the wall clock is known to be right."""

    def sleep(self, seconds: float) -> None:
        """Wait."""


@dataclass(frozen=True, slots=True)
class BenchParts:
    """All parts of a bench, built in one place and handed to the service.

    supply: what is wrong with the machine's supply and cooling now, in words.
    """

    cell: LoadCell
    gates: DropGates
    thermometer: Thermometer
    valve: Valve
    panel: Panel
    vapour: VapourContact
    clock: Clock
    supply: Callable[[], list[str]] = list

    def close(self) -> None:
        """Shut the valve, then let go of everything."""
        for part in (self.valve, self.panel, self.vapour, self.gates, self.thermometer, self.cell):
            part.close()
