"""Drop gates on pins: raw edges with their own times, and drops out of them."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hardware.drop_gates import PinDropGates
from soakmon.bench.edges import DropMerger
from soakmon.bench.ports import Edge
from soakmon.errors import TroubleError
from tests.hardware.mock_gates import TimedFactory, Trains, play

PINS = (17, 27, 22, 23)
BOOT_S = 5000.0
BOTH_WAYS = pytest.mark.parametrize("high", [True, False], ids=["blocked high", "blocked low"])


def lit_gates(high: bool = True) -> tuple[TimedFactory, PinDropGates]:
    """Gates with their emitters on: all beams free, edges so far forgotten."""
    factory = TimedFactory()
    gates = PinDropGates(PINS, factory, lambda: factory.now_s + BOOT_S, blocked_is_high=high)
    for pin in PINS:
        factory.pin(pin).drive_at(not high, factory.now_s)
    gates.edges()
    return factory, gates


@BOTH_WAYS
def test_edges_carry_their_own_times_on_the_clock_of_the_bench(high):
    factory, gates = lit_gates(high)
    trains = Trains()
    trains.block(2, 3.0, 0.004)
    play(factory, PINS, trains.in_order(), high)
    factory.now_s = 60.0  # the service asks much later
    assert gates.edges() == [Edge(2, BOOT_S + 3.0, True), Edge(2, BOOT_S + 3.004, False)]
    assert gates.edges() == []


@BOTH_WAYS
def test_blocked_beams_are_known(high):
    factory, gates = lit_gates(high)
    assert gates.blocked() == (False,) * 4
    factory.pin(22).drive_at(high, 1.0)
    assert gates.blocked() == (False, False, True, False)
    gates.close()
    assert gates.blocked() == (None,) * 4


@BOTH_WAYS
def test_a_cut_wire_reads_as_a_blocked_beam(high):
    gates = PinDropGates(PINS, TimedFactory(), lambda: 0.0, blocked_is_high=high)
    assert gates.blocked() == (True,) * 4


def test_edges_of_several_gates_come_in_order_of_time():
    factory, gates = lit_gates()
    for t_s, pin, level in [(2.0, 27, True), (1.0, 17, True), (2.5, 17, False), (2.25, 27, False)]:
        factory.pin(pin).drive_at(level, t_s)
    edges = gates.edges()
    assert [edge.t_s for edge in edges] == [BOOT_S + t_s for t_s in (1.0, 2.0, 2.25, 2.5)]
    assert [edge.gate for edge in edges] == [0, 1, 1, 0]


@given(
    falls=st.lists(
        st.tuples(st.integers(0, 3), st.floats(0, 600), st.floats(0.001, 0.02)), max_size=20
    ),
    asked_every=st.integers(1, 50),
    seed=st.integers(0, 2**32),
)
@settings(max_examples=60, deadline=None, derandomize=True)
def test_drops_through_pins_and_merger_are_the_drops(falls, asked_every, seed):
    factory, gates = lit_gates()
    trains, last_s, truth = Trains(seed), dict.fromkeys(range(4), -1.0), [0] * 4
    for gate, t_s, lasts_s in sorted(falls, key=lambda fall: fall[1]):
        if t_s - last_s[gate] > 0.1:
            trains.drop(gate, t_s, lasts_s)
            trains.glitch(gate, t_s + 0.05)
            last_s[gate] = t_s
            truth[gate] += 1
    merger, found = DropMerger(4), []
    changes = trains.in_order()
    for start in range(0, len(changes), asked_every):
        play(factory, PINS, changes[start : start + asked_every])
        found += merger.push(gates.edges(), factory.ticks() + BOOT_S)
    found += merger.push([], 1e4)
    assert [sum(drop.gate == gate for drop in found) for gate in range(4)] == truth


def test_the_pins_debounce_nothing():
    factory, gates = lit_gates()
    assert all(factory.pin(pin).bounce is None for pin in PINS)
    assert gates.count == 4


def test_no_gates_need_no_pins():
    gates = PinDropGates((), None, lambda: 0.0)
    assert (gates.count, gates.edges(), gates.blocked()) == (0, [], ())
    gates.close()


def test_a_pin_named_twice_lets_go_of_the_others():
    factory = TimedFactory()
    with pytest.raises(TroubleError, match=r"gates\.pins: GPIO 17 cannot be used"):
        PinDropGates((17, 27, 17), factory, lambda: 0.0)
    PinDropGates((17, 27), factory, lambda: 0.0)
