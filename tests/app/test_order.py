"""What a report shows of bench.toml: all that decides, and nothing private."""

from __future__ import annotations

import tomllib

import pytest

from soakmon.app.order import snapshot
from soakmon.bench_toml import parse_bench
from soakmon.config import PRIVATE

PRIVATE_SPELLINGS = (
    "[phone]\nurls = ['json://hunter2']", "[ phone ]\nurls = ['json://hunter2']",
    '["phone"]\nurls = ["json://hunter2"]', "phone.urls = ['json://hunter2']",
    "'phone'.\"urls\" = ['json://hunter2']", "phone = {urls = ['json://hunter2']}",
    '["\\u0070hone"]\nurls = ["json://hunter2"]', "lookout.beat_url = 'http://hunter2'",
    "mqtt = {user = 'hunter2'}", "influx . org = 'hunter2'",
    "page = {host = 'hunter2', plain_on_network = true}",
    "# [phone] urls = ['json://hunter2']", "# the broker's password is hunter2",
)  # fmt: skip


@pytest.mark.parametrize("private", PRIVATE_SPELLINGS)
def test_a_report_keeps_to_itself_where_messages_go(private):
    """However it is spelt, and in comments too; what the bench is like stays."""
    own = f"bottle.fill_ml = 450 # hunter2\n{private}\n"
    for given in (True, False):
        shown = snapshot(parse_bench(own), given=given)
        assert "hunter2" not in shown
        assert not PRIVATE & set(tomllib.loads(shown))
        assert tomllib.loads(shown)["bottle"]["fill_ml"] == 450
    assert tomllib.loads(snapshot(parse_bench(own), given=True)) == {"bottle": {"fill_ml": 450}}
