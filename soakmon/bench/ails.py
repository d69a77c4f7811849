"""What ails the bench while a soak runs, with what to do: a blind gate, a cell that stands still.

A fault that shows only in the verdict of the morning has cost the night: it is trouble when it is
there, and an alarm once when it takes from the soak what it was begun for.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from soakmon.texts import say
from soakmon.watch.record import RunRecord
from soakmon.watch.rows import Rows
from soakmon.watch.verdict import Alarm

# An insect on a lens goes by itself.
_BLIND_S = 600.0
# From this share of a soak on a gate counts as one that did not work (as the verdict has it).
_HALF = 0.5


@dataclass(frozen=True, slots=True)
class Ail:
    """Trouble that lasts: since when (s of the soak), what, and what to do.

    wakes: it takes from the soak what it was begun for, so somebody is told.
    """

    code: str
    carb: int | None
    since_s: float
    text: str
    todo: str
    wakes: bool

    def alarm(self, t_s: float) -> Alarm:
        """As an alarm of the bench."""
        return Alarm(t_s, "bench", self.carb, None, f"{self.text}; {self.todo}", self.code)


class Ailing:
    """Follows the rows of a soak. gates: how many; soak_s: how long it is to last."""

    def __init__(self, gates: int, soak_s: float) -> None:
        self.soak_s = soak_s
        self.blind_since_s: list[float | None] = [None] * gates
        self.t_s = 0.0

    def take(self, row: Rows) -> None:
        """The next row; a gate that gives no count (NaN) is blind."""
        self.t_s = float(row.t_s[-1])
        for gate, count in enumerate(row.drops[-1].tolist()):
            if not math.isnan(count):
                self.blind_since_s[gate] = None
            elif self.blind_since_s[gate] is None:
                self.blind_since_s[gate] = self.t_s

    @property
    def blind(self) -> list[int]:
        """Carbs whose gates see nothing now."""
        return [gate + 1 for gate, since_s in enumerate(self.blind_since_s) if since_s is not None]

    def now(self, record: RunRecord) -> list[Ail]:
        """What ails the bench now, what costs most first."""
        ails = [*self._cell(record), *self._gates(record)]
        if math.isfinite(record.empty_s):
            text = say("ails.bottle_has_run_dry")
            ails.append(
                Ail("bottle_empty", None, record.empty_s, text, _again(say("ails.fill")), False)
            )
        return ails

    def _cell(self, record: RunRecord) -> list[Ail]:
        follower = record.follower
        if not follower.freeze.reported:
            return []
        since_s = [fault.t_s for fault in follower.faults if fault.kind == "cell_frozen"][-1]
        text = say("ails.load_cell_repeats_same_reading")
        todo = _again(say("ails.check_its_converter_wiring"))
        return [Ail("cell_frozen", None, since_s, text, todo, True)]

    def _gates(self, record: RunRecord) -> list[Ail]:
        ails = []
        for gate, since_s in enumerate(self.blind_since_s):
            if since_s is None or self.t_s - since_s < _BLIND_S:
                continue
            share = record.tally.blank[gate] / max(record.tally.rows_seen, 1)
            blind_s = max(share * self.t_s, self.t_s - since_s)
            mend = say("ails.clean_gate_check_its_wire", gate=gate + 1)
            lost = blind_s > _HALF * self.soak_s
            todo = _again(mend) if lost else say("ails.while_blind_tight_cannot_proven", mend=mend)
            text = say("ails.gate_sees_nothing_its_beam", gate=gate + 1)
            ails.append(Ail("gate_blind", gate + 1, since_s, text, todo, True))
        return ails


def _again(mend: str) -> str:
    return say("ails.start_again_this_soak_cannot", mend=mend)
