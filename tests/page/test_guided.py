"""What is done step by step, by phone: a job, bench tests, commissioning."""

from __future__ import annotations

import re

import pytest
from playwright.sync_api import Page, expect

from tests.page.looking import go, look

pytestmark = pytest.mark.long

# A picture of the smallest kind, as a phone's camera would send a larger one.
PIXEL = bytes.fromhex(
    "89504e470d0a1a0a0000000d49484452000000010000000108060000001f15c489"
    "0000000d49444154789c63606060f80f0001040100d1e2f4470000000049454e44ae426082"
)


def test_a_job_by_phone_from_the_first_word_to_the_picture(phone):
    go(phone, "Jobs")
    phone.get_by_text("New job").click()
    look(phone, "phone-job-new")
    phone.get_by_label("Customer", exact=True).fill("<img src=x onerror=alert(1)>")
    phone.get_by_label("Machine", exact=True).fill("invented four, 1979")
    phone.get_by_role("button", name="Create the job").click()
    expect(phone.locator("#facts")).to_contain_text("<img src=x")
    carb = phone.locator("#carbs details").nth(1)
    carb.locator("summary").click()
    carb.get_by_label("Jets").fill("main 105\npilot 35")
    carb.get_by_label("Float height, mm").fill("14.2")
    carb.get_by_label("lower limit").fill("15")
    carb.get_by_label("upper limit").fill("16")
    carb.get_by_label("upper limit").press("Tab")  # leaving a field is what keeps it
    carb.get_by_label("Bowl gasket renewed").select_option("no")
    expect(carb.locator("summary")).to_contain_text("5 written down ⚠ FLOAT HEIGHT OUTSIDE")
    look(phone, "phone-job-carb")
    phone.locator("#checklist").get_by_role("checkbox").first.check()
    expect(phone.locator("#checklist .by")).to_contain_text("ada, ")
    expect(phone.locator("#checked")).to_have_text("1 of 10 done")
    phone.get_by_label("A note").fill("gasket <i>reused</i>")
    phone.get_by_label("About").select_option("2")
    phone.locator("#note button").click()
    expect(phone.locator("#notes")).to_contain_text("Carb 2: gasket <i>reused</i>")
    expect(phone.locator("#notes li").first).to_contain_text(re.compile("^ada, .* – Carb 2"))
    camera = phone.locator("#camera")
    assert camera.get_attribute("capture") == "environment"
    phone.get_by_label("What it shows").fill("bowl 2")
    photo = {"name": "photo.png", "mimeType": "image/png", "buffer": PIXEL}
    camera.set_input_files(photo)
    picture = phone.locator("#files img")
    picture.scroll_into_view_if_needed()
    expect(picture).to_have_js_property("naturalWidth", 1)
    assert picture.get_attribute("alt") == "bowl 2"
    look(phone, "phone-job")
    phone.reload()
    expect(carb.locator("summary")).to_contain_text("5 written down")
    go(phone, "Jobs")
    phone.get_by_label("Search").fill("1979")
    expect(phone.locator("#list tbody tr")).to_have_count(1)
    phone.get_by_label("Search").fill("no such word")
    expect(phone.locator("#none")).to_be_visible()


def enter(page: Page, *answers: str | None) -> None:
    """Answer question after question (None: no more), each when the one before is gone."""
    for answer in answers:
        given = page.locator("#guide").get_attribute("data-answers")
        if answer is None:
            page.locator("#enough").click()
        else:
            page.locator("#answer").fill(answer)
            page.locator("#next").click()
        if answer is None or re.fullmatch(r"[\d.,]+", answer):
            expect(page.locator("#guide")).not_to_have_attribute("data-answers", given)


def begin(page: Page, name: str) -> None:
    """Begin a test, and wait for its first question: until then the last test's place stands."""
    page.get_by_role("button", name=name).click()
    expect(page.locator("#step")).to_be_visible()
    expect(page.locator("#guide")).to_have_attribute("data-answers", "0")


def test_an_answer_that_is_under_way_is_not_given_twice(phone):
    """Two presses, or a slow network: the next question is not answered before it is read."""
    go(phone, "Bench tests")
    begin(phone, "Check the cell")
    slow = phone.context.new_cdp_session(phone)
    slow.send("Network.enable")
    slow.send(
        "Network.emulateNetworkConditions",
        {"offline": False, "latency": 400, "downloadThroughput": -1, "uploadThroughput": -1},
    )
    phone.locator("#answer").fill("1000")
    phone.evaluate("for (const _ of [1, 2, 3]) document.getElementById('next').click()")
    expect(phone.locator("#guide")).to_have_attribute("data-answers", "1")
    phone.wait_for_timeout(1500)
    expect(phone.locator("#guide")).to_have_attribute("data-answers", "1")
    phone.once("dialog", lambda asked: asked.accept())
    phone.get_by_role("button", name="Stop").click()
    expect(phone.locator("#choose")).to_be_visible()


