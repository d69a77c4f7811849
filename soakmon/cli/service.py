"""Commands of the bench service: serve it, and talk to it."""

from __future__ import annotations

import asyncio
import logging
import secrets
import time
from datetime import datetime
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.console import Group
from rich.live import Live
from rich.panel import Panel
from rich.table import Table
from rich.text import Text

from hardware.build import build_parts
from sim.parts import PacedClock, SimulatedBench
from sim.scenarios import SCENARIOS
from soakmon.app.keep_results import book_of
from soakmon.app.serve import serve as run_service
from soakmon.app.soak_context import consult
from soakmon.bench.check import listen_and_check
from soakmon.bench.client import Client
from soakmon.bench.ports import BenchParts
from soakmon.bench.preflight import check_outlets, check_told, fit
from soakmon.cautions import CAUTIONS
from soakmon.cli.options import DATA
from soakmon.cli.terminal import Terminal, plain_logs
from soakmon.config import Bench, read_bench
from soakmon.errors import InputError
from soakmon.reach.probe import probe
from soakmon.records.opening import now
from soakmon.report.clock import Clock
from soakmon.watch.figures import elapsed

SYSTEM_SOCKET = Path("/run/soakmon/control.sock")
_OLD_S = 10.0

out = Terminal()

SocketOption = Annotated[
    Path | None,
    typer.Option("--socket", envvar="SOAKMON_SOCKET", help="Control socket of the service."),
]


ConfirmOption = Annotated[
    bool, typer.Option("--confirm-cautions", help="You are at the bench and confirm them.")
]


def add_commands(app: typer.Typer) -> None:
    """Add the commands to the program."""
    for command in (serve, check, start, status, ack, isolate, feed, end, weigh):
        app.command()(command)


def serve(
    bench: Annotated[Path | None, typer.Option(metavar="TOML", help="bench.toml")] = None,
    simulated: Annotated[
        str | None, typer.Option(metavar="SCENARIO", help="Serve a simulated bench.")
    ] = None,
    pace: Annotated[
        float, typer.Option(min=1, max=120, help="Simulated: seconds per second.")
    ] = 60.0,
    seed: Annotated[int | None, typer.Option(min=0, help="Simulated: another night.")] = None,
    data: Annotated[Path | None, typer.Option(metavar="DIR", help="Data folder.")] = None,
) -> None:
    """Run the bench service (or a simulated one, faster than time)."""
    plain_logs()
    described = read_bench(bench) if bench is not None else Bench()
    if simulated is None and bench is None:
        raise InputError(
            "give --bench bench.toml, or --simulated SCENARIO to try it without a bench"
        )
    if simulated is not None:
        described = _local(described, data or DATA)
        described = _with_page(_slower(described, pace))
        parts = _simulated(described, simulated, pace, seed)
        out.print(Text(f"simulated bench {simulated}, {pace:g} times as fast as time"))
    else:
        described = _local(described, data) if data is not None else described
        parts = _real(described)
    out.print(Text(f"listening on {described.service.socket}; stop with Ctrl-C"))
    folder = Path(described.service.data_folder)
    book = book_of(folder, described, invented=simulated is not None)
    # The clock of a simulated bench begins anew with every start.
    boot = None if simulated is None else f"simulated {secrets.token_hex(8)}"
    run_service(described, parts, book, boot=boot)


def check(
    bench: Annotated[Path | None, typer.Option(metavar="TOML", help="bench.toml")] = None,
    simulated: Annotated[
        str | None, typer.Option(metavar="SCENARIO", help="Check a simulated bench.")
    ] = None,
    seconds: Annotated[float, typer.Option(min=15, max=600, help="How long to listen.")] = 20.0,
) -> None:
    """Preflight alone: is the bench fit to start? The feed stays shut."""
    described = read_bench(bench) if bench is not None else Bench()
    if simulated is None and bench is None:
        raise InputError("give --bench bench.toml, or --simulated SCENARIO")
    parts = _simulated(described, simulated, 10.0, None) if simulated else _real(described)
    try:
        checks = listen_and_check(described, parts, seconds)
    finally:
        parts.close()
    logging.getLogger("soakmon").setLevel(logging.ERROR)  # what is down stands among the checks
    board = asyncio.run(probe(described))
    checks += check_outlets(board.as_list(), phone_needed=described.phone.needed)
    told = consult(
        Path(described.service.data_folder),
        None,
        0,
        now().astimezone(),
        described,
        invented=simulated is not None,
    )
    checks += check_told(told)
    for one in checks:
        mark = "ok" if one.passed else "note" if one.warning else "FAILED"
        out.print(Text(f"{mark:>6}  {one.name}: {one.text}"))
    raise typer.Exit(0 if fit(checks) else 3)


