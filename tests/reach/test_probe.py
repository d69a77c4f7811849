"""`soakmon check` tries broker, database and addresses once."""

from __future__ import annotations

import pytest

from soakmon.bench.preflight import check_outlets
from soakmon.reach.probe import probe
from tests.reach.bench import bench_with
from tests.reach.broker import Broker
from tests.reach.database import TOKEN, Database


def said(board) -> list[tuple[str, bool, str]]:
    return [(c.name, c.passed, c.text) for c in check_outlets(board.listed(), phone_needed=False)]


async def test_all_are_there_and_none_is(tmp_path, monkeypatch):
    monkeypatch.setenv("SOAKMON_INFLUX_TOKEN", TOKEN)
    broker, database = Broker(tmp_path).start(), Database()
    bench = bench_with(
        mqtt={"enabled": True, "port": broker.port, "host": "127.0.0.1"},
        influx={"enabled": True, "url": database.url},
        phone={"enabled": True, "urls": ["json://a.invented", "mailto://u:p@b.invented"]},
    )
    try:
        assert [passed for _, passed, _ in said(await probe(bench))] == [True] * 3
    finally:
        broker.kill()
        database.close()
    assert not database.points
    bench = bench_with(
        mqtt=bench.mqtt.model_dump(),
        influx=bench.influx.model_dump(),
        phone={"enabled": True, "urls": ["nosuch://geheim", "json://a.invented"]},
    )
    found = {name: text for name, passed, text in said(await probe(bench)) if not passed}
    assert "Connection refused" in found["influx"]
    assert "no connection" in found["mqtt"]
    assert found["phone"] == (
        "NOBODY WILL BE TOLD of an alarm: first/1 (nosuch): the address is not understood"
    )


@pytest.mark.parametrize("needed", [True, False])
async def test_what_is_off_is_not_tried(needed):
    checks = check_outlets((await probe(bench_with())).listed(), phone_needed=needed)
    assert [(c.name, c.passed, c.warning) for c in checks] == [("phone", False, not needed)]
