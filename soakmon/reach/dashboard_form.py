"""Panels laid out as a dashboard definition in Grafana's JSON form."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

_COLUMNS, _HEIGHT = 24, 8
_INPUT = "DS_SOAKMON"


@dataclass(frozen=True, slots=True)
class DataSource:
    """Where panels ask: asked for when the definition is imported."""

    label: str
    plugin: str

    @property
    def named(self) -> dict[str, str]:
        """As a panel and its targets name it."""
        return {"type": self.plugin, "uid": f"${{{_INPUT}}}"}


@dataclass(frozen=True, slots=True)
class DashboardPanel:
    """A panel: unit and kind by Grafana's names, width in 24ths, targets without their source."""

    title: str
    unit: str
    kind: str
    width: int
    targets: tuple[dict[str, Any], ...]


def definition(
    uid: str, title: str, source: DataSource, panels: Iterable[DashboardPanel]
) -> dict[str, Any]:
    """The definition, from left to right and down, of the last day and a little."""
    return {
        "__inputs": [
            {"name": _INPUT, "label": source.label, "type": "datasource", "pluginId": source.plugin}
        ],
        "uid": uid,
        "title": title,
        "schemaVersion": 39,
        "time": {"from": "now-26h", "to": "now"},
        "refresh": "1m",
        "panels": _laid_out(panels, source),
    }


def _laid_out(panels: Iterable[DashboardPanel], source: DataSource) -> list[dict[str, Any]]:
    panels_out: list[dict[str, Any]] = []
    x = y = 0
    for panel in panels:
        if x + panel.width > _COLUMNS:
            x, y = 0, y + _HEIGHT
        panels_out.append(
            {
                "id": len(panels_out) + 1,
                "title": panel.title,
                "type": panel.kind,
                "datasource": source.named,
                "gridPos": {"x": x, "y": y, "w": panel.width, "h": _HEIGHT},
                "fieldConfig": {"defaults": {"unit": panel.unit}, "overrides": []},
                "targets": [
                    {"refId": chr(ord("A") + place), "datasource": source.named, **asked}
                    for place, asked in enumerate(panel.targets)
                ],
            }
        )
        x += panel.width
    return panels_out
