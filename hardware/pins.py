"""The pin factory, named and never guessed, and the few things that all drivers on pins share.

gpiozero left alone tries one backend after the other, down to whatever answers; a mock in place of
the hardware would say `tight` all night. Here it is lgpio or a clear error.
"""

from __future__ import annotations

import importlib
import sys
from collections.abc import Callable
from functools import cache
from typing import Any

from gpiozero import GPIOZeroError

from soakmon.errors import TroubleError

ADVICE = "run on a Raspberry Pi as a user of group gpio, with pip install 'soakmon[pi]'"


@cache
def lgpio_factory() -> Any:
    """The lgpio pin factory, one per process since it holds the chip. Raises TroubleError."""
    # lgpio has an error class of its own, and its import makes a pipe in the working folder
    # (or in LG_WD): whatever goes wrong here means that there are no pins.
    try:
        return importlib.import_module("gpiozero.pins.lgpio").LGPIOFactory()
    except ImportError as problem:
        raise TroubleError(f"GPIO pins: lgpio is not installed ({problem}): {ADVICE}") from problem
    except Exception as problem:
        raise TroubleError(f"GPIO pins: lgpio finds no pins ({problem}): {ADVICE}") from problem


def pin_errors() -> tuple[type[Exception], ...]:
    """What a pin may raise while it is used: gpiozero's errors, the kernel's and lgpio's own.

    A device that was closed has no pin any more: AttributeError.
    """
    known: tuple[type[Exception], ...] = (GPIOZeroError, OSError, AttributeError)
    # Only asked where lgpio is in use: its import makes a pipe in the working folder.
    lgpio = sys.modules.get("lgpio")
    return known if lgpio is None else (*known, lgpio.error)


def claim(what: str, pin: int, make: Callable[[], Any]) -> Any:
    """The device that make() claims on a pin; TroubleError when the pin cannot be had."""
    try:
        return make()
    except pin_errors() as problem:
        raise TroubleError(
            f"{what}: GPIO {pin} cannot be used ({problem}): see that no other program holds it"
        ) from problem


def let_go(*devices: Any) -> None:
    """Close devices; a pin that fails while it is let go is gone all the same."""
    for device in devices:
        try:
            device.close()
        except pin_errors():
            continue
