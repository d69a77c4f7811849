"""Now and the curve in every state of a night, by day and night, in every size: axe and pictures.

The bench is stepped to the state fast, and goes on from there by the second; the page is real.
"""

from __future__ import annotations

import os
from types import SimpleNamespace

import pytest
from playwright.sync_api import expect

from tests.page.looking import DESK, PHONE, by_day, look, opened, sign_in
from tests.page.stood import STATES, standing

pytestmark = pytest.mark.long

SMALL = {"viewport": {"width": 320, "height": 568}, "is_mobile": True, "has_touch": True}
SIZES = {"390-dark": (PHONE, "dark"), "320-light": (SMALL, "light"), "desk-light": (DESK, "light")}
if os.environ.get("SOAKMON_PICTURES"):
    SIZES |= {
        "390-light": (PHONE, "light"), "320-dark": (SMALL, "dark"), "desk-dark": (DESK, "dark"),
    }  # fmt: skip
# All that somebody is to do stands above the buttons, without scrolling.
SEEN = """window.what_to_do_is_seen = () => {
    const [todo, bar] = ["#do", ".thumb"].map((one) => document.querySelector(one));
    return todo.getBoundingClientRect().bottom <= bar.getBoundingClientRect().top;
}"""


@pytest.fixture(scope="module", params=STATES)
def stood(request, tmp_path_factory):
    """A bench in its state, with its page."""
    with standing(tmp_path_factory.mktemp(request.param), request.param) as address:
        yield request.param, SimpleNamespace(address=address)


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
