"""How a rate wanders and how many drops an interval is: chances that sum to one."""

from __future__ import annotations

import numpy as np
import pytest

from soakmon.watch.rhythm import Rhythm, tracks_of

RHYTHMS = (Rhythm(40, 3, 0.02), Rhythm(40, 3, 0.35), Rhythm(8, 0, 0.3), Rhythm(1, 0))


@pytest.mark.parametrize("reach", [0, 1, 3])
def test_a_rate_goes_somewhere_and_mostly_stays(reach):
    wanders = Rhythm(40, reach).wanders
    assert wanders.sum(axis=1) == pytest.approx(1.0)
    assert np.all(wanders.diagonal() >= 0.79)


def test_a_rate_steps_by_one_unless_it_jumps():
    wanders = Rhythm(40, 3).wanders
    jump = 0.01 * np.exp(Rhythm(40, 3).log_first)
    assert wanders[3] - jump == pytest.approx([0, 0, 0.1, 0.79, 0.1, 0, 0])
    # None goes beyond the end: it stays where it is.
    assert wanders[0] - jump == pytest.approx([0.89, 0.1, 0, 0, 0, 0, 0])


@pytest.mark.parametrize("lost", [0.0, 0.1, 0.35])
def test_an_interval_is_some_number_of_drops(lost):
    in_one = Rhythm(40, 3, lost).in_one
    assert sum(chance for _, chance in in_one) == pytest.approx(1.0, abs=2e-3)
    mean = sum(drops * chance for drops, chance in in_one)
    assert mean == pytest.approx(1 / (1 - lost), rel=0.01)


def test_tracks_of_one_rhythm_never_lead_to_another():
    tracks = tracks_of(RHYTHMS)
    other = tracks.rhythm[:, None] != tracks.rhythm
    for chances in (tracks.wanders, tracks.begins):
        assert np.all(chances[other] == 0)
        assert chances.sum(axis=1) == pytest.approx(1.0)


def test_tracks_stand_in_the_order_of_their_rhythms():
    tracks = tracks_of(RHYTHMS)
    assert tracks.rhythm.tolist() == [0] * 7 + [1] * 7 + [2, 3]
    assert tracks.starts.tolist() == [0, 7, 14, 15]
    for rhythm, own in zip(RHYTHMS, tracks.own, strict=True):
        assert np.array_equal(tracks.rates[own], rhythm.rates)
        assert np.all(tracks.shape[own] == rhythm.shape)


def test_each_track_knows_its_numbers_of_drops():
    tracks = tracks_of(RHYTHMS)
    for track, start in enumerate(tracks.number_starts):
        assert tracks.track[start] == track
        rhythm = RHYTHMS[tracks.rhythm[track]]
        numbers = tracks.steps[tracks.track == track]
        assert numbers.tolist() == [drops * rhythm.shape for drops, _ in rhythm.in_one]
