"""Commissioning: a way to the phone, a code to scan, and a message that must arrive."""

from __future__ import annotations

import io
import os
import secrets
from collections.abc import Callable
from pathlib import Path
from typing import Any

import typer

from soakmon.errors import InputError

ADDRESSES = "phone-addresses"
_WAYS = {
    "p": "a push service: your own, or a public one that you trust with these messages",
    "m": "mail",
    "o": "another address that the notification library knows (messengers and more)",
    "n": "none: nobody is told",
}


def choose(folder: Path, say: Callable[[str], None]) -> dict[str, Any]:
    """Ask for a way and keep its address in a file of its own; what bench.toml has to say for it.

    folder: that of bench.toml. The address is a secret: it is in no other file, and is not printed
    but for what the phone has to scan.
    """
    for letter, about in _WAYS.items():
        say(f"  {letter}: {about}")
    way = typer.prompt("  which", default="n").strip().lower()[:1]
    if way not in _WAYS or way == "n":
        return {"phone.enabled": False}
    address = {"p": _push, "m": _mail, "o": _other}[way](say)
    path = folder / ADDRESSES
    try:
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o640)
        with os.fdopen(handle, "w", encoding="utf-8") as file:
            file.write(f"# Addresses of the phone, one a line.\n{address}\n")
        # The service is in the folder's group, and reads it.
        os.chown(path, -1, folder.stat().st_gid)
    except OSError as error:
        raise InputError(f"{path}: cannot be written: {error.strerror}: run it with sudo") from None
    return {"phone.enabled": True, "phone.urls_file": str(path)}


def _push(say: Callable[[str], None]) -> str:
    server = typer.prompt("  name of the server, such as push.example.org").strip().strip("/")
    server = server.removeprefix("https://")
    # Whoever knows the topic reads along: nobody guesses this one.
    topic = f"soakmon-{secrets.token_hex(8)}"
    link = f"https://{server}/{topic}"
    say("  Scan this with the phone, and subscribe to it in the service's app or page:")
    say(code(link))
    say(f"  {link}")
    return f"ntfys://{server}/{topic}"


def _mail(say: Callable[[str], None]) -> str:
    say("  Of the account that sends (an app password, not your own):")
    user = typer.prompt("  its address, such as bench@example.org").strip()
    server = typer.prompt("  its server for sending", default=f"smtp.{user.partition('@')[2]}")
    password = typer.prompt("  its password", hide_input=True)
    to = typer.prompt("  who gets the messages", default=user).strip()
    from urllib.parse import quote

    name, _, domain = user.partition("@")
    return f"mailtos://{quote(name)}:{quote(password, safe='')}@{domain}?smtp={server}&to={to}"


def _other(say: Callable[[str], None]) -> str:
    say("  The library's own pages say how each is written, as service://token/…")
    return str(typer.prompt("  address", hide_input=True)).strip()


def code(text: str) -> str:
    """A code to scan, drawn in half blocks for a terminal."""
    import segno

    drawn = io.StringIO()
    segno.make(text, error="m").terminal(out=drawn, compact=True, border=2)
    return drawn.getvalue()
