"""Every view by day and by night, at phone and desk size; and what is done in them by hand."""

from __future__ import annotations

import os
import re
from typing import Any

import pytest
from playwright.sync_api import Page, expect

from soakmon.texts import LANGUAGES, texts
from tests.page.looking import DESK, PHONE, by_day, go, look, opened, sign_in

FILLED = {
    "Now": "#rack svg",
    "Curve": "#chart svg, #none:visible:text('No curve')",
    "Start": "#start",
    "Jobs": "#list td, #none:visible",
    "Past soaks": "#list td, #none",
    "Bench tests": "#trials button",
    "All benches": "#list section",
    "This bench": "#checks li:has-text('mqtt: works')",
}


def soak(page: Page, tries: int = 3) -> None:
    """Until it soaks. On a busy machine the simulated cell may give its preflight too few readings,
    and a simulated minute takes more than a second: then it is begun again.
    """
    page.get_by_role("link", name="Start").click()
    expect(page.locator("#start")).to_be_visible()
    page.get_by_label("What is soaked").fill("invented rack")
    for box in page.get_by_role("checkbox").all():
        box.check()
    page.get_by_role("button", name="Start").click()
    expect(page.locator("#told")).to_contain_text("has begun")
    page.get_by_role("link", name="Now").click()
    phase = page.locator("#phase")
    expect(phase).to_contain_text(re.compile("Soaking|Ended"), timeout=120_000)
    if tries > 1 and "Ended" in (phase.text_content() or ""):
        soak(page, tries - 1)
    expect(phase).to_contain_text("Soaking")


def test_isolation_and_the_curve_under_two_fingers(phone):
    soak(phone)
    look(phone, "phone-soaking-night")
    go(phone, "Bench tests")
    phone.get_by_role("button", name="Isolation").click()
    look(phone, "phone-isolation")
    phone.locator("#iso-shut").click()
    expect(phone.locator("#iso-table tbody tr")).to_have_count(4)
    expect(phone.locator("#iso-since")).to_contain_text("Shut for")
    look(phone, "phone-isolation-shut")
    go(phone, "Curve")
    chart = phone.locator("#chart")
    expect(chart.locator("path.lost")).to_be_visible()
    chart.scroll_into_view_if_needed()
    wire = phone.context.new_cdp_session(phone)

    def touch(kind: str, *xs: float) -> None:
        points = [{"x": x, "y": box["y"] + 100, "id": i} for i, x in enumerate(xs)]
        wire.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})

    def stretch() -> tuple[float, float]:
        return float(chart.get_attribute("data-from")), float(chart.get_attribute("data-to"))

    def until_changed(before: tuple[float, float]) -> tuple[float, float]:
        told = "([from, to]) => document.getElementById('chart').dataset.from != from"
        told += " || document.getElementById('chart').dataset.to != to"
        phone.wait_for_function(told, arg=list(before))
        return stretch()

    box = chart.bounding_box()
    whole = stretch()
    touch("touchStart", 180, 220)
    for step in range(1, 9):
        touch("touchMove", 180 - 12 * step, 220 + 12 * step)
    touch("touchEnd")
    near = until_changed(whole)
    assert near[1] - near[0] < whole[1] - whole[0]
    touch("touchStart", 150)
    for step in range(1, 9):
        touch("touchMove", 150 + 15 * step)
    touch("touchEnd")
    earlier = until_changed(near)
    assert earlier[0] < near[0]
    assert earlier[1] - earlier[0] == pytest.approx(near[1] - near[0])
    look(phone, "phone-curve-pinched")
    phone.get_by_role("button", name="Show all").click()
    assert stretch()[0] == 0
    chart.press("+")
    assert stretch()[0] > 0


def visit(page: Page, name: str) -> None:
    for link, content in FILLED.items():
        go(page, link)
        expect(page.locator(content).first).to_be_attached()
        look(page, f"{name}-{link.lower().replace(' ', '-')}")


# Colours depend on the time alone and places on the size alone; pictures are wanted of all four.
TIMES = [("phone", "night"), ("desk", "day")]
if os.environ.get("SOAKMON_PICTURES"):
    TIMES += [("phone", "day"), ("desk", "night")]


