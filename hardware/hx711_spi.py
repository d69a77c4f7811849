"""The load cell on an HX711 clocked by the SPI peripheral: MOSI is PD_SCK, MISO is DOUT.

SCLK and chip select stay unconnected. At 500 kHz a bit lasts 2 µs (allowed for PD_SCK: 0.2-50 µs,
data sheet), and the pattern 1010... makes a pulse out of two bits. Every byte ends low, so a pause
between bytes never holds the clock high.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Protocol

from hardware.frozen import FreezeFilter
from hardware.hx711_count import BITS, judge
from soakmon.bench.ports import Reading

SPEED_HZ = 500_000
WAIT_S = 0.2
_POLL_S = 0.005
PATTERN = (0xAA,) * 6 + (0x80,)  # 24 pulses and the 25th: channel A at gain 128 again


class Spi(Protocol):
    """What is used of periphery.SPI."""

    max_speed: int
    mode: int

    def transfer(self, values: list[int]) -> list[int]:
        """Send bytes and give back those received meanwhile."""

    def close(self) -> None:
        """Let go of the bus."""


class Hx711SpiCell:
    """An HX711 on the data lines of an SPI bus, opened at the first read."""

    def __init__(
        self,
        open_spi: Callable[[], Spi],
        now_s: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        self._open_spi = open_spi
        self._now_s = now_s
        self._sleep = sleep
        self._spi: Spi | None = None
        self._freeze = FreezeFilter()

    def read(self) -> Reading:
        """The newest conversion in counts; waits for one at most 0.2 s."""
        try:
            spi = self._bus()
            reading = self._wait(spi) or _shift_in(spi)
        except OSError as problem:
            self.close()
            return Reading(None, f"the SPI bus of the converter fails ({problem})")
        return self._freeze.look(reading, self._now_s())

    def close(self) -> None:
        """Let go of the bus."""
        spi, self._spi = self._spi, None
        if spi is not None:
            try:
                spi.close()
            except OSError:
                return

    def _bus(self) -> Spi:
        if self._spi is None:
            spi = self._open_spi()
            spi.max_speed, spi.mode = SPEED_HZ, 0
            self._spi = spi
        return self._spi

    def _wait(self, spi: Spi) -> Reading | None:
        """None once DOUT is low; sending zeros looks at it without a pulse."""
        deadline_s = self._now_s() + WAIT_S
        while spi.transfer([0])[0]:
            if self._now_s() >= deadline_s:
                return Reading(None, f"no conversion within {WAIT_S:g} s: is the converter wired?")
            self._sleep(_POLL_S)
        return None


def _shift_in(spi: Spi) -> Reading:
    received = int.from_bytes(spi.transfer(list(PATTERN)), "big")
    length = 8 * len(PATTERN)
    bits = [received >> (length - 1 - place) & 1 for place in range(length)]
    # DOUT holds a bit from one rising edge to the next: both looks at it must agree.
    pairs = list(zip(bits[0 : 2 * BITS : 2], bits[1 : 2 * BITS : 2], strict=True))
    if any(early != late for early, late in pairs):
        return Reading(None, "bits changed while they were read: noise on the line")
    word = int("".join(str(late) for _, late in pairs), 2)
    count = judge(word)
    if count.value is not None and 0 in bits[2 * BITS :]:
        # After the 25th pulse DOUT is high until the next conversion is ready.
        return Reading(None, "DOUT is low after the read: a clock pulse was lost, or it took long")
    return Reading(None if count.value is None else float(count.value), count.reason)


def spi_bus(bus: int, device: int) -> Callable[[], Spi]:
    """Opens /dev/spidev{bus}.{device}."""

    def open_spi() -> Spi:
        try:
            from periphery import SPI  # noqa: PLC0415 - an extra, only on a Pi
        except ImportError as problem:
            text = "python-periphery is not installed: pip install 'soakmon[pi]'"
            raise OSError(text) from problem
        # Its errors are OSErrors, as the bus's own are.
        spi: Spi = SPI(f"/dev/spidev{bus}.{device}", 0, SPEED_HZ)
        return spi

    return open_spi
