"""The load cell through the kernel's industrial I/O: one file that holds the newest raw count.

The timing of the bits is done in the kernel, so this is the best way in, and one reader for several
converter chips. The kernel's hx711 driver flips the sign bit (drivers/iio/adc/hx711.c: the raw
count is unsigned with half scale at 0x800000); other drivers give signed counts. It waits up to a
second and more for a chip that is silent, so the file is read in a thread of its own.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path

from hardware.frozen import FreezeFilter
from hardware.hx711_count import HIGHEST, LOWEST, judge
from hardware.patient import Patient
from soakmon.bench.ports import Reading

WAIT_S = 0.2
_HALF_SCALE = 0x800000


class IioCell:
    """A converter behind a raw file such as iio:device0/in_voltage0_raw."""

    def __init__(
        self, path: Path, wait_s: float = WAIT_S, now_s: Callable[[], float] = time.monotonic
    ) -> None:
        self.path = path
        self._now_s = now_s
        self._freeze = FreezeFilter()
        self._patient = Patient(self._read_file, wait_s, "load cell")

    def read(self) -> Reading:
        """The newest conversion in counts, signed; waits at most wait_s."""
        return self._freeze.look(self._patient.ask(), self._now_s())

    def close(self) -> None:
        """Let go of the file."""
        self._patient.close()

    def _read_file(self) -> Reading:
        try:
            raw = int(self.path.read_text(encoding="ascii"))
        except FileNotFoundError:
            return Reading(None, f"{self.path} is missing: is the converter's overlay loaded?")
        except PermissionError:
            return Reading(None, f"{self.path} may not be read: check its owner and group")
        except ValueError:
            return Reading(None, f"{self.path} does not hold a count")
        except OSError as problem:
            return Reading(None, f"the converter does not answer ({problem.strerror})")
        return _judged(raw, flipped=self._is_hx711())

    def _is_hx711(self) -> bool:
        """Asked at every read: after an unplugging, another chip may be device 0."""
        try:
            return self.path.with_name("name").read_text(encoding="ascii").strip() == "hx711"
        except (OSError, ValueError):
            return False


def _judged(raw: int, *, flipped: bool) -> Reading:
    if flipped:
        if not 0 <= raw < 2 * _HALF_SCALE:
            return Reading(None, f"count {raw} is beyond 24 bits")
        count = judge(raw ^ _HALF_SCALE)
        return Reading(None if count.value is None else float(count.value), count.reason)
    if not LOWEST < raw < HIGHEST:
        return Reading(None, f"count {raw}: saturated, overload or a broken bridge wire")
    return Reading(float(raw))
