"""From the raw edges of a button to short and held presses: contacts bounce, fingers do not."""

from __future__ import annotations

from soakmon.bench.ports import Press

BOUNCE_S = 0.03  # common practice for push buttons, no source


class PressReader:
    """Edges in, presses out. A hold is told while the finger is still on the button."""

    def __init__(self, hold_s: float, bounce_s: float = BOUNCE_S) -> None:
        self.hold_s = hold_s
        self.bounce_s = bounce_s
        self._down_s: float | None = None
        self._up_s: float | None = None
        self._announced = False

    def push(self, t_s: float, *, down: bool) -> list[Press]:
        """One edge; the presses that this edge shows to be over."""
        over = self.take(t_s)
        if down:
            if self._down_s is None:
                self._down_s, self._announced = t_s, False
            self._up_s = None
        elif self._down_s is not None and self._up_s is None:
            self._up_s = t_s
        return over

    def take(self, now_s: float) -> list[Press]:
        """Presses that are complete by now_s."""
        if self._down_s is None:
            return []
        end_s = now_s if self._up_s is None else self._up_s
        if not self._announced and end_s - self._down_s >= self.hold_s:
            self._announced = True
            return [*self._release(now_s), Press.HELD]
        return self._release(now_s)

    def _release(self, now_s: float) -> list[Press]:
        """A release counts once the contact has been open for longer than it bounces."""
        if self._down_s is None or self._up_s is None or now_s - self._up_s < self.bounce_s:
            return []
        lasted_s = self._up_s - self._down_s
        self._down_s = self._up_s = None
        if self._announced or lasted_s < self.bounce_s:
            return []  # told already as held, or a blink that no finger can make
        return [Press.SHORT]
