"""MQTT against a real broker, seen by an independent subscriber."""

from __future__ import annotations

import asyncio
import subprocess
import threading
from contextlib import asynccontextmanager
from typing import Any

import pytest

from soakmon.reach.health import State
from soakmon.reach.mqtt import connect
from soakmon.reach.mqtt_outlet import NAME, MqttOutlet
from soakmon.reach.supervise import ReachError, supervise
from soakmon.reach.topics import Message
from soakmon.records.outbox import Outbox
from soakmon.records.verdict_form import VerdictForm
from tests.reach.bench import FakeService, bench_with, board_with, quick, until
from tests.reach.broker import Broker, Cutter, Ear, certificates, say, tool
from tests.reach.test_alarm_path import locked


def outlet_of(folder, port, *, named=None, **mqtt) -> Any:
    mqtt = {"enabled": True, "host": "localhost", "port": port, "heartbeat_s": 1} | mqtt
    service = FakeService(folder, bench_with(mqtt=mqtt, service=named or {}))
    outbox = Outbox(service.journal.path, NAME)
    return MqttOutlet(service, outbox, board_with(NAME), quick())


@asynccontextmanager
async def running(outlet):
    task = asyncio.create_task(supervise(NAME, outlet.work, outlet.board, outlet.backoff))
    try:
        yield task
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        reading = outlet.aside.running
        if reading is not None:  # SQLite does not survive a file that is closed under a reader
            await asyncio.gather(asyncio.wrap_future(reading), return_exceptions=True)
        outlet.outbox.close()
        outlet.service.journal.close()


def health(outlet):
    return outlet.board.listed()[0]


async def test_birth_state_readings_alarms_and_farewell(broker, ear, tmp_path):
    outlet = outlet_of(tmp_path, broker.port, readings_every_s=1)
    service = outlet.service
    async with running(outlet):
        await until(lambda: ear.on("soakmon/bench/availability"))
        number = service.start()
        service.event("drops", drops=[[2, 3.125]])
        service.alarm("weep", 2)
        verdict = VerdictForm(verdict="leaking", reason="invented")
        gaps = [{"t_s": 9.0, "gap_s": 60.0, "known": True}]
        service.say(
            phase="isolating", soak=number, feed_open=False, verdict=verdict,
            latch=["carb 2 weeps", "nobody watched"], interruptions=gaps,
        )  # fmt: skip
        await until(lambda: ear.on("soakmon/bench/alarms") and ear.on("soakmon/bench/verdict"))
        await until(lambda: ear.on("soakmon/bench/phase")[-1]["phase"] == "isolating")
        await until(lambda: len(ear.on("soakmon/bench/state")) > 3)  # heartbeats
        await until(lambda: health(outlet).lag == 0)
        assert health(outlet).state == "up"
    await until(lambda: ear.on("soakmon/bench/availability")[-1]["state"] == "offline")
    assert ear.on("soakmon/bench/availability")[-1]["reason"] == "stopped"
    state = ear.on("soakmon/bench/state")[-1]
    assert state["latch"] == ["carb 2 weeps", "nobody watched"]
    assert state["interruptions"] == gaps
    alarm = ear.on("soakmon/bench/alarms")[0]
    assert alarm["schema"] == "soakmon.alarm/1"
    assert (alarm["kind"], alarm["carb"], alarm["soak"]) == ("weep", 2, number)
    assert ear.on("soakmon/bench/drops")[0]["drops"] == [{"carb": 2, "t_s": 3.125}]
    assert ear.on("soakmon/bench/readings")[0]["mass_g"] == 331.2
    for topic, _, payload in ear.heard():
        assert not payload or {"schema", "taken_at"} <= set(payload), topic


@pytest.fixture
async def cutter(broker):
    async with Cutter(broker, seed=3, most_bytes=12_000) as cutter:
        yield cutter


