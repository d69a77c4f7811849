"""Edges into drops: exactly the drops, whatever the wires do."""

from __future__ import annotations

from itertools import pairwise

from hypothesis import given, settings
from hypothesis import strategies as st

from sim.mock_gates import RING_S, Trains
from soakmon.bench.edges import DEAD_TIME_S, DropMerger
from soakmon.bench.ports import Edge

GAP_S = DEAD_TIME_S + 2 * RING_S + 0.001


def edges(trains: Trains) -> list[Edge]:
    return [Edge(change.gate, change.t_s, change.blocked) for change in trains.in_order()]


def one(*changes: tuple[float, bool], gate: int = 0) -> list[Edge]:
    return [Edge(gate, t_s, blocked) for t_s, blocked in changes]


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
    found = DropMerger(4).push(edges(trains))
    for gate, times in truth.items():
        began = sorted(drop.t_s for drop in found if drop.gate == gate)
        assert len(began) == len(times)
        assert all(0 <= b - t <= RING_S + 1e-9 for b, t in zip(began, times, strict=True))


@given(drop_trains(), st.lists(st.integers(0, 400), max_size=8))
@settings(max_examples=60, deadline=None, derandomize=True)
def test_it_does_not_matter_how_the_edges_are_handed_over(case, cuts):
    all_edges = edges(case[0])
    merger, found, last = DropMerger(4), [], 0
    for cut in [*sorted(cuts), len(all_edges)]:
        found += merger.push(all_edges[last : max(cut, last)])
        last = max(cut, last)
    assert found == DropMerger(4).push(all_edges)


@given(st.floats(1.01, 3600), st.integers(0, 6), st.integers(0, 2**32))
@settings(max_examples=60, deadline=None, derandomize=True)
def test_a_beam_blocked_for_long_is_no_drop_however_it_rings_when_free(lasts_s, rings, seed):
    trains = Trains(seed)
    trains.block(0, 5.0, lasts_s)
    trains._ring(0, 5.0 + lasts_s, rings)
    assert DropMerger(1).push(edges(trains)) == []


@given(drop_trains())
@settings(max_examples=60, deadline=None, derandomize=True)
def test_gates_do_not_mix(case):
    all_edges = edges(case[0])
    together = DropMerger(4).push(all_edges)
    for gate in range(4):
        alone = DropMerger(4).push([edge for edge in all_edges if edge.gate == gate])
        assert alone == [drop for drop in together if drop.gate == gate]


@given(st.lists(st.tuples(st.floats(0, 100), st.booleans()), max_size=60))
@settings(max_examples=100, deadline=None, derandomize=True)
def test_any_edges_at_all_give_drops_that_began_at_one_of_them(changes):
    found = DropMerger(1).push(one(*sorted(changes)))
    starts = [drop.t_s for drop in found]
    assert all((t_s, True) in changes for t_s in starts)
    assert all(later - earlier >= DEAD_TIME_S for earlier, later in pairwise(starts))


def test_the_tail_of_a_slow_drop_is_not_another():
    slow = one((0, True), (0.2, False), (0.201, True), (0.202, False))
    assert DropMerger(1).push(slow) == one((0, True))


def test_a_drop_after_a_lost_edge_still_counts():
    lost = one((0, True), (50, True), (50.005, False))
    assert DropMerger(1).push(lost) == one((50, True))


def test_two_drops_just_beyond_the_dead_time_are_two():
    two = one((0, True), (0.005, False), (0.0351, True), (0.04, False))
    assert len(DropMerger(1).push(two)) == 2


def test_a_beam_that_was_blocked_from_the_start_is_no_drop():
    assert DropMerger(1).push(one((0.01, False))) == []


def test_a_stream_that_never_lets_the_beam_alone_goes_on_counting():
    stream = [change for k in range(500) for change in ((0.02 * k, True), (0.02 * k + 0.01, False))]
    assert 8 <= len(DropMerger(1).push(one(*stream))) <= 12
