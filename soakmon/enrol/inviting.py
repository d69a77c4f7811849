"""Benches invited, given new secrets and shut out, on the broker's machine."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from urllib.parse import quote

from soakmon.bench_address import address_of
from soakmon.enrol.broker_access import LOOKOUT, SCREEN, BrokerAccess, new_password
from soakmon.enrol.line import Invitation
from soakmon.enrol.records_access import RecordsAccess
from soakmon.enrol.servers import HallServers, RecordsPlace, StorePlace
from soakmon.enrol.store_access import StoreAccess
from soakmon.errors import InputError
from soakmon.reach.secrets import read_secret
from soakmon.texts import say


class Desk:
    """Whoever enrols: knows the servers, and lets in and shuts out on all of them."""

    def __init__(self, servers: HallServers) -> None:
        self.servers = servers
        self.notes: list[str] = []  # what whoever enrols should know of it
        self.broker = BrokerAccess(servers.broker)

    def invite(self, bench: str, shop: str, *, again: bool) -> Invitation:
        """Let a bench in everywhere; again: one that is in gets new secrets, the old ones end.

        Raises InputError for a bench that is in already, or (again) for one that is not.
        """
        address = address_of(shop, bench)
        if (address in self.broker.users()) is not again:
            raise InputError(say("enrol.unknown" if again else "enrol.known", bench=address))
        place, password = self.servers.broker, new_password()
        content = {
            "bench": bench, "shop": shop, "host": place.host, "port": place.port,
            "password": password, "authority": _text(place.ca_file),
        }  # fmt: skip
        if (store := self.servers.store) is not None:
            content |= {
                "store_url": store.url, "store_org": store.org, "store_bucket": store.bucket,
                "store_token": self._store_token(store, address), "catch_up": store.catch_up,
            }  # fmt: skip
        if (records := self.servers.records) is not None:
            secret = new_password()
            with closing(self._records(records)) as access:
                role = access.let_in(bench, shop, secret)
            content["records_url"] = _url(records, role, secret)
        # The broker is last: who is known there has been let in everywhere.
        invitation = Invitation.model_validate(content)
        self.broker.let_in(address, password)
        return invitation

    def helper(self, user: str) -> str:
        """Let a lookout or a wall screen in at the broker; its password."""
        if user not in {LOOKOUT, SCREEN}:
            raise InputError(say("enrol.unknown", bench=user))
        password = new_password()
        self.broker.let_in(user, password)
        return password

    def revoke(self, address: str) -> list[str]:
        """Shut a bench out everywhere; where it was let in.

        A server that cannot be had keeps nobody in at the others: its InputError comes last.
        """
        ways: dict[str, Callable[[str], bool]] = {"broker": self.broker.shut_out}
        if address not in {LOOKOUT, SCREEN}:
            ways |= {"store": self._out_of_store, "records": self._out_of_records}
        revoked, wrong = [], []
        for place, shut_out in ways.items():
            try:
                if shut_out(address):
                    revoked.append(place)
            except InputError as error:
                wrong.append(str(error))
        if wrong:
            raise InputError("\n".join(wrong))
        if not revoked:
            raise InputError(say("enrol.unknown", bench=address))
        return revoked

    def listed(self) -> list[str]:
        """Who is let in at the broker."""
        return sorted(self.broker.users())

    def _store_token(self, place: StorePlace, address: str) -> str:
        """The bench's own where the store makes them, else the one of all benches."""
        access = _store(place)
        if access is not None:
            with closing(access):
                own = access.let_in(address)
            if own is not None:
                return own
            self.notes.append(say("enrol.shared_token"))
        return read_secret(place.token_file, "SOAKMON_HALL_TOKEN", "store.token_file") or "any"

    def _out_of_store(self, address: str) -> bool:
        access = None if self.servers.store is None else _store(self.servers.store)
        if access is None:
            return False
        with closing(access):
            return access.shut_out(address)

    def _out_of_records(self, address: str) -> bool:
        if self.servers.records is None:
            return False
        with closing(self._records(self.servers.records)) as access:
            return access.shut_out(address)

    @staticmethod
    def _records(place: RecordsPlace) -> RecordsAccess:
        key = "records.owner_url_file"
        return RecordsAccess(read_secret(place.owner_url_file, "SOAKMON_OWNER_URL", key))


def _store(place: StorePlace) -> StoreAccess | None:
    key = "store.operator_token_file"
    operator = read_secret(place.operator_token_file, "SOAKMON_STORE_OPERATOR", key)
    if not operator:
        if place.operator_token_file:
            raise InputError(f"{key}: {place.operator_token_file}: is empty")
        return None
    return StoreAccess(place, operator)


def _url(place: RecordsPlace, role: str, password: str) -> str:
    own = f"{quote(role, safe='')}:{quote(password, safe='')}"
    options = f"?{place.options}" if place.options else ""
    return f"postgresql://{own}@{place.host}:{place.port}/{place.name}{options}"


def _text(file: str) -> str:
    if not file:
        return ""
    try:
        return Path(file).read_text(encoding="utf-8")
    except OSError as error:
        raise InputError(f"{file}: {error.strerror}") from None
