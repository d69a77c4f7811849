"""The service as a process: one to a folder, out with a code, and never on a broken journal."""

from __future__ import annotations

import os
import random
import signal
import sqlite3
import subprocess
import sys
import time
from contextlib import contextmanager
from pathlib import Path

import pytest

from sim.parts import PacedClock, SimulatedBench
from sim.scenarios import SCENARIOS
from soakmon.app import serve as serving
from soakmon.bench.bench_status import BenchStatus
from soakmon.bench.client import Client
from soakmon.bench.records_port import RecordsPort
from soakmon.cli import status_output
from soakmon.errors import SoakmonError, TroubleError
from soakmon.records.journal import Journal
from soakmon.records.latch import NAME, Latch
from soakmon.records.soak_context import SoakContext
from soakmon.watch.figures import elapsed
from tests.bench.stepping import Stepped, short

ROOT = Path(__file__).parents[2]
_BENCH = "[page]\non = false\n"


def begin(folder: Path, *more: str) -> subprocess.Popen[str]:
    (folder / "bench.toml").write_text(_BENCH)
    command = [sys.executable, "-m", "soakmon", "serve", "--bench", str(folder / "bench.toml")]
    command += ["--simulated", "dry-rack", "--pace", "60", "--data", str(folder), *more]
    return subprocess.Popen(
        command, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )


def asked(folder: Path, path: str = "/status", within_s: float = 60.0):
    until_s = time.monotonic() + within_s
    while True:
        try:
            return Client(folder / "control.sock").get(path)
        except SoakmonError:
            if time.monotonic() > until_s:
                raise
            time.sleep(0.1)


@contextmanager
def served(folder: Path):
    process = begin(folder)
    try:
        asked(folder)
        yield process
    finally:
        process.kill()
        process.communicate()


def test_a_second_service_is_told_and_the_first_goes_on_whatever_is_done_to_its_socket(tmp_path):
    with served(tmp_path) as first:
        (tmp_path / "control.sock").unlink()
        second = begin(tmp_path)
        _, said = second.communicate(timeout=60)
        assert second.returncode == 4
        assert "another soakmon serves from this folder" in said
        assert first.poll() is None


def test_a_soak_is_begun_looked_at_and_ended_at_the_terminal(tmp_path):
    with served(tmp_path):

        def typed(*words: str, code: int = 0) -> str:
            command = [sys.executable, "-m", "soakmon", *words]
            command += ["--socket", str(tmp_path / "control.sock")]
            done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
            assert done.returncode == code, done.stdout + done.stderr
            assert "Traceback" not in done.stderr
            return done.stdout + done.stderr

        said = typed("start", "invented rack", "--confirm-cautions")
        assert "! phone: NOBODY WILL BE TOLD of an alarm: off in bench.toml" in said
        assert "soak 1 begins with its preflight" in said
        assert "a soak is running" in typed("start", "another", "--confirm-cautions", code=2)
        assert "bench: " in typed("status")
        assert "nothing to open again" in typed("feed", "--confirm-cautions", code=2)
        assert "no alarm to acknowledge" in typed("ack")
        typed("end")
        assert "no soak is running" in typed("end", code=2)


