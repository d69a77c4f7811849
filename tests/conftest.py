"""For all tests: how long an example takes says nothing on a machine that has other work."""

from __future__ import annotations

from hypothesis import settings

settings.register_profile("unhurried", deadline=None)
settings.load_profile("unhurried")
