"""Who may what on a real broker, by the files that enrolling writes."""

from __future__ import annotations

import asyncio
import subprocess

import pytest

from soakmon.enrol.broker_access import LOOKOUT, SCREEN, BrokerAccess, password_line
from soakmon.enrol.servers import BrokerPlace
from soakmon.errors import InputError
from soakmon.reach.health import State
from soakmon.reach.mqtt import connect
from soakmon.reach.supervise import ReachError
from soakmon.reach.topics import Message
from tests.reach.bench import bench_with, until
from tests.reach.broker import tool
from tests.reach.test_mqtt import outlet_of, running

USERS = {name: f"of {name}" for name in ("north/left", "north/right", "south/left", "alone")}


@pytest.fixture
def access(broker):
    place = BrokerPlace(
        host="127.0.0.1", port=broker.port, password_file=str(broker.passwords),
        access_file=str(broker.access), reload=("kill", "-HUP", str(broker.process.pid)),
    )  # fmt: skip
    access = BrokerAccess(place)
    for user, password in {**USERS, LOOKOUT: "looks", SCREEN: "shows"}.items():
        access.let_in(user, password)
    return access


def section_of(broker, user: str, tmp_path, password: str | None = None):
    file = tmp_path / f"{user.replace('/', '-')}.password"
    file.write_text(USERS.get(user, "") if password is None else password)
    return bench_with(
        mqtt={
            "enabled": True, "host": "127.0.0.1", "port": broker.port, "user": user,
            "password_file": str(file),
        }
    ).mqtt  # fmt: skip


async def heard(broker, tmp_path, who: str, topic: str, writer: str) -> bool:
    """Whether one hears what another writes on a topic."""
    passwords = {LOOKOUT: "looks", SCREEN: "shows"}
    there, came = asyncio.Event(), asyncio.Event()
    async with (
        connect(section_of(broker, who, tmp_path, passwords.get(who)), f"ear-{who}") as ear,
        connect(section_of(broker, writer, tmp_path, passwords.get(writer)), "mouth") as mouth,
    ):

        async def listen() -> None:
            async for received in ear.listen([topic], there.set, qos=1):
                assert received.topic == topic
                came.set()

        listening = asyncio.create_task(listen())
        await asyncio.sleep(0)
        try:
            await asyncio.wait_for(there.wait(), 5)
            await mouth.publish(Message(topic, "said", retain=False))
            await asyncio.wait_for(came.wait(), 0.5)
        except (TimeoutError, ReachError):
            return False
        finally:
            listening.cancel()
            await asyncio.gather(listening, return_exceptions=True)
    return True


@pytest.mark.parametrize(
    ("who", "topic", "writer", "may"),
    [
        ("north/left", "soakmon/north/left/alarms", "north/left", True),
        ("alone", "soakmon/alone/state", "alone", True),
        # Of its shop a bench reads what a list shows, and nothing else; of others nothing.
        ("north/left", "soakmon/north/right/state", "north/right", True),
        ("north/left", "soakmon/north/right/alarms", "north/right", False),
        ("north/left", "soakmon/south/left/state", "south/left", False),
        ("alone", "soakmon/south/left/state", "south/left", False),
        # Nobody speaks for another.
        (LOOKOUT, "soakmon/north/left/state", "north/right", False),
        (LOOKOUT, "soakmon/north/left/state", "south/left", False),
        (LOOKOUT, "soakmon/north/left/command/end", "alone", False),
        (LOOKOUT, "soakmon/_lookout/_all", "alone", False),
        (LOOKOUT, "soakmon/north/left/command/end", SCREEN, False),
        (LOOKOUT, "soakmon/north/left/command/end", LOOKOUT, False),
        # Who watches hears all, and two of them hear each other.
        (LOOKOUT, "soakmon/north/left/alarms", "north/left", True),
        (LOOKOUT, "soakmon/_lookout/_all", LOOKOUT, True),
        (SCREEN, "soakmon/south/left/verdict", "south/left", True),
        (SCREEN, "soakmon/south/left/alarms", "south/left", False),
        # A copied card is noticed whatever it is called.
        ("alone", "soakmon/_identity/1234", "south/left", True),
    ],
)
async def test_who_may_what(  # noqa: PLR0917
    broker, access, tmp_path, who, topic, writer, may
):
    assert await heard(broker, tmp_path, who, topic, writer) is may


async def test_a_bench_that_was_let_in_is_well_and_tells_its_alarms(broker, access, tmp_path):
    section = section_of(broker, "north/left", tmp_path)
    folder = tmp_path / "bench"
    folder.mkdir()
    outlet = outlet_of(
        folder, broker.port, named={"name": "left", "shop": "north"}, user=section.user,
        password_file=section.password_file,
    )  # fmt: skip
    async with running(outlet):
        outlet.service.start()
        outlet.service.alarm()
        await until(lambda: outlet.outbox.events_waiting() == 0)
        await until(lambda: outlet.board.listed()[0].state == State.UP)
        assert outlet.board.listed()[0].last_error == ""


async def test_new_secrets_end_the_old_and_who_is_shut_out_stays_out(broker, access, tmp_path):
    async with connect(section_of(broker, "alone", tmp_path), "one"):
        pass
    access.let_in("alone", "another")
    with pytest.raises(ReachError):
        async with connect(section_of(broker, "alone", tmp_path), "two"):
            pass
    async with connect(section_of(broker, "alone", tmp_path, "another"), "three"):
        pass
    assert access.shut_out("alone")
    assert not access.shut_out("alone")
    with pytest.raises(ReachError):
        async with connect(section_of(broker, "alone", tmp_path, "another"), "four"):
            pass
    assert set(access.users()) == {*USERS, LOOKOUT, SCREEN} - {"alone"}


async def said_for_ever(link, message: Message) -> None:
    """As long as the connection stands, five seconds at most."""
    for _ in range(100):
        await link.publish(message)
        await asyncio.sleep(0.05)


async def test_who_is_shut_out_loses_the_connection_that_stands(broker, access, tmp_path):
    async with connect(section_of(broker, "alone", tmp_path), "stands") as link:
        message = Message("soakmon/alone/x", "said", retain=False)
        await link.publish(message)
        access.shut_out("alone")
        with pytest.raises(ReachError):
            await said_for_ever(link, message)
        # The others stay.
        async with connect(section_of(broker, "north/left", tmp_path), "other") as other:
            await other.publish(Message("soakmon/north/left/x", "said", retain=False))


def test_passwords_are_as_the_brokers_own_tool_makes_them(broker, tmp_path):
    """It changes nothing of a file whose passwords it finds in its own form."""
    file = tmp_path / "passwords"
    line = password_line("alone", "a secret")
    file.write_text(f"{line}\n")
    subprocess.run([tool("mosquitto_passwd"), "-b", str(file), "other", "word"], check=True)
    lines = file.read_text().splitlines()
    assert lines[0] == line
    assert lines[1].startswith("other:$7$")


def test_a_broker_that_does_not_reload_is_told_and_files_keep_their_mode(broker, access):
    assert broker.passwords.stat().st_mode & 0o777 == 0o644
    access.place = access.place.model_copy(update={"reload": ("false",)})
    with pytest.raises(InputError, match="was not told of it"):
        access.let_in("late", "word")
