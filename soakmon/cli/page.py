"""Commands for the page's accounts and tokens. Whoever may write page.db may use them."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from soakmon.cli.options import DATA, DataOption
from soakmon.cli.printing import print_line
from soakmon.errors import InputError

if TYPE_CHECKING:
    from soakmon.page.store import Store

commands = typer.Typer(name="page", help="The page's accounts and tokens.", no_args_is_help=True)

RoleOption = Annotated[str, typer.Option("--role", help="look: see everything; run: act too.")]


def _store(data: Path) -> Store:
    from soakmon.page.app import DATABASE
    from soakmon.page.store import Store

    if not data.is_dir():
        raise InputError(f"{data}: there is no such data folder; name it with --data")
    return Store(data / DATABASE, 0.0)


@commands.command("account")
def account(
    name: Annotated[str, typer.Argument(help="Name to sign in with.")],
    role: RoleOption = "look",
    password: Annotated[
        str | None, typer.Option(help="Else it is asked for, which keeps it out of the history.")
    ] = None,
    data: DataOption = DATA,
) -> None:
    """Make an account, or give it a new password and role; its sign-ins end."""
    from soakmon.page.door import LEAST_PASSWORD, LONGEST_NAME, Door
    from soakmon.page.store import Role

    if role not in set(Role):
        raise InputError(f"--role {role}: look or run")
    if not 1 <= len(name) <= LONGEST_NAME:
        raise InputError(f"the name must have 1 to {LONGEST_NAME} characters")
    store = _store(data)
    if password is None:
        password = typer.prompt("Password", hide_input=True, confirmation_prompt=True)
    if not LEAST_PASSWORD <= len(password) <= 200:
        raise InputError(f"the password must have {LEAST_PASSWORD} to 200 characters")
    store.set_account(name, Role(role), Door(store).hash(password))
    store.close()
    print_line(f"{name} may {role} now")


@commands.command("token")
def token(
    name: Annotated[str, typer.Argument(help="What the token is for.")],
    role: RoleOption = "look",
    days: Annotated[float, typer.Option(min=0.01, max=3650, help="How long it lasts.")] = 365,
    data: DataOption = DATA,
) -> None:
    """Make a token for a script; it is shown once."""
    from soakmon.page.store import Role

    if role not in set(Role):
        raise InputError(f"--role {role}: look or run")
    store = _store(data)
    secret = store.make_token(name, Role(role), days)
    store.close()
    print_line(secret, soft_wrap=True)


@commands.command("list")
def show_list(data: DataOption = DATA) -> None:
    """List accounts and tokens."""
    store = _store(data)
    accounts, tokens = store.accounts(), store.tokens()
    for name, role in accounts:
        print_line(f"account  {name}: {role}")
    for name, role, expires_s in tokens:
        until = datetime.fromtimestamp(expires_s).astimezone()
        print_line(f"token    {name}: {role}, until {until:%Y-%m-%d %H:%M}")
    if not (accounts or tokens):
        print_line("no accounts or tokens yet")
    store.close()


@commands.command("remove")
def remove(
    name: Annotated[str, typer.Argument(help="Account or token.")],
    data: DataOption = DATA,
) -> None:
    """Remove an account or a token."""
    store = _store(data)
    gone = [store.remove_account(name), store.remove_token(name)]
    store.close()
    if not any(gone):
        raise InputError(f"there is no account or token {name!r}")
    print_line(f"{name} is removed")
