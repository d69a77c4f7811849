"""The bench's clock on Linux.

Durations are timed by CLOCK_BOOTTIME, which never jumps and counts sleep. Whether the wall clock is
right is asked of the kernel: adjtimex() with modes 0 only reads, needs no privilege, and answers
TIME_ERROR (5) or the bit STA_UNSYNC (0x40) until some time service - whichever it is - has set and
disciplined the clock (adjtimex(2)). A Pi without RTC battery starts with the time of its last
shutdown and is unsynchronised by this test until the network or an RTC with a time service has
spoken. Where adjtimex is refused (a seccomp filter), the mark that systemd-timesyncd leaves is
taken; where there is none, the answer is no.
"""

from __future__ import annotations

import ctypes
import time
from collections.abc import Callable
from pathlib import Path

TIMESYNC_MARK = Path("/run/systemd/timesync/synchronized")
_TIME_ERROR, _STA_UNSYNC = 5, 0x40


class _Timex(ctypes.Structure):
    """Head of the kernel's struct timex; the rest is room for what we do not read."""

    _fields_ = [
        ("modes", ctypes.c_uint),
        ("offset", ctypes.c_long),
        ("freq", ctypes.c_long),
        ("maxerror", ctypes.c_long),
        ("esterror", ctypes.c_long),
        ("status", ctypes.c_int),
        ("_rest", ctypes.c_byte * 256),
    ]


def kernel_synchronised() -> bool | None:
    """Whether the kernel holds the clock to be right; None when it cannot be asked."""
    try:
        ask = ctypes.CDLL(None, use_errno=True).adjtimex
    except (OSError, AttributeError):
        return None
    timex = _Timex()
    state = int(ask(ctypes.byref(timex)))
    if state < 0:
        return None
    return state != _TIME_ERROR and not timex.status & _STA_UNSYNC


class LinuxClock:
    """The Clock of a real bench."""

    def __init__(
        self,
        kernel: Callable[[], bool | None] = kernel_synchronised,
        timesync_mark: Path = TIMESYNC_MARK,
    ) -> None:
        self._kernel = kernel
        self._mark = timesync_mark

    def boot_s(self) -> float:
        """Seconds since boot, counting sleep."""
        return time.clock_gettime(time.CLOCK_BOOTTIME)

    def wall_s(self) -> float:
        """Seconds since 1970 as far as the machine knows."""
        return time.time()

    def synchronised(self) -> bool:
        """Whether the wall clock is known to be right."""
        known = self._kernel()
        return self._mark.exists() if known is None else known

    def sleep(self, seconds: float) -> None:
        """Wait."""
        time.sleep(max(seconds, 0.0))
