"""Commands that come in over MQTT, and who may give them."""

from __future__ import annotations

import subprocess

from tests.reach.bench import until
from tests.reach.broker import Broker, Ear, say, tool
from tests.reach.test_mqtt import outlet_of, running


async def test_commands_only_when_allowed(broker, ear, tmp_path):
    outlet = outlet_of(tmp_path, broker.port)
    async with running(outlet):
        await until(lambda: ear.on("soakmon/bench/state"))
        say(broker, "soakmon/bench/command/isolate", "")
        await until(lambda: len(ear.on("soakmon/bench/state")) > 2)
    assert outlet.service.done == []


async def test_commands(broker, ear, tmp_path):
    say(broker, "soakmon/bench/command/isolate", '{"reason": "old"}', "-r")
    outlet = outlet_of(tmp_path, broker.port, commands=True)

    def results():
        return [(r["command"], r["result"]) for r in ear.on("soakmon/bench/result")]

    async with running(outlet):
        await until(results)
        assert results()[0] == ("isolate", "ignored: a retained command may be old")
        for name, payload in [
            ("acknowledge", ""), ("isolate", '{"reason": "smell"}'), ("end", "{}"),
            ("isolate", "{"), ("isolate", '{"open": true}'), ("isolate", '{"reason": 3}'),
            ("open", ""), ("feed", ""), ("isolate", "[" * 1999), ("isolate", "[" * 9999),
        ]:  # fmt: skip
            say(broker, f"soakmon/bench/command/{name}", payload)
        await until(lambda: len(results()) == 9)
    assert outlet.service.done == [("acknowledge", "by MQTT"), ("isolate", "smell")]
    assert ("end", "refused: no soak is running") in results()
    assert sum(result.startswith("refused") for _, result in results()) == 6


async def test_the_brokers_access_list_decides_who_commands(tmp_path, monkeypatch):
    users, new = str(tmp_path / "users"), ["-c"]
    for name in ("bench", "owner", "guest"):
        command = [tool("mosquitto_passwd"), *new, "-b", users, name, f"{name}-word"]
        subprocess.run(command, check=True)
        new = []
    (tmp_path / "rights").write_text(
        "user bench\ntopic readwrite soakmon/bench/#\n"
        "user owner\ntopic readwrite soakmon/bench/#\n"
        "user guest\ntopic read soakmon/bench/#\n"
    )
    lines = f"allow_anonymous false\npassword_file {users}\nacl_file {tmp_path / 'rights'}\n"
    broker = Broker(tmp_path, lines).start()
    ear = Ear(broker, tmp_path, "-u", "guest", "-P", "guest-word")
    monkeypatch.setenv("SOAKMON_MQTT_PASSWORD", "bench-word")
    outlet = outlet_of(tmp_path, broker.port, commands=True, user="bench")
    try:
        async with running(outlet):
            await until(lambda: ear.on("soakmon/bench/state"))
            for name in ("guest", "owner"):
                for order in ("isolate", "open", "feed", "start"):
                    asked = f'{{"reason": "{name}"}}'
                    key = ("-u", name, "-P", f"{name}-word")
                    say(broker, f"soakmon/bench/command/{order}", asked, *key)
            await until(lambda: ear.on("soakmon/bench/result"))
            await until(lambda: len(ear.on("soakmon/bench/state")) > 3)
    finally:
        ear.close()
        broker.kill()
    assert outlet.service.done == [("isolate", "owner")]
