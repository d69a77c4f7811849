"""For all tests: how long an example takes says nothing on a machine that has other work; and the
broker, with somebody who hears all that is said there.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import settings

from tests.reach.broker import Broker, Ear

settings.register_profile("unhurried", deadline=None)
settings.load_profile("unhurried")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Files that take a minute come first: begun last, one core would wait for them at the end."""
    items.sort(key=lambda item: item.get_closest_marker("long") is None)


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    broker = Broker(tmp_path).start()
    yield broker
    broker.kill()


@pytest.fixture
def ear(broker: Broker, tmp_path: Path) -> Iterator[Ear]:
    ear = Ear(broker, tmp_path)
    yield ear
    ear.close()
