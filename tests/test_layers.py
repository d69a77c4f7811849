"""The arrows between the packages point one way, and every library has its place.

All of them are held, those that only types need too: what a package may know of the project is
`KNOWS`, of others' libraries `LIBRARIES`, of the standard library's input and output `STANDARD_IO`.
"""

from __future__ import annotations

import ast
import sys
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
OURS = ("soakmon", "sim", "hardware")
# Of the simulator's and the bench tests' relations to others only plain values.
PLAIN = {"watch.settings", "watch.rows", "watch.figures"}
GROUND = {
    "bench_address", "errors", "extras", "cautions", "texts", "toml_text", "systemd", "version",
}  # fmt: skip
CONFIG = {
    "bench_toml", "config", "hardware_config", "reach_config", "soak_config", "valve_toml",
}  # fmt: skip
KNOWS: dict[str, set[str]] = {
    "physics": set(),
    "watch": {"physics", "texts"},
    "weigh": {"errors", "physics", "texts", *PLAIN},
    "capability": {"cautions", "physics", "watch", "weigh.student"},
    "commission": {
        *GROUND, "bench_toml", "capability.bound", "config", "watch.rows", "watch.settings",
    },
    "records": {*GROUND, "config", "watch"},
    "report": {*GROUND, "physics", "records", "watch"},
    "bench": {*GROUND, *CONFIG, "physics.liquid", "records", "watch", "weigh"},
    "reach": {
        *GROUND, *CONFIG, "bench", "records", "report.clock", "report.words",
        "watch.figures", "watch.phase", "watch.verdict",
    },
    "page": {
        *GROUND, *CONFIG, "bench", "physics.liquid", "reach", "records", "report.words",
        "watch.phase",
    },
    "enrol": {
        *GROUND, *CONFIG, "commission.bench_file", "reach", "records",
    },
    "bench_toml": {"config", "errors", "toml_text"},
    "valve_toml": {"errors", "hardware_config", "toml_text"},
    "config": {*CONFIG, "physics", "watch.settings"},
    "soak_config": {"hardware_config", "physics", "watch.settings"},
    "hardware_config": {"bench_address"},
    "reach_config": {"bench_address", "hardware_config"},
    "toml_text": {"errors"},
    "errors": set(), "extras": set(), "texts": set(), "cautions": {"texts"}, "systemd": set(),
    "version": set(), "bench_address": set(),
    "sim": {
        "bench.ports", "config", "physics.fuels", "physics.geometry", "watch.rows",
        "watch.settings", "weigh.blank_run",
    },
    "hardware": {"bench.ports", *CONFIG, "errors", "texts"},
}  # fmt: skip
# What puts the parts together knows everybody; of these two only `cli` knows `app`.
ROOTS = {"app", "cli"}
LIBRARIES: dict[str, set[str]] = {
    "physics": {"numpy"},
    "watch": {"numpy"},
    "weigh": {"numpy", "pydantic"},
    "capability": {"numpy"},
    "commission": {"numpy", "segno"},
    "records": {"numpy", "pydantic", "sqlalchemy"},
    "report": {"numpy", "matplotlib", "fontTools", "fpdf"},
    "bench": {"numpy", "pydantic", "fastapi"},
    "reach": {"numpy", "httpx", "urllib3", "influxdb_client", "asyncio_mqtt", "apprise"},
    "page": {
        "fastapi", "starlette", "uvicorn", "h11", "pydantic", "jinja2", "argon2", "sqlalchemy",
    },
    "enrol": {"httpx", "influxdb_client", "pydantic", "sqlalchemy", "urllib3"},
    "app": {"numpy", "sqlalchemy", "tomli_w", "uvicorn", "fastapi"},
    "cli": {"typer", "rich"},
    "texts": {"babel"},
    "bench_toml": {"pydantic", "tomli_w"},
    "valve_toml": {"pydantic"},
    "config": {"pydantic"},
    "soak_config": {"pydantic"},
    "hardware_config": {"pydantic"},
    "reach_config": {"pydantic"},
    "sim": {"numpy"},
    "hardware": {"gpiozero", "smbus2", "periphery", "w1thermsensor"},
}  # fmt: skip
# A library that one module alone knows, or that is loaded by none but these.
ALONE = {
    "asyncio_mqtt": {"soakmon.reach.mqtt"},
    "influxdb_client": {"soakmon.reach.influx", "soakmon.enrol.store_access"},
    "apprise": {"soakmon.reach.phone"},
    "matplotlib": {"soakmon.report.figure", "soakmon.report.letters"},
    "fpdf": {"soakmon.report.pdf"},
    "argon2": {"soakmon.page.door"},
}
STANDARD_IO = {"os", "pathlib", "socket", "sqlite3", "subprocess", "time", "datetime", "asyncio"}
PURE = {"physics": set(), "watch": set(), "weigh": {"datetime"}}
SAID = (
    "rules",
    "silence",
    "heard_bench",
    "broker_link",
    "wording",
    "points",
    "topics",
    "discovery",
    "fleet_order",
    "leader",
    "duty",
    "clashes",
    "claim",
    "hall_board",
    "dashboard_form",
)