async def test_no_alarm_is_lost_over_a_wire_that_is_cut(broker, cutter, ear, tmp_path, caplog):
    outlet = outlet_of(tmp_path, cutter.port)
    service = outlet.service
    number = service.start()
    async with running(outlet):
        await until(lambda: ear.on("soakmon/bench/availability"))
        for index in range(500):
            service.alarm("weep", 1 + index % 4, f"invented {index}")
            service.say(phase="soaking", soak=number, reason=f"row {index}")
            await asyncio.sleep(0)
        await until(lambda: len({a["id"] for a in ear.on("soakmon/bench/alarms")}) == 500, 60)
        cutter.whole = True
        await until(lambda: health(outlet).lag == 0)
        await until(lambda: ear.on("soakmon/bench/phase")[-1]["reason"] == "row 499")
        late = Ear(broker, tmp_path)
        await until(lambda: late.on("soakmon/bench/phase") and late.on("soakmon/bench/state"))
        kept = {topic: payload for topic, retained, payload in late.heard() if retained}
        late.close()
    assert cutter.cuts >= 10
    assert kept["soakmon/bench/phase"]["reason"] == "row 499"
    assert kept["soakmon/bench/state"]["phase"] == "soaking"
    assert kept["soakmon/bench/availability"]["state"] == "online"
    alarms = ear.on("soakmon/bench/alarms")
    first = list(dict.fromkeys(alarm["id"] for alarm in alarms))
    assert first == sorted(first)  # in order, though some came twice
    told = [r for r in caplog.records if r.name == "soakmon.reach.health"]
    assert len(told) <= 2 * outlet.connections + 2  # once per change, not per try


async def test_a_broker_killed_and_restarted_has_everything_again(broker, tmp_path):
    outlet = outlet_of(tmp_path, broker.port)
    service = outlet.service
    number = service.start()
    async with running(outlet):
        await until(lambda: health(outlet).state == "up")
        for round_ in range(3):
            broker.kill()
            service.alarm(text=f"invented {round_}")
            service.say(phase="soaking", soak=number, reason=f"round {round_}")
            await until(lambda: health(outlet).state == "down")
            assert health(outlet).last_error
            broker.start()
            await until(lambda: health(outlet).state == "up" and health(outlet).lag == 0)
        ear = Ear(broker, tmp_path)
        await until(lambda: ear.on("soakmon/bench/phase") and ear.on("soakmon/bench/state"))
        ear.close()
    assert outlet.backoff.tries >= 3  # none of these connections stood long enough
    assert ear.on("soakmon/bench/phase")[0]["reason"] == "round 2"
    assert ear.on("soakmon/bench/availability")[0]["state"] == "online"


@pytest.mark.parametrize("way", ["password", "certificate"])
async def test_tls(tmp_path, monkeypatch, way):
    certificates(tmp_path)
    subprocess.run(
        [tool("mosquitto_passwd"), "-b", "-c", str(tmp_path / "users"), "bench", "invented-word"],
        check=True,
    )
    (tmp_path / "rights").write_text("user bench\ntopic readwrite soakmon/bench/#\n")
    lines = [
        f"cafile {tmp_path}/ca.pem", f"certfile {tmp_path}/server.pem",
        f"keyfile {tmp_path}/server.key", f"acl_file {tmp_path}/rights",
    ]  # fmt: skip
    if way == "password":
        lines += ["allow_anonymous false", f"password_file {tmp_path}/users"]
    else:
        lines += ["require_certificate true", "use_identity_as_username true"]
    broker = Broker(tmp_path, "\n".join(lines) + "\n").start()
    ca = ("--cafile", str(tmp_path / "ca.pem"))
    (tmp_path / "word").write_text("invented-word\n")
    if way == "password":
        own = {"user": "bench", "password_file": str(tmp_path / "word")}
        key = ("-u", "bench", "-P", "invented-word")
    else:
        files = str(tmp_path / "client.pem"), str(tmp_path / "client.key")
        own = {"cert_file": files[0], "key_file": files[1]}
        key = ("--cert", files[0], "--key", files[1])
    outlet = outlet_of(tmp_path, broker.port, tls=True, ca_file=str(tmp_path / "ca.pem"), **own)
    ear = Ear(broker, tmp_path, *ca, *key)
    try:
        async with running(outlet):
            await until(lambda: ear.on("soakmon/bench/state"))
            await until(lambda: health(outlet).state == "up")
        without = {
            name: value for name, value in own.items() if name not in {"cert_file", "key_file"}
        }
        if way == "password":
            monkeypatch.setenv("SOAKMON_MQTT_PASSWORD", "another-word")
        section = bench_with(
            mqtt={"host": "localhost", "port": broker.port, "tls": True,
                  "ca_file": str(tmp_path / "ca.pem")} | without
        ).mqtt  # fmt: skip
        with pytest.raises(ReachError) as problem:
            async with connect(section, "stranger") as link:
                await link.publish(Message("soakmon/bench/state", "{}", retain=False))
        assert "word" not in str(problem.value)
    finally:
        ear.close()
        broker.kill()