def test_a_bench_test_is_guided_and_survives_a_closed_page(phone):
    go(phone, "Bench tests")
    phone.get_by_label("Keep the result with").select_option(index=1)
    phone.get_by_role("button", name="Drain and weigh").click()
    enter(phone, "20", "20.1", "50.2")
    phone.reload()  # as a phone does that was put away
    expect(phone.locator("#question")).to_contain_text("Carb 2: empty cup")
    phone.get_by_role("button", name="Back").click()
    expect(phone.locator("#question")).to_contain_text("Carb 1: full cup")
    expect(phone.locator("#note")).to_contain_text("Drain bowl 1 into the cup")
    enter(phone, "", "fifty")
    expect(phone.locator("#answer")).to_have_attribute("aria-invalid", "true")
    enter(phone, "50,2", "20", "50", "20", "50.1", "20")
    phone.get_by_role("button", name="Read the cell").click()
    expect(phone.locator("#read-told")).to_contain_text("Mean of")
    assert float(phone.locator("#answer").input_value()) > 100
    look(phone, "phone-trial")
    enter(phone, "50")
    expect(phone.locator("#said")).to_contain_text("Within its limits bowls alike")
    expect(phone.locator("#said pre")).to_contain_text("carb 4")
    look(phone, "phone-trial-judged")
    phone.get_by_role("button", name="Another test").click()
    expect(phone.locator("#results")).to_contain_text("Drain and weigh")
    expect(phone.locator("#results")).to_contain_text(re.compile(r"\(\d{4}-0001\): bowls alike"))


def test_commissioning_is_guided_step_by_step(phone):
    go(phone, "Bench tests")
    phone.get_by_text("Commissioning, step by step").click()
    steps = phone.locator("#steps > li")
    expect(steps).to_have_count(9)
    expect(steps.nth(7)).to_contain_text("NOBODY WILL BE TOLD")
    expect(steps.nth(3)).to_contain_text("Not done yet.")
    steps.first.get_by_role("button", name="Look for them").click()
    expect(phone.locator("#c-parts .ok")).to_have_count(2)
    expect(phone.locator("#c-parts")).to_contain_text("load cell: gives readings")
    steps.nth(6).get_by_text("Open the feed for the trial").first.click()
    expect(steps.nth(6).get_by_role("checkbox")).not_to_have_count(0)
    look(phone, "phone-commissioning")
    phone.locator("#c-ask summary").click()
    expect(phone.get_by_label("How many carburettors does the rack have?")).to_have_value("4")
    phone.get_by_label("The bottle: how many ml to the brim?").fill("1.000,5")
    phone.get_by_role("button", name="Keep the answers").click()
    expect(phone.locator("#told")).to_contain_text("1.000,5")
    phone.get_by_label("The bottle: how many ml to the brim?").fill("600,5")
    phone.get_by_label("What is printed on the feed hose?").select_option("clear")
    look(phone, "phone-commissioning-questions")
    phone.get_by_role("button", name="Keep the answers").click()
    expect(phone.locator("#told")).to_contain_text("Answers kept")
    expect(phone.locator("#c-over-command")).to_have_text("sudo soakmon commission --from-page")
    phone.get_by_role("button", name="Read the empty bottle").click()
    expect(phone.locator("#c-gain-found")).to_contain_text("now hang the known mass beside it")
    phone.get_by_label("Mass in g").fill("a lot")
    phone.get_by_role("button", name="Read it with the mass").click()
    expect(phone.locator("#told")).to_contain_text("is no number")
    phone.get_by_label("Mass in g").fill("500")
    phone.get_by_role("button", name="Read it with the mass").click()
    # Nothing hangs on a simulated cell, and so it says.
    expect(phone.locator("#c-gain-found")).to_contain_text("the cell does not feel it")
    look(phone, "phone-commissioning-gain")
    scan_a_code(phone, steps.nth(7))
    steps.last.get_by_role("button", name="Keep the record").click()
    expect(phone.locator("#told")).to_contain_text("left out: ")
    expect(steps.last).to_contain_text(re.compile("20\\d\\d.*left out"))
    steps.nth(3).get_by_role("button", name="Begin").click()
    enter(phone, "1000", "500", "0", "0", "500.1")
    expect(phone.locator("#said")).to_contain_text("limit")
    phone.get_by_role("button", name="Another test").click()
    phone.reload()
    phone.get_by_text("Commissioning, step by step").click()
    expect(steps.nth(3)).to_contain_text(re.compile("20\\d\\d.*:"))


def scan_a_code(phone: Page, step) -> None:
    """A topic that nobody guesses, as an image that a camera reads, and what only root can do."""
    step.get_by_text("By a push service").click()
    step.get_by_label("Name of the server").fill("push.example.org")
    step.get_by_role("button", name="Keep this way").first.click()
    code = step.get_by_role("img", name="Code to scan with the phone")
    expect(code).to_be_visible()
    assert code.bounding_box()["width"] > 200
    link = step.locator("#c-link")
    expect(link).to_have_attribute(
        "href", re.compile("https://push.example.org/soakmon-[0-9a-f]{16}")
    )
    expect(phone.locator("#c-over-command")).to_have_text("sudo soakmon commission --from-page")
    expect(step.get_by_role("button", name="Send test messages")).to_be_visible()
    look(phone, "phone-commissioning-code")


GUIDED = [
    ("Check the cell", ["1000", "500", "0", "0", "500.1"], "limit"),
    ("Blank run", ["0", "500", None, "496", None, "24", "20"], "bottle and hose lose"),
    ("Pump shots", ["20", "20", *(["20", "30", None] * 4)], "spread"),
    ("Weigh the floats", ["9", None, "9.4", None] * 4, "float takes fuel"),
    (
        "Calibrate the load cell",
        ["1000", "3000", "0", "5", "300", "300005", "600", "600005", None, "300005", "5",
         "0", "600005", "20", "600006", "30", "600006", None, "0.01", None],
        "g per count",
    ),
]  # fmt: skip


def test_each_guide_leads_to_a_judgement(phone):
    go(phone, "Bench tests")
    for name, answers, told in GUIDED:
        begin(phone, name)
        enter(phone, *answers)
        expect(phone.locator("#said")).to_contain_text(told)
        phone.get_by_role("button", name="Another test").click()
