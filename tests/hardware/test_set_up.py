"""Set-up below a root of its own: what it refuses, config.txt, versions and their swap."""

from __future__ import annotations

import os
import sqlite3
import subprocess
import zipfile
from dataclasses import replace
from pathlib import Path

import pytest

from hardware.set_up import swap as swapping
from hardware.set_up.accounts import _give
from hardware.set_up.boot import set_interfaces, take_interfaces_back
from hardware.set_up.fitness import MachineFacts, facts, refuse
from hardware.set_up.machine import Machine, SetUpError
from hardware.set_up.places import SERVICE, Places
from hardware.set_up.soak import running_soak
from hardware.set_up.swap import Swapper
from hardware.set_up.versions import build, source_of, tidy
from soakmon.records.journal import Journal

CLONE = Path(__file__).parent.parent.parent
PI = MachineFacts(64, "aarch64", "6.6.31+rpt-rpi-v8", (3, 11), 20_000, True)
MODULES = {"modinfo": False}


class Pi(Machine):
    """A machine whose systemctl starts what is linked, if that is a good version.

    dies_at: the power goes before the step of this number, counted over all that changes anything.
    """

    def __init__(self, places: Places, good: set[str]) -> None:
        self.told: list[str] = []
        super().__init__(say=self.told.append)
        self.places, self.good = places, good
        self.up = self.soak = ""
        self.asked: list[str] = []
        self.steps, self.dies_at = 0, -1

    def _step(self) -> None:
        self.steps += 1
        if self.steps == self.dies_at:
            self.up = ""
            raise PowerCutError

    def run(self, *command, env=None):
        line = " ".join(Path(str(word)).name for word in command)
        self._step()
        self.asked.append(line)
        if line == f"systemctl start {SERVICE}":
            name = self.places.current.resolve().name
            if name not in self.good:
                raise SetUpError("did not start")
            self.up = name
        if line == f"systemctl stop {SERVICE}":
            self.up = ""
        if line == f"systemctl is-active --quiet {SERVICE}" and not self.up:
            raise SetUpError("inactive")
        if line == "modinfo hx711" and not MODULES["modinfo"]:
            raise SetUpError("no such module")
        return ""

    def write(self, path, text, mode=0o644, *, announced=True):
        self._step()
        return super().write(path, text, mode, announced=announced)

    def link(self, path, target):
        self._step()
        super().link(path, target)


class PowerCutError(Exception):
    pass


@pytest.fixture
def places(tmp_path):
    found = Places(tmp_path)
    for folder in (found.versions / "old", found.versions / "new", found.data, found.units):
        folder.mkdir(parents=True)
    (found.current).symlink_to("versions/old")
    (found.data / "journal.db").write_bytes(b"before")
    (found.data / "journal.db-wal").write_bytes(b"log before")
    return found


@pytest.fixture
def pi(places, monkeypatch):
    machine = Pi(places, {"old", "new"})
    machine.up = "old"
    phases = {"phase": "idle"}
    monkeypatch.setattr(swapping, "running_soak", lambda _: machine.soak)

    def status(_):
        if not machine.up:
            return None
        if machine.up == "new" and getattr(machine, "migrates", False):
            (places.data / "journal.db").write_bytes(b"tables of the new version")
            (places.data / "journal.db-shm").write_bytes(b"of the new version")
        return dict(phases)

    monkeypatch.setattr(swapping, "status", status)
    return machine


def swapper(pi, places) -> Swapper:
    times = iter(range(10**6))
    return Swapper(pi, places, clock_s=lambda: float(next(times)), sleep=lambda _: None)


def in_use(places) -> str:
    return places.current.resolve().name


@pytest.mark.parametrize(
    ("change", "word"),
    [
        ({"bits": 32, "machine": "armv7l"}, "32 bit"),
        ({"kernel": "5.4.83-v8+"}, "5.7"),
        ({"kernel": "4.19"}, "5.7"),
        ({"python": (3, 9)}, "3.11"),
        ({"free_mb": 300.0}, "make room"),
        ({"system": False}, "systemctl"),
    ],
)
def test_what_will_not_work_is_refused_in_one_line(change, word):
    refuse(PI)
    refuse(replace(PI, kernel="5.10.0"))
    with pytest.raises(SetUpError, match=word) as refused:
        refuse(replace(PI, **change))
    assert "\n" not in str(refused.value)


def test_the_facts_are_of_this_machine():
    found = facts()
    assert found.bits == 64
    assert found.kernel == os.uname().release


