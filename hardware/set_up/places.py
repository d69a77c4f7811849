"""Where set-up puts things: every path below a root, so that tests have one of their own."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

SERVICE = "soakmon.service"
SWAP_SERVICE, SWAP_TIMER = "soakmon-swap.service", "soakmon-swap.timer"
USER = GROUP = "soakmon"


@dataclass(frozen=True, slots=True)
class Places:
    """The paths below a root; in use that is /."""

    root: Path = Path("/")

    @property
    def home(self) -> Path:
        """The program: one folder per version, and links to the one in use and the next."""
        return self.root / "opt/soakmon"

    @property
    def versions(self) -> Path:
        """The folder of the versions, a virtual environment each."""
        return self.home / "versions"

    @property
    def current(self) -> Path:
        """The link to the version in use."""
        return self.home / "current"

    @property
    def next(self) -> Path:
        """The link to the version that waits to be swapped in."""
        return self.home / "next"

    @property
    def notes(self) -> Path:
        """What set-up added to the machine, so that it can be taken back."""
        return self.home / "set-up.json"

    @property
    def swap(self) -> Path:
        """How far a swap has come, for the next try after a power cut."""
        return self.home / "swap.json"

    @property
    def data(self) -> Path:
        """The data folder, which service and owner share."""
        return self.root / "var/lib/soakmon"

    @property
    def cache(self) -> Path:
        """What the service keeps to be faster."""
        return self.root / "var/cache/soakmon"

    @property
    def before(self) -> Path:
        """A copy of the databases as they were before a swap."""
        return self.data / "before-swap"

    @property
    def settings(self) -> Path:
        """The folder of bench.toml."""
        return self.root / "etc/soakmon"

    @property
    def bench(self) -> Path:
        """The description of the bench."""
        return self.settings / "bench.toml"

    @property
    def socket(self) -> Path:
        """The control socket of the service."""
        return self.root / "run/soakmon/control.sock"

    @property
    def units(self) -> Path:
        """The folder of the administrator's units."""
        return self.root / "etc/systemd/system"

    @property
    def journal_limits(self) -> Path:
        """How much of the system's log is kept."""
        return self.root / "etc/systemd/journald.conf.d/soakmon.conf"

    @property
    def modules(self) -> Path:
        """Kernel modules to load at every start."""
        return self.root / "etc/modules-load.d/soakmon.conf"

    @property
    def command(self) -> Path:
        """soakmon in everybody's PATH."""
        return self.root / "usr/local/bin/soakmon"

    @property
    def set_up_command(self) -> Path:
        """Set-up itself, for when the clone is gone."""
        return self.root / "usr/local/sbin/soakmon-set-up"

    @property
    def boot_config(self) -> Path | None:
        """The firmware's config.txt; None on a machine that has none."""
        for name in ("boot/firmware/config.txt", "boot/config.txt"):
            if (self.root / name).is_file():
                return self.root / name
        return None
