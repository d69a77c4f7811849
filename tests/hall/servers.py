"""The servers of a hall, real ones from Debian's packages, and what each has cost so far."""

from __future__ import annotations

import os
import pwd
import re
import shutil
import subprocess
import time
import urllib.request
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from tests.reach.broker import Broker, tool
from tests.reach.metrics import Metrics

_TICKS = os.sysconf("SC_CLK_TCK")
_PAGE = os.sysconf("SC_PAGE_SIZE")


@dataclass(frozen=True, slots=True)
class Cost:
    """What a server has used: CPU in s, memory now, bytes taken in and given out, all so far."""

    cpu_s: float
    memory_b: int
    in_b: int
    out_b: int

    def since(self, before: Cost) -> Cost:
        """What came on top; memory as the growth."""
        return Cost(
            self.cpu_s - before.cpu_s,
            self.memory_b - before.memory_b,
            self.in_b - before.in_b,
            self.out_b - before.out_b,
        )

    def without(self, other: Cost) -> Cost:
        """What is left without what something else has cost; memory stays."""
        return replace(self.since(other), memory_b=self.memory_b)


def cpu_s(pid: int) -> float:
    """CPU time of a process and of its children that have ended, s."""
    fields = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()
    return sum(map(int, fields[11:15])) / _TICKS


def memory_b(pid: int) -> int:
    """Memory of a process that is its own."""
    fields = Path(f"/proc/{pid}/statm").read_text(encoding="ascii").split()
    return (int(fields[1]) - int(fields[2])) * _PAGE


def children(pid: int) -> list[int]:
    """Processes that a process has begun and that run."""
    return [int(one) for one in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]


class HallBroker(Broker):
    """Keeps its sessions over a restart, so that who listens to all for the record misses none."""

    def __init__(self, folder: Path) -> None:
        more = (
            "allow_anonymous true\nmax_queued_messages 0\nmax_inflight_messages 0\n"
            f"sys_interval 1\npersistence true\npersistence_location {folder}/\n"
        )
        super().__init__(folder, more)

    def stop(self) -> None:
        """As the system would: it writes down its sessions."""
        self.process.terminate()
        self.process.wait(30)
        self.process = None

    def cost(self) -> Cost:
        pid = self.process.pid
        return Cost(cpu_s(pid), memory_b(pid), self._told("received"), self._told("sent"))

    def _told(self, what: str) -> int:
        command = [tool("mosquitto_sub"), "-h", "127.0.0.1", "-p", str(self.port), "-C", "1"]
        command += ["-W", "10", "-t", f"$SYS/broker/bytes/{what}"]
        found = subprocess.run(command, check=True, capture_output=True, text=True, timeout=15)
        return int(found.stdout)


class HallStore(Metrics):
    """The time series."""

    def _counted(self, name: str) -> int:
        with urllib.request.urlopen(f"{self.url}/metrics", timeout=10) as answer:
            text = answer.read().decode()
        found = re.findall(rf"^{name}(?:{{[^}}]*}})? (\S+)$", text, re.MULTILINE)
        return round(sum(map(float, found)))

    def rows(self) -> int:
        """Samples that it has taken since it was started."""
        return self._counted("vm_rows_inserted_total")

    def cost(self) -> Cost:
        pid = self.process.pid
        came = self._counted("vm_tcplistener_read_bytes_total")
        return Cost(
            cpu_s(pid), memory_b(pid), came, self._counted("vm_tcplistener_written_bytes_total")
        )

    def disk_b(self) -> int:
        """What its data take on disk."""
        return sum(
            one.stat().st_size for one in (self.folder / "series").rglob("*") if one.is_file()
        )


class HallDatabase:
    """PostgreSQL in a folder of its own, with the connections that Debian's default allows."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder / "postgres"
        self.bin = sorted(Path("/usr/lib/postgresql").glob("*/bin"))[-1]
        # The server refuses to run as root.
        user = "nobody" if os.geteuid() == 0 else None
        self.folder.mkdir()
        if user:
            os.chown(self.folder, pwd.getpwnam(user).pw_uid, -1)
        self.user, self.own = user, 0
        self.data = self.folder / "data"
        self.url = f"postgresql://soakmon@/postgres?host={self.folder}"

    def _call(self, *command: Any) -> None:
        subprocess.run(
            [str(one) for one in command], check=True, cwd=self.folder, user=self.user,
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip

    def start(self) -> HallDatabase:
        init = [self.bin / "initdb", "-D", self.data, "-U", "soakmon", "-A", "trust", "-E", "UTF8"]
        self._call(*init, "--no-sync")
        flags = f"-c listen_addresses='' -c unix_socket_directories={self.folder}"
        control = [self.bin / "pg_ctl", "-D", self.data, "-w", "-l", self.folder / "log"]
        self._call(*control, "-o", flags, "start")
        time.sleep(0.5)
        self.own = len(children(self.pid()))
        return self

    def stop(self) -> None:
        self._call(self.bin / "pg_ctl", "-D", self.data, "-w", "-m", "immediate", "stop")
        shutil.rmtree(self.folder)

    def asked(self, question: str) -> str:
        command = [self.bin / "psql", "-h", self.folder, "-U", "soakmon", "-d", "postgres"]
        found = subprocess.run(
            [*map(str, command), "-Atc", question],
            check=True,
            capture_output=True,
            text=True,
            timeout=30,
        )
        return found.stdout.strip()

    def connections(self) -> int:
        """How many clients it has now, by its processes: asking it would cost what is measured."""
        return max(len(children(self.pid())) - self.own, 0)

    def pid(self) -> int:
        return int((self.data / "postmaster.pid").read_text().split()[0])

    def cost(self) -> Cost:
        """in_b: what it has written ahead; out_b: the size of the database."""
        wal = int(self.asked("SELECT pg_current_wal_insert_lsn() - '0/0'"))
        size = int(self.asked("SELECT pg_database_size('postgres')"))
        pid = self.pid()
        used_s = cpu_s(pid) + sum(_left(cpu_s, one) for one in children(pid))
        memory = memory_b(pid) + sum(_left(memory_b, one) for one in children(pid))
        return Cost(used_s, round(memory), wal, size)


def _left(of: Any, pid: int) -> float:
    """Of a process that may have ended since."""
    try:
        return float(of(pid))
    except (OSError, IndexError):
        return 0.0


def wait_until(ready: Any, within_s: float, every_s: float = 0.2) -> bool:
    """Whether it came to pass in time."""
    end_s = time.monotonic() + within_s
    while time.monotonic() < end_s:
        if ready():
            return True
        time.sleep(every_s)
    return bool(ready())
