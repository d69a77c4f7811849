"""The connection to an MQTT broker: the only module that knows the MQTT library."""

from __future__ import annotations

import asyncio
import logging
import os
import re
import secrets
import ssl
import threading
from collections.abc import AsyncIterator, Callable, Coroutine
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypeVar

from soakmon.reach.secrets import read_secret
from soakmon.reach.supervise import ReachError
from soakmon.reach.topics import Message
from soakmon.reach_config import MqttSection

_quiet = logging.getLogger("mqtt")
_quiet.setLevel(logging.CRITICAL)
_quiet.addFilter(_loud := logging.Filter("none"))  # the library greets with a warning on import
from asyncio_mqtt import Client, MqttError, Will  # noqa: E402 - see above

_quiet.removeFilter(_loud)
_quiet.setLevel(logging.ERROR)

if TYPE_CHECKING:
    from asyncio_mqtt.client import Message as Taken

_T = TypeVar("_T")
_FAREWELL_S = 1.0
# Of an error of the system: its words are for people.
_NUMBER_OF_ERROR = re.compile(r"^\[Errno -?\d+\] ")
_ANSWERS_WITHIN_S = 5
_REFUSED = 128


@dataclass(frozen=True, slots=True)
class Received:
    """A message that came in; retained: the broker had kept it from before."""

    topic: str
    payload: bytes
    retained: bool


class Link:
    """An open connection; every call raises ReachError when it breaks."""

    def __init__(self, client: Client) -> None:
        self.client = client

    async def publish(self, message: Message) -> None:
        """Publish; with quality 1 it returns when the broker has acknowledged."""
        try:
            await self._unless_broken(
                self.client.publish(
                    message.topic, message.payload.encode(), qos=message.qos, retain=message.retain
                )
            )
        except (MqttError, OSError, ValueError) as error:
            raise ReachError(f"the broker does not take messages: {error}") from None

    async def _unless_broken(self, call: Coroutine[Any, Any, _T]) -> _T:
        """What the call returns; the library would wait its full time on a broken connection."""
        asking = asyncio.ensure_future(call)
        try:
            await asyncio.wait(
                (asking, self.client._disconnected), return_when=asyncio.FIRST_COMPLETED
            )
            if not asking.done():
                raise ReachError("the connection to the broker broke")
            return asking.result()
        finally:
            asking.cancel()

    async def listen(
        self, topics: list[str], hears: Callable[[], None] = lambda: None, qos: int = 1
    ) -> AsyncIterator[Received]:
        """Messages on some topics, for as long as the connection stands.

        hears: called once the broker has granted them all. qos: brokers keep few messages with
        quality 1 for a listener, and throw away what is more: with many benches ask for quality 0.
        """
        try:
            async with self.client.messages() as messages:
                for topic in topics:
                    granted = await self._unless_broken(self.client.subscribe(topic, qos=qos))
                    if any(int(str(code)) >= _REFUSED for code in granted):
                        raise ReachError(f"the broker refuses to subscribe {topic}")
                hears()
                async for message in messages:
                    yield _received(message)
        except (MqttError, OSError) as error:
            raise ReachError(f"the connection to the broker broke: {error}") from None


def _received(message: Taken) -> Received:
    payload = message.payload
    raw = payload if isinstance(payload, bytes) else str(payload or "").encode()
    return Received(str(message.topic), raw, bool(message.retain))


def client_id(bench: str, role: str = "bench", run: str = "") -> str:
    """A name of its own for every client: two of one name throw each other out for ever.

    run: of the process, so that its next connection replaces the one before.
    """
    return f"soakmon-{role}-{bench}-{run or secrets.token_hex(4)}"


@asynccontextmanager
async def connect(
    section: MqttSection, identity: str, will: Message | None = None
) -> AsyncIterator[Link]:
    """A connection to the broker, closed for good at the end. Raises ReachError."""
    password = read_secret(section.password_file, "SOAKMON_MQTT_PASSWORD", "mqtt.password_file")
    last = (
        Will(will.topic, will.payload.encode(), qos=will.qos, retain=will.retain) if will else None
    )
    context = _tls(section)
    client = Client(
        section.host,
        section.port,
        username=section.user or None,
        password=password or None,
        client_id=identity,
        tls_context=context,
        will=last,
        clean_session=True,  # commands given while the bench was away must not come later
        keepalive=round(section.keepalive_s),
    )
    given_up = _closed_when_given_up(client)
    connected = False
    try:
        await client.connect(timeout=_ANSWERS_WITHIN_S)
        connected = True
    except (MqttError, OSError, ValueError) as error:
        why = _NUMBER_OF_ERROR.sub("", str(error))
        raise ReachError(f"{section.host}:{section.port}: no connection: {why}") from None
    finally:
        if not connected:
            given_up.set()
            _drop(client)
            if context is not None and context.socket is not None:
                context.socket.close()
    try:
        yield Link(client)
    finally:
        with suppress(MqttError, OSError, asyncio.TimeoutError):
            await asyncio.wait_for(client.disconnect(), _FAREWELL_S)
        _drop(client)


def _closed_when_given_up(client: Client) -> threading.Event:
    """To be set when nobody waits for a connection any longer.

    The library opens it in a thread that cannot be stopped: what that opens then is closed at once.
    """
    given_up = threading.Event()
    opens = client._client.connect

    def connect(*arguments: Any) -> Any:
        try:
            return opens(*arguments)
        finally:
            if given_up.is_set():
                with suppress(RuntimeError):  # the loop may be closed by then; the socket is too
                    client._client._sock_close()

    client._client.connect = connect
    return given_up


def _drop(client: Client) -> None:
    """Close the socket: the library leaves it open after a failure (its version is pinned)."""
    client._client._sock_close()
    task = client._misc_task
    if task is not None:
        task.cancel()
    if client._disconnected.done() and not client._disconnected.cancelled():
        client._disconnected.exception()


class _Context(ssl.SSLContext):
    """Remembers its socket: the library forgets the one whose handshake fails."""

    socket: ssl.SSLSocket | None = None

    def wrap_socket(self, *arguments: Any, **options: Any) -> ssl.SSLSocket:
        """As the original."""
        self.socket = super().wrap_socket(*arguments, **options)
        return self.socket


def _tls(section: MqttSection) -> _Context | None:
    if not section.tls:
        return None
    for key in ("ca_file", "cert_file", "key_file"):
        path = getattr(section, key)
        if path and not os.access(path, os.R_OK):
            raise ReachError(f"mqtt.{key}: {path} cannot be read")
    try:
        context = _Context(ssl.PROTOCOL_TLS_CLIENT)
        if section.ca_file:
            context.load_verify_locations(section.ca_file)
        else:
            context.load_default_certs()
        if section.cert_file:
            context.load_cert_chain(section.cert_file, section.key_file)
    except (OSError, ValueError) as error:
        raise ReachError(f"mqtt: the certificates cannot be used: {error}") from None
    return context
