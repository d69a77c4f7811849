"""The panel as the service uses it: one that breaks is told, and stops nothing else."""

from __future__ import annotations

import logging
from collections.abc import Callable

from soakmon.bench.ports import Panel, Press
from soakmon.texts import say

log = logging.getLogger(__name__)


class SturdyPanel:
    """A panel whose calls never raise; broke: called with what is wrong, once until it works."""

    def __init__(self, panel: Panel, broke: Callable[[str], None]) -> None:
        self.panel, self.broke = panel, broke
        self.broken = False

    def show(self, *, lamp: bool, buzzer: bool) -> None:
        """Set lamp and buzzer."""
        try:
            self.panel.show(lamp=lamp, buzzer=buzzer)
        except Exception as error:  # lamp and buzzer are one way of several to be heard
            self._failed(error)
        else:
            self.broken = False

    def presses(self) -> list[Press]:
        """Button presses since the last call."""
        try:
            return self.panel.presses()
        except Exception as error:  # whoever pressed has the page and the command line
            self._failed(error)
            return []

    def close(self) -> None:
        """Let go of the hardware."""
        self.panel.close()

    def _failed(self, error: Exception) -> None:
        if self.broken:
            return
        self.broken = True
        log.error("the panel does not answer", exc_info=error)
        self.broke(say("panel.does_not_answer", error=error))
