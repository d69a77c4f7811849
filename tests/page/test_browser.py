"""The page in a real browser, on a simulated bench, at phone and desk size.

SOAKMON_PICTURES=DIR keeps a picture of every view.
"""

from __future__ import annotations

import re
import signal

import pytest
from playwright.sync_api import Page, expect

from soakmon.cautions import CAUTIONS
from tests.page.looking import PHONE, go, look, opened, sign_in
from tests.page.served import PASSWORD, ServedBench

pytestmark = pytest.mark.long

# The decider's own figures decide when the leak is believed; the pace makes hours of it seconds.
LEAK_WITHIN_MS = 60_000


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    made = ServedBench(tmp_path_factory.mktemp("bench"), "overflow-tube-crack", 60)
    yield made
    assert made.stop() == 0


@pytest.fixture(scope="module")
def dry(tmp_path_factory):
    made = ServedBench(tmp_path_factory.mktemp("dry"), "dry-rack", 60)
    made.account("ada")
    yield made
    assert made.stop() == 0


def test_a_night_on_the_phone(browser, bench):
    page = opened(browser, bench, PHONE, color_scheme="dark")
    page.goto("/")
    expect(page).to_have_title(re.compile("First account"))
    look(page, "phone-set-up")
    page.get_by_label("Code").fill("WRNG-CODE")
    page.get_by_label("Name").fill("ada")
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button").click()
    expect(page.locator("#told")).to_contain_text("code is not right")
    page.get_by_label("Code").fill(bench.code)
    page.get_by_role("button").click()
    expect(page).to_have_title(re.compile("Sign in"))
    look(page, "phone-sign-in")
    sign_in(page)
    look(page, "phone-idle")

    make_a_job(page)
    start_a_soak(page)
    isolate_and_reopen(page)
    see_the_leak(page)
    read_the_report(page)
    assert page.faults == []
    page.context.close()


def make_a_job(page: Page) -> None:
    go(page, "Jobs")
    look(page, "phone-jobs-none")
    page.get_by_text("New job").click()
    page.get_by_label("Customer", exact=True).fill("Invented & <b>Sons</b>")
    page.get_by_label("Machine", exact=True).fill("invented four")
    page.get_by_role("button", name="Create the job").click()
    expect(page.locator("#facts")).to_contain_text("<b>Sons</b>")
    page.get_by_role("link", name="Start a soak for it").click()
    expect(page.locator("[name=job] option:checked")).to_contain_text("<b>Sons</b>")


def start_a_soak(page: Page) -> None:
    page.get_by_label("What is soaked").fill("Invented rack <b>& sons</b>")
    boxes = page.get_by_role("group").get_by_role("checkbox")
    expect(boxes).to_have_count(len(CAUTIONS))
    for index in range(len(CAUTIONS) - 1):
        boxes.nth(index).check()
    page.get_by_role("button", name="Start").click()
    assert page.locator("#told").text_content() == ""  # the browser itself asks for the last one
    boxes.last.check()
    expect(page.locator("#untold")).to_contain_text("NOBODY WILL BE TOLD")
    look(page, "phone-start")
    page.get_by_role("button", name="Start").click()
    expect(page.locator("#told")).to_contain_text("Soak 1 has begun")
    expect(page.locator("#checks li")).not_to_have_count(0)
    expect(page.locator("#progress-text")).to_contain_text("Passed")
    look(page, "phone-preflight")


def begin(page: Page) -> None:
    page.get_by_role("link", name="Start").click()
    page.get_by_label("What is soaked").fill("invented again")
    for box in page.get_by_role("group").get_by_role("checkbox").all():
        box.check()
    page.get_by_role("button", name="Start").click()
    expect(page.locator("#told")).to_contain_text("has begun")


def isolate_and_reopen(page: Page) -> None:
    page.get_by_role("link", name="Now").click()
    expect(page.locator("#feed")).to_have_text("open")
    # A fill that is cut short is another story: it is shut here when the rack is full.
    expect(page.locator("#phase")).to_contain_text("Settling", timeout=30_000)
    shut = page.get_by_role("button", name="Shut feed")
    box = shut.bounding_box()
    assert box is not None
    assert box["height"] >= 60
    assert box["y"] > 844 / 2
    shut.click()
    expect(page.locator("#feed")).to_have_text("shut")
    page.get_by_role("button", name="Open feed again").click()
    dialog = page.get_by_role("dialog")
    for caution in dialog.get_by_role("checkbox").all():
        caution.check()
    look(page, "phone-open-feed")
    dialog.get_by_role("button", name="Open the feed again").click()
    expect(page.locator("#feed")).to_have_text("open")
    look(page, "phone-soaking")


