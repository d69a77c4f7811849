"""Commands to the running service: start, status, ack, isolate, feed, end, weigh."""

from __future__ import annotations

import time
from typing import Annotated

import typer

from soakmon.cli.connection import SocketOption, client_of
from soakmon.cli.options import user_name
from soakmon.cli.printing import print_line, terminal
from soakmon.errors import InputError

commands = typer.Typer()

ConfirmOption = Annotated[
    bool, typer.Option("--confirm-cautions", help="You are at the bench and confirm them.")
]


def _confirmed(beforehand: bool) -> bool:
    """Show the cautions, and ask for them unless they were confirmed on the command line."""
    from soakmon.cautions import CAUTIONS

    for caution in CAUTIONS:
        print_line(f"  • {caution}")
    return beforehand or typer.confirm("Have you made sure of all of these, at the bench?")


@commands.command()
def start(
    title: Annotated[str, typer.Argument(help="What is soaked, for the report.")],
    job: Annotated[str | None, typer.Option(help="Job number.")] = None,
    filled: Annotated[
        bool, typer.Option("--filled", help="The rack is already full: skip filling.")
    ] = False,
    confirm: ConfirmOption = False,
    socket: SocketOption = None,
) -> None:
    """Begin a soak: preflight, then the feed opens."""
    from soakmon.bench.preflight import check_outlets

    client = client_of(socket)
    for check in check_outlets(client.health(), phone_needed=False):
        if not check.passed:
            print_line(f"  ! {check.name}: {check.text}", style="bold", soft_wrap=True)
    body = {
        "title": title, "job": job, "filled": filled, "cautions_confirmed": _confirmed(confirm),
    }  # fmt: skip
    number = client.post("/soak", body)["soak"]
    print_line(f"soak {number} begins with its preflight; see: soakmon status --watch")


@commands.command()
def status(
    watch: Annotated[bool, typer.Option("--watch", help="Stay, and show it live.")] = False,
    socket: SocketOption = None,
) -> None:
    """Show what the bench is doing."""
    from rich.live import Live

    from soakmon.cli.status_output import show_status

    client, out = client_of(socket), terminal()
    if not watch:
        out.print(show_status(client.status()))
        return
    with Live(console=out, refresh_per_second=4) as live:
        while True:
            live.update(show_status(client.status()))
            time.sleep(0.5)


@commands.command()
def ack(socket: SocketOption = None) -> None:
    """Acknowledge the alarms it shows, and none that come later."""
    from soakmon.cli.status_output import clock_of

    client = client_of(socket)
    status = client.status()
    clock = clock_of(status)
    for alarm in status.waiting:
        print_line(f"{clock.at(alarm.t_s)}  {clock.with_hours(alarm.text)}")
    uids = [alarm.uid for alarm in status.waiting]
    count = 0
    if uids:
        body = client.post("/acknowledge", {"alarms": [*uids], "by": user_name()[:60]})
        count = body["acknowledged"]
    counted = {0: "no alarm to acknowledge", 1: "acknowledged"}
    print_line(counted.get(count, f"{count} alarms acknowledged"))


@commands.command()
def isolate(
    reason: Annotated[str, typer.Option(help="Why.")] = "by command", socket: SocketOption = None
) -> None:
    """Shut the feed and watch the drips fade."""
    client_of(socket).post("/isolate", {"reason": reason})
    print_line("the feed is shut; drops and mass go on being watched")


@commands.command()
def feed(
    confirm: ConfirmOption = False,
    socket: SocketOption = None,
) -> None:
    """Open the feed again after soakmon isolate."""
    client = client_of(socket)
    # Before anybody reads eight cautions for nothing.
    if client.status().phase != "isolating":
        raise InputError("the feed is not isolated: there is nothing to open again")
    client.post("/feed", {"cautions_confirmed": _confirmed(confirm)})
    print_line("the feed is open")


@commands.command()
def end(
    reason: Annotated[str, typer.Option(help="Why.")] = "by command", socket: SocketOption = None
) -> None:
    """End the soak: shut the feed and give the verdict."""
    client = client_of(socket)
    client.post("/end", {"reason": reason})
    print_line("the soak has ended; the feed is shut; see: soakmon status")


@commands.command()
def weigh(socket: SocketOption = None) -> None:
    """Weigh what is on the cell now, net."""
    reading = client_of(socket).get("/weigh")
    mass_g = reading["mass_g"]
    if mass_g is None:
        raise InputError("the load cell gives no mass: see soakmon status")
    moving = "" if reading["steady"] else ", still moving"
    print_line(f"{mass_g:.2f} g ± {reading['noise_g']:.2f} g{moving}")
