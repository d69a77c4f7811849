"""sudo bash hardware/set-up: installs soakmon, upgrades it, takes it back."""

from __future__ import annotations

import argparse
import fcntl
import os
import shutil
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from hardware.set_up.accounts import (
    install_packages,
    make_accounts,
    make_folders,
    take_accounts_back,
)
from hardware.set_up.boot import set_interfaces, take_interfaces_back
from hardware.set_up.fitness import facts, refuse
from hardware.set_up.machine import Machine, SetUpError
from hardware.set_up.notes import noted
from hardware.set_up.places import GROUP, SWAP_SERVICE, SWAP_TIMER, Places
from hardware.set_up.soak import running_soak
from hardware.set_up.swap import Swapper
from hardware.set_up.units import take_units_back, write_units
from hardware.set_up.versions import EXTRAS_FILE, Source, build, own_source, source_of

DEFAULT_EXTRAS = "all,pi"


def parser() -> argparse.ArgumentParser:
    """The options."""
    arguments = argparse.ArgumentParser(
        prog="set-up",
        description="Set up soakmon on this Raspberry Pi; run it again to put right what changed.",
    )
    what = arguments.add_mutually_exclusive_group()
    what.add_argument(
        "--upgrade", action="store_true", help="install beside, swap when no soak runs"
    )
    what.add_argument("--remove", action="store_true", help="take everything back but the data")
    what.add_argument("--swap", action="store_true", help="go on with an upgrade that waits")
    what.add_argument("--units", action="store_true", help="write units and commands alone")
    arguments.add_argument(
        "--from", dest="source", type=Path, help="a clone or a wheel; else this one"
    )
    arguments.add_argument(
        "--with", dest="extras", help=f"extras, comma between ({DEFAULT_EXTRAS})"
    )
    return arguments


def main(arguments: list[str]) -> int:
    """Exit code 0, 1 for a version that went back, 2 with one line for what does not work."""
    asked = parser().parse_args(arguments)
    machine, places = Machine(), Places()
    if os.geteuid():
        print("set-up: run it as root: sudo bash hardware/set-up", file=sys.stderr)
        return 2
    try:
        if asked.units:  # the old version writes its own while the new one's set-up waits for it
            write_units(machine, places)
            return 0
        with _alone():
            if asked.remove:
                return remove(machine, places)
            if asked.swap:
                return Swapper(machine, places).go_on()
            return install(machine, places, asked)
    except SetUpError as error:
        print(f"set-up: {error}", file=sys.stderr)
        return 2
    except OSError as error:
        print(f"set-up: {error.filename or 'the system'}: {error.strerror}", file=sys.stderr)
        return 2


@contextmanager
def _alone() -> Iterator[None]:
    """One set-up at a time; the timer's waits for the owner's."""
    with Path("/run/soakmon-set-up.lock").open("w", encoding="ascii") as file:
        fcntl.flock(file, fcntl.LOCK_EX)
        yield


def install(machine: Machine, places: Places, asked: argparse.Namespace) -> int:
    """Install, or put right what is not as it should be; with --upgrade swap the version."""
    refuse(facts(places.root))
    path = asked.source or own_source()
    source = None if path is None else source_of(path)
    machine.say("soakmon, set up:")
    places.home.mkdir(parents=True, exist_ok=True)
    install_packages(machine, places)
    owner = os.environ.get("SUDO_USER", "")
    make_accounts(machine, places, owner if owner != "root" else "")
    make_folders(machine, places)
    if asked.upgrade and places.current.exists():
        return _upgrade(machine, places, source, asked.extras)
    _install_program(machine, places, source, asked.extras)
    _write_bench(machine, places)
    write_units(machine, places)
    again = set_interfaces(machine, places)
    machine.say("nothing was to be done" if not machine.changed else "done")
    if again:
        machine.say("start the Pi anew: sudo reboot")
    machine.say("then, with water in the bottle: sudo soakmon commission")
    return 0


def _extras(places: Places, wanted: str | None) -> tuple[str, ...]:
    """Those asked for, else those of the version in use."""
    file = places.current / EXTRAS_FILE
    if wanted is None and file.is_file():
        return tuple(file.read_text(encoding="utf-8").split())
    return tuple(sorted(filter(None, (wanted or DEFAULT_EXTRAS).split(","))))


def _install_program(
    machine: Machine, places: Places, source: Source | None, wanted: str | None
) -> None:
    extras = _extras(places, wanted)
    if source is None:
        if not places.current.exists():
            raise SetUpError("run it from a clone or a wheel: there is nothing to install here")
        return
    folder = places.versions / source.name
    in_use = places.current.resolve()
    if places.current.exists() and in_use != folder:
        machine.say(f"  in use stays {in_use.name}; --upgrade swaps {source.name} in")
        return
    why = running_soak(places)
    if why and places.current.exists() and _extras(places, None) != extras:
        raise SetUpError(f"{why}: other extras must wait for its end")
    machine.link(places.current, build(machine, places, source, extras))


def _upgrade(machine: Machine, places: Places, source: Source | None, wanted: str | None) -> int:
    swapper = Swapper(machine, places)
    if places.swap.exists() and swapper.go_on():
        return 1
    if source is None:
        raise SetUpError("--upgrade needs the new version: run it from its clone, or --from WHEEL")
    if places.current.resolve().name == source.name:
        machine.say(f"{source.name} is in use already")
        return 0
    extras = _extras(places, wanted)
    return swapper.begin(build(machine, places, source, extras))


def _write_bench(machine: Machine, places: Places) -> None:
    """A first bench.toml; one that is there is the owner's."""
    if not places.bench.exists():
        machine.run(places.current / "bin/soakmon", "bench", "init", places.bench)
        machine.did(f"wrote {places.bench}")
    stat = places.bench.stat()
    shutil.chown(places.bench, 0, GROUP)
    if stat.st_mode & 0o7777 != 0o640:
        places.bench.chmod(0o640)


def remove(machine: Machine, places: Places) -> int:
    """Take everything back but the data and bench.toml. Refused while a soak is running."""
    why = running_soak(places)
    if why:
        raise SetUpError(f"{why}: end it first (soakmon end), then remove")
    lists = noted(places.notes)
    machine.say("soakmon, taken back:")
    machine.works("systemctl", "disable", "--now", SWAP_TIMER)
    machine.delete([places.units / SWAP_TIMER, places.units / SWAP_SERVICE])
    take_units_back(machine, places)
    again = take_interfaces_back(machine, places)
    take_accounts_back(machine, places, lists)
    for folder in (places.home, places.cache):
        if folder.exists():
            shutil.rmtree(folder)
            machine.did(f"deleted {folder}")
    machine.say(f"kept, for root alone: {places.data} and {places.settings}")
    if again:
        machine.say("the interfaces stay on until the next start")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
