"""Commands begin at once: what talks to the service, or asks for help, loads no heavy library."""

from __future__ import annotations

import subprocess
import sys

import pytest

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
