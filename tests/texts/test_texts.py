"""The catalogues are whole, and what the bench says in English is found again in every language."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

from soakmon.commission.record import KIND as COMMISSIONING
from soakmon.physics.fuels import FUELS
from soakmon.texts import ENGLISH, LANGUAGES, language_of, say, texts, translated
from soakmon.texts.translating import _translated_whole
from soakmon.watch.figures import began, rate
from soakmon.watch.verdict import leak_alarm
from soakmon.weigh.reference import KIND as DRIP

OTHERS = [language for language in LANGUAGES if language != ENGLISH]
PLACE = re.compile(r"\{(\w+)\}")
PROGRAM = Path(__file__).parents[2] / "soakmon"


def filled(text: str) -> str:
    return PLACE.sub("7", text)


@pytest.mark.parametrize("language", OTHERS)
def test_a_language_has_every_text_with_the_same_to_fill_in(language):
    english, other = texts(), texts(language)
    # What is the same in both languages has hardly a word of its own.
    same = {PLACE.sub("", text) for key, text in english.items() if other[key] == text}
    assert {text for text in same if sum(map(str.isalpha, text)) > 12} == set()
    for key, text in english.items():
        assert sorted(PLACE.findall(text)) == sorted(PLACE.findall(other[key])), key
        assert bool(text) == bool(other[key])


@pytest.mark.parametrize("language", OTHERS)
def test_every_sentence_of_the_bench_is_found_again(language):
    other = texts(language)
    lost = [
        (key, translated(filled(text), language))
        for key, text in texts().items()
        if "." in key and other[key] != text and translated(filled(text), language) == filled(text)
    ]
    assert lost == []


def keys_said() -> set[str]:
    """All keys that the program asks for; what is put together from a stem, by the stem."""
    found = set()
    for path in (*PROGRAM.rglob("*.py"), *PROGRAM.with_name("hardware").rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Constant) and isinstance(node.value, str):
                found.add(node.value)
    return found


def test_no_sentence_is_left_over():
    said = keys_said()
    stems = tuple(one for one in said if one.endswith("_") and "." in one)
    # By which texts are found again that were put together; and physics, which says nothing, has
    # names for its fuels.
    kept = {"joint.and", "joint.to"} | {key for key in texts() if key.startswith("fuel.")}
    names = {fuel.name for fuel in FUELS.values()}
    assert {texts()[key] for key in kept if key.startswith("fuel.")} == names
    sentences = {key for key in texts() if "." in key}
    assert {key for key in sentences - said - kept if not key.startswith(stems)} == set()


# Where sentences are made that page, phone, report or verdict show.
SPEAKING = ("weigh", "watch", "report", "commission", "bench", "reach/rules.py", "reach/wording.py",
            "records/verdicts.py")  # fmt: skip
# Three words and more; a description of the API, of a field or for the log speaks to programs.
SENTENCE = re.compile(r"[A-Za-z][a-z']+(?: [A-Za-z0-9'(]+){2,}")
ASIDE = {"Field", "published", "measured", "judgement", "effort", "text", "execute",
         "debug", "info", "warning", "error", "exception", "critical"}  # fmt: skip
# What the terminal alone says (it is English), and what no person reads.
ELSEWHERE = {
    "bench/api.py", "bench/guide_api.py", "bench/refusals.py",  # descriptions of the API
    "bench/client.py",  # of commands
    "commission/due.py",  # soakmon check
    "commission/bench_file.py", "commission/phone.py",  # files that cannot be written
    "commission/valve_ways.py",  # commands to type
    "watch/trend.py", "bench/commands.py",  # faults of the program
    "weigh/prompts.py",  # of the terminal's dialogue
    "report/clock.py",  # finds the sentences of the catalogue again
    "report/files.py",  # a comment in the CSV, a file that cannot be written
}  # fmt: skip


def called(node: ast.Call) -> str:
    return node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")


def sentences(path: Path) -> list[str]:
    """Literals of a module that are sentences for people, but for its docstrings."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    passed = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
            passed.add(id(node.value))
        if isinstance(node, ast.Call) and called(node) in ASIDE:
            passed |= {id(one) for one in ast.walk(node)}
    return [
        node.value
        for node in ast.walk(tree)
        if isinstance(node, ast.Constant) and isinstance(node.value, str)
        and id(node) not in passed and SENTENCE.search(node.value) and "SELECT" not in node.value
    ]  # fmt: skip


