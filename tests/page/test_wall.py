"""The screen on the wall, in a browser: it fills by itself, and says when it is old."""

from __future__ import annotations

import json
import re
import subprocess
import sys
import time

import pytest
from playwright.sync_api import expect

from soakmon.page.door import Door
from soakmon.page.store import Role, Store
from soakmon.texts import texts
from tests.page.looking import DESK, look
from tests.page.served import PASSWORD, free_port
from tests.reach.broker import Broker, say


def payload(**values) -> str:
    now = time.strftime("%Y-%m-%dT%H:%M:%S+00:00", time.gmtime())
    return json.dumps({"taken_at": now} | values)


@pytest.fixture
def wall(tmp_path):
    """A broker with two benches, and the page that needs no bench; its address and process."""
    broker, port = Broker(tmp_path).start(), free_port()
    say(broker, "soakmon/left/phase", payload(phase="idle"), "-r")
    say(broker, "soakmon/north/right/phase", payload(phase="idle"), "-r")
    (tmp_path / "hall.toml").write_text(
        f"[mqtt]\nenabled = true\nport = {broker.port}\n[page]\nport = {port}\n"
    )
    store = Store(tmp_path / "page.db", 0.0)
    store.set_account("ada", Role.LOOK, Door(store).hash(PASSWORD))
    store.close()
    command = [
        sys.executable, "-m", "soakmon", "fleet", "--serve", "--bench", "hall.toml", "--data", ".",
    ]  # fmt: skip
    with subprocess.Popen(command, cwd=tmp_path, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        assert str(port) in process.stdout.readline()
        yield f"http://127.0.0.1:{port}", broker, process
        process.kill()
    broker.kill()


def test_the_wall_fills_by_itself_and_says_when_it_is_old(browser, wall):
    address, broker, process = wall
    words = texts()
    page = browser.new_context(base_url=address, **DESK).new_page()
    faults: list[str] = []
    page.on("pageerror", lambda error: faults.append(str(error)))
    page.goto("/")
    page.get_by_label(words["name"], exact=True).fill("ada")
    page.get_by_label(words["password"], exact=True).fill(PASSWORD)
    page.get_by_role("button", name=words["sign_in"], exact=True).click()
    names = page.locator("#list h2")
    expect(names).to_have_text(["left", "north / right"])
    expect(page.locator("#link")).to_have_text(words["live"])
    waiting = [{"kind": "weep", "carb": 2, "text": "leak at carb 2"}]
    say(broker, "soakmon/north/right/state", payload(alarms_waiting=1, waiting=waiting), "-r")
    expect(names).to_have_text(["north / right", "left"])
    expect(page.locator("#list section").first).to_contain_text("leak at carb 2")
    look(page, "wall")
    page.get_by_label(words["benches_search"]).fill("left")
    expect(names).to_have_text(["left"])
    page.get_by_label(words["benches_search"]).fill("")
    page.get_by_label(words["benches_which"]).select_option("needs")
    expect(names).to_have_text(["north / right"])
    process.kill()
    expect(page.locator("#unwatched")).to_be_visible(timeout=30_000)
    expect(page.locator("#link")).to_have_class(re.compile("lost"))
    assert faults == []
    page.context.close()