def _local(bench: Bench, folder: Path) -> Bench:
    """The same bench with data and socket in a folder."""
    place = {"data_folder": str(folder), "socket": str(folder / "control.sock")}
    return bench.model_copy(update={"service": bench.service.model_copy(update=place)})


def _with_page(bench: Bench) -> Bench:
    """The same bench with its page, unless bench.toml says otherwise."""
    if "on" in bench.page.model_fields_set:
        return bench
    return bench.model_copy(update={"page": bench.page.model_copy(update={"on": True})})


def _slower(bench: Bench, pace: float) -> Bench:
    """Fewer readings a second where a second is short, so that any machine keeps up.

    The guard's patience with a silent thread is of this machine, not of the simulated bench.
    """
    readings_per_s = min(max(300 / pace, 1.0), bench.cell.readings_per_s)
    cell = bench.cell.model_copy(update={"readings_per_s": readings_per_s})
    guard = bench.guard.model_copy(update={"hung_s": bench.guard.hung_s * pace})
    return bench.model_copy(update={"cell": cell, "guard": guard})


def _simulated(bench: Bench, name: str, pace: float, seed: int | None) -> BenchParts:
    if name not in SCENARIOS:
        raise InputError(f"there is no scenario {name!r}; see: soakmon rehearse --list")
    scenario = SCENARIOS[name]
    if bench.rack.carbs != len(scenario.geometry.bowls):
        raise InputError(f"rack.carbs must be {len(scenario.geometry.bowls)} for {name}")
    clock = PacedClock(pace, time.time())
    cell = bench.cell
    simulation = SimulatedBench(scenario, clock, 1 / cell.g_per_count, cell.zero_counts, seed=seed)
    return simulation.parts()


def _real(bench: Bench) -> BenchParts:
    return build_parts(bench)


def client_of(path: Path | None) -> Client:
    """The service at a socket; without one that of the system, or of this folder."""
    if path is None:
        path = SYSTEM_SOCKET if SYSTEM_SOCKET.exists() else DATA / "control.sock"
    return Client(path)


def _confirmed(beforehand: bool) -> bool:
    """Show the cautions, and ask for them unless they were confirmed on the command line."""
    for caution in CAUTIONS:
        out.print(Text(f"  • {caution}"))
    return beforehand or typer.confirm("Have you made sure of all of these, at the bench?")


def start(
    title: Annotated[str, typer.Argument(help="What is soaked, for the report.")],
    job: Annotated[str | None, typer.Option(help="Job number.")] = None,
    filled: Annotated[
        bool, typer.Option("--filled", help="The rack is full already: await no fill.")
    ] = False,
    confirm: ConfirmOption = False,
    socket: SocketOption = None,
) -> None:
    """Begin a soak: preflight, then the feed opens."""
    client = client_of(socket)
    for one in check_outlets(client.get("/health"), phone_needed=False):
        if not one.passed:
            out.print(Text(f"  ! {one.name}: {one.text}", style="bold"), soft_wrap=True)
    body = {
        "title": title, "job": job, "filled": filled, "cautions_confirmed": _confirmed(confirm),
    }  # fmt: skip
    number = client.post("/soak", body)["soak"]
    out.print(Text(f"soak {number} begins with its preflight; see: soakmon status --watch"))


def status(
    watch: Annotated[bool, typer.Option("--watch", help="Stay, and show it live.")] = False,
    socket: SocketOption = None,
) -> None:
    """What the bench is doing."""
    client = client_of(socket)
    if not watch:
        out.print(show_status(client.get("/status")))
        return
    with Live(console=out, refresh_per_second=4) as live:
        while True:
            live.update(show_status(client.get("/status")))
            time.sleep(0.5)


def ack(socket: SocketOption = None) -> None:
    """Acknowledge the alarms that it shows, and no later ones."""
    client = client_of(socket)
    found = client.get("/status")
    clock = _clock(found)
    waiting = [alarm for alarm in found.get("alarms", []) if not alarm["acknowledged"]]
    for alarm in waiting:
        out.print(Text(f"{clock.at(alarm['t_s'])}  {clock.said(alarm['text'])}"))
    uids = [alarm["uid"] for alarm in waiting]
    count = client.post("/acknowledge", {"alarms": uids})["acknowledged"] if uids else 0
    told = {0: "no alarm to acknowledge", 1: "acknowledged"}
    out.print(Text(told.get(count, f"{count} alarms acknowledged")))


def isolate(
    reason: Annotated[str, typer.Option(help="Why.")] = "by command", socket: SocketOption = None
) -> None:
    """Shut the feed and watch the decay."""
    client_of(socket).post("/isolate", {"reason": reason})
    out.print(Text("the feed is shut; drops and mass go on being watched"))


