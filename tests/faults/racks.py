"""Racks on which things go wrong, and what people ask of a bench."""

from __future__ import annotations

from sim.faults import Defect, Kind
from sim.scenario import Happenings, Scenario
from soakmon.bench.service import Service

_LEAKING = frozenset({"leaking"})


_DRY = Scenario("dry", "nothing is wrong", 1, frozenset({"tight"}))


RACKS = {
    "dry": _DRY,
    "refilled": Scenario(
        "refilled", "somebody tops it up", 2, frozenset({"tight"}),
        happenings=Happenings(refill_s=1500.0, refill_g=90.0),
    ),
    "needle open": Scenario(
        "needle open", "a carb floods", 3, _LEAKING, (Defect(Kind.NEEDLE_OPEN, 3, 250.0),)
    ),
    "two needles open": Scenario(
        "two needles open", "two carbs flood", 4, _LEAKING,
        (Defect(Kind.NEEDLE_OPEN, 1, 250.0), Defect(Kind.NEEDLE_OPEN, 3, 250.0)),
    ),
    "hose bursts": Scenario(
        "hose bursts", "the hose lets go", 5, _LEAKING,
        (Defect(Kind.HOSE, 0, 400.0, onset_s=900.0),),
    ),
}  # fmt: skip


def _resume(service: Service) -> None:
    service.commands.resume_feed(cautions_confirmed=True)


COMMANDS = {
    "start": lambda s: s.commands.start_soak("rack", None, cautions_confirmed=True),
    "end": lambda s: s.commands.end("enough"),
    "isolate": lambda s: s.commands.isolate("to look"),
    "resume": _resume,
}
