"""The lookout's own connection to the broker: since when, how long in all, and what people hear.

Pure: values in, messages out; times are monotonic, in s.
"""

from __future__ import annotations

from collections import deque

from soakmon.reach.rules import Notification
from soakmon.texts import say

_DROPS, _DROPS_WITHIN_S = 5, 600.0


class BrokerLink:
    """Whether we are connected; broker_s: how long it may be gone before somebody hears of it."""

    def __init__(self, broker_s: float, now_s: float) -> None:
        self.broker_s = broker_s
        self.connected = False
        self.changed_s = now_s
        self._before_s = 0.0
        self._gone_sent = self._flapping_sent = False
        self.drops: deque[float] = deque(maxlen=100)

    def watched_s(self, now_s: float) -> float:
        """For how long we have been connected in all."""
        return self._before_s + (now_s - self.changed_s if self.connected else 0.0)

    def change(self, connected: bool, now_s: float) -> bool:
        """The connection came or went; whether that was news."""
        if connected == self.connected:
            return False
        self._before_s = self.watched_s(now_s)
        self.connected, self.changed_s = connected, now_s
        if not connected:
            self.drops.append(now_s)
        return True

    def due(self, now_s: float) -> list[Notification]:
        """What is to be sent of it now."""
        return self._broker(now_s) + self._flapping(now_s)

    def _broker(self, now_s: float) -> list[Notification]:
        gone = not self.connected and now_s - self.changed_s >= self.broker_s
        if gone and not self._gone_sent:
            self._gone_sent = True
            body = say("silence.no_connection_mqtt_broker_nobody")
            return [Notification("broker", say("silence.broker_gone"), body, urgent=True)]
        if self.connected and self._gone_sent:
            self._gone_sent = False
            body = say("silence.benches_are_watched_again")
            return [Notification("broker", say("silence.broker_back"), body, urgent=False)]
        return []

    def _flapping(self, now_s: float) -> list[Notification]:
        while self.drops and now_s - self.drops[0] > _DROPS_WITHIN_S:
            self.drops.popleft()
        count = len(self.drops)
        if count >= _DROPS and not self._flapping_sent:
            self._flapping_sent = True
            drops = duration(now_s - self.drops[0])
            body = say("silence.lookout_lost_mqtt_broker_times", count=count, drops=drops)
            title = say("silence.wire_broker_comes_goes")
            return [Notification("flapping", title, body, urgent=True)]
        if not count and self.connected and self._flapping_sent:
            self._flapping_sent = False
            title = say("silence.wire_broker_steady_again")
            return [Notification("flapping", title, "", urgent=False)]
        return []


def duration(seconds: float) -> str:
    """So long, in words."""
    if seconds < 120:
        return f"{seconds:.0f} s"
    return say("silence.min", seconds=f"{seconds / 60:.0f}")
