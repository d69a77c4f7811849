"""The contact of a vapour detector: closed to ground while all is well, so a cut wire alarms."""

from __future__ import annotations

from typing import Any

from gpiozero import InputDevice

from hardware.pins import claim, let_go, pin_errors


class PinVapour:
    """A contact between a GPIO pin and ground, pulled up by the Pi."""

    def __init__(self, pin: int, factory: Any) -> None:
        self._device = claim(
            "vapour.pin", pin, lambda: InputDevice(pin, pull_up=True, pin_factory=factory)
        )

    def active(self) -> bool | None:
        """True in alarm, when the loop is broken, or when the pin cannot be read."""
        try:
            return bool(self._device.pin.state)
        except pin_errors():
            return True

    def close(self) -> None:
        """Let go of the pin."""
        let_go(self._device)
