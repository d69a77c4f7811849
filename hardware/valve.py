"""The feed valve, normally closed: it is open only while its pin is driven."""

from __future__ import annotations

import logging
import threading
from typing import Any

from gpiozero import OutputDevice

from hardware.pins import claim, let_go, pin_errors

_log = logging.getLogger(__name__)


class PinValve:
    """The valve's switch (a logic-level transistor or a solid-state switch) on a GPIO pin."""

    def __init__(self, pin: int, factory: Any, *, active_high: bool = True) -> None:
        # Reentrant: a signal handler may shut the valve in the very thread that is opening it.
        self._lock = threading.RLock()
        self._open = False
        self._closed = False
        self._device = claim(
            "valve.pin",
            pin,
            lambda: OutputDevice(
                pin, active_high=active_high, initial_value=False, pin_factory=factory
            ),
        )

    @property
    def is_open(self) -> bool:
        """Whether its pin is driven, as the pin itself says; as commanded where it says nothing."""
        with self._lock:
            if self._closed:
                return False
            try:
                return bool(self._device.value)
            except pin_errors():
                return self._open

    def open(self) -> None:
        """Energise the valve; does nothing once let go of. Raises what the pin raises."""
        with self._lock:
            if not self._closed:
                # Said before it is done: a half-done opening counts as open, and is shut again.
                self._open = True
                self._device.on()

    def shut(self) -> None:
        """Take the power from the valve; at any time, from any thread, as often as you like."""
        with self._lock:
            self._open = False
            if self._closed:
                return
            try:
                self._device.off()
            except pin_errors():
                # As an input the pin is held by the switch's own resistor, which keeps it off.
                _log.exception("the valve's pin cannot be switched off: letting go of it")
                self._closed = True
                let_go(self._device)

    def close(self) -> None:
        """Shut and let go of the pin."""
        with self._lock:
            self.shut()
            self._closed = True
            let_go(self._device)
