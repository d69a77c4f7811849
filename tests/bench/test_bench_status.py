"""The one form of the status: what is sent of it, and what is read."""

from __future__ import annotations

from soakmon.bench.bench_status import AlarmStatus, BenchStatus
from soakmon.watch.phase import Phase

ALARM = {"t_s": 1.0, "kind": "weep", "carb": 2, "leak_g_per_h": 0.4, "text": "carb 2", "uid": "a"}


def test_what_was_never_set_is_not_sent():
    assert BenchStatus(phase=Phase.IDLE).as_dict() == {
        "schema": "soakmon.status/1",
        "phase": "idle",
    }
    sent = BenchStatus(phase=Phase.SOAKING, soak=3, verdict=None).as_dict()
    assert sent == {"schema": "soakmon.status/1", "phase": "soaking", "soak": 3, "verdict": None}


def test_what_was_sent_is_read_again_and_newer_keys_are_passed_over():
    status = BenchStatus(phase=Phase.SOAKING, alarms=[ALARM | {"acknowledged": True}], drops=[1, 2])
    assert BenchStatus.model_validate(status.as_dict() | {"of_tomorrow": 1}) == status


def test_alarms_wait_until_they_are_acknowledged():
    waiting, seen = AlarmStatus(**ALARM), AlarmStatus(**ALARM, acknowledged=True)
    assert BenchStatus(alarms=[seen, waiting]).waiting == [waiting]


def test_a_part_of_it_is_sent_for_who_has_the_rest():
    status = BenchStatus(phase=Phase.ENDED, mass_g=1.0, air_c=20.0)
    assert status.only({"mass_g", "drops"}).as_dict() == {"mass_g": 1.0}
    assert status.as_dict()["air_c"] == 20.0
    assert status.but(mass_g=2.0).as_dict() == status.as_dict() | {"mass_g": 2.0}