@pytest.mark.parametrize(("size", "time"), TIMES)
def test_every_view(browser, bench, size, time):
    light = "dark" if time == "night" else "light"
    page = opened(browser, bench, {"phone": PHONE, "desk": DESK}[size], color_scheme=light)
    if time == "day":
        by_day(page)
    sign_in(page)
    expect(page.locator("html")).to_have_attribute("data-theme", light)
    visit(page, f"{size}-{time}")
    far = page.locator("#list section", has=page.get_by_role("heading", name="far", exact=True))
    go(page, "All benches")
    expect(far).to_contain_text("LEAKING so far")
    expect(far.locator(".old").first).to_contain_text("days ago")
    described = page.request.get("/api/openapi.json").json()["paths"]
    shapes = [re.compile(re.sub(r"{\w+}", "[^/]+", path)) for path in described]
    assert len(page.asked) > 7
    for path in page.asked:
        assert any(shape.fullmatch(path) for shape in shapes), f"{path} is not described"
    assert page.faults == []
    page.context.close()


SMALL = {"viewport": {"width": 320, "height": 568}, "is_mobile": True, "has_touch": True}
LARGE = """addEventListener("DOMContentLoaded",
    () => document.documentElement.style.setProperty("font-size", "225%", "important"))"""


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize(("size", "letters"), [(PHONE, 1), (SMALL, 1), (SMALL, 2)])
def test_small_screens_and_large_letters(browser, bench, language, size, letters):
    """One line of views, nothing over the verdict, nothing wider than the screen."""
    words = texts(language)
    page = opened(browser, bench, size, color_scheme="dark", locale=language)
    if letters == 2:
        page.add_init_script(LARGE)
    sign_in(page, words)
    for view in ("/", "/curve", "/start", "/jobs", "/soaks", "/trials", "/benches", "/bench"):
        page.goto(view)
        expect(page.locator("#link")).to_have_text(words["live"])
        name = f"{size['viewport']['width']}-{letters}-{language}-{view.strip('/') or 'night'}"
        look(page, name)
        links = [page.locator("nav > a").first, page.locator("nav summary")]
        tops = {round(link.bounding_box()["y"]) for link in links}
        assert len(tops) == 1, f"{name}: {tops}"
        page.locator("nav summary").click()
        expect(page.locator("nav").get_by_role("link")).to_have_count(8)
    page.goto("/")
    expect(page.locator("#link")).to_have_text(words["live"])
    bar, verdict = page.locator(".thumb").bounding_box(), page.locator("#verdict").bounding_box()
    covers = bar["y"] < verdict["y"] + verdict["height"]
    assert bar["height"] < size["viewport"]["height"] / 5 or not covers
    assert page.faults == []
    page.context.close()


# In words that no bench says: the page goes by plain values, and only shows the words.
WEEP = {"t_s": 60, "kind": "weep", "carb": 2, "acknowledged": False, "text": "y", "code": ""}
FLOOD = WEEP | {"kind": "flood", "carb": None, "code": "fast"}
BLIND = WEEP | {"kind": "bench", "carb": None, "text": "Waage blind", "code": "blind"}
VALVE = BLIND | {"text": "das Ventil hält nicht: 9 g", "code": "valve_failed"}
AIL = {"code": "gate_blind", "carb": 2, "text": "Tor 2 blind", "todo": "Tor 2 putzen"}
ITSELF = {"phase": "isolating", "reason": "x", "shut_itself": True}
STATES: list[tuple[Any, ...]] = [
    ({"phase": "idle"}, "idle", "", "The feed is shut.", "Start a soak"),
    ({"phase": "preflight"}, "none", "", "Checking itself", "Wait a minute"),
    ({"phase": "soaking", "feed_open": True, "verdict": "not_proven"},
     "not_proven", "so far", "The feed is open.", "takes several hours"),
    ({"phase": "soaking", "feed_open": True, "verdict": "tight"},
     "tight", "", "The feed is open.", "Nothing needs doing"),
    (ITSELF | {"verdict": "not_proven", "alarms": [WEEP]},
     "leaking", "Carb 2", "shut the feed by itself at", "what is in the bowl can still drip"),
    (ITSELF | {"alarms": [FLOOD]},
     "leaking", "Place unknown", "shut the feed by itself at", "Go there now"),
    (ITSELF | {"alarms": [WEEP, WEEP | {"carb": 1}, FLOOD, VALVE]},
     "leaking", "Carbs 1 and 2", "fuel is still flowing", "Close the tap by hand now"),
    (ITSELF | {"verdict": "tight", "alarms": [BLIND]},
     "trouble", "", "by itself", "Waage blind. Then acknowledge."),
    ({"phase": "soaking", "feed_open": True, "verdict": "not_proven", "ails": [AIL],
      "alarms": [BLIND]},
     "trouble", "Tor 2 blind", "The feed is open.", "Tor 2 putzen. Then acknowledge."),
    ({"phase": "soaking", "feed_open": True, "verdict": "not_proven", "ails": [AIL],
      "alarms": [BLIND | {"acknowledged": True}]},
     "trouble", "Tor 2 blind", "The feed is open.", "Tor 2 putzen."),
    ({"phase": "isolating", "reason": "alarm: said by a person", "verdict": "tight",
      "shut_itself": False},
     "tight", "", "shut by command", "Watch the drops"),
    (ITSELF | {"verdict": "tight", "alarms": [WEEP | {"acknowledged": True}]},
     "tight", "", "by itself", "Watch the drops"),
    ({"phase": "ended", "verdict": "leaking", "alarms": [WEEP | {"acknowledged": True}]},
     "leaking", "Carb 2", "has ended", "Mend it"),
    ({"phase": "ended", "verdict": "tight"}, "tight", "", "has ended", "read the report"),
    ({"phase": "ended", "verdict": "not_proven"}, "not_proven", "", "has ended", "what to change"),
]  # fmt: skip


