"""The lookout: on another machine, notices when a soaking bench falls silent or the broker is gone.

An outside dead-man service may watch the lookout: its address is called while all is well.
"""

from __future__ import annotations

import asyncio
import logging
import time
from collections.abc import Callable

import httpx

from soakmon.config import Bench
from soakmon.reach.backoff import Backoff
from soakmon.reach.health import Board, State
from soakmon.reach.mqtt import client_id, connect
from soakmon.reach.phone import send, targets_of
from soakmon.reach.post import Post
from soakmon.reach.secrets import read_secret
from soakmon.reach.silence import Silence
from soakmon.reach.supervise import ReachError, supervise

log = logging.getLogger(__name__)
_EVERY_S = 1.0
_BEAT_ANSWERS_S = 10.0


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
        self.post = Post(targets_of(bench.phone), [], deliver, now_s)
        only = set(section.benches) or None
        self.silence = Silence(section.silent_s, section.broker_s, only, now_s())
        self.board = Board()
        self.backoff = Backoff(cap_s=15.0)
        own = section.beat_url.get_secret_value() if section.beat_url is not None else ""
        self.beat_url = read_secret("", "SOAKMON_BEAT_URL", "lookout.beat_url") or own
        for name in ("broker", "phone", "tell", "beat"):
            off = name == "beat" and not self.beat_url
            self.board.add(name, State.OFF if off else State.STARTING)

    async def run(self) -> None:
        """Watch, tell and beat until cancelled."""
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
                self.silence.connection(True, self.now_s())
                self.board.up("broker")
                self.backoff.reset()
                topics = [f"{prefix}/+/availability", f"{prefix}/+/state"]
                async for received in link.listen(topics):
                    bench, _, topic = received.topic.removeprefix(f"{prefix}/").partition("/")
                    self.silence.take(bench, topic, received.payload, self.now_s())
        finally:
            self.silence.connection(False, self.now_s())

    async def _tell(self) -> None:
        self.board.up("tell")
        known: dict[str, str] = {}
        while True:
            for told in self.silence.due(self.now_s()):
                log.warning("%s: %s", told.title, told.body)
                self.post.add(told, time.time())
            now = self.silence.opinions()
            for name in [name for name in now if now[name] != known.get(name)]:
                log.info("bench %s: %s", name, now[name])
            known = now
            self.post.drop_old(time.time())
            self.post.round(0.0)
            trouble = self.post.trouble()
            if trouble:
                self.board.down("phone", trouble)
            else:
                self.board.up("phone")
            await asyncio.sleep(self.every_s)

    @property
    def well(self) -> bool:
        """Whether the lookout can do its work: only then the dead-man service is called."""
        return self.silence.connected and not self.post.trouble()

    async def _beat(self) -> None:
        async with httpx.AsyncClient(timeout=_BEAT_ANSWERS_S) as http:
            while True:
                if self.well:
                    await self._call(http)
                await asyncio.sleep(60 * self.bench.lookout.beat_min)

    async def _call(self, http: httpx.AsyncClient) -> None:
        try:
            answer = await http.get(self.beat_url)
        except (httpx.HTTPError, httpx.InvalidURL) as error:
            raise ReachError(f"the dead-man service: {type(error).__name__}") from None
        if not answer.is_success:
            raise ReachError(f"the dead-man service answers {answer.status_code}")
        self.board.up("beat")
