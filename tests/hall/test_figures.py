"""What halls cost is written down and read again; what grows with the benches has exponent 1.00."""

from __future__ import annotations

import re

import pytest

from tests.hall.__main__ import exponents, figures
from tests.hall.run import IDLE_S, SERVERS, Told
from tests.hall.servers import Cost


def hall(benches: int, power: float, looking_s: float = 0.0) -> Told:
    """A server that takes 30 ms/s with nobody, and 2 ms/s for a bench, growing by a power."""
    quiet_s, grown = 200.0, benches**power
    cost = Cost(0.03 * quiet_s + 0.002 * grown * quiet_s, round(1e4 * grown),
                round(50 * grown * quiet_s), round(90 * grown * quiet_s))  # fmt: skip
    idle = Cost(0.03 * IDLE_S + looking_s, 0, 0, 0)
    return Told(benches, quiet_s, dict.fromkeys(SERVERS, cost), dict.fromkeys(SERVERS, idle))


def printed(out: str) -> list[float]:
    return [float(one) for one in re.findall(r": (-?[\d.]+) over", out)]


@pytest.mark.parametrize("power", [0.5, 1.0, 1.97])
def test_exponents_are_those_of_what_the_benches_cost(power, tmp_path, capsys):
    file = tmp_path / "figures"
    for benches in (10, 100):
        figures(file, [hall(benches, power)])
    exponents(figures(file, [hall(1000, power)]))
    found = printed(capsys.readouterr().out)
    assert len(found) == 4 * len(SERVERS)
    assert found == pytest.approx([power] * len(found), abs=0.02)


def test_what_looking_costs_makes_an_exponent_that_is_none(capsys):
    """So it must be taken off what the server is thought to need by itself."""
    exponents([hall(benches, 1.0, looking_s=0.5) for benches in (10, 100, 1000)])
    assert max(printed(capsys.readouterr().out)) > 1.05


def test_looking_is_taken_off_and_memory_stays():
    looking = Cost(0.1, 500, 20, 30)
    assert Cost(1.1, 4000, 120, 130).without(looking) == Cost(1.0, 4000, 100, 100)
