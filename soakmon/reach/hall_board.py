"""Rules and a dashboard for a hall of benches, for the points that `points` makes (MetricsQL).

The rules are reckoned on the server once a minute, so that a screen that shows a hundred benches
asks for what is there already, and so that a little of each soak outlives the readings themselves.
"""

from __future__ import annotations

from typing import Any

from soakmon.reach.dashboard_form import DashboardPanel, DataSource, definition

# Of which shop a bench is stands in its name: shop/bench.
_SHOP = 'label_replace({}, "shop", "$1", "bench", "(.+)/.+")'
# What was said last holds for so long: estimates come every five minutes.
_HELD = "15m"

# name, expression, and what it is: those that a screen asks for, and those that are kept for years.
RULES: tuple[tuple[str, str, str], ...] = (
    (
        "soak:running", f"max by (bench) (last_over_time(soak_info_running[{_HELD}]))",
        "1 while the bench has a soak",
    ),
    (
        "soak:silent",
        "(max by (bench) (last_over_time(soak_info_running[1d])) == 1)"
        " unless on (bench) last_over_time(soak_readings_mass_g[5m])",
        "a bench whose soak has not ended, and of which no readings come",
    ),
    (
        "soak:leak_g_per_h", f"last_over_time(soak_estimate_leak_g_per_h_best[{_HELD}])",
        "leak as believed, g/h",
    ),
    (
        "soak:leak_low_g_per_h", f"last_over_time(soak_estimate_leak_g_per_h_low[{_HELD}])",
        "what leaks at least, g/h: above zero it leaks",
    ),
    (
        "soak:loss_over_expected_g_per_h",
        f"last_over_time(soak_estimate_loss_g_per_h[{_HELD}])"
        f" - last_over_time(soak_estimate_expected_g_per_h_best[{_HELD}])",
        "loss beyond evaporation, g/h: of many benches at once it is the weather or the fuel",
    ),
    (
        "soak:drops_1h", "sum by (bench, carb) (sum_over_time(soak_drops_drops[1h]))",
        "drops of the last hour, by carburettor",
    ),
    (
        "soak:alarms_1d", "sum by (bench) (count_over_time(soak_alarm_kind[1d]))",
        "alarms of the last day",
    ),
    ("soak:mass_g:5m", "avg_over_time(soak_readings_mass_g[5m])", "mean of five minutes, g"),
    ("soak:air_c:5m", "avg_over_time(soak_readings_air_c[5m])", "mean of five minutes, °C"),
)  # fmt: skip

# title, unit, kind of panel, expressions with their legends, width in 24ths
PANELS: tuple[tuple[str, str, str, tuple[tuple[str, str], ...], int], ...] = (
    ("Benches that soak", "none", "stat", (("sum(soak:running)", ""),), 6),
    (
        "Benches that leak", "none", "stat",
        (("count(soak:leak_low_g_per_h > 0) or vector(0)", ""),), 6,
    ),
    ("Benches that are silent", "none", "stat", (("count(soak:silent) or vector(0)", ""),), 6),
    ("Alarms of a day", "none", "stat", (("sum(soak:alarms_1d) or vector(0)", ""),), 6),
    ("Worst leaks", "g/h", "bargauge", (("topk(20, soak:leak_g_per_h)", "{{bench}}"),), 12),
    ("Silent benches", "none", "table", (("soak:silent", "{{bench}}"),), 12),
    (
        "Loss beyond evaporation: middle of the hall, and its tenths", "g/h", "timeseries",
        tuple(
            (f"quantile({share}, soak:loss_over_expected_g_per_h)", name)
            for share, name in ((0.1, "a tenth below"), (0.5, "middle"), (0.9, "a tenth above"))
        ),
        12,
    ),
    (
        "Shop temperature", "celsius", "timeseries",
        ((f"avg by (shop) ({_SHOP.format('soak:air_c:5m')})", "{{shop}}"),), 12,
    ),
    (
        "Drops an hour, the most", "none", "timeseries",
        (("topk(10, soak:drops_1h)", "{{bench}} carb {{carb}}"),), 12,
    ),
    (
        "Which job soaks where", "none", "table",
        ((f"last_over_time(soak_info_running[{_HELD}]) == 1", "{{bench}}: {{job}}"),), 12,
    ),
)  # fmt: skip


def rules() -> dict[str, Any]:
    """Recording rules in the form that vmalert and Prometheus read."""
    listed = [{"record": name, "expr": expression} for name, expression, _ in RULES]
    return {"groups": [{"name": "soakmon", "interval": "1m", "rules": listed}]}


def hall_dashboard() -> dict[str, Any]:
    """A dashboard of all benches in Grafana's JSON form; it asks for the data source."""
    panels = [
        DashboardPanel(title, unit, kind, width, tuple(_target(*query, kind) for query in asked))
        for title, unit, kind, asked, width in PANELS
    ]
    source = DataSource("VictoriaMetrics", "prometheus")
    return definition("soakmon-hall", "soakmon: all benches", source, panels)


def _target(expression: str, legend: str, kind: str) -> dict[str, Any]:
    now = kind != "timeseries"
    return {
        "expr": expression,
        "legendFormat": legend,
        "instant": now,
        "range": not now,
        "format": "table" if kind == "table" else "time_series",
    }
