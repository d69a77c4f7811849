"""What soaks and a known leak teach the next soak of their bench, and of no other."""

from __future__ import annotations

import json
from dataclasses import asdict
from datetime import UTC, datetime

import pytest
from sqlalchemy import select

from sim.scenarios import SCENARIOS
from soakmon.app.soak_context import context_for, context_provider
from soakmon.bench.preflight import check_context
from soakmon.bench_toml import parse_bench
from soakmon.records.identity import bench_id
from soakmon.records.jobs.models import StoredResult
from soakmon.records.jobs.store import Records
from soakmon.records.jobs.work import add_result
from soakmon.records.recall import recall
from soakmon.records.soak_context import context_from
from tests.app.job_soaks import LATER_S, calibrate, shown
from tests.bench.stepping import Stepped, short
from tests.desk import Desk

pytestmark = pytest.mark.long


def test_a_tight_soak_teaches_the_next_ones(tmp_path):
    """One soak of thirteen hours, without a job; two more like it; then a new one begins."""
    desk = Desk(tmp_path / "data")
    plain = short(13.0)
    described = plain.model_copy(
        update={"soak": plain.soak.model_copy(update={"criterion_g_per_day": 20.0})}
    )
    bench = Stepped(desk.folder, SCENARIOS["dry-rack"], bench=described, every_s=5.0)
    bench.service.context_for = context_provider(desk.folder, described, invented=True)
    bench.service.commands.start_soak("invented rack", None, cautions_confirmed=True)
    bench.run(14)
    assert bench.session.ended
    done = desk("report", "1")
    assert done.code == 0
    assert "kept for the bench's later soaks" in done.out
    # Once, however often its report is asked for.
    assert desk("report", "1").code == 0
    with Records(desk.folder) as records, records.session() as session:
        (kept,) = session.scalars(select(StoredResult))
        assert kept.job_id is None
        assert kept.data["evaporation"]["spare_g"] > 5
        for _ in range(2):
            add_result(session, None, kept.at, kind=kept.kind, summary="another",
                       data=kept.data, bench=kept.bench)  # fmt: skip
    bench.service.commands.start_soak("the next", None, cautions_confirmed=True)
    bench.run(0.02)
    past = bench.session.settings.priors.past
    assert past.soaks == 3
    assert past.scale != 1.0
    priors = bench.session.settings.priors
    assert priors.doubted < priors.doubt
    (check,) = [one for one in bench.session.checks if one.name == "past soaks"]
    assert check.passed
    assert check.text == past.text
    bench.service.commands.end("enough")
    bench.run(0.02)
    bench.journal.close()
    assert recall(desk.folder / "journal.db", 2).settings.priors.past == past
    done = desk("report", "2")
    assert done.code == 3, done.out
    assert past.text in shown(desk.folder / "reports" / "soak-2" / "report.html")
    # A real bench does not learn from rehearsals.
    assert context_provider(desk.folder, described, invented=False)(None, LATER_S).past.soaks == 0


def test_two_benches_of_one_name_that_share_their_records_do_not_teach_each_other(tmp_path):
    desk = Desk(tmp_path / "data")
    bench = parse_bench("")
    of = {
        "bottle": asdict(bench.settings().geometry.bottle),
        "hose": asdict(bench.settings().geometry.hose),
        "fuel": asdict(bench.settings().fuel),
    }
    del of["bottle"]["fill_ml"]
    evaporation = {"lost_g": 5.0, "feed_g": 4.0, "bowls_g": 1.0, "spare_g": 6.0, "of": of}
    calibrate(desk)
    own = bench_id(desk.folder)
    with Records(desk.folder) as records, records.session() as session:
        for _ in range(3):
            add_result(
                session, None, datetime.now(UTC), kind="soak", summary="tight",
                data={"evaporation": evaporation, "bench_id": own}, bench="bench",
            )  # fmt: skip

    def told():
        return context_for(desk.folder, None, 4, datetime.now(UTC), bench)

    assert told().past.soaks == 3
    assert "g per count" in told().calibration
    assert told().namesake == ""
    # Another bench that has the same records and the same name, but not the same data folder.
    (desk.folder / "bench_id").write_text("0123456789ab\n")
    assert told().past.soaks == 0
    assert "none on record" in told().calibration
    assert "another bench in these records is named bench too" in told().namesake
    (check,) = [one for one in check_context(told()) if one.name == "name"]
    assert not check.passed
    assert context_from(told().as_dict()).namesake == told().namesake


DRIP = {
    "gate": 1,
    "rates": [
        {
            "cup_g": [20, 20.5], "bottle_g": [450, 449.49], "minutes": 1440, "drops": 60,
            "first_min": 12,
        },
    ],
}  # fmt: skip


@pytest.mark.parametrize(("lost_g", "word"), [(0.51, "found 0.5 g/day"), (0.1, "DID NOT FIND")])
def test_a_known_leak_stands_in_preflight_report_and_capability(tmp_path, lost_g, word):
    desk = Desk(tmp_path / "data")
    form = json.loads(json.dumps(DRIP))
    form["rates"][0]["bottle_g"][1] = 450 - lost_g
    path = tmp_path / "drip.json"
    path.write_text(json.dumps(form))
    good = lost_g > 0.4
    assert desk("bench", "drip", "--from", str(path)).code == (0 if good else 1)
    told = context_for(desk.folder, None, 4, datetime.now(UTC), short())
    assert word in told.reference
    nights = desk("capability", "--nights", "1", "--tight", "--jobs", "1")
    assert f"This bench: {told.reference}" in nights.out.replace("\n", " ")
    (check,) = [one for one in check_context(told) if one.name == "known leak"]
    assert (check.passed, check.warning, check.text) == (good, True, told.reference)
    assert context_from(told.as_dict()).reference == told.reference
    bench = Stepped(desk.folder, SCENARIOS["dry-rack"], bench=short(1.0), every_s=2.0)
    bench.service.context_for = context_provider(desk.folder, bench.bench, invented=True)
    bench.start()
    bench.run(2.0)
    bench.journal.close()
    assert desk("report", "1").code == 3  # an hour proves nothing
    (page,) = desk.folder.glob("reports/*/report.html")
    assert told.reference in page.read_text(encoding="utf-8")
