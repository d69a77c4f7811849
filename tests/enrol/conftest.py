"""A hall's servers for the tests of enrolling: broker with its access list, store, database."""

from __future__ import annotations

import os
import signal
from pathlib import Path

import pytest

from soakmon.enrol.broker_access import access_list
from tests.reach.broker import Broker
from tests.records.jobs.conftest import postgres_url  # noqa: F401 - a fixture


class GuardedBroker(Broker):
    """mosquitto that lets in whom the files of enrol name."""

    def __init__(self, folder: Path) -> None:
        self.passwords, self.access = folder / "passwords", folder / "access"
        self.passwords.touch()
        self.access.write_text(access_list([]))
        for file in (self.passwords, self.access):
            file.chmod(0o644)
        more = f"allow_anonymous false\npassword_file {self.passwords}\nacl_file {self.access}\n"
        super().__init__(folder, more)

    def reload(self) -> None:
        """As systemctl reload does."""
        os.kill(self.process.pid, signal.SIGHUP)

    @property
    def servers_toml(self) -> str:
        """Its part of servers.toml."""
        return (
            f'[broker]\nhost = "127.0.0.1"\nport = {self.port}\n'
            f'password_file = "{self.passwords}"\naccess_file = "{self.access}"\n'
            f'reload = ["kill", "-HUP", "{self.process.pid}"]\n'
        )


@pytest.fixture
def broker(tmp_path):
    place = tmp_path / "broker"
    place.mkdir()
    broker = GuardedBroker(place).start()
    yield broker
    broker.kill()
