"""Commands on the bench's description: soakmon bench init, check."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from soakmon.cli import weigh
from soakmon.cli.printing import print_line
from soakmon.errors import InputError

commands = typer.Typer(
    name="bench",
    help="The bench: its description, and tests on its load cell.",
    no_args_is_help=True,
)
commands.add_typer(weigh.commands)


@commands.command("init")
def bench_init(
    file: Annotated[Path, typer.Argument(help="File to write.")] = Path("bench.toml"),
    force: Annotated[bool, typer.Option("--force", help="Replace an existing file.")] = False,
    say: Annotated[
        list[str] | None,
        typer.Option(metavar="KEY=ANSWER", help="Answer a question, as hose.kind=ordinary."),
    ] = None,
) -> None:
    """Write a commented bench.toml with every key; in a terminal it first asks a few questions."""
    from soakmon.bench_toml import example_toml
    from soakmon.cli.bench_questions import asked, given

    if file.exists() and not force:
        raise InputError(f"{file}: exists already; --force replaces it")
    known = given(say) if say else asked() if sys.stdin.isatty() else {}
    try:
        part = file.with_name(file.name + ".part")
        part.write_text(example_toml(known), encoding="utf-8")
        part.replace(file)
    except OSError as error:
        raise InputError(f"{file}: cannot be written: {error.strerror}") from None
    print_line(f"{file} written: measure your bench and change what differs")


@commands.command("check")
def bench_check(
    file: Annotated[Path, typer.Argument(help="File to check.")] = Path("bench.toml"),
) -> None:
    """Check a bench.toml and say what it means."""
    from soakmon.bench_toml import read_bench

    settings = read_bench(file).settings()
    geometry = settings.geometry
    print_line(f"{file} is good:")
    print_line(f"  {len(geometry.bowls)} carburettors, fuel: {settings.fuel.name}")
    print_line(f"  a rack that leaks less than {settings.criterion_g_per_day:g} g/day is tight")
