"""The drawing of the rack with the drops of each carb: shapes in mm, shown as SVG or in the PDF.

Black, white and grey only; a leaking carb has a thick double frame and the word, not a colour.
"""

from __future__ import annotations

from dataclasses import dataclass
from html import escape

from soakmon.report.words import counted, not_fuel
from soakmon.texts import say
from soakmon.watch.decision import Decision

WIDTH_MM, HEIGHT_MM = 170.0, 52.0


@dataclass(frozen=True, slots=True)
class Line:
    """A line from (x1, y1) to (x2, y2)."""

    x1: float
    y1: float
    x2: float
    y2: float
    width: float = 0.4


@dataclass(frozen=True, slots=True)
class Box:
    """A rectangle; grey: 0 black … 1 white."""

    x: float
    y: float
    w: float
    h: float
    width: float = 0.4
    grey: float = 1.0


@dataclass(frozen=True, slots=True)
class Label:
    """Text centred on x with its baseline at y; size in mm of its em."""

    x: float
    y: float
    text: str
    size: float = 4.0
    bold: bool = False


Shape = Line | Box | Label
_UNITS = {"1": "rack.drop", "?": "rack.blind"}
_ALARMS = {
    "flood": say("wording.flood"),
    "weep": say("rack.weep"),
    "starved": say("rack.starved"),
    "bench": say("rack.bench"),
}


def rack(decision: Decision, carbs: int) -> list[Shape]:
    """The shapes of a rack of `carbs` (0: only the bottle), top left at the origin."""
    verdict = decision.verdict
    counts = counted(verdict)
    quiet = not_fuel(verdict)
    bad = {a.carb: a.kind for a in verdict.alarms if a.carb and a.kind in _ALARMS}
    shapes: list[Shape] = [
        Box(4, 2, 16, 14),
        Box(4, 8, 16, 8, grey=0.85),
        Label(12, 22.5, say("rack.bottle"), 3.2),
        Line(20, 12, 27, 12, 0.8),
        Line(27, 12, 27, 8, 0.8),
        Line(27, 8, WIDTH_MM - 2, 8, 0.8),
    ]
    pitch = (WIDTH_MM - 30.0) / max(carbs, 1)
    for place in range(1, carbs + 1):
        middle = 30.0 + pitch * (place - 0.5)
        count = counts[place - 1] if place <= len(counts) else None
        shapes += _carb(middle, min(pitch * 0.7, 22.0), place, count, bad.get(place))
        if place in quiet:
            shapes.append(Label(middle, 47.5, say("rack.not_fuel"), 3.2))
    return shapes


def _carb(
    middle: float, width: float, place: int, count: str | None, alarm: str | None
) -> list[Shape]:
    left = middle - width / 2
    shapes: list[Shape] = [
        Line(middle, 8, middle, 13),
        Box(left, 13, width, 14),
        Box(left, 20, width, 7, grey=0.85),
        Label(middle, 18.5, f"{place}", 4.4, bold=True),
    ]
    if alarm is not None:
        shapes.append(Box(left - 1.5, 11.5, width + 3, 17, 1.0, grey=-1))
    text = say("rack.no_gate") if count is None else count
    unit = "" if count is None else say(_UNITS.get(count, "rack.drops"))
    shapes += [
        Line(middle - 3, 33, middle + 3, 33, 0.8),
        Label(middle, 39.5, text, 5.2 if count is not None else 3.4, bold=alarm is not None),
        Label(middle, 43.5, unit, 3.2),
    ]
    if alarm is not None:
        shapes.append(Label(middle, 49.5, _ALARMS[alarm], 4.2, bold=True))
    return shapes


def svg(shapes: list[Shape]) -> str:
    """The drawing as an SVG element."""
    body = "".join(_element(shape) for shape in shapes)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH_MM:g} {HEIGHT_MM:g}" '
        f'role="img" aria-label="{escape(say("rack.drawn"))}">{body}</svg>'
    )


def _element(shape: Shape) -> str:
    if isinstance(shape, Line):
        return (
            f'<line x1="{shape.x1:.2f}" y1="{shape.y1:.2f}" x2="{shape.x2:.2f}" '
            f'y2="{shape.y2:.2f}" stroke="#000" stroke-width="{shape.width:g}"/>'
        )
    if isinstance(shape, Box):
        level = round(255 * shape.grey)
        fill = "none" if shape.grey < 0 else f"#{level:02x}{level:02x}{level:02x}"
        return (
            f'<rect x="{shape.x:.2f}" y="{shape.y:.2f}" width="{shape.w:.2f}" '
            f'height="{shape.h:.2f}" fill="{fill}" stroke="#000" stroke-width="{shape.width:g}"/>'
        )
    weight = ' font-weight="bold"' if shape.bold else ""
    return (
        f'<text x="{shape.x:.2f}" y="{shape.y:.2f}" font-size="{shape.size:g}" '
        f'font-family="sans-serif" text-anchor="middle"{weight}>{escape(shape.text)}</text>'
    )