@pytest.mark.parametrize("module", [False, True])
@pytest.mark.parametrize("before", ["", "dtparam=audio=on\n[cm5]\ndtoverlay=dwc2", "[all]\n\n"])
def test_config_txt_gets_one_block_and_gives_it_back(places, pi, monkeypatch, before, module):
    config = places.root / "boot/firmware/config.txt"
    config.parent.mkdir(parents=True)
    config.write_text(before)
    monkeypatch.setitem(MODULES, "modinfo", module)
    monkeypatch.setattr("hardware.set_up.boot._compile_overlay", lambda *_: None)
    assert set_interfaces(pi, places)
    text = config.read_text()
    assert text.startswith(before)
    block = text.removeprefix(before).lstrip("\n").splitlines()
    assert block[1:6] == [
        "[all]", "dtparam=strict_gpiod", "dtoverlay=w1-gpio,gpiopin=4", "dtparam=i2c_arm=on",
        "dtparam=spi=on",
    ]  # fmt: skip
    assert ("dtoverlay=soakmon-hx711" in block) is module
    assert not set_interfaces(pi, places)
    assert config.read_text() == text
    assert take_interfaces_back(pi, places)
    assert config.read_text().rstrip("\n") == before.rstrip("\n")
    assert not places.modules.exists()


def test_a_machine_without_config_txt_is_said_to_be_no_pi(places, pi):
    assert not set_interfaces(pi, places)
    assert "no Raspberry Pi" in pi.told[-1]


def test_a_swap_puts_the_new_version_in_and_the_old_one_away(places, pi):
    assert swapper(pi, places).begin(places.versions / "new") == 0
    assert (in_use(places), pi.up) == ("new", "new")
    assert [path.name for path in places.versions.iterdir()] == ["new"]
    assert not places.swap.exists()
    assert not places.before.exists()
    assert not list(places.units.glob("soakmon-swap*"))


def test_a_swap_waits_for_the_end_of_the_soak(places, pi):
    pi.soak = "a soak is running (soaking)"
    assert swapper(pi, places).begin(places.versions / "new") == 0
    assert "waits for its end" in pi.told[-1]
    for _ in range(3):
        assert swapper(pi, places).go_on() == 0
    assert (in_use(places), pi.up) == ("old", "old")
    assert f"systemctl stop {SERVICE}" not in pi.asked
    assert (places.units / "soakmon-swap.timer").exists()
    assert "systemctl enable --now soakmon-swap.timer" in pi.asked
    pi.soak = ""
    assert swapper(pi, places).go_on() == 0
    assert (in_use(places), pi.up) == ("new", "new")


@pytest.mark.parametrize("how", ["does not start", "does not answer"])
def test_a_version_that_does_not_come_up_goes_back_with_the_data(places, pi, how, monkeypatch):
    if how == "does not start":
        pi.good = {"old"}
    else:
        pi.migrates = True
        looked = vars(swapping)["status"]
        monkeypatch.setattr(
            swapping, "status", lambda _: looked(_) if pi.up == "old" else (looked(_), None)[1]
        )
    assert swapper(pi, places).begin(places.versions / "new") == 1
    assert (in_use(places), pi.up) == ("old", "old")
    assert (places.data / "journal.db").read_bytes() == b"before"
    assert (places.data / "journal.db-wal").read_bytes() == b"log before"
    assert not (places.data / "journal.db-shm").exists()
    assert [path.name for path in places.versions.iterdir()] == ["old"]
    assert "did not come up" in pi.told[-1]


def test_a_soak_begun_on_the_new_version_keeps_it(places, pi, monkeypatch):
    monkeypatch.setattr(swapping, "status", lambda _: {"phase": "preflight"})
    assert swapper(pi, places).begin(places.versions / "new") == 0
    assert in_use(places) == "new"


def test_a_version_that_does_not_read_bench_toml_is_never_put_in(places, pi, monkeypatch):
    places.bench.parent.mkdir(parents=True)
    places.bench.touch()
    plain = pi.run

    def run(*command, env=None):
        if "check" in command:
            raise SetUpError("bench.toml: unknown key")
        return plain(*command, env=env)

    monkeypatch.setattr(pi, "run", run)
    with pytest.raises(SetUpError, match="unknown key"):
        swapper(pi, places).begin(places.versions / "new")
    assert in_use(places) == "old"
    assert not places.swap.exists()


@pytest.mark.parametrize("good", [{"old", "new"}, {"old"}])
def test_the_power_may_go_at_any_step_of_a_swap(places, pi, good):
    """Whatever the step: the next try ends with one version in use that serves, and its data."""
    pi.good = good
    step, cuts = 0, 0
    while True:
        step += 1
        for name in ("old", "new"):
            (places.versions / name).mkdir(exist_ok=True)
        places.current.unlink()
        places.current.symlink_to("versions/old")
        (places.data / "journal.db").write_bytes(b"before")
        pi.up, pi.steps, pi.dies_at = "old", 0, step
        try:
            swapper(pi, places).begin(places.versions / "new")
        except PowerCutError:
            cuts += 1
        else:
            break
        pi.dies_at = -1
        # The system starts what is linked, and the timer goes on with the swap.
        pi.up = in_use(places) if in_use(places) in good else ""
        swapper(pi, places).go_on()
        assert in_use(places) in good
        assert pi.up == in_use(places)
        assert (places.data / "journal.db").read_bytes() == b"before"
        assert not places.swap.exists()
    assert cuts > 10


