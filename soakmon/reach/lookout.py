"""The lookout: on another machine, notices when a soaking bench falls silent or the broker is gone.

An outside dead-man service may watch the lookout: its address is called while all is well.
"""

from __future__ import annotations

import asyncio
import logging
import time
from collections.abc import Callable
from dataclasses import replace

import httpx

from soakmon.config import Bench
from soakmon.reach.backoff import Backoff
from soakmon.reach.delivery_queue import DeliveryQueue
from soakmon.reach.health import Board, State
from soakmon.reach.mqtt import Received, client_id, connect
from soakmon.reach.phone import send, targets_of, understood
from soakmon.reach.secrets import read_secret
from soakmon.reach.silence import Silence
from soakmon.reach.supervise import LeftBehind, ReachError, supervise
from soakmon.reach.topics import all_benches, place_of
from soakmon.systemd import tell_system
from soakmon.texts import translated as in_language

log = logging.getLogger(__name__)
_TOPICS = ("availability", "state", "identity")
_EVERY_S = 1.0
_BEAT_ANSWERS_S = 10.0
_STEADY_S = 30.0


class Lookout:
    """Watches benches; `run` goes on until cancelled. Raises InputError without an address."""

    def __init__(
        self,
        bench: Bench,
        *,
        deliver: Callable[..., None] = send,
        now_s: Callable[[], float] = time.monotonic,
        every_s: float = _EVERY_S,
    ) -> None:
        self.bench, self.now_s, self.every_s = bench, now_s, every_s
        section = bench.lookout
        targets = targets_of(bench.phone)
        self.post = DeliveryQueue(targets, [], deliver, now_s)
        unknown = [target.name for target in targets if not understood(target)]
        self.unknown = "; ".join(f"{name}: the address is not understood" for name in unknown)
        only = section.addresses or None
        self.silence = Silence(section.silent_s, section.broker_s, only, now_s(), shop=section.shop)
        self.board = Board()
        self.backoff = Backoff(cap_s=15.0)
        own = section.beat_url.get_secret_value() if section.beat_url is not None else ""
        self.beat_url = read_secret("", "SOAKMON_BEAT_URL", "lookout.beat_url") or own
        for name in ("broker", "phone", "tell", "beat"):
            off = name == "beat" and not self.beat_url
            self.board.add(name, State.OFF if off else State.STARTING)

    async def run(self) -> None:
        """Watch, tell and beat until cancelled."""
        asyncio.get_running_loop().set_default_executor(LeftBehind())
        tell_system("READY=1")
        jobs = [
            supervise("broker", self._watch, self.board, self.backoff),
            supervise("tell", self._tell, self.board, Backoff()),
        ]
        if self.beat_url:
            jobs.append(supervise("beat", self._beat, self.board, Backoff()))
        await asyncio.gather(*jobs)

    async def _watch(self) -> None:
        prefix = self.bench.mqtt.prefix
        try:
            async with connect(self.bench.mqtt, client_id("all", "lookout")) as link:
                topics = all_benches(prefix, _TOPICS, self.bench.lookout.shop)
                topics.append(f"{prefix}/_identity/+")
                async for received in link.listen(topics, self._hears, qos=0):
                    self._hear(received)
        finally:
            if self.silence.connected and self.now_s() - self.silence.changed_s >= _STEADY_S:
                self.backoff.reset()
            self.silence.connection(False, self.now_s())

    def _hear(self, received: Received) -> None:
        below = received.topic.removeprefix(f"{self.bench.mqtt.prefix}/")
        bench, topic = place_of(below) or ("", "identity")
        if topic == "identity":
            self.silence.clash(received.payload, self.now_s())
        else:
            live = not received.retained
            self.silence.take(bench, topic, received.payload, self.now_s(), live=live)

    def _hears(self) -> None:
        """The broker has granted what the lookout listens to; whether anything comes is seen."""
        self.silence.connection(True, self.now_s())

    async def _tell(self) -> None:
        self.board.up("tell")
        known: dict[str, str] = {}
        while True:
            # systemd hears of life only from here: this is what tells people.
            tell_system("WATCHDOG=1")
            language = self.bench.service.language
            for told in self.silence.due(self.now_s()):
                log.warning("%s: %s", told.title, told.body)
                title, body = in_language(told.title, language), in_language(told.body, language)
                self.post.add(replace(told, title=title, body=body), time.time())
            now = self.silence.opinions()
            for name in [name for name in now if now[name] != known.get(name)]:
                log.info("bench %s: %s", name, now[name])
            known = now
            self.post.drop_old(time.time())
            self.post.round(0.0)
            if self.silence.connected:  # else the reason is known already
                self._judge("broker", self.silence.trouble())
            self._judge("phone", self.post.trouble() or self.unknown)
            await asyncio.sleep(self.every_s)

    def _judge(self, name: str, trouble: str) -> None:
        if trouble:
            self.board.down(name, trouble)
        else:
            self.board.up(name)

    @property
    def well(self) -> bool:
        """Whether the lookout can do its work: only then the dead-man service is called."""
        return not (self.silence.trouble() or self.post.trouble() or self.unknown)

    async def _beat(self) -> None:
        async with httpx.AsyncClient(timeout=_BEAT_ANSWERS_S) as http:
            while True:
                if self.well:
                    await self._call(http)
                await asyncio.sleep(60 * self.bench.lookout.beat_min)

    async def _call(self, http: httpx.AsyncClient) -> None:
        try:
            # The limits of the library are for each byte: an answer may drip in for ever.
            answer = await asyncio.wait_for(http.get(self.beat_url), 2 * _BEAT_ANSWERS_S)
        except TimeoutError:
            raise ReachError("the dead-man service: no answer in time") from None
        except (httpx.HTTPError, httpx.InvalidURL) as error:
            raise ReachError(f"the dead-man service: {type(error).__name__}") from None
        if not answer.is_success:
            raise ReachError(f"the dead-man service answers {answer.status_code}")
        self.board.up("beat")
