"""A hundred and twenty histories; `python -m tests.faults` makes as many as you like."""

from __future__ import annotations

import pytest
from hypothesis import Phase, settings

from tests.faults.machine import Histories

pytestmark = pytest.mark.long

TestHistories = Histories.TestCase
TestHistories.settings = settings(
    max_examples=120, stateful_step_count=12, deadline=None, derandomize=True, print_blob=True,
    # A failing history is made small by `python -m tests.faults --shrink`: that takes minutes.
    phases=(Phase.generate,),
)  # fmt: skip
