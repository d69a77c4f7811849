"""A simulated bench as a process of its own, behind the files of a kernel: soakmon's own drivers
read it. Cell: /sys/bus/iio; thermometer: /sys/bus/w1; pins: files below /run/bench, which the
stand-in for the Pi's pins reads and writes; SOAKMON_TEST_BENCH and SOAKMON_TEST_SYS put them
elsewhere. It lives on while services come and go. What
hangs on the cell is in the file load: "bottle", "bottle jar" (its hose ends in a jar), "empty G"
(the empty bottle and a mass of G).

    python world.py SCENARIO [PACE]
"""

from __future__ import annotations

import os
import sys
import time
from contextlib import suppress
from pathlib import Path

from sim.parts import PacedClock, SimulatedBench
from sim.scenarios import SCENARIOS

BENCH = Path(os.environ.get("SOAKMON_TEST_BENCH", "/run/bench"))
SYSTEM = Path(os.environ.get("SOAKMON_TEST_SYS", "/sys"))
CELL = SYSTEM / "bus/iio/devices/iio:device0"
AIR = SYSTEM / "bus/w1/devices/28-0123456789ab"
COUNTS_PER_G, ZERO = 2000.0, 0.0
JAR_G_PER_MIN = 20.0
GATE_PINS, VALVE_PIN = (17, 27, 22, 23), 24
STEP_S = 0.02


def put(path: Path, text: str) -> None:
    """Write a file that others read at any moment."""
    part = path.with_name(path.name + ".part")
    part.write_text(text, encoding="ascii")
    part.replace(path)


def scratchpad(air_c: float) -> str:
    """What the kernel shows of a DS18B20 (data sheet: sixteenths of a degree, checksum right)."""
    low, high = divmod(round(16 * air_c) & 0xFFFF, 256)[::-1]
    nine = [low, high, 0x4B, 0x46, 0x7F, 0xFF, 0x0C, 0x10]
    crc = 0
    for byte in nine:
        for bit in range(8):
            mixed = (crc ^ byte >> bit) & 1
            crc = crc >> 1 ^ 0x8C if mixed else crc >> 1
    text = " ".join(f"{byte:02x}" for byte in (*nine, crc))
    return f"{text} : crc={crc:02x} YES\n{text} t={round(1000 * air_c)}\n"


def main(scenario: str, pace: float = 1.0) -> None:
    """Run until killed."""
    for folder in (BENCH, CELL, AIR):
        folder.mkdir(parents=True, exist_ok=True)
    BENCH.chmod(0o777)
    put(BENCH / "load", "bottle")
    put(CELL / "name", "hx711\n")
    put(AIR / "name", "28-0123456789ab\n")
    bench = SimulatedBench(SCENARIOS[scenario], PacedClock(pace, time.time()), COUNTS_PER_G, ZERO)
    parts = bench.parts()
    edges = (BENCH / "edges").open("a", encoding="ascii", buffering=1)
    air_due_s = jar_g = 0.0
    now_s = time.monotonic()
    while True:
        # On a busy machine a turn takes longer than its sleep.
        before_s, now_s = now_s, time.monotonic()
        driven = ""
        with suppress(FileNotFoundError):
            driven = (BENCH / f"{VALVE_PIN}").read_text(encoding="ascii")
        load = (BENCH / "load").read_text(encoding="ascii").split()
        into_jar = "jar" in load
        bench.set_feed(driven == "1" and not into_jar)
        if driven == "1" and into_jar:
            jar_g += JAR_G_PER_MIN * (now_s - before_s) / 60
        count = parts.cell.read().value or 0.0
        grams = float(load[1]) if load[0] == "empty" else -jar_g
        if load[0] == "empty":
            grams -= bench.world.bottle_mass_g
        put(CELL / "in_voltage0_raw", f"{round(count + COUNTS_PER_G * grams) ^ 0x800000}\n")
        for edge in parts.gates.edges():
            edges.write(f"{GATE_PINS[edge.gate]} {int(edge.blocked)}\n")
        if time.monotonic() >= air_due_s:
            air_due_s = time.monotonic() + 2.0
            put(AIR / "w1_slave", scratchpad(parts.thermometer.read().value or 0.0))
            put(AIR / "temperature", f"{round(1000 * (parts.thermometer.read().value or 0))}\n")
        time.sleep(STEP_S)


if __name__ == "__main__":
    main(sys.argv[1], *(float(word) for word in sys.argv[2:]))
