"""The arrows between the packages point one way."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
PURE = {"numpy", "scipy"}
STANDARD_IO = {"os", "pathlib", "socket", "sqlite3", "subprocess", "time", "datetime", "asyncio"}


def imports(path: Path) -> set[str]:
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            found.add(node.module)
    return found


def modules(folder: str) -> list[Path]:
    return sorted((ROOT / folder).rglob("*.py"))


def of(path: Path) -> set[str]:
    return {name for name in imports(path) if name.split(".")[0] in {"soakmon", "sim", "hardware"}}


@pytest.mark.parametrize("path", modules("soakmon/physics"), ids=str)
def test_physics_knows_only_itself(path):
    assert all(name.startswith("soakmon.physics") for name in of(path))
    assert not imports(path) & STANDARD_IO


@pytest.mark.parametrize("path", modules("soakmon/watch"), ids=str)
def test_watch_knows_only_physics_and_itself(path):
    assert all(name.startswith(("soakmon.physics", "soakmon.watch")) for name in of(path))
    assert not imports(path) & STANDARD_IO


@pytest.mark.parametrize("path", modules("soakmon/weigh"), ids=str)
def test_bench_tests_know_physics_settings_and_themselves(path):
    plain = ("soakmon.watch.settings", "soakmon.watch.rows", "soakmon.watch.figures")
    allowed = ("soakmon.physics", *plain, "soakmon.weigh", "soakmon.errors")
    assert all(name.startswith(allowed) for name in of(path))
    assert not imports(path) & (STANDARD_IO - {"datetime"})


@pytest.mark.parametrize("path", modules("sim"), ids=str)
def test_simulator_shares_no_equation_with_the_expectation(path):
    allowed = {"soakmon.physics.geometry", "soakmon.physics.fuels", "soakmon.watch.rows"}
    if path.name == "benches.py":  # what the owner says of a bench is the product's own words
        allowed.add("soakmon.watch.settings")
    ours = {name for name in of(path) if name.startswith("soakmon.")}
    assert {
        name for name in ours if name.startswith(("soakmon.physics", "soakmon.watch"))
    } <= allowed


@pytest.mark.parametrize("folder", ["soakmon/records", "soakmon/report", "soakmon/capability"])
def test_records_and_report_do_not_know_simulator_or_hardware(folder):
    for path in modules(folder):
        assert not {name for name in of(path) if name.startswith(("sim", "hardware"))}


@pytest.mark.parametrize(
    ("library", "only"),
    [
        ("asyncio_mqtt", "soakmon/reach/mqtt.py"),
        ("influxdb_client", "soakmon/reach/influx.py"),
        ("apprise", "soakmon/reach/phone.py"),
    ],
)
def test_a_library_of_an_outlet_is_known_to_one_module(library, only):
    users = [
        str(path.relative_to(ROOT))
        for path in modules("soakmon")
        if any(name.split(".")[0] == library for name in imports(path))
    ]
    assert users == [only]


@pytest.mark.parametrize("name", ["rules", "silence", "wording", "points", "topics", "discovery"])
def test_what_is_said_and_when_is_pure(name):
    found = imports(ROOT / "soakmon" / "reach" / f"{name}.py")
    assert not found & (STANDARD_IO - {"datetime"})
    assert not {one for one in found if one.split(".")[0] in {"httpx", "apprise", "asyncio_mqtt"}}
