"""Soaks of a simulated bench for invented jobs, with a calibration, and what their reports show."""

from __future__ import annotations

import html
import json
import re
import time
from pathlib import Path

import pypdfium2

from sim.scenarios import SCENARIOS
from soakmon.app.soak_context import context_provider
from tests.bench.stepping import Stepped, short
from tests.desk import Desk

# The commands know the day; the simulated soaks are a month later.
LATER_S = time.time() + 30 * 86400
GAIN = 0.0005
CALIBRATION = {
    "capacity_g": 2000,
    "valid_days": 3660,
    "steps": [
        {"mass_g": m, "reading": m / GAIN, "up": up}
        for up, masses in ((True, (0, 500, 1000, 2000)), (False, (1000, 500, 0)))
        for m in masses
    ],
}


def calibrate(desk: Desk, **changes) -> None:
    path = desk.folder.parent / "calibration.json"
    path.write_text(json.dumps({**CALIBRATION, **changes}))
    assert desk("bench", "calibrate", "--from", str(path)).code == 0


def soak(folder: Path, job: str | None, scenario: str = "two-leaks", hours: float = 4.0) -> Stepped:
    """A soak from start to end, as the service runs it."""
    bench = Stepped(folder, SCENARIOS[scenario], bench=short(hours, isolate_min=20), every_s=2.0)
    bench.clock.wall_offset_s = LATER_S
    bench.service.context_for = context_provider(folder, bench.bench, invented=True)
    bench.service.sampling.read_air()
    bench.service.commands.start_soak("invented rack", job, cautions_confirmed=True)
    bench.run(hours + 7)
    bench.service.commands.acknowledge()
    assert bench.session.ended
    bench.journal.close()
    return bench


def printed(path: Path) -> str:
    document = pypdfium2.PdfDocument(path)
    text = " ".join(page.get_textpage().get_text_range() for page in document)
    document.close()
    return " ".join(text.replace("\ufffe", "").split())


def shown(path: Path) -> str:
    text = re.sub(r"<style>.*?</style>|data:image/[^\"]*", " ", path.read_text(), flags=re.DOTALL)
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", text)).split())
