"""What an open page is sent: all of the state once, then what changed."""

from __future__ import annotations

import time

from soakmon.watch.phase import Phase


def asked(client, seen=0, wait_s=0.0):
    query = {"seen": seen, "wait_s": wait_s, "changes": True}
    return client.get("/api/live", params=query).json()


def test_only_what_changed_is_sent(paged):
    looker = paged.signed_in("look")
    paged.service.threads.stop()
    first = asked(looker)
    assert first["since"] is None
    assert first["status"]["bench"] == "bench"
    known = paged.service.status.model_fields_set - {"latch"}
    paged.service.status = paged.service.status.only(known).but(phase=Phase.ENDED, mass_g=1.0)
    following = asked(looker, first["seen"], 5.0)
    assert following["since"] == first["seen"]
    assert following["status"] == {"phase": "ended", "mass_g": 1.0}
    assert following["gone"] == ["latch"]


def test_numbers_that_drift_come_every_few_seconds_and_what_matters_at_once(paged):
    looker = paged.signed_in("look")
    paged.service.threads.stop()
    first = asked(looker)
    paged.service.status = paged.service.status.but(mass_g=2.0)
    begun_s = time.monotonic()
    following = asked(looker, first["seen"], 10.0)
    assert 4.5 < time.monotonic() - begun_s < 7
    assert following["status"]["mass_g"] == 2.0
    paged.service.status = paged.service.status.but(mass_g=3.0, phase=Phase.ISOLATING)
    begun_s = time.monotonic()
    assert asked(looker, following["seen"], 10.0)["status"]["phase"] == "isolating"
    assert time.monotonic() - begun_s < 3


def test_who_has_seen_what_nobody_knows_any_more_is_sent_all(paged):
    looker = paged.signed_in("look")
    assert asked(looker, 17, 5.0)["since"] is None


def test_what_is_read_is_packed_and_files_are_not(paged):
    looker = paged.signed_in("look")
    headers = {"Accept-Encoding": "gzip"}
    assert looker.get("/api/bench", headers=headers).headers["content-encoding"] == "gzip"
    nothing = looker.get("/api/jobs/2026-0001/files/" + 64 * "0", headers=headers)
    assert "content-encoding" not in nothing.headers
