"""The load cell on an HX711 clocked by Python over gpiozero pins: the last resort.

Nothing here is on time by design. The chip powers down when its clock stays high for more than
60 µs, and on a busy Pi a single write may take longer. So every clock-high is timed from before the
rising to after the falling edge, which is never less than it was, and a read with a late clock is
discarded. preflight asks clock_cost_s() whether this machine can do it at all.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

from gpiozero import InputDevice, OutputDevice

from hardware.frozen import FreezeFilter
from hardware.hx711_count import BITS, LONGEST_HIGH_S, PULSES, judge
from hardware.pins import claim, let_go, pin_errors
from soakmon.bench.ports import Reading

WAIT_S = 0.2
LONGEST_READ_S = 0.01
_POLL_S = 0.002
_GAIN = 128


class Hx711PinsCell:
    """An HX711 with DOUT on data_pin and PD_SCK on clock_pin, channel A at gain 128."""

    def __init__(
        self,
        data_pin: int,
        clock_pin: int,
        factory: Any,
        timer_s: Callable[[], float] = time.perf_counter,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        self._timer_s = timer_s
        self._sleep = sleep
        self._freeze = FreezeFilter()
        self._clock = claim(
            "cell.clock_pin",
            clock_pin,
            lambda: OutputDevice(clock_pin, initial_value=False, pin_factory=factory),
        )
        # Pulled up, an unplugged chip reads as never ready, not as what the wire picks up.
        self._data = claim(
            "cell.data_pin",
            data_pin,
            lambda: InputDevice(data_pin, pull_up=True, pin_factory=factory),
        )

    def read(self) -> Reading:
        """The newest conversion in counts; waits for one at most 0.2 s."""
        if self._clock.closed:
            return Reading(None, "closed")
        try:
            reading = self._wait() or self._shift_in()
        except pin_errors() as problem:
            return Reading(None, f"the pins of the converter fail ({problem})")
        return self._freeze.look(reading, self._timer_s())

    def clock_cost_s(self, pulses: int = 200) -> float:
        """The longest clock-high in s that this machine needs, of so many tries.

        Writes the low level that the clock has already: it costs the same calls and moves no bit.
        Above 60 µs (LONGEST_HIGH_S) the chip powers down. Raises what the pin raises.
        """
        longest_s = 0.0
        pin = self._clock.pin
        for _ in range(pulses):
            began_s = self._timer_s()
            pin.state = False
            pin.state = False
            longest_s = max(longest_s, self._timer_s() - began_s)
        return longest_s

    def close(self) -> None:
        """Let go of the pins, clock low so that the chip stays awake."""
        let_go(self._clock, self._data)

    def _wait(self) -> Reading | None:
        """None once a conversion is ready, which the chip says by DOUT low."""
        deadline_s = self._timer_s() + WAIT_S
        while self._data.pin.state:
            if self._timer_s() >= deadline_s:
                return Reading(None, f"no conversion within {WAIT_S:g} s: is the converter wired?")
            self._sleep(_POLL_S)
        return None

    def _shift_in(self) -> Reading:
        # The pins themselves: the devices around them add microseconds to every high.
        clock, data, timer_s = self._clock.pin, self._data.pin, self._timer_s
        word, longest_s = 0, 0.0
        started_s = timer_s()
        for pulse in range(PULSES[_GAIN]):
            began_s = timer_s()
            clock.state = True
            clock.state = False
            longest_s = max(longest_s, timer_s() - began_s)
            if pulse < BITS:
                word = word << 1 | bool(data.state)
        took_s = timer_s() - started_s
        if longest_s <= LONGEST_HIGH_S and took_s > LONGEST_READ_S:
            return Reading(None, f"the read took {1e3 * took_s:.0f} ms: its bits may be of two")
        count = judge(word, longest_s)
        if count.value is not None and not data.state:
            # After the 25th pulse DOUT is high until the next conversion is ready.
            return Reading(
                None, "DOUT is low after the read: a clock pulse was lost, or it took long"
            )
        return Reading(None if count.value is None else float(count.value), count.reason)
