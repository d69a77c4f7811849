"""The false-alarm budget: its shares by number, and that they never sum to more than the whole."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from soakmon.watch.budget import Budget


def test_the_shares_are_those_of_the_table_in_the_readme():
    budget = Budget(0.01, 4)
    shares = (budget.weep_mass, budget.weep_gate, budget.running, budget.closing, budget.balance)
    assert shares == pytest.approx((0.0005, 0.39 * 0.01 / 4, 0.0001, 0.004, 0.001))
    blind = Budget(0.01, 0)
    assert (blind.weep_mass, blind.weep_gate) == pytest.approx((0.0044, 0.0))


@given(st.floats(1e-6, 0.5), st.integers(0, 12))
def test_all_shares_together_are_no_more_than_the_whole(total, gates):
    budget = Budget(total, gates)
    alone = budget.weep_mass + gates * budget.weep_gate
    assert alone + budget.running + budget.closing + budget.balance <= total * (1 + 1e-12)


def test_of_few_gates_each_has_no_more_than_of_four():
    assert Budget(0.01, 1).weep_gate == Budget(0.01, 4).weep_gate
    assert Budget(0.01, 8).weep_gate == pytest.approx(Budget(0.01, 4).weep_gate / 2)
