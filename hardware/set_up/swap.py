"""Swaps one version for another: never while a soak is running, and back when it does not come up.

Every step is noted before it is taken, so that whatever a power cut leaves behind is finished at
the next try:

    waiting    built and tried beside; the old one serves. Databases are copied, then trying
    trying     the new one is in use, and has to answer; else going back
    back       the old one is put back with its databases
"""

from __future__ import annotations

import json
import shutil
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path

from hardware.set_up.machine import Machine, SetUpError
from hardware.set_up.places import SERVICE, SWAP_SERVICE, SWAP_TIMER, Places
from hardware.set_up.soak import IDLE, running_soak, status
from hardware.set_up.units import unit_text, write_units
from hardware.set_up.versions import tidy

COMES_UP_WITHIN_S, STAYS_UP_S, LOOK_EVERY_S = 90.0, 10.0, 1.0


@dataclass(frozen=True, slots=True)
class Swap:
    """A swap under way: names of the versions, and its stage."""

    old: str
    new: str
    stage: str = "waiting"
    was_up: bool = True


class Swapper:
    """Carries a swap as far as it goes now. clock_s and sleep: time, for tests."""

    def __init__(
        self,
        machine: Machine,
        places: Places,
        *,
        clock_s: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        self.machine, self.places = machine, places
        self.clock_s, self.sleep = clock_s, sleep

    def begin(self, new: Path) -> int:
        """Swap to a version that is built: now, or at the end of the soak. Gives the exit code."""
        places = self.places
        self._fits(new)
        self.machine.link(places.next, new)
        self._note(Swap(places.current.resolve().name, new.name))
        for name in (SWAP_SERVICE, SWAP_TIMER):
            self.machine.write(places.units / name, unit_text(name))
        self.machine.run("systemctl", "daemon-reload")
        # It also finishes what a power cut interrupts.
        self.machine.run("systemctl", "enable", "--now", SWAP_TIMER)
        return self.go_on()

    def go_on(self) -> int:
        """Go on with a swap, if there is one. Exit code 1: it went back."""
        swap = self._noted()
        if swap is None:
            return 0
        if swap.stage == "waiting":
            why = running_soak(self.places)
            if why:
                self.machine.say(f"{why}: the new version waits for its end, then swaps by itself")
                return 0
            swap = self._put_in(swap)
        if swap.stage == "trying":
            if self._comes_up(swap):
                self._done()
                self.machine.say(f"swapped: {swap.new} is in use")
                return 0
            swap = self._note(Swap(swap.old, swap.new, "back", swap.was_up))
        self._put_back(swap)
        self.machine.say(
            f"{swap.new} did not come up: {swap.old} is back in use, the data as it was"
        )
        return 1

    def _fits(self, new: Path) -> None:
        """Whether a version starts at all, and reads this bench.toml. Raises SetUpError."""
        program = new / "bin/soakmon"
        self.machine.run(program, "--version")
        if self.places.bench.is_file():
            self.machine.run(program, "bench", "check", self.places.bench)

    def _put_in(self, swap: Swap) -> Swap:
        up = self.machine.works("systemctl", "is-active", "--quiet", SERVICE)
        self.machine.run("systemctl", "stop", SERVICE)
        self._copy_databases()
        swap = self._note(Swap(swap.old, swap.new, "trying", up))
        self._use(swap.new)
        return swap

    def _use(self, name: str) -> None:
        """Have a version in use, with its own units, and start it."""
        self.machine.link(self.places.current, self.places.versions / name)
        if name == self.places.next.resolve().name:
            write_units(self.machine, self.places)
        else:
            # Units are those of the program: the old one writes its own.
            python = self.places.current / "bin/python"
            self.machine.run(python, "-P", "-m", "hardware.set_up", "--units")
        self.machine.run("systemctl", "reset-failed", SERVICE)

    def _comes_up(self, swap: Swap) -> bool:
        """Whether the new version serves: answers, and goes on answering for a while."""
        if self.places.current.resolve().name != swap.new:
            self._use(swap.new)  # the power went between the note and the link
        if not swap.was_up:
            return True  # the service was stopped before: there is nothing to come up
        if not self.machine.works("systemctl", "start", SERVICE):
            return False
        until_s = self.clock_s() + COMES_UP_WITHIN_S
        up_since_s: float | None = None
        while self.clock_s() < until_s:
            now_s = self.clock_s()
            answer = status(self.places)
            if answer is None:
                up_since_s = None
            elif answer.get("phase") not in IDLE:
                return True  # somebody has begun a soak on it: it is in use
            elif up_since_s is None:
                up_since_s = now_s
            elif now_s - up_since_s >= STAYS_UP_S:
                return True
            self.sleep(LOOK_EVERY_S)
        return False

    def _put_back(self, swap: Swap) -> None:
        self.machine.works("systemctl", "stop", SERVICE)
        self._restore_databases()
        self._use(swap.old)
        if swap.was_up:
            self.machine.run("systemctl", "start", SERVICE)
        self._done()

    def _copy_databases(self) -> None:
        """Copy the files of the data folder itself: a new version may change their tables.

        Pictures and reports lie in folders below; a version only adds to those.
        """
        before, part = self.places.before, self.places.before.with_suffix(".part")
        for folder in (before, part):
            shutil.rmtree(folder, ignore_errors=True)
        part.mkdir(mode=0o700)
        for path in self.places.data.iterdir():
            if path.is_file() and not path.is_symlink():
                _copy_like(path, part / path.name)
        part.replace(before)

    def _restore_databases(self) -> None:
        before = self.places.before
        if not before.is_dir():
            return
        names = {path.name for path in before.iterdir()}
        for path in self.places.data.glob("*.db*"):
            # A write-ahead file of the new version must not meet the old database.
            if path.is_file() and path.name not in names:
                path.unlink()
        for name in sorted(names):
            part = self.places.data / f"{name}.part"
            _copy_like(before / name, part)
            part.replace(self.places.data / name)

    def _done(self) -> None:
        """The swap is over: forget it, and what is not in use any more."""
        places = self.places
        places.next.unlink(missing_ok=True)
        shutil.rmtree(places.before, ignore_errors=True)
        places.swap.unlink(missing_ok=True)
        tidy(self.machine, places)
        self.machine.works("systemctl", "disable", "--now", SWAP_TIMER)
        self.machine.delete([places.units / SWAP_TIMER, places.units / SWAP_SERVICE])
        self.machine.run("systemctl", "daemon-reload")

    def _note(self, swap: Swap) -> Swap:
        self.machine.write(self.places.swap, json.dumps(asdict(swap)) + "\n", announced=False)
        return swap

    def _noted(self) -> Swap | None:
        if not self.places.swap.is_file():
            return None
        try:
            return Swap(**json.loads(self.places.swap.read_text(encoding="utf-8")))
        except (ValueError, TypeError):
            text = f"{self.places.swap}: cannot be read: delete it, then upgrade again"
            raise SetUpError(text) from None


def _copy_like(source: Path, target: Path) -> None:
    """Copy a file with owner, group and mode."""
    shutil.copyfile(source, target)
    stat = source.stat()
    shutil.chown(target, stat.st_uid, stat.st_gid)
    target.chmod(stat.st_mode & 0o7777)
