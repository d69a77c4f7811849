#!/usr/bin/python3
"""Stands in for systemctl in a root that no systemd runs: starts and watches services by unit.

Knows what soakmon's units use: Type=notify, User, folders, Environment, UMask, Restart with
RestartPreventExitStatus, ExecStopPost, drop-ins. Hardening is not its matter; systemd-analyze looks
at that. Every call is written to /run/systemctl.log.
"""

import contextlib
import grp
import os
import pwd
import shlex
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

UNITS, TRANSIENT = Path("/etc/systemd/system"), Path("/run/systemd/system")
RUN = Path("/run/stand-in")


def settings(name):
    """Key -> values of a unit's [Service] section, drop-ins included."""
    found = {}
    drop_ins = [*(UNITS / f"{name}.d").glob("*.conf"), *(TRANSIENT / f"{name}.d").glob("*.conf")]
    for path in (UNITS / name, *sorted(drop_ins, key=lambda path: path.name)):
        for line in path.read_text(encoding="utf-8").splitlines():
            key, equals, value = line.partition("=")
            if not equals or line.startswith("#"):
                continue
            found[key] = [] if value == "" else [*found.get(key, []), value]
    return found


def prepare(unit):
    """The folders and the environment of a service."""
    user = pwd.getpwnam(unit["User"][-1])
    for kind, base in (("State", "/var/lib"), ("Runtime", "/run"), ("Cache", "/var/cache")):
        for name in unit.get(f"{kind}Directory", []):
            folder = Path(base, name)
            folder.mkdir(parents=True, exist_ok=True)
            os.chown(folder, user.pw_uid, user.pw_gid)
            folder.chmod(int(unit.get(f"{kind}DirectoryMode", ["0755"])[-1], 8))
    env = {"PATH": "/usr/local/bin:/usr/bin:/bin", "HOME": user.pw_dir, "LANG": "C.UTF-8"}
    return user, env | dict(line.split("=", 1) for line in unit.get("Environment", []))


def spawn(unit, line, env, user):
    """Start a command of a unit as its user."""
    extra = [grp.getgrnam(name).gr_gid for name in unit["SupplementaryGroups"][-1].split()]
    with Path("/var/log/service.log").open("ab") as log:
        return subprocess.Popen(
            shlex.split(line),
            stdin=subprocess.DEVNULL,
            stdout=log,
            stderr=log,
            env=env,
            cwd=unit["WorkingDirectory"][-1],
            user=user.pw_uid,
            group=user.pw_gid,
            extra_groups=extra,
            umask=int(unit["UMask"][-1], 8),
            start_new_session=True,
        )


def supervise(name, told):
    """Run a service and start it again, until it is stopped; `told`: gets a byte once ready."""
    unit = settings(name)
    user, env = prepare(unit)
    stopped = []
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stopped.append(1))
    notify = f"/run/stand-in/{name}.notify"
    never_again = {int(code) for code in unit.get("RestartPreventExitStatus", [])}
    while not stopped:
        with contextlib.suppress(FileNotFoundError):
            Path(notify).unlink()
        ear = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        ear.bind(notify)
        Path(notify).chmod(0o666)
        ear.settimeout(0.5)
        child = spawn(unit, unit["ExecStart"][-1], env | {"NOTIFY_SOCKET": notify}, user)
        RUN.joinpath(f"{name}.main").write_text(str(child.pid))
        while child.poll() is None:
            if stopped:
                child.terminate()
                with contextlib.suppress(subprocess.TimeoutExpired):
                    child.wait(60)
                child.kill()
                break
            with contextlib.suppress(TimeoutError):
                if b"READY=1" in ear.recv(4096):
                    RUN.joinpath(f"{name}.active").touch()
                    if told is not None:
                        os.write(told, b"1")
                        told = None
        ear.close()
        RUN.joinpath(f"{name}.active").unlink(missing_ok=True)
        code = child.wait()
        for line in unit.get("ExecStopPost", []):
            spawn(unit, line, env, user).wait(120)
        if told is not None:
            os.write(told, b"0")
            told = None
        # As it is now: a drop-in may have come since it was started.
        if code in never_again or settings(name).get("Restart", ["no"])[-1] == "no":
            break
        time.sleep(float(unit["RestartSec"][-1]))
    RUN.joinpath(f"{name}.pid").unlink(missing_ok=True)


def supervisor(name):
    """Its process number, or 0."""
    with contextlib.suppress(OSError, ValueError):
        pid = int(RUN.joinpath(f"{name}.pid").read_text())
        os.kill(pid, 0)
        return pid
    return 0


def start(name):
    """Start a service and wait until it is ready."""
    if supervisor(name):
        while not (RUN / f"{name}.active").exists() and supervisor(name):
            time.sleep(0.2)
        return 0 if (RUN / f"{name}.active").exists() else 1
    ready, told = os.pipe()
    if os.fork() == 0:
        os.setsid()
        os.close(ready)
        null = os.open(os.devnull, os.O_RDWR)
        for number in (0, 1, 2):
            os.dup2(null, number)
        RUN.joinpath(f"{name}.pid").write_text(str(os.getpid()))
        supervise(name, told)
        os._exit(0)
    os.close(told)
    return 0 if os.read(ready, 1) == b"1" else 1


def stop(name):
    """Stop a service and wait for its end."""
    pid = supervisor(name)
    if pid:
        os.kill(pid, signal.SIGTERM)
        while supervisor(name):
            time.sleep(0.1)
    return 0


def main(words):
    """Carry a call out, as far as soakmon's set-up asks it."""
    RUN.mkdir(mode=0o777, exist_ok=True)
    with Path("/run/systemctl.log").open("a", encoding="utf-8") as log:
        log.write(" ".join(words) + "\n")
    options = {word for word in words if word.startswith("-")}
    plain = [word for word in words if not word.startswith("-")]
    verb, names = plain[0], plain[1:]
    services = [name for name in names if name.startswith("soakmon") and name.endswith(".service")]
    services += [f"{name}.service" for name in names if name == "soakmon"]
    code = 0
    for name in services:
        if verb in {"enable", "disable"} and "--now" in options:
            code |= start(name) if verb == "enable" else stop(name)
        elif verb == "start":
            code |= start(name)
        elif verb == "stop":
            code |= stop(name)
        elif verb == "restart":
            code |= stop(name) or start(name)
        elif verb == "is-active":
            code |= 0 if (RUN / f"{name}.active").exists() else 3
        elif verb == "kill":
            os.kill(int(RUN.joinpath(f"{name}.main").read_text()), signal.SIGKILL)
    return code


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
