"""Somebody at a simulated bench, who answers what commissioning asks and does what it says."""

from __future__ import annotations

import os
import subprocess
import time
from pathlib import Path

from tests.arm.root import Ran, Root
from tests.arm.world import GATE_PINS, put

# What a question ends with, and what is typed; whatever is not here is answered by Enter.
ANSWERS = {
    "how many g is it": "500",
    "may the feed open now": "y",
    "as a power cut would": "n",
    "(t: from the bench)": "t",
}
_DARK_S = 0.03


class Hands:
    """Hangs things on the cell and flicks a straw through beams; answers: how many were typed."""

    def __init__(self, bench: Path) -> None:
        self.bench, self.answers, self.carb = bench, 0, 0

    def load(self, what: str) -> None:
        """Put something on the cell, and let it come to rest."""
        put(self.bench / "load", what)
        time.sleep(8)

    def flick(self, carb: int) -> None:
        """A straw through the beam below a carb."""
        with (self.bench / "edges").open("a", encoding="ascii") as edges:
            for blocked in (1, 0):
                edges.write(f"{GATE_PINS[carb - 1]} {blocked}\n")
                edges.flush()
                time.sleep(_DARK_S)
        time.sleep(3)

    def before(self, question: str) -> None:
        """Do what a question asks for."""
        if "hangs still" in question:
            self.load("empty 0")
        elif "known mass" in question:
            self.load("empty 500")
        elif "minutes to look for" in question:
            self.load("bottle")
        elif "feed open now" in question:
            self.load("bottle jar")
        elif "its beam was dark" in question:
            self.carb += 1
            self.flick(self.carb)

    def answer(self, question: str) -> str:
        """What is typed."""
        self.before(question)
        self.answers += 1
        return next((typed for end, typed in ANSWERS.items() if end in question), "")


def converse(root: Root, command: str, user: str, hands: Hands) -> Ran:
    """Type a command, and answer whatever it asks: a line that has no end yet, ending in ": "."""
    began_s = time.monotonic()
    with subprocess.Popen(
        root.words(command, user), env=root.env(user), stdin=subprocess.PIPE,
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
    ) as talk:  # fmt: skip
        assert talk.stdin is not None
        assert talk.stdout is not None
        said, line = "", ""
        while piece := os.read(talk.stdout.fileno(), 4096):
            said += piece.decode(errors="replace")
            line = said.rpartition("\n")[2]
            if line.endswith(": "):
                typed = hands.answer(line)
                said += f"{typed}\n"
                talk.stdin.write(f"{typed}\n".encode())
                talk.stdin.flush()
    return Ran(said.strip(), talk.returncode, time.monotonic() - began_s)
