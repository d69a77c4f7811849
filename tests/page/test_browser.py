"""The page in a real browser, on a simulated bench, at phone and desk size.

SOAKMON_PICTURES=DIR keeps a picture of every view.
"""

from __future__ import annotations

import os
import re
import shutil
import signal
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page, expect, sync_playwright

from soakmon.cautions import CAUTIONS
from tests.page.served import PASSWORD, ServedBench

PHONE = {"viewport": {"width": 390, "height": 844}, "is_mobile": True, "has_touch": True}
DESK = {"viewport": {"width": 1280, "height": 900}}
SERIOUS = {"serious", "critical"}
# The decider's own figures decide when the leak is believed; the pace makes hours of it seconds.
LEAK_WITHIN_MS = 60_000


@pytest.fixture(scope="module")
def browser():
    path = shutil.which("chromium")
    assert path is not None, "chromium is missing: bash tests/run brings it"
    with sync_playwright() as playwright:
        # Its sandbox cannot be had by root, as which containers run tests.
        args = ["--no-sandbox"] if os.geteuid() == 0 else []
        launched = playwright.chromium.launch(executable_path=path, args=args)
        yield launched
        launched.close()


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    made = ServedBench(tmp_path_factory.mktemp("bench"), "overflow-tube-crack", 60)
    yield made
    assert made.stop() == 0


def look(page: Page, name: str) -> None:
    """Keep a picture when asked for, and hold the view to the accessibility rules."""
    folder = os.environ.get("SOAKMON_PICTURES")
    if folder:
        Path(folder).mkdir(parents=True, exist_ok=True)
        page.screenshot(path=f"{folder}/{name}.png")
        page.screenshot(path=f"{folder}/{name}-full.png", full_page=True)
    found = Axe().run(page).response["violations"]
    told = [(v["id"], v["help"], v["nodes"][0]["html"]) for v in found if v["impact"] in SERIOUS]
    assert told == []
    wide = page.evaluate("document.documentElement.scrollWidth - innerWidth")
    assert wide <= 0, f"{name} is {wide} px too wide"


def opened(browser, bench, size, **more) -> Page:
    """A page whose console stays free of errors, but for the calls that fail on purpose."""
    context = browser.new_context(base_url=bench.address, **size, **more)
    page = context.new_page()
    page.set_default_timeout(15_000)
    page.faults = []
    page.on("pageerror", lambda error: page.faults.append(str(error)))
    page.on(
        "console",
        lambda said: page.faults.append(said.text) if "Content Security" in said.text else None,
    )
    return page


def sign_in(page: Page) -> None:
    page.goto("/")
    page.get_by_label("Name").fill("ada")
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Sign in").click()
    expect(page.locator("#link")).to_have_text("Live")


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

    start_a_soak(page)
    isolate_and_reopen(page)
    see_the_leak(page)
    read_the_report(page)
    assert page.faults == []
    page.context.close()


def start_a_soak(page: Page) -> None:
    page.get_by_role("link", name="Start").click()
    page.get_by_label("What is soaked").fill("Invented rack <b>& sons</b>")
    boxes = page.get_by_role("checkbox")
    expect(boxes).to_have_count(len(CAUTIONS))
    for index in range(len(CAUTIONS) - 1):
        boxes.nth(index).check()
    page.get_by_role("button", name="Start").click()
    assert page.locator("#told").text_content() == ""  # the browser itself asks for the last one
    boxes.last.check()
    look(page, "phone-start")
    page.get_by_role("button", name="Start").click()
    expect(page.locator("#told")).to_contain_text("Soak 1 has begun")
    expect(page.locator("#checks li")).not_to_have_count(0)
    expect(page.locator("#progress-text")).to_contain_text("Passed")
    look(page, "phone-preflight")


def isolate_and_reopen(page: Page) -> None:
    page.get_by_role("link", name="Now").click()
    expect(page.locator("#feed")).to_have_text("Feed open")
    shut = page.get_by_role("button", name="Shut feed")
    box = shut.bounding_box()
    assert box is not None
    assert box["height"] >= 60
    assert box["y"] > 844 / 2
    shut.click()
    expect(page.locator("#feed")).to_have_text("Feed shut")
    page.get_by_role("button", name="Open feed again").click()
    dialog = page.get_by_role("dialog")
    for box in dialog.get_by_role("checkbox").all():
        box.check()
    look(page, "phone-open-feed")
    dialog.get_by_role("button", name="Open the feed again").click()
    expect(page.locator("#feed")).to_have_text("Feed open")
    look(page, "phone-soaking")