def test_the_data_folder_of_the_environment_is_that_of_every_command(tmp_path):
    """Service and questions to it, as the commands of the job record."""
    environment = os.environ | {"SOAKMON_DATA": str(tmp_path)}
    (tmp_path / "bench.toml").write_text(_BENCH)
    command = [sys.executable, "-m", "soakmon"]
    process = subprocess.Popen(
        [*command, "serve", "--bench", str(tmp_path / "bench.toml"), "--simulated", "dry-rack"],
        cwd=ROOT, env=environment, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    try:
        asked(tmp_path)
        told = subprocess.run(
            [*command, "status"],
            check=True, cwd=ROOT, env=environment, capture_output=True, text=True,
        )  # fmt: skip
        assert "bench: " in told.stdout
    finally:
        process.kill()
        process.communicate()


def test_a_damaged_journal_is_kept_told_and_the_feed_stays_shut(tmp_path):
    Journal(tmp_path / "journal.db").close()
    spoilt = random.Random(3).randbytes(20_000)
    (tmp_path / "journal.db").write_bytes(spoilt)
    with served(tmp_path) as process:
        events = []
        until_s = time.monotonic() + 20
        while not events and time.monotonic() < until_s:
            events = asked(tmp_path, "/events?kind=alarm")
            time.sleep(0.1)
        assert "the journal was damaged and is kept as" in events[0]["data"]["text"]
        process.send_signal(signal.SIGTERM)
        process.wait(20)
        assert process.returncode == 0
    (kept,) = tmp_path.glob("journal.db.damaged-*")
    assert kept.read_bytes() == spoilt
    assert "journal was damaged" in Latch(tmp_path / NAME).reason


def test_a_journal_that_is_damaged_while_it_runs_is_shut_for_told_and_left(tmp_path):
    bench = Stepped(tmp_path, SCENARIOS["dry-rack"], bench=short(8), every_s=2.0)
    bench.start()
    bench.run(0.6)
    assert bench.simulation.feed_open
    fell, told = [], []
    bench.service.fell = fell.append
    bench.service.listeners.append(lambda t_s, kind, data: told.append(data.get("text", "")))

    def malformed(entries):
        error = sqlite3.DatabaseError("database disk image is malformed")
        error.sqlite_errorcode = sqlite3.SQLITE_CORRUPT
        raise error

    bench.journal.writer._write = malformed
    bench.run(0.01)
    assert len(fell) == 1
    assert "journal" in fell[0]
    assert "malformed" in fell[0]
    assert fell[0] in told
    assert not bench.simulation.feed_open
    assert "malformed" in bench.service.latch.reason


def test_what_is_damaged_while_it_runs_is_set_aside_on_the_way_out(tmp_path, monkeypatch):
    def damaged(service, *_, **__):
        service.journal.writer.damaged = "malformed"
        service.fell("the journal of the service has ended")

    async def listen(*given, **named):
        damaged(*given)

    monkeypatch.setattr(serving, "_listen", listen)
    monkeypatch.setattr(serving, "_EXIT_CODE", 0)
    monkeypatch.setattr(serving, "_OUT_WITHIN_S", 1e6)
    simulation = SimulatedBench(SCENARIOS["dry-rack"], PacedClock(60, 1.8e9), 2000.0, 0.0)
    bench = short(2, data_folder=str(tmp_path), socket=str(tmp_path / "control.sock"))
    with pytest.raises(TroubleError, match="the journal of the service has ended"):
        serving.serve(
            bench, simulation.parts(), RecordsPort(lambda job, wall_s: SoakContext(), print)
        )
    assert not (tmp_path / "journal.db").exists()
    assert len(list(tmp_path.glob("journal.db.damaged-*"))) == 1


def test_a_simulated_bench_that_was_killed_does_not_say_that_no_time_went_by(tmp_path):
    with served(tmp_path):
        body = {"title": "t", "job": None, "cautions_confirmed": True}
        Client(tmp_path / "control.sock").post("/soak", body)
        until_s = time.monotonic() + 60
        while asked(tmp_path)["phase"] in {"idle", "preflight"} and time.monotonic() < until_s:
            time.sleep(0.1)
        assert asked(tmp_path)["feed_open"]
    with served(tmp_path):
        until_s = time.monotonic() + 60
        while "interruptions" not in asked(tmp_path) and time.monotonic() < until_s:
            time.sleep(0.1)
        said = asked(tmp_path)
    assert [one["known"] for one in said["interruptions"]] == [False]
    assert not said["feed_open"]
    assert said["phase"] == "ended"
    until = elapsed(said["interruptions"][0]["t_s"])
    lines = status_output._lines(BenchStatus.model_validate(said))
    told = [text for name, text in lines if name == "Interrupted"]
    assert len(told) == 1
    assert told[0].startswith("until ")
    assert told[0].endswith(f"({until}), for nobody knows how long")


def test_a_report_that_the_kill_cut_off_is_made_after_the_next_start(tmp_path):
    with served(tmp_path):
        client = Client(tmp_path / "control.sock")
        client.post("/soak", {"title": "t", "job": None, "cautions_confirmed": True})
        client.post("/end", {"reason": "enough"})
        until_s = time.monotonic() + 20
        while asked(tmp_path, "/soaks")[0]["verdict"] is None and time.monotonic() < until_s:
            time.sleep(0.05)
    report = tmp_path / "reports" / "soak-1" / "verdict.json"
    assert Journal(tmp_path / "journal.db").owed() == [1]
    with served(tmp_path):
        until_s = time.monotonic() + 120
        while Journal(tmp_path / "journal.db").owed() and time.monotonic() < until_s:
            time.sleep(0.3)
    assert report.is_file()
    assert Journal(tmp_path / "journal.db").owed() == []


def test_a_folder_that_cannot_be_had_is_tried_again(tmp_path):
    (tmp_path / "journal.db").mkdir()
    process = begin(tmp_path)
    _, said = process.communicate(timeout=60)
    assert process.returncode == 4
    assert len(said.strip().splitlines()) == 1
    assert "cannot be opened" in said


def test_a_newer_journal_is_for_a_person_to_mend(tmp_path):
    journal = Journal(tmp_path / "journal.db")
    journal.connection.execute("PRAGMA user_version = 99")
    journal.close()
    process = begin(tmp_path)
    _, said = process.communicate(timeout=60)
    assert process.returncode == 2
    assert "update first" in said


_BREAKS = """
import time
from soakmon.bench.service import Service
from soakmon.bench.soak_commands import SoakCommands
from soakmon.cli import main
SoakCommands.acknowledge = lambda self, *_: self.worker.__dict__.update(carry_out=None) or 0
if {hangs}:
    Service.stop = lambda self: time.sleep(60)
main()
"""


@pytest.mark.parametrize("hangs", [False, True])
def test_without_its_worker_the_process_is_out_within_five_seconds(tmp_path, hangs):
    """Not with 0, and even if its way out hangs: the system starts it again."""
    (tmp_path / "bench.toml").write_text(_BENCH)
    command = [sys.executable, "-c", _BREAKS.format(hangs=hangs), "serve", "--bench"]
    command += [str(tmp_path / "bench.toml"), "--simulated", "dry-rack", "--pace", "1"]
    process = subprocess.Popen(
        [*command, "--data", str(tmp_path)], cwd=ROOT, stderr=subprocess.PIPE, text=True
    )
    try:
        asked(tmp_path)
        Client(tmp_path / "control.sock").post("/acknowledge")
        began_s = time.monotonic()
        assert process.wait(30) == 4
        # Five, and what a busy machine takes to notice.
        assert time.monotonic() - began_s < 8
        assert Latch(tmp_path / NAME).note.code == "thread_ended"
    finally:
        process.kill()
        process.communicate()
