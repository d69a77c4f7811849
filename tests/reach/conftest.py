"""Targets of messages for the tests of what leaves the bench."""

from __future__ import annotations

import pytest

from tests.reach.targets import HttpTarget, MailTarget, PushServer


@pytest.fixture
def http():
    target = HttpTarget()
    yield target
    target.close()


@pytest.fixture
def mail(tmp_path):
    target = MailTarget(tmp_path)
    yield target
    target.close()


@pytest.fixture
def push():
    target = PushServer()
    yield target
    target.close()