def test_no_sentence_for_people_is_outside_the_catalogue():
    outside = {}
    for place in SPEAKING:
        root = PROGRAM / place
        for path in [root] if root.is_file() else sorted(root.rglob("*.py")):
            name = path.relative_to(PROGRAM).as_posix()
            if name not in ELSEWHERE and (found := sentences(path)):
                outside[name] = found
    assert outside == {}
    # Each exception is one: else it goes from the list.
    assert all(sentences(PROGRAM / name) for name in ELSEWHERE)


def test_every_kind_of_result_has_its_name_on_the_page():
    calls = [
        node.args[0]
        for path in PROGRAM.rglob("*.py")
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "BenchTestResult"
    ]
    kinds = {str(arg.value) for arg in calls if isinstance(arg, ast.Constant)}
    assert "straw" in kinds
    # Those that are named by a constant of their module, or kept by others than a bench test.
    kinds |= {DRIP, COMMISSIONING, "soak", "rehearsal"}
    assert {f"kind_{kind}" for kind in kinds} <= set(texts())


def test_a_sentence_put_together_is_said_whole():
    since = began(3600 * 3.2, 3600 * 4.0)
    reason = f"leak at carb 4, about {rate(0.35)}, begun {since}; at carb 1, about {rate(90)}"
    assert translated(reason, "de") == (
        "Leck an Vergaser 4, etwa 8,4 g/Tag, begonnen zwischen 3:12 h und 4:00 h nach dem Start; "
        "an Vergaser 1, etwa 1,5 g/min"
    )
    assert (
        translated(leak_alarm(0.0, "flood", 3, 90.0).text, "de")
        == "Vergaser 3 läuft über: etwa 1,5 g/min"
    )
    kept = say("keep.invented", summary=f"{say('keep.leaking')}: {reason}")
    assert translated(kept, "de") == f"undicht: {translated(reason, 'de')} (erfundene Daten)"
    mend = say("ails.clean_gate_check_its_wire", gate=2)
    text = say("ails.gate_sees_nothing_its_beam", gate=2)
    todo = say("ails.start_again_this_soak_cannot", mend=mend)
    found = translated(f"{text}; {todo}", "de")
    assert found.startswith("Lichtschranke 2 sieht nichts")
    assert found.endswith("diese Prüfung kann „dicht“ nicht mehr nachweisen")


def test_what_people_wrote_stays_as_it_is():
    for text in ("Invented & Sons", "rail joints greased by C.", "2026-0001", "", "x" * 5000):
        assert translated(text, "de") == text
    assert translated("leak at carb 4", "en") == "leak at carb 4"


@pytest.mark.parametrize(
    ("accept", "language"),
    [
        ("", "en"), ("de", "de"), ("de-AT,de;q=0.9,en;q=0.8", "de"), ("en-GB,de;q=0.5", "en"),
        ("fr,de;q=0.3,en;q=0.2", "de"), ("fr", "en"), ("de;q=0", "en"), ("*", "en"),
        ("de;q=x,en", "en"), (",;q=,,", "en"), ("d" * 10_000, "en"),
    ],
)  # fmt: skip
def test_the_browser_chooses(accept, language):
    assert language_of(accept) == language


def test_what_a_report_adds_and_a_refusal_are_said_in_german():
    again = say(
        "report_soak.judged_again", version="0.1.0", outcome=say("keep.leaking"), reason="x"
    )
    assert translated(again, "de").startswith("Von soakmon 0.1.0 noch einmal beurteilt")
    assert "undicht" in translated(again, "de")
    name = say("network.unknown_name", said="bench.example", known="bench.local")
    assert "bench.example" in translated(name, "de")
    assert translated(name, "de").startswith("die Seite dieses Prüfstands")


def test_a_sentence_with_a_long_list_is_said_without_trying_all_ways_to_cut_it():
    """A lookout that thinks about a list of benches for minutes is taken for dead."""
    names = [f"s/b-{number}" for number in range(200)]
    text = say("duty.body_silent_begun", names=", ".join(names))
    before = _translated_whole.cache_info().misses
    told = translated(text, "de")
    assert told == texts("de")["duty.body_silent_begun"].format(names=", ".join(names))
    assert _translated_whole.cache_info().misses - before < 10 * len(names)
