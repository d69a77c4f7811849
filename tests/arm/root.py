"""Makes a Debian root of its own, of any architecture, and runs commands in it.

Debian's packages alone: where debootstrap or the emulator is not installed, its package is fetched
and unpacked beside the root, so that this machine stays as it is. The kernel is told of the
emulator only while it is needed.
"""

from __future__ import annotations

import math
import os
import re
import shutil
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

BINFMT = Path("/proc/sys/fs/binfmt_misc")
NAME = "soakmon-test-aarch64"
# An ELF file of 64 bits, little endian, for the machine 0xB7 (ELF for the Arm 64-bit architecture).
MAGIC = rb"\x7fELF\x02\x01\x01\x00\x00\x00\x00\x00\x00\x00\x00\x00\x02\x00\xb7\x00"
MASK = rb"\xff\xff\xff\xff\xff\xff\xff\x00\xff\xff\xff\xff\xff\xff\xff\xff\xfe\xff\xff\xff"
SUITE = "bookworm"
MIRROR = "http://deb.debian.org/debian"


@dataclass(frozen=True, slots=True)
class Ran:
    """What a command in the root printed, its exit code, and how long it took in s."""

    text: str
    code: int
    took_s: float


class Root:
    """A root at a folder, as root of this machine."""

    def __init__(self, folder: Path, arch: str) -> None:
        self.folder, self.arch = folder, arch

    def make(self, tools: Path) -> None:
        """Make it, unless it is there."""
        if (self.folder / "made").exists():
            return
        if any(os.path.ismount(self.folder / name) for name in ("proc", "dev")):
            raise SystemExit(f"{self.folder}: /proc or /dev is mounted in it: umount them first")
        shutil.rmtree(self.folder, ignore_errors=True)
        program = tool("debootstrap", "usr/sbin/debootstrap", tools)
        subprocess.run(
            [program, f"--arch={self.arch}", "--variant=minbase",
             "--include=ca-certificates,python3,sudo",
             SUITE, self.folder, MIRROR],
            check=True, stdout=subprocess.DEVNULL,
            env=os.environ | {"DEBOOTSTRAP_DIR": str(program.parents[1] / "share/debootstrap")},
        )  # fmt: skip
        for name in ("etc/resolv.conf", "etc/ssl/certs/ca-certificates.crt"):
            shutil.copyfile(Path("/", name), self.folder / name)
        (self.folder / "made").touch()

    def run(self, command: str, *, user: str = "root") -> Ran:
        """Run a line of shell as somebody who has just logged in; it does not raise."""
        began_s = time.monotonic()
        done = subprocess.run(
            self.words(command, user), check=False, stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, errors="replace",
            env=self.env(user),
        )  # fmt: skip
        return Ran(done.stdout.strip(), done.returncode, time.monotonic() - began_s)

    def words(self, command: str, user: str) -> list[str]:
        """A line of shell as a command of this machine."""
        become = [] if user == "root" else [f"--reuid={user}", f"--regid={user}", "--init-groups"]
        return ["chroot", str(self.folder), "setpriv", *become, "sh", "-c", f"cd ~; {command}"]

    def env(self, user: str) -> dict[str, str]:
        """The environment of somebody who has just logged in."""
        kept = ("PIP_CERT", "PIP_INDEX_URL", "PIP_DEFAULT_TIMEOUT", "http_proxy", "https_proxy")
        home = "/root" if user == "root" else f"/home/{user}"
        return {name: os.environ[name] for name in kept if name in os.environ} | {
            "PATH": "/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin",
            "HOME": home, "USER": user, "LANG": "C.UTF-8",
        }  # fmt: skip

    def size_mb(self, name: str) -> float:
        """Disk space of a folder in it."""
        blocks = {
            (found.st_dev, found.st_ino): found.st_blocks
            for path in (self.folder / name).rglob("*")
            for found in [path.lstat()]
        }
        return sum(blocks.values()) * 512 / 1e6

    def process(self, word: str) -> tuple[float, float]:
        """Of its process with this word in the command line: the most memory that it has had in MB,
        and its share of a core in % since it began. The largest counts; nan where there is none.
        """
        found = [(math.nan, math.nan)]
        for process in Path("/proc").glob("[0-9]*"):
            try:
                if (process / "root").readlink() != self.folder:
                    continue
                if word.encode() not in (process / "cmdline").read_bytes():
                    continue
                peak = re.search(r"VmHWM:\s*(\d+)", (process / "status").read_text())
                fields = (process / "stat").read_text().rpartition(")")[2].split()
                up_s = float(Path("/proc/uptime").read_text().split()[0])
            except OSError:
                continue
            ticks = os.sysconf("SC_CLK_TCK")
            busy_s = (int(fields[11]) + int(fields[12])) / ticks
            lived_s = up_s - int(fields[19]) / ticks
            if peak:
                found.append((int(peak[1]) / 1024, 100 * busy_s / lived_s))
        return max(found, key=lambda one: -1 if math.isnan(one[0]) else one[0])

    @contextmanager
    def mounted(self) -> Iterator[None]:
        """With /proc and /dev; /sys stays empty, so that it can be given files."""
        places = [self.folder / name for name in ("proc", "dev")]
        for place in places:
            if not os.path.ismount(place):
                subprocess.run(["mount", "--bind", f"/{place.name}", place], check=True)
        try:
            yield
        finally:
            for place in places:
                subprocess.run(["umount", "--lazy", place], check=False)


def tool(package: str, program: str, tools: Path) -> Path:
    """A program of Debian's, installed or else unpacked into a folder."""
    for place in (Path("/"), tools):
        if (place / program).exists():
            return place / program
    tools.mkdir(parents=True, exist_ok=True)
    subprocess.run(["apt-get", "download", "-q", package], check=True, cwd=tools)
    (fetched,) = tools.glob(f"{package}_*.deb")
    subprocess.run(["dpkg-deb", "-x", fetched, tools], check=True)
    return tools / program


@contextmanager
def emulated(tools: Path) -> Iterator[None]:
    """With a kernel that runs programs for arm64 through the emulator; then as it was."""
    program = tool("qemu-user-static", "usr/bin/qemu-aarch64-static", tools)
    mounted = not (BINFMT / "register").exists()
    if mounted:
        subprocess.run(["mount", "-t", "binfmt_misc", "binfmt_misc", BINFMT], check=True)
    known = [path for path in BINFMT.iterdir() if "aarch64" in path.name]
    if not known:
        # F: opened now, so that it is found from within a root; C: sudo keeps its rights.
        line = b":%b:M::%b:%b:%b:CF" % (NAME.encode(), MAGIC, MASK, bytes(program.resolve()))
        (BINFMT / "register").write_bytes(line)
    try:
        yield
    finally:
        if not known:
            (BINFMT / NAME).write_text("-1", encoding="ascii")
        if mounted:
            subprocess.run(["umount", "--lazy", BINFMT], check=False)