def see_the_leak(page: Page) -> None:
    expect(page.locator("#alarms .new")).to_be_visible(timeout=LEAK_WITHIN_MS)
    expect(page.locator("#alarms .new")).to_contain_text("carb 1 weeps")
    expect(page.locator("#feed")).to_have_text("shut")
    expect(page.locator("#rack svg")).to_have_attribute("aria-label", re.compile("Carb 1.*alarm"))
    for place, words in {
        "#outcome": "LEAKING",
        "#where": "Carb 1",
        "#did": "It has shut the feed by itself",
        "#do": "Then acknowledge",
    }.items():
        expect(page.locator(place)).to_contain_text(words)
        box = page.locator(place).bounding_box()
        assert box is not None
        assert box["y"] > 0, f"{place} is not seen at a glance"
        assert box["y"] + box["height"] < 500, f"{place} is not seen at a glance"
    assert page.title().startswith("✕ LEAKING Carb 1")
    look(page, "phone-alarm")
    page.get_by_role("button", name="Acknowledge: carb 1 weeps").click()
    expect(page.locator("#told")).to_have_text("Acknowledged: carb 1 weeps.")
    expect(page.locator("#do")).to_contain_text("end the soak and mend it")
    expect(page.locator("#alarms .seen")).to_be_visible()
    expect(page.get_by_role("button", name="Acknowledge")).to_be_disabled()
    page.get_by_role("link", name="Curve").click()
    # The curve begins when the rack has settled.
    expect(page.locator("#chart path.lost")).to_be_visible(timeout=LEAK_WITHIN_MS)
    expect(page.locator("#chart text.mark.alarm")).to_have_text("▲")
    label = page.locator("#chart").get_attribute("aria-label")
    look(page, "phone-curve")
    page.get_by_role("button", name="Zoom in").click()
    assert page.locator("#chart").get_attribute("aria-label") != label
    look(page, "phone-curve-zoomed")
    page.get_by_role("link", name="Now").click()
    page.get_by_role("button", name="End the soak").click()
    look(page, "phone-end")
    page.get_by_role("button", name="End it").click()
    expect(page.locator("#phase")).to_contain_text("Ended")
    expect(page.locator("#outcome")).to_have_text("LEAKING")
    expect(page.locator("#do")).to_contain_text("Mend it")
    look(page, "phone-ended")


def read_the_report(page: Page) -> None:
    page.get_by_role("link", name="Verdict and report").click()
    report = page.frame_locator("iframe")
    expect(report.get_by_role("heading", level=1)).to_contain_text(
        "Invented rack <b>& sons</b>", timeout=90_000
    )
    expect(report.locator(".verdict")).to_have_text("LEAKING")
    look(page, "phone-report")
    address = share_it(page)
    stranger = page.context.browser.new_context()
    shared = stranger.new_page()
    shared.goto(address)
    expect(shared.locator(".verdict")).to_have_text("LEAKING")
    page.get_by_role("button", name="Revoke all").click()
    expect(page.locator("#told")).to_have_text("Links revoked: 1.")
    assert shared.goto(address).status == 404
    stranger.close()


def share_it(page: Page) -> str:
    """By the device's own list where it has one, else by the clipboard; gives the link."""
    page.context.grant_permissions(["clipboard-read", "clipboard-write"])
    button = page.get_by_role("button", name="Share the report")
    button.click()
    expect(page.locator("#told")).to_have_text("Link copied.")
    address = page.locator("#shared a").get_attribute("href")
    assert page.evaluate("navigator.clipboard.readText()") == address
    expect(page.locator("#shared")).to_contain_text("works only inside the shop's network")
    page.evaluate("navigator.share = async (what) => { window.handed = what; }")
    button.click()
    page.wait_for_function("window.handed")
    handed = page.evaluate("window.handed")
    # The same link again, not another one.
    assert handed["url"] == address
    assert "Invented rack" in handed["title"]
    return address


