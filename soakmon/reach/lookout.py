"""The lookout: on another machine, notices when a soaking bench falls silent or the broker is gone.

An outside dead-man service may watch the lookout: its address is called while all is well.
"""

from __future__ import annotations

import asyncio
import json
import logging
import secrets
import time
import zlib
from collections import Counter
from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace

import httpx

from soakmon.config import Bench
from soakmon.reach.backoff import Backoff
from soakmon.reach.delivery_queue import DeliveryQueue
from soakmon.reach.duty import Duty
from soakmon.reach.health import Board, State
from soakmon.reach.leader import Leadership, claim_of_follower
from soakmon.reach.mqtt import Link, Received, client_id, connect
from soakmon.reach.phone import send, targets_of, understood
from soakmon.reach.secrets import read_secret
from soakmon.reach.silence import Silence
from soakmon.reach.supervise import LeftBehind, ReachError, supervise
from soakmon.reach.topics import Message, all_benches, place_of
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
        group = section.shop or "_all"
        if only:  # lookouts of other benches are no pair
            group += f"/{zlib.crc32(' '.join(sorted(only)).encode()):08x}"
        topic = f"{bench.mqtt.prefix}/_lookout/{group}"
        self.leadership = Leadership(topic, secrets.token_hex(6), section.lead_s)
        self.duty = Duty(section.gather_s, section.lead_s)
        self.led = True  # also when it never finds the broker
        self.own_sent: set[str] = set()
        self.letters: dict[str, int] = {}  # how many of each message there were
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
                lead = self.leadership.topic
                topics += [f"{prefix}/_identity/+", lead, f"{lead}/told"]
                leading = asyncio.create_task(self._lead(link))
                try:
                    async for received in link.listen(topics, self._hears, qos=0):
                        self._hear(received)
                finally:
                    leading.cancel()
                    await asyncio.gather(leading, return_exceptions=True)
        finally:
            if (
                self.silence.link.connected
                and self.now_s() - self.silence.link.changed_s >= _STEADY_S
            ):
                self.backoff.reset()
            if self.silence.link.connected:
                self.led = self.leadership.leads(self.now_s())
            self.silence.connection(False, self.now_s())
            self.leadership.connection(False, self.now_s())

    async def _lead(self, link: Link) -> None:
        """Say that we lead, or claim it, and what people have been told."""
        # A connection that breaks is noticed by whoever listens.
        with suppress(ReachError):
            while True:
                known = self.duty.sent_keys(self.silence.begun())
                message = self.leadership.due(self.now_s(), known)
                if message is not None:
                    await link.publish(message)
                if self.own_sent:
                    payload = json.dumps({"run": self.leadership.run, "told": [*self.own_sent]})
                    self.own_sent.clear()
                    place = f"{self.leadership.topic}/told"
                    await link.publish(Message(place, payload, retain=False))
                await asyncio.sleep(self.every_s)

    def _hear_lookout(self, received: Received) -> None:
        """Another lookout: what it has told is not told again."""
        now_s = self.now_s()
        if received.topic == self.leadership.topic:
            claim = self.leadership.take(received.payload, now_s)
            # Kept from before, by whom ever: people know of it.
            if claim is not None and (claim == self.leadership.other or received.retained):
                self.duty.heard(claim.sent_keys)
                self.silence.remember(claim.sent_keys - self.silence.begun(), now_s)
            return
        claim = claim_of_follower(received.payload)
        if claim is not None and claim.run != self.leadership.run:
            self.duty.known(claim.sent_keys)
            self.silence.remember(claim.sent_keys, now_s)

    def _hear(self, received: Received) -> None:
        if received.topic.startswith(self.leadership.topic):
            self._hear_lookout(received)
            return
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
        self.leadership.connection(True, self.now_s())

    async def _tell(self) -> None:
        self.board.up("tell")
        known: dict[str, str] = {}
        was: bool | None = None
        while True:
            # systemd hears of life only from here: this is what tells people.
            tell_system("WATCHDOG=1")
            language, now_s = self.bench.service.language, self.now_s()
            self.duty.take(self.silence.due(now_s), now_s)
            leads = self.leadership.leads(now_s)
            if leads is not was:
                log.info("this lookout %s", "tells" if leads else "listens: another one tells")
            was = leads
            for note in self.duty.due(now_s, leads=leads, led=self.led):
                log.warning("%s: %s", note.title, note.body)
                if not leads:
                    self.own_sent |= self.duty.sending[note.key].keys()
                title, body = in_language(note.title, language), in_language(note.body, language)
                self.post.add(replace(note, title=title, body=body), time.time())
                self.letters[note.key] = sum(
                    letter.note.key == note.key for letter in self.post.letters
                )
            now = self.silence.opinions()
            for name in [name for name in now if now[name] != known.get(name)]:
                log.info("bench %s: %s", name, now[name])
            known = now
            self.post.drop_old(time.time())
            self.post.round(0.0)
            self._delivered()
            if self.silence.link.connected:  # else the reason is known already
                self._judge("broker", self.silence.trouble())
            self._judge("phone", self.post.trouble() or self.unknown)
            await asyncio.sleep(self.every_s)

    def _delivered(self) -> None:
        """People know of what one address at least has taken."""
        left = Counter(letter.note.key for letter in self.post.letters)
        self.letters = {key: count for key, count in self.letters.items() if key in left}
        self.duty.delivered({key for key, count in self.letters.items() if left[key] >= count})

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
