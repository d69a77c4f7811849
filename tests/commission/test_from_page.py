"""sudo soakmon commission --from-page: what the page kept is shown, asked about, and written."""

from __future__ import annotations

import json
from types import SimpleNamespace

import pytest
import typer
from typer.testing import CliRunner

from soakmon.app.commission_saved import FILE, read_saved
from soakmon.bench_toml import read_bench
from soakmon.cli import commissioning
from soakmon.cli.commissioning import Commissioning
from soakmon.commission.phone import ADDRESSES
from soakmon.errors import InputError


class Machine:
    """The machine that the dialogue has: systemctl, and a service that answers once it is up."""

    def __init__(self, folder, monkeypatch):
        self.folder, self.path, self.did = folder, folder / "bench.toml", []
        self.phase = "idle"
        (folder / "data").mkdir()
        self.path.write_text(f'[service]\ndata_folder = "{folder / "data"}"\n', encoding="utf-8")
        monkeypatch.setattr(commissioning, "systemctl", lambda *words: self.did.append(words))
        monkeypatch.setattr(Commissioning, "_client", lambda _: self)

    def status(self):
        return SimpleNamespace(phase=self.phase)

    def get(self, path):
        return {"counts": 1.0 if ("restart", "soakmon.service") in self.did else None}

    def keep(self, **keys):
        told = {key.replace("__", "."): value for key, value in keys.items()}
        (self.folder / "data" / FILE).write_text(json.dumps({"keys": told}), encoding="utf-8")

    def typed(self, text):
        app = typer.Typer()
        app.command()(lambda: Commissioning(self.path, sleep=lambda _: None).from_page())
        return CliRunner().invoke(app, input=text)


@pytest.fixture
def machine(tmp_path, monkeypatch):
    return Machine(tmp_path, monkeypatch)


def test_what_the_page_kept_is_written_when_the_owner_says_so_and_the_service_uses_it(machine):
    addresses = str(machine.folder / "data" / ADDRESSES)
    machine.keep(phone__enabled=True, phone__urls_file=addresses, rack__carbs=3,
                 gates__pins=[17, 27, 22], cell__g_per_count=0.0005)  # fmt: skip
    done = machine.typed("y\n")
    assert done.exit_code == 0, done.output
    assert "write this into" in done.output
    bench = read_bench(machine.path)
    assert (bench.rack.carbs, tuple(bench.gates.pins)) == (3, (17, 27, 22))
    assert (bench.cell.g_per_count, bench.phone.urls_file) == (0.0005, addresses)
    # Started again with the new file; the file before is kept.
    assert [words[0] for words in machine.did] == ["enable", "restart"]
    assert len(list((machine.folder / "earlier").glob("bench-*.toml"))) == 1
    assert read_saved(machine.folder / "data")["keys"] == {}
    again = machine.typed("y\n")
    assert isinstance(again.exception, InputError)
    assert "kept nothing" in str(again.exception)


@pytest.mark.parametrize("typed", ["n\n", ""])
def test_nothing_is_written_without_a_yes(machine, typed):
    machine.keep(rack__carbs=3)
    before = machine.path.read_bytes()
    done = machine.typed(typed)
    assert done.exit_code != 0
    assert machine.path.read_bytes() == before
    assert machine.did == []
    assert read_saved(machine.folder / "data")["keys"] == {"rack.carbs": 3}


@pytest.mark.parametrize(
    ("keys", "word"),
    [({"rack__carbs": 30}, "carbs"), ({"service__socket": "/tmp/x"}, "does not write")],
)
def test_what_is_no_bench_leaves_the_file_as_it_was(machine, keys, word):
    machine.keep(**keys)
    before = machine.path.read_bytes()
    done = machine.typed("y\n")
    assert isinstance(done.exception, InputError)
    assert word in str(done.exception)
    assert machine.path.read_bytes() == before
    # The service was never stopped for it.
    assert machine.did == []


def test_a_running_soak_is_not_ended_for_it(machine):
    machine.keep(rack__carbs=3)
    machine.phase = "soaking"
    done = machine.typed("y\n")
    assert "end it first" in str(done.exception)
    assert machine.did == []