async def test_discovery(broker, ear, tmp_path):
    outlet = outlet_of(tmp_path, broker.port, discovery=True)
    async with running(outlet):
        await until(lambda: ear.on("soakmon/bench/state"))
    found = [(t, p) for t, _, p in ear.heard() if t.startswith("homeassistant/")]
    assert len({p["unique_id"] for _, p in found}) == len(found) >= 7
    for topic, payload in found:
        assert topic.endswith("/config")
        assert payload["availability_topic"] == "soakmon/bench/availability"


async def limited(folder, rights):
    (folder / "rights").write_text(rights)
    return Broker(folder, f"allow_anonymous true\nacl_file {folder / 'rights'}\n").start()


@pytest.mark.parametrize("thrown_away", ["state", "availability", "alarms"])
async def test_a_broker_that_throws_messages_away_is_not_well(tmp_path, thrown_away):
    kept = {"availability", "state", "phase", "verdict", "alarms"} - {thrown_away}
    rights = "topic read soakmon/bench/#\n" + "".join(
        f"topic write soakmon/bench/{name}\n" for name in kept
    )
    broker = await limited(tmp_path, rights)
    outlet = outlet_of(tmp_path, broker.port)
    outlet.echo.back_within_s = 0.3
    outlet.service.start()
    outlet.service.alarm()
    try:
        async with running(outlet):
            await until(lambda: f"takes soakmon/bench/{thrown_away}" in health(outlet).last_error)
            assert health(outlet).state == "down"
            assert "access list" in health(outlet).last_error
            # The alarm has not gone out: when the list is mended, it does.
            assert outlet.outbox.events_waiting() == 1
            broker.kill()
            broker.more = "allow_anonymous true\n"
            broker.start()
            await until(lambda: health(outlet).lag == 0 and health(outlet).state == "up")
    finally:
        broker.kill()


async def test_the_will_of_a_connection_before_does_not_stand(broker, ear, tmp_path):
    outlet = outlet_of(tmp_path, broker.port)
    async with running(outlet):
        await until(lambda: health(outlet).state == "up")
        say(broker, "soakmon/bench/availability", '{"state": "offline", "run": "before"}', "-r")
        await until(lambda: [a["state"] for a in ear.on("soakmon/bench/availability")][-2:]
                    == ["offline", "online"])  # fmt: skip


