"""Now and the curve in every state of a night, by day and night, in every size: axe and pictures.

The bench is stepped to the state fast, and goes on from there by the second; the page is real.
"""

from __future__ import annotations

import os
import threading
import time
from types import SimpleNamespace

import pytest
import uvicorn
from playwright.sync_api import expect

from sim.scenarios import SCENARIOS
from soakmon.app.report_queue import ReportQueue
from soakmon.bench.guide_api import GuideDesk
from soakmon.bench.resume import take_up
from soakmon.page.app import build_page
from soakmon.page.door import Door
from soakmon.page.store import Role, Store
from tests.bench.stepping import Stepped, short
from tests.page.looking import DESK, PHONE, by_day, look, opened, sign_in
from tests.page.served import PASSWORD, free_port

SMALL = {"viewport": {"width": 320, "height": 568}, "is_mobile": True, "has_touch": True}
SIZES = {"390-dark": (PHONE, "dark"), "320-light": (SMALL, "light"), "desk-light": (DESK, "light")}
if os.environ.get("SOAKMON_PICTURES"):
    SIZES |= {
        "390-light": (PHONE, "light"), "320-dark": (SMALL, "dark"), "desk-dark": (DESK, "dark"),
    }  # fmt: skip
EVERY_S = 5.0
# All that somebody is to do stands above the buttons, without scrolling.
SEEN = """window.what_to_do_is_seen = () => {
    const [todo, bar] = ["#do", ".thumb"].map((one) => document.querySelector(one));
    return todo.getBoundingClientRect().bottom <= bar.getBoundingClientRect().top;
}"""


# State: scenario, hours, and what Now says.
STATES = {
    "at-rest": ("dry-rack", 0.0, "No soak running"),
    "quiet": ("dry-rack", 3.0, "No leak seen"),
    "weep": ("drop-a-minute", 6.0, "LEAKING"),
    "flood": ("needle-stuck-open", 1.0, "LEAKING"),
    "two-leaks": ("two-leaks", 8.0, "LEAKING"),
    "blind-gate": ("gate-stuck", 9.0, ""),
    "frozen-cell": ("cell-freezes", 13.0, ""),
    "gap": ("dry-rack", 2.0, "No leak seen"),
}


def _stepped(folder, state):
    scenario, hours, _ = STATES[state]
    bench = Stepped(folder, SCENARIOS[scenario], bench=short(24), every_s=EVERY_S)
    if not hours:
        return bench
    bench.start()
    bench.run(hours)
    if state == "gap":
        bench.journal.commit()
        bench.journal.close()
        simulation = bench.simulation
        bench.clock.sleep(1200)
        bench = Stepped(
            folder, SCENARIOS[scenario], bench=short(24), every_s=EVERY_S, simulation=simulation
        )
        take_up(bench.service)
        bench.run(0.3)
    return bench


def _go_on(bench, over):
    """A second a second, commands carried out."""
    bench.every_s = 1.0
    while not over.wait(0.2):
        bench.service.worker.drain()
        if bench.clock.boot_s() - bench.went_s < time.monotonic() - bench.since_s:
            bench.run(1 / 3600)


@pytest.fixture(scope="module", params=STATES)
def stood(request, tmp_path_factory):
    """A bench in its state, with its page."""
    folder = tmp_path_factory.mktemp(request.param)
    bench = _stepped(folder, request.param)
    service = bench.service
    service.worker.drain()
    bench.went_s, bench.since_s = bench.clock.boot_s(), time.monotonic()
    reports, store = ReportQueue(folder), Store(folder / "page.db", 3600.0)
    app = build_page(service, reports, GuideDesk(service, lambda *_: None), store=store)
    store.set_account("ada", Role.RUN, Door(store).hash(PASSWORD))
    port = free_port()
    server = uvicorn.Server(uvicorn.Config(app, port=port, log_level="error", lifespan="off"))
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    over = threading.Event()
    going = threading.Thread(target=_go_on, args=(bench, over), daemon=True)
    going.start()
    until_s = time.monotonic() + 20
    while not server.started:
        assert time.monotonic() < until_s
        time.sleep(0.05)
    yield request.param, SimpleNamespace(address=f"http://127.0.0.1:{port}")
    server.should_exit = True
    thread.join(10)
    over.set()
    going.join(10)
    store.close()
    bench.journal.close()


def _opened(browser, bench, shape, light):
    """Now, signed in."""
    page = opened(browser, bench, shape, color_scheme=light)
    page.add_init_script(SEEN)
    if light == "light":
        by_day(page)
    sign_in(page)
    expect(page.locator("#rack svg")).to_be_visible()
    return page


@pytest.mark.parametrize("size", SIZES)
def test_every_state_can_be_read_in_every_size(browser, stood, size):
    state, bench = stood
    shape, light = SIZES[size]
    page = _opened(browser, bench, shape, light)
    expect(page.locator("#outcome")).to_contain_text(STATES[state][2])
    if shape is DESK and state != "at-rest":
        expect(page.locator("#picture #chart svg")).to_be_visible()
    if state == "frozen-cell":
        # What a cell that stands still reads is no loss, and inside no band.
        expect(page.locator("#loss")).to_contain_text("Cannot be told")
        expect(page.locator("#bottle")).to_have_text("not known yet")
    page.wait_for_function("what_to_do_is_seen()")
    look(page, f"state-{state}-{size}")
    if state != "at-rest":
        page.goto("/curve")
        expect(page.locator("#chart")).to_be_visible()
        expect(page.locator("#link")).to_have_text("Live")
        look(page, f"state-{state}-{size}-curve")
    assert page.faults == []
    page.context.close()


@pytest.mark.parametrize("stood", ["weep"], indirect=True)
@pytest.mark.parametrize("size", SIZES)
def test_a_page_that_no_longer_watches_says_so_over_everything(browser, stood, size):
    _, bench = stood
    shape, light = SIZES[size]
    page = _opened(browser, bench, shape, light)
    expect(page.locator("#outcome")).to_contain_text("LEAKING")
    page.context.set_offline(True)
    expect(page.locator("#unwatched")).to_contain_text("THIS PAGE IS NOT WATCHING. No connection")
    expect(page.locator("#as-of")).to_contain_text("This is how it was")
    look(page, f"state-offline-{size}")
    page.context.set_offline(False)
    expect(page.locator("#link")).to_have_text("Live")
    page.context.clear_cookies()
    expect(page.get_by_role("dialog", name="You are signed out")).to_be_visible()
    look(page, f"state-signed-out-{size}")
    assert page.faults == []
    page.context.close()
