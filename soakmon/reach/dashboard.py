"""A dashboard definition in Grafana's JSON form, for the points that `points` makes (Flux queries).

Made from the list below, so that it cannot name a field that does not exist.
"""

from __future__ import annotations

from typing import Any

from soakmon.reach.dashboard_form import DashboardPanel, DataSource, definition
from soakmon.reach_config import InfluxSection

# title, unit, kind of panel, measurement, fields, width in 24ths
PANELS: tuple[tuple[str, str, str, str, tuple[str, ...], int], ...] = (
    ("Fuel in the bottle", "massg", "timeseries", "soak_readings", ("mass_g",), 12),
    (
        "Loss rate against evaporation", "g/h", "timeseries", "soak_estimate",
        ("loss_g_per_h", "expected_g_per_h_best", "expected_g_per_h_low", "expected_g_per_h_high"),
        12,
    ),
    (
        "Leak with its interval", "g/h", "timeseries", "soak_estimate",
        ("leak_g_per_h_best", "leak_g_per_h_low", "leak_g_per_h_high"), 12,
    ),
    ("Drops by carb", "none", "timeseries", "soak_drops", ("drops",), 12),
    ("Shop temperature", "celsius", "timeseries", "soak_readings", ("air_c",), 12),
    ("Feed open", "none", "timeseries", "soak_readings", ("feed_open",), 12),
    ("Phases", "none", "table", "soak_phase", ("phase", "reason"), 8),
    ("Alarms", "none", "table", "soak_alarm", ("kind", "text"), 8),
    ("Verdicts", "none", "table", "soak_verdict", ("verdict", "reason"), 8),
)  # fmt: skip


def dashboard(section: InfluxSection) -> dict[str, Any]:
    """The definition, to be imported; it asks for the data source."""
    panels = []
    for title, unit, kind, measurement, names, width in PANELS:
        query = _query(section.bucket, measurement, names, table=kind == "table")
        panels.append(DashboardPanel(title, unit, kind, width, ({"query": query},)))
    return definition("soakmon", "soakmon", DataSource("InfluxDB (Flux)", "influxdb"), panels)


def _query(bucket: str, measurement: str, names: tuple[str, ...], *, table: bool) -> str:
    wanted = " or ".join(f'r._field == "{name}"' for name in names)
    lines = [
        f'from(bucket: "{bucket}")',
        "  |> range(start: v.timeRangeStart, stop: v.timeRangeStop)",
        f'  |> filter(fn: (r) => r._measurement == "{measurement}" and ({wanted}))',
    ]
    if table:
        lines.append('  |> pivot(rowKey: ["_time"], columnKey: ["_field"], valueColumn: "_value")')
    elif measurement == "soak_drops":
        lines.append("  |> aggregateWindow(every: v.windowPeriod, fn: sum, createEmpty: false)")
    else:
        lines.append("  |> aggregateWindow(every: v.windowPeriod, fn: mean, createEmpty: false)")
    return "\n".join(lines)
