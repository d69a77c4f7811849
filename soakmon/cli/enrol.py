"""Bringing a bench into a hall: invited on the broker's machine, joined on the bench."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from soakmon.cli.printing import print_line
from soakmon.errors import InputError

if TYPE_CHECKING:
    from soakmon.enrol.inviting import Desk

NOT_WELL = 3
commands = typer.Typer(
    name="enrol", help="Bring benches into a hall of many, and out of it.", no_args_is_help=True
)
ServersOption = Annotated[
    Path, typer.Option("--servers", metavar="TOML", help="what the hall has: servers.toml")
]
SERVERS = Path("/etc/soakmon/servers.toml")
NameArgument = Annotated[str, typer.Argument(metavar="NAME", help="bench, or shop/bench")]


def _desk(servers: Path) -> Desk:
    from soakmon.enrol.inviting import Desk
    from soakmon.enrol.servers import read_servers

    return Desk(read_servers(servers))


def _parts(name: str) -> tuple[str, str]:
    from soakmon.bench_address import is_address, parts_of

    if not is_address(name):
        raise InputError(
            f"{name}: a bench is named by small letters, digits and hyphens: bench, or shop/bench"
        )
    return parts_of(name)


def _invited(servers: Path, name: str, *, again: bool) -> None:
    from soakmon.enrol.line import as_line

    shop, bench = _parts(name)
    desk = _desk(servers)
    invitation = desk.invite(bench, shop, again=again)
    for note in desk.notes:
        print_line(note, stderr=True, soft_wrap=True)
    print_line(
        "on the bench, as root; it holds passwords, so show it to nobody else:\n", stderr=True
    )
    typer.echo(f"soakmon enrol join {as_line(invitation)}")


@commands.command("invite")
def invite(name: NameArgument, servers: ServersOption = SERVERS) -> None:
    """Let a bench in at broker, store and database; prints the one line for the bench."""
    _invited(servers, name, again=False)


@commands.command("rotate")
def rotate(name: NameArgument, servers: ServersOption = SERVERS) -> None:
    """Give a bench new secrets: the old ones end, and the line must be run on the bench."""
    _invited(servers, name, again=True)


@commands.command("revoke")
def revoke(name: NameArgument, servers: ServersOption = SERVERS) -> None:
    """Shut a bench out; what it has sent and kept stays."""
    places = _desk(servers).revoke(name)
    print_line(f"{name} is let in no more: {', '.join(places)}")


@commands.command("list")
def listed(servers: ServersOption = SERVERS) -> None:
    """List who is let in at the broker."""
    for user in _desk(servers).listed():
        typer.echo(user)


@commands.command("helper")
def helper(
    user: Annotated[str, typer.Argument(help="soakmon-lookout or soakmon-screen")],
    servers: ServersOption = SERVERS,
) -> None:
    """Let lookouts, or wall screens, in at the broker; prints their password, new each time."""
    typer.echo(_desk(servers).helper(user))


@commands.command("join")
def join_(
    line: Annotated[str, typer.Argument(help="The word that invite has printed; - reads it.")],
    bench: Annotated[Path, typer.Option("--bench", metavar="TOML", help="bench.toml")] = Path(
        "/etc/soakmon/bench.toml"
    ),
) -> None:
    """Take a bench into a hall: writes its secrets and bench.toml, then proves each server.

    Exit code 3 when one is not proven; run it again when that is mended.
    """
    import sys

    from soakmon.enrol.joining import join, proofs
    from soakmon.enrol.line import of_line

    invitation = of_line(sys.stdin.readline() if line == "-" else line)
    described = join(invitation, bench, datetime.now(UTC))
    print_line(f"{bench}: this is bench {invitation.address}")
    well = True
    for what, prove in proofs(invitation, bench.parent / "hall-ca.pem"):
        why = prove(described)
        well = well and not why
        print_line(f"FAILED  {what}: {why}" if why else f"    ok  {what}", soft_wrap=True)
    if well:
        print_line("start it anew: systemctl restart soakmon")
    raise typer.Exit(0 if well else NOT_WELL)