def see_the_leak(page: Page) -> None:
    expect(page.locator("#alarms .new")).to_be_visible(timeout=LEAK_WITHIN_MS)
    expect(page.locator("#alarms .new")).to_contain_text("carb 1 weeps")
    expect(page.locator("#feed")).to_have_text("Feed shut")
    expect(page.locator("#rack svg")).to_have_attribute("aria-label", re.compile("Carb 1.*alarm"))
    look(page, "phone-alarm")
    page.get_by_role("button", name="Acknowledge").click()
    expect(page.locator("#alarms .seen")).to_be_visible()
    expect(page.get_by_role("button", name="Acknowledge")).to_be_disabled()
    page.get_by_role("link", name="Curve").click()
    expect(page.locator("#chart path.lost")).to_be_visible()
    expect(page.locator("#chart text.mark.alarm")).to_have_text("▲ Alarm 1")
    label = page.locator("#chart").get_attribute("aria-label")
    look(page, "phone-curve")
    page.get_by_role("button", name="Zoom in").click()
    assert page.locator("#chart").get_attribute("aria-label") != label
    look(page, "phone-curve-zoomed")
    page.get_by_role("link", name="Now").click()
    page.get_by_role("button", name="End the soak").click()
    look(page, "phone-end")
    page.get_by_role("button", name="End it").click()
    expect(page.locator("#phase")).to_have_text("Ended")
    expect(page.locator("#outcome")).to_have_text("LEAKING")
    look(page, "phone-ended")


def read_the_report(page: Page) -> None:
    page.get_by_role("link", name="Verdict and report").click()
    report = page.frame_locator("iframe")
    expect(report.get_by_role("heading", level=1)).to_contain_text(
        "Invented rack <b>& sons</b>", timeout=40_000
    )
    expect(report.locator(".verdict")).to_have_text("LEAKING")
    look(page, "phone-report")
    page.get_by_role("button", name="Make a link").click()
    address = page.locator("#shared a").get_attribute("href")
    stranger = page.context.browser.new_context()
    shared = stranger.new_page()
    shared.goto(address)
    expect(shared.locator(".verdict")).to_have_text("LEAKING")
    page.get_by_role("button", name="Revoke all").click()
    expect(page.locator("#told")).to_have_text("1 links revoked.")
    assert shared.goto(address).status == 404
    stranger.close()


def test_every_view_at_the_desk_and_by_keyboard(browser, bench):
    page = opened(browser, bench, DESK, color_scheme="light", timezone_id="UTC")
    page.add_init_script("Date.prototype.getHours = () => 12")
    sign_in(page)
    expect(page.locator("html")).to_have_attribute("data-theme", "light")
    look(page, "desk-night")
    filled = ("#chart svg", "#start", "#list tr", "#settings dt")
    for name, content in zip(("Curve", "Start", "Soaks", "Bench"), filled, strict=True):
        page.get_by_role("link", name=name, exact=True).press("Enter")
        expect(page.locator("#link")).to_have_text("Live")
        expect(page.locator(content).first).to_be_attached()
        look(page, f"desk-{name.lower()}")
    page.get_by_label("Fuel in").select_option("ml")
    page.get_by_label("Temperature in").select_option("°F")
    page.get_by_role("link", name="Now").click()
    expect(page.locator("#shop")).to_contain_text("°F")
    expect(page.locator("#bottle")).to_contain_text("ml")
    page.keyboard.press("Tab")
    expect(page.get_by_text("Skip to the content")).to_be_focused()
    manifest = page.request.get("/manifest.webmanifest").json()
    assert manifest["display"] == "standalone"
    assert page.request.get(manifest["icons"][0]["src"]).ok
    assert page.faults == []
    page.context.close()


def test_an_open_page_outlives_network_and_service(browser, bench):
    page = opened(browser, bench, PHONE, color_scheme="dark")
    sign_in(page)
    page.context.set_offline(True)
    page.evaluate("window.dispatchEvent(new Event('online'))")
    expect(page.locator("#link")).to_contain_text("No connection for", timeout=20_000)
    look(page, "phone-lost")
    page.context.set_offline(False)
    expect(page.locator("#link")).to_have_text("Live")
    assert bench.stop(signal.SIGKILL) == -signal.SIGKILL
    expect(page.locator("#link")).to_contain_text("No connection for", timeout=20_000)
    bench.start()
    assert bench.code == ""
    expect(page.locator("#link")).to_have_text("Live", timeout=20_000)
    assert page.faults == []
    page.context.close()
