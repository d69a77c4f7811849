"""The named scenarios: nights a restorer meets, each with its truth."""

from __future__ import annotations

from sim.faults import Defect, Kind
from sim.scenario import CellTraits, Happenings, Scenario
from sim.weather import Climate

_TIGHT = frozenset({"tight"})
_LEAKING = frozenset({"leaking"})
_UNPROVEN = frozenset({"not_proven"})
_NOT_LEAKING = frozenset({"tight", "not_proven"})
_H = 3600.0

_ALL = (
    Scenario("dry-rack", "a sound rack: evaporation and nothing else", 1, _TIGHT),
    Scenario(
        "needle-stuck-open",
        "dirt holds carb 3's needle off its seat: it floods",
        2,
        _LEAKING,
        (Defect(Kind.NEEDLE_OPEN, 3, 250.0),),
        (3,),
        "needle_stuck_open",
    ),
    Scenario(
        "needle-weep",
        "carb 2's needle does not quite seal: the level creeps up and drips hours later",
        3,
        _LEAKING,
        (Defect(Kind.NEEDLE_WEEP, 2, 1.2),),
        (2,),
        "needle_weep",
    ),
    Scenario(
        "overflow-tube-crack",
        "carb 1's overflow tube is split below the fuel level",
        4,
        _LEAKING,
        (Defect(Kind.TUBE_CRACK, 1, 0.9, depth_mm=4.0, patch_mm2=5.0),),
        (1,),
        "overflow_tube_crack",
    ),
    Scenario(
        "gasket-weep",
        "carb 4's bowl gasket starts to weep in the night",
        5,
        _LEAKING,
        (Defect(Kind.BOWL_JOINT, 4, 0.35, onset_s=5.5 * _H, depth_mm=12.0),),
        (4,),
        "bowl_joint_weep",
    ),
    Scenario(
        "drain-plug-weep",
        "carb 2's drain plug seal weeps from the start, a drop every quarter of an hour",
        6,
        _LEAKING,
        (Defect(Kind.BOWL_JOINT, 2, 0.07, depth_mm=28.0, patch_mm2=8.0),),
        (2,),
        "bowl_joint_weep",
    ),
    Scenario(
        "rail-joint-weep",
        "the joint of rail and carb 3 weeps; half of it runs past the gate",
        7,
        _LEAKING,
        (Defect(Kind.RAIL_JOINT, 3, 0.5, onset_s=2 * _H, caught=0.5),),
        (3,),
        "rail_joint_weep",
    ),
    Scenario(
        "needle-stuck-shut",
        "carb 4's needle is gummed shut: its bowl stays empty",
        8,
        _UNPROVEN,
        (Defect(Kind.NEEDLE_SHUT, 4),),
        (),
        "needle_stuck_shut",
    ),
    Scenario(
        "bench-hose-leak",
        "the bench's own hose weeps at the bottle, past every gate",
        9,
        _LEAKING,
        (Defect(Kind.HOSE, 0, 0.6, onset_s=1 * _H),),
        (),
        "bench_plumbing_leak",
    ),
    Scenario(
        "two-leaks",
        "carb 1's gasket and carb 4's drain plug weep at once",
        10,
        _LEAKING,
        (
            Defect(Kind.BOWL_JOINT, 1, 0.4, depth_mm=12.0),
            Defect(Kind.BOWL_JOINT, 4, 0.25, onset_s=3 * _H, depth_mm=28.0, patch_mm2=8.0),
        ),
        (1, 4),
        "bowl_joint_weep",
    ),
    Scenario(
        "hot-afternoon",
        "a sound rack through a hot summer day",
        11,
        _NOT_LEAKING,
        climate=Climate(mean_c=25.0, swing_c=6.0, clock_h=9.0, restless_c=0.8),
    ),
    Scenario(
        "cold-night",
        "a sound rack in a shop that cools to a few degrees",
        12,
        _NOT_LEAKING,
        climate=Climate(mean_c=9.0, swing_c=5.0, clock_h=17.0, warmest_h=15.0),
    ),
    Scenario(
        "draughty-shop",
        "a sound rack beside an open door: vents lose a third more",
        13,
        _NOT_LEAKING,
        draught=1.33,
        climate=Climate(restless_c=1.2),
        cell=CellTraits(noise_g=0.12),
    ),
    Scenario(
        "bottle-runs-dry",
        "somebody filled the bottle too little: it is empty before the bowls are full",
        14,
        _UNPROVEN,
        filled_ml=160.0,
    ),
    Scenario(
        "refill",
        "somebody tops the bottle up in the evening",
        15,
        _NOT_LEAKING,
        happenings=Happenings(refill_s=4 * _H, refill_g=90.0),
    ),
    Scenario(
        "bench-bumped",
        "the bench is pushed and knocked through the evening",
        16,
        _NOT_LEAKING,
        happenings=Happenings(knocks_per_h=2.0, bumps_s=(2.2 * _H, 3.7 * _H, 14.1 * _H)),
    ),
    Scenario(
        "cell-freezes",
        "the cell's converter hangs at midnight and repeats its last value",
        17,
        _UNPROVEN,
        happenings=Happenings(freeze_s=6 * _H),
    ),
    Scenario(
        "gate-stuck",
        "gate 2 goes blind in the evening",
        18,
        _UNPROVEN,
        happenings=Happenings(stuck_gate=2, stuck_s=3 * _H),
    ),
    Scenario(
        "gate-in-sunlight",
        "the morning sun flickers on gate 1",
        19,
        _NOT_LEAKING,
        happenings=Happenings(sun_s=(13 * _H, 16 * _H), sun_gate=1),
    ),
    Scenario(
        "gap-of-two-hours",
        "a power cut: nothing is recorded from two to four in the morning",
        20,
        _NOT_LEAKING,
        happenings=Happenings(gap_s=(8 * _H, 10 * _H)),
    ),
    Scenario(
        "drop-a-minute",
        "carb 1 lets a drop a minute go, from the fourth hour on",
        21,
        _LEAKING,
        (Defect(Kind.BOWL_JOINT, 1, 0.93, onset_s=4 * _H, depth_mm=28.0, patch_mm2=5.0),),
        (1,),
        "bowl_joint_weep",
    ),
)

SCENARIOS: dict[str, Scenario] = {scenario.name: scenario for scenario in _ALL}