def test_a_soak_is_known_by_the_journal_where_no_service_answers(places, tmp_path):
    assert running_soak(places) == ""  # not a database: the service sets it aside
    for name in ("journal.db", "journal.db-wal"):
        (places.data / name).unlink()
    assert running_soak(places) == ""
    Journal(places.data / "journal.db").close()
    assert running_soak(places) == ""
    with sqlite3.connect(places.data / "journal.db") as journal:
        journal.execute(
            "INSERT INTO soak (id, title, started_wall_s, gates, configuration, first_batch)"
            " VALUES (1, 'rack', 0, 4, '', 0)"
        )
    journal.close()
    assert "soak 1 has not ended" in running_soak(places)
    with sqlite3.connect(places.data / "journal.db") as journal:
        journal.execute("UPDATE soak SET ended_t_s = 5")
    journal.close()
    assert running_soak(places) == ""


def test_a_version_that_cannot_be_installed_leaves_nothing(places, pi, monkeypatch):
    source = source_of(CLONE)

    def run(*command, env=None):
        if "venv" in command:
            Path(command[-1], "bin").mkdir(parents=True)
        if "pip" in command:
            raise SetUpError("no network")

    monkeypatch.setattr(pi, "run", run)
    with pytest.raises(SetUpError, match="no network"):
        build(pi, places, source, ("pi",))
    assert sorted(path.name for path in places.versions.iterdir()) == ["new", "old"]
    tidy(pi, places)
    assert [path.name for path in places.versions.iterdir()] == ["old"]


def test_a_new_version_begins_with_the_libraries_of_the_one_in_use(places, pi, monkeypatch):
    site = "lib/python3.11/site-packages"
    used = places.versions / "old" / site
    for name in ("numpy", "soakmon", "hardware", "soakmon-0.1.0.dist-info"):
        (used / name).mkdir(parents=True)
        (used / name / "a.py").write_text("x = 1\n")
    source = source_of(CLONE)

    def run(*command, env=None):
        if "venv" in command:
            (Path(command[-1]) / site / "pip").mkdir(parents=True)
        if "pip" in command:
            (places.versions / source.name / site / "soakmon").mkdir()

    monkeypatch.setattr(pi, "run", run)
    made = build(pi, places, source, ("pi",))
    assert sorted(path.name for path in (made / site).iterdir()) == ["numpy", "soakmon"]
    assert (made / site / "numpy/a.py").samefile(used / "numpy/a.py")
    assert (used / "soakmon/a.py").exists()


def test_a_source_is_known_by_its_content(tmp_path):
    first = source_of(CLONE)
    assert first.version == first.name.partition("-")[0]
    copy = tmp_path / "clone"
    for name in ("soakmon", "hardware", "sim"):
        (copy / name).mkdir(parents=True)
    (copy / "pyproject.toml").write_text("[project]\n")
    (copy / "soakmon" / "__init__.py").write_text('__version__ = "9.1"\n')
    one = source_of(copy)
    assert one.version == "9.1"
    (copy / "soakmon" / "new.py").write_text("x = 1\n")
    assert source_of(copy).name != one.name
    with pytest.raises(SetUpError, match="neither"):
        source_of(tmp_path)


def test_it_runs_from_a_wheel_by_the_systems_python_alone(tmp_path):
    wheel = tmp_path / "soakmon-9.9-py3-none-any.whl"
    with zipfile.ZipFile(wheel, "w") as made:
        for path in sorted((CLONE / "hardware").rglob("*")):
            if path.is_file() and "__pycache__" not in path.parts:
                made.write(path, path.relative_to(CLONE))
    script = (
        "from hardware.set_up.versions import own_source, source_of\n"
        "from hardware.set_up.units import unit_text\n"
        "import hardware.set_up.__main__, sys\n"
        "print(source_of(own_source()).version, 'ExecStart' in unit_text('soakmon.service'))\n"
        "print([name for name in sys.modules if name.startswith(('soakmon', 'numpy', 'gpio'))])\n"
    )
    done = subprocess.run(
        ["/usr/bin/env", "python3", "-S", "-c", script],
        env=os.environ | {"PYTHONPATH": str(wheel)}, cwd=tmp_path,
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.stdout.splitlines() == ["9.9 True", "[]"], done.stderr


def test_the_group_may_do_what_the_owner_may_but_for_what_is_private(tmp_path):
    folder = tmp_path / "data"
    (folder / "reports").mkdir(parents=True)
    for name, mode in (("jobs.db", 0o644), ("accounts.db", 0o600), ("reports/a.pdf", 0o644)):
        (folder / name).touch()
        (folder / name).chmod(mode)
    _give(folder, os.getuid(), os.getgid())
    modes = {path.name: path.stat().st_mode & 0o777 for path in folder.rglob("*")}
    assert modes["jobs.db"] == modes["a.pdf"] == 0o664
    assert modes["accounts.db"] == 0o600


def test_a_database_may_be_written_by_the_group_where_the_umask_lets_it(tmp_path):
    before = os.umask(0o007)
    try:
        Journal(tmp_path / "journal.db").close()
    finally:
        os.umask(before)
    assert (tmp_path / "journal.db").stat().st_mode & 0o777 == 0o660
