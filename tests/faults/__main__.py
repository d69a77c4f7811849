"""Histories of a bench on which everything breaks, for as long as you like.

    python -m tests.faults --minutes 120 --seed 7

Prints how many have passed, and the first that fails, step by step, as a program to run.
"""

from __future__ import annotations

import argparse
import logging
import time

from hypothesis import HealthCheck, Phase, seed, settings
from hypothesis.stateful import run_state_machine_as_test

from tests.faults.machine import Histories

_ROUND = 100


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--minutes", type=float, default=10.0)
    parser.add_argument("--seed", type=int, default=0, help="of the first hundred histories")
    parser.add_argument("--steps", type=int, default=20, help="at most so many in a history")
    parser.add_argument("--shrink", action="store_true", help="make a failing history small: slow")
    asked = parser.parse_args()
    logging.disable(logging.CRITICAL)
    began_s = time.monotonic()
    number, done = asked.seed, 0
    while time.monotonic() - began_s < 60 * asked.minutes:
        chosen = settings(
            max_examples=_ROUND, stateful_step_count=asked.steps, deadline=None, database=None,
            print_blob=True, suppress_health_check=list(HealthCheck),
            phases=(Phase.generate, Phase.shrink) if asked.shrink else (Phase.generate,),
        )  # fmt: skip

        @seed(number)
        class Round(Histories):
            """A hundred histories of one seed."""

        try:
            run_state_machine_as_test(Round, settings=chosen)
        except BaseException:
            print(f"failed: --seed {number}, after {done} histories that held", flush=True)
            raise
        number, done = number + 1, done + _ROUND
        minutes = (time.monotonic() - began_s) / 60
        print(f"{done} histories held, {minutes:.1f} min; next seed {number}", flush=True)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
