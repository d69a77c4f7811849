"""The ways in which the valve must shut, and what the bottle says of each once the bench is back.

A bench that is stopped, killed or without power cannot look itself. So the last reading before is
on disk, and the first one after it tells what ran out meanwhile.
"""

from __future__ import annotations

import json
import os
from dataclasses import asdict, dataclass, replace
from pathlib import Path

from soakmon.commission.flow import SHUTS_WITHIN_S, FlowRates
from soakmon.commission.record import CommissionStep
from soakmon.texts import say

STOPPED, KILLED, POWER = "stopped", "killed", "power"
WAYS = (STOPPED, KILLED, POWER)
# The reading on disk is renewed this often while the trial waits.
LOOKS_EVERY_S = 1.0
# Off for less, an open valve loses too little to be told from a shut one.
LEAST_OFF_S = 20.0
# A bottle that was changed or filled meanwhile tells nothing.
_HEAVIER_G = 2.0
# What has the service go in that way, and come back after half a minute. A service that is killed
# would be back within two seconds: stopped as well, it stays away.
COMMANDS = {
    STOPPED: "sudo sh -c 'systemctl stop soakmon; sleep 30; systemctl start soakmon'",
    KILLED: "sudo sh -c 'systemctl kill -s KILL soakmon; systemctl stop soakmon; sleep 30; "
    "systemctl start soakmon'",
    POWER: "",
}


def name_of(way: str) -> str:
    """In the record's words."""
    return {
        STOPPED: say("valve_ways.stopped"), KILLED: say("valve_ways.killed"),
        POWER: say("valve_ways.power"),
    }[way]  # fmt: skip


@dataclass(frozen=True, slots=True)
class LastLook:
    """The last reading before the bench went, with the feed open; ordered: it was told to stop."""

    way: str
    boot: str
    open_g_per_min: float
    wall_s: float
    mass_g: float
    ordered: bool = False

    def write(self, path: Path) -> None:
        """To the disk itself: the power may go at any moment."""
        part = path.with_name(path.name + ".part")
        with part.open("w", encoding="utf-8") as file:
            json.dump(asdict(self), file)
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)

    @staticmethod
    def read(path: Path) -> LastLook | None:
        """What was written; None where no trial waits."""
        try:
            return LastLook(**json.loads(path.read_text(encoding="utf-8")))
        except (OSError, ValueError, TypeError):
            return None

    def at(self, wall_s: float, mass_g: float) -> LastLook:
        """A later look."""
        return replace(self, wall_s=wall_s, mass_g=mass_g)


def judged(last: LastLook, boot: str, wall_s: float, mass_g: float) -> CommissionStep:
    """What the first reading after it says; a step that was left out is to be tried once more."""
    name, lost_g, off_s = name_of(last.way), last.mass_g - mass_g, wall_s - last.wall_s
    if why := _other_way(last, boot, off_s):
        return CommissionStep(name, None, why)
    if lost_g < -_HEAVIER_G:
        return CommissionStep(name, None, say("valve_ways.heavier"))
    # After a power cut no clock is to be trusted: all is taken as having run in a minute.
    span_s = 60.0 if last.way == POWER else off_s
    flow = lost_while_off(lost_g, span_s, last.open_g_per_min)
    return CommissionStep(name, flow.shuts, flow.text())


def _other_way(last: LastLook, boot: str, off_s: float) -> str:
    """Why the bench did not go in the way that was to be tried, or ""."""
    if last.way == POWER:
        return say("valve_ways.power_stayed") if boot == last.boot else ""
    if boot != last.boot:
        return say("valve_ways.started_anew")
    if last.ordered != (last.way == STOPPED):
        return say("valve_ways.was_stopped" if last.ordered else "valve_ways.was_killed")
    if off_s < LEAST_OFF_S:
        return say("valve_ways.back_too_soon", off_s=f"{max(off_s, 0):.0f}")
    return ""


def lost_while_off(lost_g: float, span_s: float, open_g_per_min: float) -> FlowRates:
    """Rates by what was lost over a span in s in which nobody looked.

    What runs until the valve has shut, and since the last look, is allowed for.
    """
    allowed_s = SHUTS_WITHIN_S + LOOKS_EVERY_S
    late_g = max(lost_g - open_g_per_min * allowed_s / 60, 0.0)
    return FlowRates(open_g_per_min, 60 * late_g / max(span_s - allowed_s, LEAST_OFF_S))