@cache
def modules() -> dict[str, Path]:
    """Every module of the program by its dotted name; a package is its __init__."""
    found = {}
    for top in OURS:
        for path in sorted((ROOT / top).rglob("*.py")):
            parts = path.relative_to(ROOT).with_suffix("").parts
            found[".".join(part for part in parts if part != "__init__")] = path
    return found


@cache
def imports(name: str) -> frozenset[str]:
    """What a module imports, wherever in it: a name of ours as its module, others as written."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(modules()[name].read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{name}: names its modules in full"
            for alias in node.names:
                full = f"{node.module}.{alias.name}"
                if full == "soakmon.__version__":
                    full = "soakmon.version"
                found.add(full if full in modules() or full == "soakmon.version" else node.module)
    return frozenset(found)


def ours(name: str) -> set[str]:
    return {one for one in imports(name) if one.split(".")[0] in OURS}


def place(name: str) -> str:
    """The package, or the module of the ground floor, that a dotted name belongs to."""
    first, *rest = name.split(".")
    return rest[0] if first == "soakmon" and rest else first


def inside(name: str) -> str:
    """A dotted name without the project's own."""
    return name.removeprefix("soakmon.")


def libraries(name: str) -> set[str]:
    tops = {one.split(".")[0] for one in imports(name)}
    return tops - set(OURS) - set(sys.stdlib_module_names)


NAMES = [name for name in modules() if name not in {"soakmon", "soakmon.__main__"}]


@pytest.mark.parametrize("name", NAMES)
def test_a_module_knows_what_its_package_may(name):
    here = place(name)
    others = {one for one in ours(name) if place(one) != here}
    if here in ROOTS:
        assert {one for one in others if place(one) == "cli"} == set()
        return
    may = KNOWS[here]
    assert {one for one in others if place(one) not in may and inside(one) not in may} == set()


@pytest.mark.parametrize("name", NAMES)
def test_a_library_is_known_where_it_belongs(name):
    found = libraries(name)
    assert found <= LIBRARIES.get(place(name), set())
    assert {one for one in found if name not in ALONE.get(one, {name})} == set()


def test_the_lists_hold_nothing_that_is_not_used():
    """A line that nothing needs any more would let it come back unseen."""
    used: dict[str, set[str]] = {}
    for name in NAMES:
        used.setdefault(place(name), set()).update(libraries(name))
    unused = {here: LIBRARIES[here] - used.get(here, set()) for here in LIBRARIES}
    assert {here: left for here, left in unused.items() if left} == {}
    assert {
        one for one, users in ALONE.items() for user in users if one not in libraries(user)
    } == set()


@pytest.mark.parametrize("name", [name for name in NAMES if place(name) in PURE])
def test_physics_watch_and_weigh_do_no_input_or_output(name):
    assert not set(imports(name)) & (STANDARD_IO - PURE[place(name)])


@pytest.mark.parametrize("name", SAID)
def test_what_is_said_and_when_is_pure(name):
    full = f"soakmon.reach.{name}"
    assert not set(imports(full)) & (STANDARD_IO - {"datetime"})
    assert not libraries(full) - {"numpy"}


def circles(arrows: dict[str, set[str]]) -> list[set[str]]:
    """Groups that lead back to themselves: what each reaches, and is reached from."""
    reach = {one: set(to) for one, to in arrows.items()}
    for middle in arrows:
        for one in arrows:
            if middle in reach[one]:
                reach[one] |= reach[middle]
    groups = [{two for two in arrows if two in reach[one] and one in reach[two]} for one in arrows]
    return [group for k, group in enumerate(groups) if group and group not in groups[:k]]


def test_no_modules_go_round_in_a_circle():
    arrows = {name: ours(name) & set(modules()) for name in modules()}
    assert circles(arrows) == []


def test_a_circle_is_noticed():
    assert circles({"a": {"b"}, "b": {"c"}, "c": {"a"}, "d": {"a"}}) == [{"a", "b", "c"}]
    assert circles({"a": {"b"}, "b": {"c"}, "c": set()}) == []


def classes() -> dict[str, list[str]]:
    """The modules of each class by its name, nested ones too."""
    found: dict[str, list[str]] = {}
    for name, path in modules().items():
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ClassDef):
                found.setdefault(node.name, []).append(name)
    return found


def test_no_class_name_stands_twice():
    """Whoever reads a name knows what it is, whichever room they are in."""
    assert {name: where for name, where in classes().items() if len(where) > 1} == {}
    assert classes()["Decider"] == ["soakmon.watch.decider"]


def test_no_wait_with_a_limit_is_on_a_queue_that_forgets_the_limit():
    """On Python 3.11 a simple queue whose limit passes before it begins to wait, as on a machine
    that stands still for a moment, waits for ever: a phone's thread was seen to.
    """
    for path in (ROOT / "soakmon").rglob("*.py"):
        assert "SimpleQueue" not in path.read_text(encoding="utf-8"), path
