"""Edges into drops: exactly the drops, whatever the wires do."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from soakmon.bench.edges import DEAD_TIME_S, Drop, DropMerger
from soakmon.bench.ports import Edge
from tests.hardware.mock_gates import RING_S, Trains

LATE_S = 1e6
GAP_S = DEAD_TIME_S + 2 * RING_S + 0.001


def edges(trains: Trains) -> list[Edge]:
    return [Edge(change.gate, change.t_s, change.blocked) for change in trains.in_order()]


def one(*changes: tuple[float, bool], gate: int = 0) -> list[Edge]:
    return [Edge(gate, t_s, blocked) for t_s, blocked in changes]


def began(drop: Drop) -> tuple[float, int]:
    return drop.t_s, drop.gate


def merged(all_edges: list[Edge], gates: int = 1) -> list[Drop]:
    """The drops in these edges, long after them."""
    return DropMerger(gates).push(all_edges, LATE_S)


@st.composite
def drop_trains(draw):
    """Drops at up to four gates with ringing, and glitches anywhere; true times per gate."""
    trains = Trains(draw(st.integers(0, 2**32)))
    truth: dict[int, list[float]] = {}
    for gate in range(draw(st.integers(1, 4))):
        t_s, truth[gate] = draw(st.floats(0, 1)), []
        for gap_s in draw(st.lists(st.floats(0, 2), max_size=12)):
            lasts_s = draw(st.floats(0.001, 0.2))
            trains.drop(gate, t_s, lasts_s, rings=draw(st.integers(0, 4)))
            truth[gate].append(t_s)
            t_s += lasts_s + GAP_S + gap_s
        for glitch_s in draw(st.lists(st.floats(0, 10), max_size=6)):
            trains.glitch(gate, glitch_s)
    return trains, truth


@given(drop_trains())
@settings(max_examples=150, deadline=None, derandomize=True)
def test_drops_with_ringing_and_glitches_are_exactly_the_drops(case):
    trains, truth = case
    found = merged(edges(trains), 4)
    for gate, times in truth.items():
        starts = sorted(drop.t_s for drop in found if drop.gate == gate)
        assert len(starts) == len(times)
        assert all(0 <= s - t <= RING_S + 1e-9 for s, t in zip(starts, times, strict=True))


@given(drop_trains(), st.lists(st.integers(0, 400), max_size=8))
@settings(max_examples=60, deadline=None, derandomize=True)
def test_it_does_not_matter_how_the_edges_are_handed_over(case, cuts):
    all_edges = edges(case[0])
    merger, found, last = DropMerger(4), [], 0
    for cut in [*sorted(cuts), len(all_edges)]:
        piece, last = all_edges[last : max(cut, last)], max(cut, last)
        found += merger.push(piece, piece[-1].t_s if piece else 0.0)
    found += merger.push([], LATE_S)
    assert sorted(found, key=began) == sorted(merged(all_edges, 4), key=began)


@given(st.floats(1.01, 3600), st.integers(0, 6), st.integers(0, 2**32))
@settings(max_examples=60, deadline=None, derandomize=True)
def test_a_beam_blocked_for_long_is_no_drop_however_it_rings_when_free(lasts_s, rings, seed):
    trains = Trains(seed)
    trains.block(0, 5.0, lasts_s)
    trains._ring(0, 5.0 + lasts_s, rings)
    assert merged(edges(trains)) == []


@given(drop_trains())
@settings(max_examples=60, deadline=None, derandomize=True)
def test_gates_do_not_mix(case):
    all_edges = edges(case[0])
    together = merged(all_edges, 4)
    for gate in range(4):
        alone = merged([edge for edge in all_edges if edge.gate == gate], 4)
        assert alone == [drop for drop in together if drop.gate == gate]


@given(st.lists(st.tuples(st.floats(0, 100), st.booleans()), max_size=60))
@settings(max_examples=100, deadline=None, derandomize=True)
def test_any_edges_at_all_give_drops_that_began_at_one_of_them(changes):
    found = merged(one(*sorted(changes)))
    starts = [drop.t_s for drop in found]
    assert all((t_s, True) in changes for t_s in starts)
    assert all(later - earlier >= DEAD_TIME_S for earlier, later in pairwise(starts))


def test_the_tail_of_a_slow_drop_is_not_another():
    slow = one((0, True), (0.2, False), (0.201, True), (0.202, False))
    assert merged(slow) == [Drop(0, 0, pytest.approx(0.201))]


def test_a_drop_after_a_lost_edge_still_counts():
    lost = one((0, True), (50, True), (50.005, False))
    assert merged(lost) == [Drop(0, 50, pytest.approx(0.005))]


def test_two_drops_just_beyond_the_dead_time_are_two():
    second_s = 0.0051 + DEAD_TIME_S
    two = one((0, True), (0.005, False), (second_s, True), (second_s + 0.005, False))
    assert len(merged(two)) == 2


@pytest.mark.parametrize("per_s", [10, 16, 25, 28, 30, 40, 80])
def test_a_stream_is_counted_as_one(per_s):
    """Faster than gates tell drops apart the count stays high; it must not fall to one a second."""
    times = [k / per_s for k in range(10 * per_s)]
    stream = [c for t in times for c in ((t, True), (t + 0.006, False))]
    found = len(merged(one(*stream)))
    assert found == 100 if per_s == 10 else 70 < found <= 160


def test_a_satellite_is_of_the_drop_it_follows():
    trains = Trains()
    trains.drop(0, 1.0, 0.004)
    trains.satellite(0, 1.0)
    (drop,) = merged(edges(trains))
    assert 0.004 < drop.dark_s < 0.0075


def test_a_drop_is_told_once_its_beam_has_been_free_for_the_dead_time():
    merger = DropMerger(1)
    assert merger.push(one((1.0, True), (1.004, False)), 1.01) == []
    assert merger.push([], 1.004 + DEAD_TIME_S - 0.001) == []
    assert merger.push([], 1.004 + DEAD_TIME_S + 0.001) == [Drop(0, 1.0, pytest.approx(0.004))]
    assert merger.push([], 9.0) == []


def test_a_drop_is_told_although_something_comes_into_the_way_after_it():
    merger = DropMerger(1)
    found = merger.push(one((1.0, True), (1.004, False), (1.5, True)), 30.0)
    assert [drop.t_s for drop in found] == [1.0]
    assert merger.push(one((4000.0, False)), 4001.0) == []


def test_what_rings_as_it_comes_into_the_way_and_stays_is_no_drop():
    stays = one((1.0, True), (1.001, False), (1.002, True), (60.0, False))
    assert merged(stays) == []


def test_switched_loads_and_insects_are_no_drops():
    trains = Trains(3)
    trains.switched(0, 10.0)
    trains.insect(0, 20.0)
    assert merged(edges(trains)) == []


def test_a_beam_that_was_blocked_from_the_start_is_no_drop():
    assert merged(one((0.01, False))) == []


def test_a_stream_that_never_lets_the_beam_alone_goes_on_counting():
    stream = [change for k in range(500) for change in ((0.02 * k, True), (0.02 * k + 0.01, False))]
    assert len(merged(one(*stream))) == 125
