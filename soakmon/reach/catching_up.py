"""How fast an outlet goes through what waits after an outage.

Where hundreds of benches share a server, all of them come back at once: if each sent what it has
as fast as it can, the server would be asked for an hour's work in a minute.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from soakmon.records.outbox import Batch

# What was missed in less goes out at once: a batch of the journal; and no less than comes due
# between two of an outlet's steps.
_AT_ONCE_S, _STEP_S = 15.0, 5.0
# A gap between two batches is no readings: what lies in one cannot last longer.
_LONGEST_S = 600.0


class CatchUp:
    """Lets through `times` as many seconds of readings as pass; 0: all. now_s: a clock, in s.

    What is new is let through as it comes: it makes but one second a second.
    """

    def __init__(self, times: float, now_s: Callable[[], float]) -> None:
        self.times, self.now_s = times, now_s
        self.most_s = max(_AT_ONCE_S, times * _STEP_S)
        self.left_s, self.at_s = self.most_s, now_s()

    def allowed(self, batches: Sequence[Batch]) -> int:
        """How many of these, from the first on, may go now; the last may be ahead of its time."""
        if not self.times:
            return len(batches)
        self._fill()
        left_s = self.left_s
        for count, batch in enumerate(batches):
            if left_s <= 0:
                return count
            left_s -= _length_s(batch)
        return len(batches)

    def gone(self, batches: Sequence[Batch]) -> None:
        """These have gone out."""
        self.left_s -= sum(_length_s(batch) for batch in batches)

    def failed(self) -> None:
        """The other side does not answer. When it does, it does for all at once: each then begins
        with its share alone.
        """
        self._fill()
        self.left_s = min(self.left_s, 0.0)

    def _fill(self) -> None:
        now_s = self.now_s()
        self.left_s = min(self.left_s + self.times * (now_s - self.at_s), self.most_s)
        self.at_s = now_s


def _length_s(batch: Batch) -> float:
    """How long its readings took, one spacing before the first included."""
    t_s = batch.rows.t_s
    if len(t_s) < 2:
        return 1.0
    return min(float(t_s[-1] - t_s[0]) * len(t_s) / (len(t_s) - 1), _LONGEST_S)
