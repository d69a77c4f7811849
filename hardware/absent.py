"""Parts that are not fitted: they answer like the real ones and say that they are not there."""

from __future__ import annotations

from soakmon.bench.ports import Press, Reading


class NoThermometer:
    """No thermometer: the run is judged with the wider band that this costs."""

    def read(self) -> Reading:
        """No value."""
        return Reading(None, "no thermometer is fitted")

    def close(self) -> None:
        """Nothing to let go of."""


class NoValve:
    """A tap worked by hand: it remembers what was asked of it and moves nothing."""

    def __init__(self) -> None:
        self._open = False

    @property
    def is_open(self) -> bool:
        """Whether the feed was asked to be open."""
        return self._open

    def open(self) -> None:
        """Remember that the tap is to be open."""
        self._open = True

    def shut(self) -> None:
        """Remember that the tap is to be shut."""
        self._open = False

    def close(self) -> None:
        """Remember that the tap is to be shut."""
        self._open = False


class NoPanel:
    """No lamp, buzzer or button."""

    def show(self, *, lamp: bool, buzzer: bool) -> None:
        """Nothing lights up or sounds."""

    def presses(self) -> list[Press]:
        """Nobody can press anything."""
        return []

    def close(self) -> None:
        """Nothing to let go of."""


class NoVapour:
    """No vapour detector."""

    def active(self) -> bool | None:
        """None: not fitted, which is neither well nor alarm."""
        return None

    def close(self) -> None:
        """Nothing to let go of."""
