"""Lamp, buzzer and button on the bench."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from typing import Any

from gpiozero import DigitalInputDevice, OutputDevice

from hardware.pins import claim, let_go, pin_errors
from hardware.presses import PressReader
from soakmon.bench.ports import Press
from soakmon.hardware_config import PanelSection


class PinPanel:
    """Lamp and buzzer on pins that drive them when high, a button between its pin and ground."""

    def __init__(self, section: PanelSection, factory: Any, now_s: Callable[[], float]) -> None:
        self._now_s = now_s
        self._factory = factory
        self._ticks_zero, self._zero_s = factory.ticks(), now_s()
        self._queue: deque[tuple[float, int]] = deque()
        self._reader = PressReader(section.hold_s)
        self._devices: list[Any] = []
        try:
            self._lamp = self._add("panel.lamp_pin", section.lamp_pin, OutputDevice)
            self._buzzer = self._add("panel.buzzer_pin", section.buzzer_pin, OutputDevice)
            self._button = self._add(
                "panel.button_pin",
                section.button_pin,
                DigitalInputDevice,
                pull_up=True,
                bounce_time=None,
            )
        except Exception:  # whatever it was: let go of the pins, then pass it on
            self.close()
            raise
        self._button.pin.when_changed = self._changed

    def _add(self, what: str, pin: int, kind: Any, **options: Any) -> Any:
        device = claim(what, pin, lambda: kind(pin, pin_factory=self._factory, **options))
        self._devices.append(device)
        return device

    def _changed(self, ticks: float, state: int) -> None:
        self._queue.append((ticks, state))

    def show(self, *, lamp: bool, buzzer: bool) -> None:
        """Set lamp and buzzer; a panel that fails must not stop a soak."""
        for device, on in ((self._lamp, lamp), (self._buzzer, buzzer)):
            try:
                device.value = on
            except pin_errors():
                continue

    def presses(self) -> list[Press]:
        """Button presses since the last call."""
        seen: list[Press] = []
        for _ in range(len(self._queue)):
            ticks, state = self._queue.popleft()
            t_s = self._zero_s + self._factory.ticks_diff(ticks, self._ticks_zero)
            seen += self._reader.push(t_s, down=not state)
        return seen + self._reader.take(self._now_s())

    def close(self) -> None:
        """Lamp and buzzer off; let go of the pins."""
        let_go(*self._devices)
