"""Commissioning: a way to the phone, a code to scan, and a message that must arrive."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import typer

from soakmon.commission.phone import (
    ADDRESSES,
    keep_address,
    mail_address,
    new_topic,
    terminal_code,
)

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
    keep_address(path, address)
    return {"phone.enabled": True, "phone.urls_file": str(path)}


def _push(say: Callable[[str], None]) -> str:
    server = typer.prompt("  name of the server, such as push.example.org")
    topic = new_topic(server)
    say("  Scan this with the phone, and subscribe to it in the service's app or page:")
    say(terminal_code(topic.link))
    say(f"  {topic.link}")
    return topic.address


def _mail(say: Callable[[str], None]) -> str:
    say("  Of the account that sends (an app password, not your own):")
    user = typer.prompt("  its address, such as bench@example.org").strip()
    server = typer.prompt("  its server for sending", default=f"smtp.{user.partition('@')[2]}")
    password = typer.prompt("  its password", hide_input=True)
    to = typer.prompt("  who gets the messages", default=user).strip()
    return mail_address(user, server, password, to)


def _other(say: Callable[[str], None]) -> str:
    say("  The library's own pages say how each is written, as service://token/…")
    return str(typer.prompt("  address", hide_input=True)).strip()