async def test_an_alarm_that_the_journal_cannot_tell_goes_out_from_memory(broker, ear, tmp_path):
    outlet = outlet_of(tmp_path, broker.port)
    service = outlet.service
    service.listeners.append(outlet.heard.hear)
    number = service.start()
    data = {"t_s": 1.0, "kind": "flood", "carb": 2, "leak_g_per_h": 9.0, "text": "invented"}
    async with running(outlet):
        await until(lambda: health(outlet).state == "up")
        service.say(soak=number)
        with locked(service.journal.path):
            service.tell("alarm", **data, uid="0123456789ab")
            await until(lambda: ear.on("soakmon/bench/alarms"))
            alarm = ear.on("soakmon/bench/alarms")[0]
            assert (alarm["uid"], alarm["soak"], alarm["id"]) == ("0123456789ab", number, None)
            assert health(outlet).state == "up"
        # The journal tells it after all, and another one: only that is published.
        service.event("alarm", **data, uid="0123456789ab")
        service.event("alarm", **data, uid="ba9876543210")
        await until(lambda: len(ear.on("soakmon/bench/alarms")) == 2)
        service.tell("alarm", **data, uid="ba9876543210")  # the journal may be first
        await asyncio.sleep(1.6)
        await until(lambda: len(ear.on("soakmon/bench/alarms")) == 2)
        await until(lambda: health(outlet).lag == 0)
        assert ear.on("soakmon/bench/alarms")[1]["uid"] == "ba9876543210"
        assert ear.on("soakmon/bench/alarms")[1]["id"] == 2
    assert len(ear.on("soakmon/bench/alarms")) == 2
    assert outlet.events.early == {}


async def test_a_disk_that_hangs_holds_up_no_alarm(broker, ear, tmp_path, monkeypatch):
    outlet = outlet_of(tmp_path, broker.port)
    service = outlet.service
    service.listeners.append(outlet.heard.hear)
    let_go = threading.Event()
    outlet.aside.patience_s = 0.2
    data = {"t_s": 1.0, "kind": "flood", "carb": 2, "leak_g_per_h": 9.0, "text": "invented"}
    async with running(outlet):
        await until(lambda: health(outlet).state == "up")
        good = outlet.outbox.events
        monkeypatch.setattr(outlet.outbox, "events", lambda most: let_go.wait(30) and good(most))
        beats = len(ear.on("soakmon/bench/state"))
        service.tell("alarm", **data, uid="0123456789ab")
        await until(lambda: ear.on("soakmon/bench/alarms"))
        await until(lambda: len(ear.on("soakmon/bench/state")) > beats + 1)
        assert "the disk does not answer" in health(outlet).last_error
        let_go.set()
        await until(lambda: health(outlet).state == "up")


async def test_a_phone_that_is_down_is_in_the_state(broker, ear, tmp_path):
    outlet = outlet_of(tmp_path, broker.port, heartbeat_s=600)
    outlet.board.add("phone", State.STARTING)
    async with running(outlet):
        await until(lambda: ear.on("soakmon/bench/state"))
        outlet.board.down("phone", "first/1 (json): no net")
        await until(lambda: len(ear.on("soakmon/bench/state")) == 2)
        outlet.board.up("phone")
        await until(lambda: len(ear.on("soakmon/bench/state")) == 3)
    told = [state["phone_trouble"] for state in ear.on("soakmon/bench/state")]
    assert told == ["", "first/1 (json): no net", ""]


async def test_an_event_that_makes_no_sense_stops_no_other(broker, ear, tmp_path):
    outlet = outlet_of(tmp_path, broker.port)
    outlet.service.start()
    outlet.service.event("drops", fell="many")
    for _ in range(2):
        outlet.service.alarm()
    async with running(outlet):
        await until(lambda: len(ear.on("soakmon/bench/alarms")) == 2)
        assert health(outlet).restarts == 0


async def test_marks_tell_whose_state_it_is(broker, ear, tmp_path):
    outlet = outlet_of(tmp_path, broker.port)
    async with running(outlet):
        await until(lambda: ear.on("soakmon/bench/state"))
    for topic in ("state", "availability"):
        told = ear.on(f"soakmon/bench/{topic}")[0]
        assert told["bench_id"] == (tmp_path / "bench_id").read_text().strip()
        assert told["run"] == outlet.topics.run
