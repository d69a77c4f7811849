"""What a new user does, step by step, in a root: install, first soak, upgrades, removal."""

from __future__ import annotations

import json
import re
import shutil
import socket
import subprocess
import time
from collections.abc import Callable
from pathlib import Path

from tests.arm.hands import Hands, converse
from tests.arm.root import Ran, Root

OWNER = "owner"
HERE = Path(__file__).parent
SITE = "opt/soakmon/current/lib/python3*/site-packages"


class Trial:
    """The steps; figures: what was measured. Every command is printed with its time."""

    def __init__(self, root: Root, clone: Path, soak_min: float) -> None:
        self.root, self.clone, self.soak_min = root, clone, soak_min
        self.figures: dict[str, float] = {}
        self.failed: list[str] = []
        self.world: subprocess.Popen[bytes] | None = None
        self.soak_number: object = None

    def all(self) -> bool:
        """Run every step; whether all went well."""
        steps: list[Callable[[], None]] = [
            self.prepare, self.install, self.twice, self.commission, self.soak,
            self.upgrade_in_a_soak, self.failed_upgrade, self.units, self.rehearse, self.drivers,
            self.remove,
        ]  # fmt: skip
        try:
            for step in steps:
                print(f"{self.root.arch}: {step.__name__.replace('_', ' ')}", flush=True)
                step()
                if step == self.install and self.failed:
                    break  # there is nothing to try
        finally:
            self.root.run("systemctl stop soakmon")
            self.stop_world()
        for what in self.failed:
            print(f"FAILED {what}")
        return not self.failed

    def do(self, command: str, *, user: str = OWNER, code: int = 0) -> Ran:
        """Type a command; another exit code is a failure."""
        ran = self.root.run(command, user=user)
        print(f"  {ran.took_s:7.1f} s  $ {command}", flush=True)
        if ran.code != code:
            self.failed.append(f"{command}: exit code {ran.code}")
            print("    " + ran.text[-1500:].replace("\n", "\n    "), flush=True)
        return ran

    def hold(self, what: str, holds: bool) -> None:
        """Something that must be so."""
        print(f"           {'ok' if holds else 'NOT SO'}: {what}", flush=True)
        if not holds:
            self.failed.append(what)

    # The steps, in order.

    def prepare(self) -> None:
        """A user who may use sudo, the clone, and what stands in for systemd and the boot files."""
        root = self.root.folder
        (root / "etc/hosts").write_text(f"127.0.0.1 localhost {socket.gethostname()}\n")
        self.root.run(f"id {OWNER} || useradd --create-home {OWNER}")
        (root / "etc/sudoers.d/owner").write_text(f"{OWNER} ALL=(ALL) NOPASSWD: ALL\n")
        shutil.copyfile(HERE / "systemctl.py", root / "usr/bin/systemctl")
        (root / "usr/bin/systemctl").chmod(0o755)
        (root / "boot/firmware").mkdir(exist_ok=True)
        config = root / "boot/firmware/config.txt"
        if not config.exists():
            config.write_text("# as the system came\n[cm5]\ndtoverlay=dwc2,dr_mode=host\n")
        self.copy_clone()

    def copy_clone(self, version: str = "", *, broken: bool = False) -> None:
        """The clone in the owner's home, perhaps as another version."""
        target = self.root.folder / f"home/{OWNER}/soakmon"
        shutil.rmtree(target, ignore_errors=True)
        listed = subprocess.run(
            ["git", "ls-files"], cwd=self.clone, capture_output=True, text=True, check=True
        )
        for name in listed.stdout.split("\n")[:-1]:
            (target / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy(self.clone / name, target / name)
        if version:
            project = target / "soakmon/__init__.py"
            text = project.read_text(encoding="utf-8")
            project.write_text(re.sub(r'".*"$', f'"{version}"', text))
        if broken:
            serve = target / "soakmon/app/serve.py"
            serve.write_text(
                serve.read_text(encoding="utf-8").replace(
                    "    folder = Path(bench.service.data_folder)\n",
                    '    raise RuntimeError("a version that does not come up")\n',
                    1,
                )
            )

    def install(self) -> None:
        """From nothing."""
        ran = self.do("sudo bash soakmon/hardware/set-up")
        print("           | " + ran.text.replace("\n", "\n           | "))
        self.figures["set-up, s"] = ran.took_s
        self.figures["installed (/opt/soakmon), MB"] = self.root.size_mb("opt/soakmon")
        self.use_mock_pins()

    def use_mock_pins(self) -> None:
        """Mock pins in every version that is there."""
        for version in (self.root.folder / "opt/soakmon/versions").glob("*"):
            (site,) = version.glob("lib/python3*/site-packages")
            shutil.copyfile(HERE / "mock_pins.py", site / "mock_pins.py")
            (site / "mock_pins.pth").write_text("import mock_pins\n")

    def twice(self) -> None:
        """Again without harm."""
        ran = self.do("sudo bash soakmon/hardware/set-up")
        self.hold("the second time nothing was to be done", "nothing was to be done" in ran.text)
        self.do("soakmon --version")
        config = (self.root.folder / "boot/firmware/config.txt").read_text(encoding="utf-8")
        self.hold("one block in config.txt, under [all]", config.count("\n[all]\n") == 1)

    def rehearse(self) -> None:
        """A rehearsed night, and the report."""
        ran = self.do("soakmon rehearse gasket-weep --json --report night", code=1)
        self.figures["rehearse a night with its report, s"] = ran.took_s
        verdict = json.loads(ran.text.splitlines()[-1]) if ran.text else {}
        self.hold("the gasket that weeps is found", verdict.get("verdict") == "leaking")

    def drivers(self) -> None:
        """The drivers' own tests, with the program that is installed."""
        python = "/opt/soakmon/current/bin/python"
        self.do(f"{python} -m pip install -q --target tests-site pytest pytest-asyncio hypothesis")
        ran = self.do(
            f"cd soakmon && PYTHONPATH=~/tests-site {python} -m pytest -q -p no:cacheprovider "
            "tests/hardware --ignore tests/hardware/test_set_up.py "
            "--ignore tests/hardware/test_swap_and_service.py"
        )
        self.figures["driver tests, s"] = ran.took_s
        print("           | " + (ran.text.splitlines() or ["nothing"])[-1])

    def units(self) -> None:
        """Units as they are installed, looked at by this machine's systemd, below the root."""
        names = sorted((self.root.folder / "etc/systemd/system").glob("soakmon*"))
        done = subprocess.run(
            ["systemd-analyze", "verify", "--man=no", f"--root={self.root.folder}",
             *(f"/etc/systemd/system/{path.name}" for path in names)],
            capture_output=True, text=True, check=False,
        )  # fmt: skip
        # The root has no systemd: its own targets are not there, and no fault of ours.
        lines = [line for line in done.stderr.splitlines() if "sysinit.target" not in line]
        ours = [line for line in lines if "soakmon" in line]
        self.hold(f"systemd-analyze finds no fault in {len(names)} units {ours}", not ours)

    def commission(self) -> None:
        """The dialogue, with somebody's hands on the simulated bench."""
        self.start_world()
        hands = Hands(self.root.folder / "run/bench")
        said = converse(self.root, "sudo soakmon commission", OWNER, hands)
        print("           | " + said.text.replace("\n", "\n           | "))
        self.figures["commissioning, s"] = said.took_s
        self.figures["commissioning, answers typed"] = hands.answers
        self.hold(f"commissioning ends well (exit code {said.code})", said.code == 0)
        hands.load("bottle")

    def soak(self) -> None:
        """A soak on mock pins."""
        self.do('soakmon start "invented rack" --confirm-cautions')
        began_s = time.monotonic()
        self.hold("the soak is under way", self.wait_for({"filling", "settling", "soaking"}, 300))
        time.sleep(max(60 * self.soak_min - (time.monotonic() - began_s), 0))
        memory_mb, busy = self.root.process("serve")
        self.figures["service, most memory, MB"] = memory_mb
        self.figures["service, processor, % of a core"] = busy
        self.do("soakmon status")

    def upgrade_in_a_soak(self) -> None:
        """It waits for the end of the soak; soak and data stay whole."""
        before = self.status()
        self.copy_clone("0.1.99")
        ran = self.do("sudo bash soakmon/hardware/set-up --upgrade")
        self.hold("it says that it waits", "waits for its end" in ran.text)
        self.use_mock_pins()
        self.do("sudo /opt/soakmon/next/bin/python -P -m hardware.set_up --swap")
        now = self.status()
        self.hold(
            "the soak goes on under the old version",
            now.get("soak") == before.get("soak")
            and now.get("phase") in {"filling", "settling", "soaking", "isolating"}
            and "0.1.99" not in self.do("soakmon --version").text,
        )
        self.do("soakmon end")
        self.do("sudo /opt/soakmon/next/bin/python -P -m hardware.set_up --swap")
        self.hold("after its end it swaps by itself", "0.1.99" in self.do("soakmon --version").text)
        self.hold("the soak is in the journal", before.get("soak") in self.soaks())
        self.soak_number = before.get("soak")

    def failed_upgrade(self) -> None:
        """A version that does not come up goes back, with soak and data."""
        self.copy_clone("0.2.99", broken=True)
        ran = self.do("sudo bash soakmon/hardware/set-up --upgrade", code=1)
        self.hold("it says that it went back", "is back in use" in ran.text)
        self.hold("the version before is in use", "0.1.99" in self.do("soakmon --version").text)
        self.hold("it serves, with its soak", self.soak_number in self.soaks())
        self.hold("nothing of it is left", not list(self.root.folder.glob("opt/soakmon/*/0.2.99*")))

    def remove(self) -> None:
        """All goes but the data."""
        ran = self.do("sudo bash soakmon/hardware/set-up --remove")
        print("           | " + ran.text.replace("\n", "\n           | "))
        self.stop_world()
        root = self.root.folder
        gone = ("opt/soakmon", "usr/local/bin/soakmon", "usr/local/sbin/soakmon-set-up",
                "etc/systemd/system/soakmon.service", "etc/modules-load.d/soakmon.conf",
                "etc/systemd/journald.conf.d/soakmon.conf", "var/cache/soakmon")  # fmt: skip
        left = [name for name in gone if (root / name).exists()]
        self.hold(f"nothing is left {left}", not left)
        config = (root / "boot/firmware/config.txt").read_text(encoding="utf-8")
        self.hold("config.txt is as it came", "soakmon" not in config and "dwc2" in config)
        self.hold("the user is gone", self.root.run("id soakmon").code != 0)
        self.hold("the journal is there", (root / "var/lib/soakmon/journal.db").stat().st_size > 0)
        self.hold("bench.toml is there", (root / "etc/soakmon/bench.toml").exists())

    # What the steps use.

    def status(self) -> dict[str, object]:
        """What the service says of itself."""
        script = (
            "import json; from hardware.set_up.soak import Places, status; "
            "print(json.dumps(status(Places()) or {}))"
        )
        ran = self.root.run(f"/opt/soakmon/current/bin/python -P -c '{script}'", user=OWNER)
        found = json.loads(ran.text) if ran.code == 0 else {}
        return found if isinstance(found, dict) else {}

    def wait_for(self, phases: set[str], seconds: float) -> bool:
        """Whether the bench comes into one of these phases in time."""
        until_s = time.monotonic() + seconds
        while time.monotonic() < until_s:
            if self.status().get("phase") in phases:
                return True
            time.sleep(5)
        return False

    def soaks(self) -> list[int]:
        """Numbers of the soaks in the journal."""
        script = (
            "import sqlite3; print([n for n, in sqlite3.connect"
            "('file:/var/lib/soakmon/journal.db?mode=ro', uri=True)"
            ".execute('SELECT id FROM soak')])"
        )
        ran = self.root.run(f'/opt/soakmon/current/bin/python -c "{script}"', user=OWNER)
        return json.loads(ran.text) if ran.code == 0 else []

    def start_world(self) -> None:
        """The simulated bench, from the program's own simulator."""
        target = self.root.folder / "root/world.py"
        shutil.copyfile(HERE / "world.py", target)
        self.world = subprocess.Popen(
            ["chroot", self.root.folder, "/opt/soakmon/current/bin/python", "/root/world.py",
             "dry-rack"],
        )  # fmt: skip
        time.sleep(5)

    def stop_world(self) -> None:
        """End it."""
        if self.world is not None:
            self.world.terminate()
            self.world.wait()
            self.world = None