def test_a_running_soak_outlives_the_service_under_an_open_page(browser, dry):
    bench = dry
    page = opened(browser, bench, PHONE, color_scheme="dark")
    sign_in(page)
    begin(page)
    page.get_by_role("link", name="Now").click()
    expect(page.locator("#loss")).to_contain_text("evaporation", timeout=30_000)
    expect(page.locator("#phase")).to_contain_text("Soaking", timeout=LEAK_WITHIN_MS)
    loaded = page.evaluate("performance.timeOrigin")
    assert bench.stop(signal.SIGKILL) == -signal.SIGKILL
    expect(page.locator("#link")).to_contain_text("No connection for", timeout=20_000)
    expect(page.locator("#as-of")).to_contain_text("This is how it was")
    expect(page.locator("#unwatched")).to_contain_text("THIS PAGE IS NOT WATCHING. No connection")
    look(page, "phone-killed")
    bench.start()
    assert bench.code == ""
    expect(page.locator("#link")).to_have_text("Live", timeout=20_000)
    expect(page.locator("#as-of")).to_be_hidden()
    # The same page, never loaded again, shows the soak that the service has taken up. (The rack is
    # another one: it was simulated in the process that died. So the feed may have been shut.)
    expect(page.locator("#phase")).to_have_text(re.compile("Settling|Soaking|Feed shut"))
    assert page.evaluate("performance.timeOrigin") == loaded
    page.get_by_role("button", name="End the soak").click()
    page.get_by_role("button", name="End it").click()
    expect(page.locator("#phase")).to_contain_text("Ended")
    # A restart after the end: the bench is idle, and what was last is not forgotten.
    bench.stop()
    bench.start()
    expect(page.locator("#link")).to_have_text("Live", timeout=20_000)
    expect(page.locator("#outcome")).to_have_text("No soak running")
    expect(page.locator("#last")).to_contain_text("Last soak: invented again")
    look(page, "phone-restarted")
    page.get_by_role("link", name="Curve").click()
    expect(page.locator("#which option:checked")).to_contain_text("invented again")
    expect(page.locator("#chart path.lost")).to_be_visible()
    expect(page.locator("#chart rect.strip")).not_to_have_count(0)
    look(page, "phone-curve-past")
    assert page.faults == []
    page.context.close()


def test_a_phone_offline_for_a_minute_says_how_old_it_is(browser, dry):
    page = opened(browser, dry, PHONE, color_scheme="dark")
    page.clock.install()
    sign_in(page)
    page.context.set_offline(True)
    expect(page.locator("#link")).to_contain_text("No connection for", timeout=20_000)
    page.clock.fast_forward(60_000)
    expect(page.locator("#link")).to_contain_text(re.compile("No connection for [67][0-9] s"))
    expect(page.locator("#as-of")).to_contain_text(re.compile("how it was [67][0-9] s ago"))
    look(page, "phone-offline")
    page.clock.fast_forward(3_600_000)
    expect(page.locator("#as-of")).to_contain_text("how it was 61 min ago")
    page.context.set_offline(False)
    expect(page.locator("#link")).to_have_text("Live")
    expect(page.locator("#as-of")).to_be_hidden()
    assert page.faults == []
    page.context.close()


def test_signed_out_the_page_says_so_and_keeps_what_was_typed(browser, dry):
    page = opened(browser, dry, PHONE, color_scheme="dark")
    page.goto("/start#typed")
    expect(page).to_have_url(re.compile(r"/sign-in\?to=/start"))
    page.get_by_label("Name").fill("ada")
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Sign in").click()
    expect(page).to_have_url(re.compile("/start#typed$"))
    expect(page.locator("#link")).to_have_text("Live")
    page.get_by_label("What is soaked").fill("half a sentence")
    page.context.clear_cookies()
    again = page.get_by_role("dialog", name="You are signed out")
    expect(again).to_be_visible(timeout=20_000)
    expect(page.locator("#link")).to_have_text("Signed out")
    look(page, "phone-signed-out")
    page.keyboard.press("Escape")
    again.get_by_label("Name").fill("ada")
    again.get_by_label("Password").fill("wrong, quite wrong")
    again.get_by_role("button").click()
    expect(again.get_by_role("alert")).to_contain_text("wrong")
    again.get_by_label("Password").fill(PASSWORD)
    again.get_by_role("button").click()
    expect(page.locator("#link")).to_have_text("Live")
    expect(page.get_by_label("What is soaked")).to_have_value("half a sentence")
    # What acts has the new session's mark.
    page.get_by_label("Job").select_option(index=0)
    for box in page.get_by_role("group").get_by_role("checkbox").all():
        box.check()
    page.get_by_role("button", name="Start").click()
    expect(page.locator("#told")).to_contain_text("has begun")
    page.get_by_role("link", name="Now").click()
    page.get_by_role("button", name="End the soak").click()
    page.get_by_role("button", name="End it").click()
    expect(page.locator("#phase")).to_contain_text("Ended")
    assert page.faults == []
    page.context.close()
