"""Commands begin at once: what talks to the service, or asks for help, loads no heavy library."""

from __future__ import annotations

import subprocess
import sys
from importlib import import_module
from pathlib import Path

import pytest

from soakmon.cli import program
from soakmon.cli.program import _MODULES, _commands_of
from tests.desk import Desk

# Numbers, databases, PDF, pictures, web, outlets, hardware.
HEAVY = {
    "numpy", "scipy", "matplotlib", "sqlalchemy", "psycopg", "sqlite3", "fpdf", "uharfbuzz",
    "fastapi", "starlette", "uvicorn", "httpx", "jinja2", "argon2", "apprise", "influxdb_client",
    "asyncio_mqtt", "paho", "gpiozero", "babel", "soakmon.config",
}  # fmt: skip
LOADED = """
import sys
from soakmon.cli import main
try:
    main()
except SystemExit:
    pass
sys.stderr.write("loaded " + " ".join(sys.modules))
"""


def loaded(*args: str, cwd) -> set[str]:
    command = [sys.executable, "-c", LOADED, *args]
    done = subprocess.run(command, cwd=cwd, capture_output=True, text=True, check=True)
    return set(done.stderr.rpartition("loaded ")[2].split())


@pytest.mark.parametrize(
    "args",
    [("--help",), ("ack",), ("ack", "--help"), ("isolate",), ("status",), ("bench", "--help"),
     ("job", "new", "--help"), ("serve", "--help"), ("report", "--help")],
    ids=" ".join,
)  # fmt: skip
def test_no_heavy_library_is_loaded(args, tmp_path):
    found = loaded(*args, cwd=tmp_path)
    assert "typer" in found
    assert found & HEAVY == set()


@pytest.mark.parametrize("args", [("ack", "--help"), ("isolate", "--help"), ("job", "--help")])
def test_help_of_a_command_loads_its_own_module_alone(args, tmp_path):
    found = loaded(*args, cwd=tmp_path)
    assert not any(one.partition(".")[0] in {"pydantic", "rich"} for one in found)
    modules = {"soakmon.cli.control", "soakmon.cli.job", "soakmon.cli.serve", "soakmon.cli.weigh"}
    assert len(found & modules) == 1


def test_the_table_of_commands_names_all_that_the_modules_have():
    apps = {module: import_module(f"soakmon.cli.{module}") for module in set(_MODULES.values())}
    assert {name for module in apps for name in _commands_of(module)} == set(_MODULES)
    assert all(name in _commands_of(module) for name, module in _MODULES.items())
    # Modules whose commands belong to another family.
    within = {"weigh"}
    folder = Path(program.__file__).parent
    having = {
        one.stem for one in folder.glob("*.py") if "commands = typer.Typer" in one.read_text()
    }
    assert having - within == set(apps)


def test_a_mistyped_command_is_told_what_it_may_have_meant(tmp_path):
    found = Desk(tmp_path)("akc")
    assert found.code == 2
    assert "Did you mean 'ack'" in found.err


def test_what_is_heavy_would_be_seen(tmp_path):
    assert {"numpy", "soakmon.config"} <= loaded("bench", "check", "none.toml", cwd=tmp_path)


def test_the_data_folder_of_the_environment_is_that_of_every_command(tmp_path):
    (tmp_path / "data").mkdir()
    desk = Desk(tmp_path / "data")
    assert (
        desk("page", "account", "anna", "--role", "run", stdin="long enough\nlong enough\n").code
        == 0
    )
    assert "anna" in desk("page", "list").out
    assert (tmp_path / "data" / "page.db").exists()
