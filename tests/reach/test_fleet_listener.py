"""Who looks subscribes, nobody else: against a real broker."""

from __future__ import annotations

import asyncio
import json

from soakmon.reach.fleet import Fleet
from soakmon.reach.fleet_listener import FleetListener
from soakmon.reach.mqtt import connect
from soakmon.reach.topics import Message
from tests.reach.bench import bench_with, until


def listener_of(broker, clock, **more):
    section = bench_with(mqtt={"host": "127.0.0.1", "port": broker.port}).mqtt
    return FleetListener(section, Fleet(), "near", now_s=lambda: clock[0], **more)


def phase(bench: str, word: str = "idle") -> Message:
    payload = {"schema": "soakmon.phase/1", "taken_at": "2027-01-15T08:00:00+00:00", "phase": word}
    return Message(f"soakmon/{bench}/phase", json.dumps(payload), retain=True)


def wire(broker):
    return connect(bench_with(mqtt={"host": "127.0.0.1", "port": broker.port}).mqtt, "far")


async def test_nothing_is_heard_until_somebody_looks_nor_after_the_last_has_left(broker, ear):
    clock = [100.0]
    listener = listener_of(broker, clock)
    fleet = listener.fleet
    async with wire(broker) as link:
        await link.publish(phase("far"))
        await link.publish(phase("north/left"))
        assert (listener.listening, listener.connections, fleet.messages) == (False, 0, 0)
        listener.look()
        await until(lambda: len(fleet.benches) == 2)
        assert set(fleet.benches) == {"far", "north/left"}
        # Looked at again and again, it is one connection, for as long as that goes on.
        for _ in range(5):
            clock[0] += 29.0
            listener.look()
            await asyncio.sleep(0.06)
        assert (listener.listening, listener.connections) == (True, 1)
        clock[0] += 31.0
        await until(lambda: not listener.listening)
        heard = fleet.messages
        assert fleet.benches == {}
        for word in ("filling", "soaking"):
            await link.publish(phase("far", word))
        await until(lambda: len(ear.on("soakmon/far/phase")) == 3)
        assert fleet.messages == heard
        # Who comes back sees what holds now.
        listener.look()
        await until(lambda: "far" in fleet.benches)
        assert fleet.benches["far"]["phase"].values["phase"] == "soaking"
        assert listener.connections == 2
    await listener.stop()
    assert not listener.listening


async def test_only_the_benches_of_a_shop(broker):
    clock = [0.0]
    listener = listener_of(broker, clock, shop="north")
    async with wire(broker) as link:
        listener.look()
        await until(lambda: listener.fleet.connected)
        # What is said comes in order: with the last bench the others would be there.
        for bench in ("far", "south/left", "north/left"):
            await link.publish(phase(bench))
        await until(lambda: listener.fleet.benches)
    assert set(listener.fleet.benches) == {"north/left"}
    await listener.stop()


async def test_settled_is_when_the_broker_has_given_what_it_kept(broker):
    section = bench_with(mqtt={"host": "127.0.0.1", "port": broker.port}).mqtt
    listener = FleetListener(section, Fleet(), "near")
    async with wire(broker) as link:
        for number in range(300):
            await link.publish(phase(f"bench-{number}"))
    listener.look()
    assert await listener.settled(10.0)
    assert len(listener.fleet.benches) == 300
    await listener.stop()


async def test_a_broker_that_is_not_there_is_told_and_tried_again(tmp_path, broker):
    broker.kill()
    section = bench_with(mqtt={"host": "127.0.0.1", "port": broker.port}).mqtt
    listener = FleetListener(section, Fleet(), "near")
    listener.look()
    assert not await listener.settled(10.0)
    assert "no connection" in listener.fleet.trouble
    broker.start()
    await until(lambda: listener.fleet.connected)
    assert listener.fleet.trouble == ""
    await listener.stop()
