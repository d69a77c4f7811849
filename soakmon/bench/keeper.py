"""The keeper: compares what is with what must be, in every phase, and acts without the worker."""

from __future__ import annotations

import logging

from soakmon.bench.alarms import Wrong
from soakmon.bench.guard import Code
from soakmon.bench.serving import Serving
from soakmon.bench.session import RUNNING
from soakmon.bench.stall import AGAIN_S, LONGEST_S
from soakmon.bench.status_board import StatusBoard
from soakmon.records.events import StandStill
from soakmon.texts import say

log = logging.getLogger(__name__)
# A pin that reads shut may be read in the moment in which it is opened.
_LOST_AFTER = 3


class Keeper:
    """Keeps a service; `keep` is one look. hung: which threads give no sign of life, in words."""

    def __init__(self, service: Serving, board: StatusBoard) -> None:
        self.service, self.board = service, board
        self.hung = ""
        self.looked_s: float | None = None
        self.stalled_s = float("-inf")
        self.stray_opens = self.lost = 0
        self.announced = self.deaf = False

    def keep(self) -> None:
        """Look once; say that all is well only when it is."""
        service = self.service
        now_s = service.clock.boot_s()
        stood_s = 0.0 if self.looked_s is None else now_s - self.looked_s
        self.looked_s = now_s
        if service.beats.keeper_s is not None:
            # Before anything else: the sampler may look for it while the others are looked at.
            service.beats.keeper_s = now_s
        if stood_s > service.bench.guard.hung_s:
            self._stood_still(now_s, stood_s)
            return
        self._look_at_feed()
        if not self._silent(now_s) and not self._deaf(now_s):
            try:
                service.alive()
            except OSError:  # the system will miss it, and start the service again
                log.exception("the system cannot be told that all is well")

    def _look_at_feed(self) -> None:
        """The feed as it is, against what was commanded, latch, limits and phase."""
        service = self.service
        feed, session = service.feed, service.session
        feed.hold()
        strayed = feed.stray_opens > self.stray_opens
        self.stray_opens = feed.stray_opens
        if service.parts.valve.is_open and (session is None or session.phase not in RUNNING):
            feed.pause()
            strayed = True
        if (strayed or feed.trouble) and not self.announced:
            text = feed.trouble or say("keeper.feed_was_found_open_although")
            service.sound("bench", text, Wrong.FEED)
        self.announced = strayed or bool(feed.trouble)
        lost = feed.wanted and not service.parts.valve.is_open
        self.lost = self.lost + 1 if lost else 0
        if self.lost == _LOST_AFTER:
            service.sound("bench", say("keeper.feed_was_found_shut_although"), Wrong.FEED)

    def _silent(self, now_s: float) -> bool:
        """Whether a thread is silent: then the feed is shut, and that is told once."""
        service = self.service
        beats = {"sampler": service.beats.sampler_s, "worker": service.beats.worker_s}
        silent = [name for name, at_s in beats.items() if now_s - at_s > service.bench.guard.hung_s]
        if not silent:
            self.hung = ""
            return False
        fresh = not self.hung
        self.hung = say("keeper.no_sign_life_from", silent=" and ".join(silent))
        service.feed.pause()
        if fresh:
            log.error("%s: feed shut", self.hung)
            service.sound("bench", self.hung, Code.HUNG)
        self.board.restate_without_worker(self.hung)
        return True

    def _deaf(self, now_s: float) -> bool:
        """Whether the main loop hangs: nobody can command, but the bench is watched all the same.

        It is told and the feed stays as it is; the system misses the sign of life and starts the
        service again, which goes on as after a crash.
        """
        service = self.service
        heard_s = service.beats.loop_s
        deaf = heard_s is not None and now_s - heard_s > service.bench.guard.hung_s
        if deaf and not self.deaf:
            text = say("keeper.page_commands_do_not_answer")
            service.sound("bench", text, Wrong.DEAF, shut=False)
        self.deaf = deaf
        return deaf

    def _stood_still(self, now_s: float, stood_s: float) -> None:
        """The whole process was stopped, or the machine: nobody watched meanwhile."""
        service = self.service
        was_open = service.feed.wanted
        service.feed.pause()
        # The others are judged anew from here on.
        service.beats.sampler_s = service.beats.worker_s = now_s
        if service.beats.loop_s is not None:
            service.beats.loop_s = now_s
        text = say("keeper.bench_stood_still_s", stood_s=f"{stood_s:.0f}")
        log.error("%s", text)
        again = now_s - self.stalled_s < AGAIN_S or stood_s > LONGEST_S
        self.stalled_s = now_s
        if not was_open:
            service.later(lambda: service.note(StandStill(text=text, stood_s=stood_s)))
        elif again:
            service.sound("bench", say("keeper.feed_stays_shut", text=text), Wrong.STALLED)
        else:
            text += say("keeper.feed_shut_until_all_has")
            service.sound("bench", text, Wrong.STALLED, shut=False)
            at_s = service.t_s()
            service.later(lambda: service.pause(text, at_s, stood_s))
