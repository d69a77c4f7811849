"""What threads hand to each other: signs of life, and work for the worker."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from soakmon.bench.commands import PendingCommand
from soakmon.bench.edges import Drop
from soakmon.bench.sampler import Sampler
from soakmon.watch.rows import Rows


@dataclass(slots=True)
class Beats:
    """Last sign of life of each thread, in boot time.

    None until they run: the keeper's, and that of the main loop, which hears commands.
    """

    sampler_s: float = 0.0
    worker_s: float = 0.0
    keeper_s: float | None = None
    loop_s: float | None = None


@dataclass(slots=True)
class Work:
    """Something for the worker: a second's row with its drops, a command, or something to do.

    source: the sampler that a row is from; its times mean nothing to another's soak.
    """

    source: Sampler | None = None
    row: Rows | None = None
    drops: list[Drop] = field(default_factory=list)
    asked: PendingCommand[Any] | None = None
    action: Callable[[], None] | None = None
