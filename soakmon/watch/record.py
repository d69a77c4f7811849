"""What has been learnt of a run so far: all that a verdict is made from."""

from __future__ import annotations

from dataclasses import dataclass

from soakmon.watch.budget import Budget
from soakmon.watch.curve import CurveKeeper
from soakmon.watch.evaporation import Evaporation
from soakmon.watch.filling import FillFinder
from soakmon.watch.follow import Follower
from soakmon.watch.mass_log import MassLog
from soakmon.watch.settings import Settings
from soakmon.watch.tally import Tally
from soakmon.watch.verdict import Alarm, Fault
from soakmon.watch.weep import Weep


@dataclass(frozen=True, slots=True)
class RunRecord:
    """Handed out by the decider; verdict, causes, faults, curve and status are functions of it.

    Whoever holds one reads and changes nothing. Its plain values are those of the moment; the
    parts (drops, feed, fill, evaporation, posterior, disturbances) are not copied, and belong to
    the decider: a record is used up before the next rows are pushed.

    alarms: as they were raised; faults: disturbances of the mass; phases: name and beginning.
    start_s, soak_s, last_s, last_row_s, empty_s: first row, begin of the soak, last step, last row,
    and when the bottle ran dry, s, NaN where it has not been. mass_running: the mass is being
    weighed; finished: no more rows will come.
    """

    settings: Settings
    alarms: tuple[Alarm, ...]
    faults: tuple[Fault, ...]
    phases: tuple[tuple[str, float], ...]
    start_s: float
    soak_s: float
    last_s: float
    last_row_s: float
    empty_s: float
    mass_running: bool
    finished: bool
    finder: FillFinder
    evaporation: Evaporation
    follower: Follower
    tally: Tally
    curve: CurveKeeper
    masses: MassLog
    weep: Weep | None

    @property
    def budget(self) -> Budget:
        """The false-alarm budget and its shares."""
        return Budget(self.settings.false_alarm, self.tally.gates)

    @property
    def filled_s(self) -> float:
        """Since when there has been fuel in the rack, s: the fill, or as long as the record."""
        return self.finder.fill.flows_s if self.finder.fill.found else self.start_s

    @property
    def caught_g(self) -> tuple[float, ...]:
        """By gate, what its drops weigh together, g; nothing before the rack was filled."""
        if self.weep is None:
            return ()
        pairs = zip(self.tally.total, self.weep.drop_g, strict=True)
        return tuple(count * drop_g for count, drop_g in pairs)
