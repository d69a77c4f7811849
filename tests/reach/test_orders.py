"""Bench, broker and lookout killed and restarted in every order: state consistent, none lost."""

from __future__ import annotations

import itertools

import pytest

from tests.bench.test_api import wait
from tests.reach.orders import Shop

pytestmark = pytest.mark.waits

ALARMS = 5


@pytest.fixture
def shop(tmp_path):
    shop = Shop(tmp_path)
    yield shop
    shop.close()


def test_killed_and_restarted_in_every_order(shop):
    shop.soak()
    for round_, order in enumerate(itertools.permutations(("bench", "broker", "lookout")), 1):
        for name in order:
            shop.kill(name)
        shop.journal_alarms(ALARMS)
        for name in order:
            shop.start(name)
        wait(shop.settled, 40)
        status, kept = shop.client.get("/status"), shop.retained()
        assert kept["availability"]["state"] == "online", order
        assert kept["phase"]["phase"] == kept["state"]["phase"] == status["phase"] == "isolating"
        assert kept["phase"]["soak"] == kept["state"]["soak"] == 1
        assert kept["state"]["alarms_waiting"] == len(status["alarms"]) >= ALARMS * round_
        assert ("verdict" in kept) is (status.get("verdict") is not None)
    heard = [alarm["id"] for alarm in shop.ear.on("soakmon/left/alarms")]
    assert sorted(set(heard)) == shop.alarms()
    wait(lambda: sum("invented" in m["message"] for m in shop.phone.got) >= 6 * ALARMS)
    rates = shop.connections_per_minute()
    print(", ".join(f"{name}: {rate:.1f} connections a minute" for name, rate in rates.items()))
    # One kill every few seconds; each side comes back by itself once or twice for each.
    assert max(rates.values()) < 40
    assert set(rates) >= {"bench", "lookout"}
    # And the lookout is awake: the bench goes, and it says so.
    before = len(shop.phone.got)
    shop.kill("bench")
    wait(lambda: any("left is silent" in m["title"] for m in shop.phone.got[before:]), 40)
