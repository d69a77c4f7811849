"""The flood layer: drop storms and falls of the mass, in rows as they come, and when not to look.

While the rack fills the mass falls anyway, so only storms count then.
"""

from __future__ import annotations

from soakmon.physics.belief import judgement
from soakmon.physics.drops import USUAL_DROP_G
from soakmon.watch.fall import FallWatch
from soakmon.watch.filling import FillFinder
from soakmon.watch.flood import FloodWatch
from soakmon.watch.mass_log import MassLog
from soakmon.watch.phase import Phase
from soakmon.watch.rows import Rows
from soakmon.watch.verdict import Alarm, leak_alarm
from soakmon.watch.weep import Weep

# A flood has ended when the bottle has lost no more than that for so long.
_STANDS_S = judgement(3600.0, "s")
_STANDS_G = judgement(1.0, "g")


class FloodLayer:
    """Both watches for floods. sips_g: what the rack's needles could take together.

    stood_s: when the bottle had last stood for long after a flood; the next one is told anew.
    """

    def __init__(self, sips_g: float) -> None:
        self.sips_g = sips_g
        self.storms: FloodWatch | None = None
        self.falls = FallWatch(sips_g)
        self.last_row_s = float("nan")
        self.stood_s = float("-inf")

    def restart(self) -> None:
        """Forget the drops of the quiet before the fill."""
        self.storms = None

    def go_on_s(self, alarms: list[Alarm]) -> list[float]:
        """When the floods were told that have not ended."""
        told_s = (alarm.t_s for alarm in alarms if alarm.kind == "flood")
        return [t_s for t_s in told_s if t_s >= self.stood_s]

    def look_back(self, alarms: list[Alarm], masses: MassLog, t_s: float) -> None:
        """Note whether the floods have ended: no valve has shut them, and they may come again."""
        since_s, told_s = t_s - _STANDS_S, self.go_on_s(alarms)
        if not told_s or max(told_s) > since_s:
            return
        if abs(masses.loss_g(since_s, t_s)) < _STANDS_G:
            self.stood_s = t_s
            self.falls.restart()
            if self.storms is not None:
                self.storms.alarmed.clear()

    def push(
        self,
        rows: Rows,
        finder: FillFinder,
        weep: Weep | None,
        *,
        flooded: bool,
        hung_g: float = 0.0,
    ) -> list[Alarm]:
        """Floods in these rows; flooded: one is known, so that no fall is looked for; hung_g: what
        somebody may take off the bottle that he hung on it.
        """
        before_s, self.last_row_s = self.last_row_s, float(rows.t_s[-1])
        filling = finder.fills_fast
        if weep is None and not filling:
            return []
        if self.storms is None:
            drop_g = weep.drop_g[0] if weep is not None and weep.drop_g else USUAL_DROP_G
            self.storms = FloodWatch(drop_g, before_s)
        alarms = [
            leak_alarm(storm.t_s, "flood", storm.gate + 1, storm.rate_g_per_h)
            for storm in self.storms.push(rows, filling=filling)
        ]
        t_s = float(rows.t_s[-1])
        full = finder.phase in {Phase.SETTLING, Phase.SOAKING}
        ends = finder.phase == Phase.SETTLING and finder.fill.log.dies_away
        if not full or ends or finder.may_be_filling(t_s):
            self.falls.restart()
        elif not flooded and not alarms:
            alarms += self._falls(rows, finder, t_s, hung_g)
        return alarms

    def _falls(self, rows: Rows, finder: FillFinder, t_s: float, hung_g: float) -> list[Alarm]:
        self.falls.spare_g = max(self.sips_g, finder.fill.spare_g(t_s), hung_g)
        self.falls.rush_g = max(self.sips_g, finder.fill.rush_g(t_s), hung_g)
        fall = self.falls.push(rows)
        return [] if fall is None else [leak_alarm(fall.t_s, "flood", None, fall.rate_g_per_h)]