def feed(
    confirm: ConfirmOption = False,
    socket: SocketOption = None,
) -> None:
    """Open the feed again after an isolation by command."""
    client = client_of(socket)
    # Before anybody reads eight cautions for nothing.
    if client.get("/status")["phase"] != "isolating":
        raise InputError("the feed is not isolated: there is nothing to open again")
    client.post("/feed", {"cautions_confirmed": _confirmed(confirm)})
    out.print(Text("the feed is open"))


def end(
    reason: Annotated[str, typer.Option(help="Why.")] = "by command", socket: SocketOption = None
) -> None:
    """End the soak: the feed is shut and the verdict given."""
    client = client_of(socket)
    client.post("/end", {"reason": reason})
    out.print(Text("the soak has ended; the feed is shut; see: soakmon status"))


def weigh(socket: SocketOption = None) -> None:
    """Net mass on the cell now."""
    found = client_of(socket).get("/weigh")
    mass_g = found["mass_g"]
    if mass_g is None:
        raise InputError("the load cell gives no mass: see soakmon status")
    moving = "" if found["steady"] else ", still moving"
    out.print(Text(f"{mass_g:.2f} g ± {found['noise_g']:.2f} g{moving}"))


def _clock(found: dict[str, Any]) -> Clock:
    """The shop's clock of what runs now."""
    if "wall_s" not in found:
        return Clock()
    began = datetime.fromtimestamp(found["wall_s"] - found["t_s"]).astimezone()
    return Clock(began, began.tzname() or "")


def show_status(found: dict[str, Any]) -> Group:
    """The status as a person reads it: verdict so far, alarms, what the bench does."""
    verdict = found.get("verdict")
    head = verdict["verdict"].replace("_", " ").upper() if verdict else "no verdict yet"
    head += " so far" if verdict and found["phase"] != "ended" else ""
    clock = _clock(found)
    told = clock.said(verdict["reason"] if verdict else found.get("reason", ""))
    table = Table.grid(padding=(0, 2))
    table.add_column(style="bold", no_wrap=True)
    table.add_column()
    for name, text in _lines(found):
        table.add_row(name, text)
    alarms = [
        Text(f"{'  ' if a['acknowledged'] else '! '}{clock.at(a['t_s'])}  {a['text']}")
        for a in found.get("alarms", [])
    ]
    title = f"{found.get('bench', 'bench')}: {found['phase']}"
    # A panel takes its title for markup, whatever the terminal does.
    panel = Panel(Text(f"{head}\n{told}"), title=Text(title), expand=False)
    return Group(panel, table, *alarms)


def _lines(found: dict[str, Any]) -> list[tuple[str, str]]:
    lines = []
    if found.get("mass_g") is not None:
        lines.append(("Bottle", f"{found['mass_g']:.2f} g"))
    if found.get("air_c") is not None:
        lines.append(("Shop", f"{found['air_c']:.1f} °C"))
    if "feed_open" in found:
        lines.append(("Feed", "open" if found["feed_open"] else "shut"))
    if "soak" in found:
        lines.append(("Soaked", f"{elapsed(found['soaked_s'])}, {elapsed(found['left_s'])} left"))
        blind = set(found.get("blind_gates", []))
        counted = enumerate(found["drops"], start=1)
        drops = ", ".join(f"carb {i}: {'?' if i in blind else n}" for i, n in counted)
        lines.append(("Drops", drops or "no gates"))
    if found.get("dry_at_wall_s"):
        dry = datetime.fromtimestamp(found["dry_at_wall_s"]).astimezone()
        lines.append(("Bottle", f"runs dry at {dry:%H:%M %Z}"))
    if found.get("age_s", 0.0) > _OLD_S:
        lines.append(("Trouble", f"all this is {found['age_s']:.0f} s old"))
    lines += [
        (
            "Interrupted",
            f"until {_clock(found).at(one['t_s'])}, for "
            + (elapsed(one["gap_s"]) if one["known"] else "nobody knows how long"),
        )
        for one in found.get("interruptions", [])
    ]
    if not found.get("feed_open"):
        lines += [("Shut for", reason) for reason in found.get("latch", [])]
    lines += [("Trouble", f"{ail['text']}; {ail['todo']}") for ail in found.get("ails", [])]
    if found.get("untold") and found["phase"] not in {"idle", "ended"}:
        lines.append(("Nobody told", f"of an alarm: phone {found['untold']}"))
    lines += [
        ("Trouble", found[key])
        for key in ("cell_trouble", "journal_trouble", "guard_trouble")
        if found.get(key)
    ]
    lines += [
        ("Preflight", f"{c['name']}: {c['text']}")
        for c in found.get("checks", [])
        if not c["passed"]
    ]
    return lines