def test_the_four_answers_of_the_night(phone):
    """Is it leaking, which carb, what did the bench do, what do I do: for every kind of night."""
    base = phone.locator("link[rel=modulepreload]").first.get_attribute("href").rpartition("/")[0]
    for state, kind, where, did, todo in STATES:
        status: dict[str, Any] = {
            "wall_s": 1_800_000_000,
            "t_s": 120,
            "feed_open": False,
            "alarms": [],
        } | state
        status["verdict"] = {"verdict": state["verdict"]} if "verdict" in state else None
        found = phone.evaluate(
            "async ([base, status]) => (await import(`${base}/headline.js`)).headline(status)",
            [base, status],
        )
        assert found["kind"] == kind, state
        assert where in found["where"], state
        assert bool(where) == bool(found["where"]), state
        assert did in found["did"], (state, found)
        assert todo in found["todo"], (state, found)


def test_all_that_keeps_the_feed_shut_and_every_gap_is_shown(phone):
    base = phone.locator("link[rel=modulepreload]").first.get_attribute("href").rpartition("/")[0]
    gaps = [{"t_s": 60, "gap_s": 7200, "known": True}, {"t_s": 90, "gap_s": 3600, "known": False}]
    status = {"wall_s": 1_800_000_000, "t_s": 120, "latch": ["x", "y"], "interruptions": gaps}
    asked = "async ([base, status]) => (await import(`${base}/headline.js`)).meanwhile(status)"
    shut = phone.evaluate(asked, [base, status | {"feed_open": False}])
    assert shut[:2] == ["It stays shut: x", "It stays shut: y"]
    assert shut[2] == "The bench was not watching from 05:59 until 07:59"
    assert shut[3].endswith("; for how long is not known")
    assert phone.evaluate(asked, [base, status | {"feed_open": True}]) == shut[2:]


def test_units_night_and_keyboard_at_the_desk(browser, bench):
    page = opened(browser, bench, DESK, color_scheme="light")
    page.clock.install(time="2027-03-01T19:58:00")
    sign_in(page)
    expect(page.locator("html")).to_have_attribute("data-theme", "light")
    page.clock.fast_forward(180_000)
    expect(page.locator("html")).to_have_attribute("data-theme", "dark")
    go(page, "This bench")
    page.get_by_label("Fuel in").select_option("ml")
    page.get_by_label("Temperature in").select_option("°F")
    go(page, "All benches")
    density = float(page.locator("meta[name=density]").get_attribute("content"))
    far = page.locator("#list section", has=page.get_by_role("heading", name="far", exact=True))
    expect(far).to_contain_text(f"leak at carb 2, about {12 / density:.0f} ml/day")
    go(page, "Now")
    expect(page.locator("#shop")).to_contain_text("°F")
    expect(page.locator("#bottle")).to_contain_text("ml")
    page.keyboard.press("Tab")
    expect(page.get_by_text("Skip to the content")).to_be_focused()
    page.keyboard.press("Enter")
    expect(page.locator("#content")).to_be_focused()
    manifest = page.request.get("/manifest.webmanifest").json()
    assert manifest["display"] == "standalone"
    for icon in manifest["icons"]:
        found = page.request.get(icon["src"])
        assert found.ok
        assert found.headers["content-type"] == icon["type"]
    assert page.faults == []
    page.context.close()
