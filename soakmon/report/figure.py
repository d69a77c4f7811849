"""The picture of a soak: the loss in its bands, a lane of drops for each carb, by one clock.

Colours are from the Okabe-Ito set, which stays apart for colour-blind readers; line styles and
marks say the same without colour.
"""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path
from typing import Any

import numpy as np

from soakmon.records.readable import blind_stretches, readable
from soakmon.report.clock import RunClock
from soakmon.report.letters import single_line
from soakmon.report.words import counted, grams
from soakmon.texts import ENGLISH, say, translated
from soakmon.watch.decision import Decision
from soakmon.watch.figures import elapsed
from soakmon.watch.knock import without_knocks
from soakmon.watch.rows import Rows
from soakmon.watch.verdict import Outcome

BLUE, ORANGE, VERMILION, GREEN, GREY = "#0072B2", "#E69F00", "#D55E00", "#009E73", "#555555"
WORDS = {
    Outcome.TIGHT: say("figure.tight"),
    Outcome.LEAKING: say("words.leaking"),
    Outcome.NOT_PROVEN: say("words.not_proven"),
}
_STEPS_H = (0.25, 0.5, 1, 2, 3, 6, 12, 24)
_MOST_TICKS = 9


def draw(
    path: Path,
    rows: Rows,
    decision: Decision,
    title: str,
    clock: RunClock | None = None,
    *,
    dpi: int = 130,
    height_in: float = 6.8,
    language: str = ENGLISH,
) -> None:
    """Write the picture; the file name's ending (.png, .svg) is the format.

    An empty title leaves the heading out, for a page that has its own.
    """
    # Imported here: it takes longer than deciding, and only a report needs it.
    from matplotlib.backends.backend_agg import FigureCanvasAgg  # noqa: PLC0415
    from matplotlib.figure import Figure  # noqa: PLC0415
    from matplotlib.text import Text  # noqa: PLC0415

    figure: Any = Figure(figsize=(9.5, height_in), layout="constrained")
    FigureCanvasAgg(figure)
    _panels(figure, rows, decision, title, clock or RunClock())
    if language != ENGLISH:
        for axes in figure.axes:
            _names_in_language(axes.yaxis, language)
        for text in figure.findobj(Text):
            text.set_text(translated(text.get_text(), language))
    _write(figure, path, dpi)


def _names_in_language(axis: Any, language: str) -> None:
    """Names of ticks are written anew when the picture is: they are given to the axis again."""
    names = [label.get_text() for label in axis.get_ticklabels()]
    names_said = [translated(name, language) for name in names]
    if names_said != names:
        axis.set_ticks(axis.get_ticklocs(), labels=names_said)


def _panels(figure: Any, rows: Rows, decision: Decision, title: str, clock: RunClock) -> None:
    """Phases, loss, drops and shop above one another, along one time."""
    lanes = 0.3 + 0.3 * max(rows.gates, 1)
    axes = figure.subplots(4, 1, sharex=True, height_ratios=(0.18, 3.2, lanes, 0.55))
    strip, loss, drops, shop = axes
    end_h = max(float(rows.t_s[-1]) if len(rows) else 0.0, 1.0) / 3600
    _phases(strip, decision, end_h)
    _loss(loss, rows, decision)
    _drops(drops, rows, decision)
    _alarms(loss, drops, decision, end_h)
    _shop(shop, rows)
    for panel in (loss, drops):
        _shut(panel, rows)
    loss.legend(
        loc="upper left", bbox_to_anchor=(0, -0.01), ncols=2, frameon=False, fontsize=8.5,
        borderaxespad=0,
    )  # fmt: skip
    if title:
        # Dollar signs would be read as mathematics.
        shown = single_line(title, 80).replace("$", r"\$")
        strip.set_title(f"{WORDS[decision.verdict.outcome]} – {shown}", loc="left", weight="bold")
    shop.set_xlim(0, end_h)
    _times(shop, end_h, clock)


def _write(figure: Any, path: Path, dpi: int) -> None:
    from matplotlib import rc_context  # noqa: PLC0415 - see `draw`

    # The same picture from the same data, byte for byte.
    options: dict[str, Any] = {"dpi": dpi}
    if path.suffix == ".svg":
        options["metadata"] = {"Date": None}
    with rc_context({"svg.hashsalt": "soakmon", "svg.fonttype": "path"}):
        figure.savefig(path, **options)


def _loss(axes: Any, rows: Rows, decision: Decision) -> None:
    curve = readable(decision.curve, decision.verdict.faults)
    axes.grid(visible=True, alpha=0.25)
    if not len(curve.t_s):
        _taken(axes, rows)
        return
    hours = curve.t_s / 3600
    if len(curve.reads_low_g):
        axes.fill_between(
            hours, curve.reads_low_g, curve.reads_high_g, color=GREY, alpha=0.14, linewidth=0,
            label=say("figure.what_tight_rack_may_read"),
        )  # fmt: skip
    axes.fill_between(
        hours, curve.low_g, curve.high_g, color=GREEN, alpha=0.18, hatch="///",
        edgecolor=GREEN, linewidth=0, label=say("figure.what_evaporates_95_band"),
    )  # fmt: skip
    axes.plot(
        hours,
        curve.best_g,
        color=GREEN,
        linestyle="--",
        label=say("figure.what_evaporates_best_guess"),
    )
    blind = blind_stretches(curve.t_s, curve.mass_loss_g)
    # No line across a stretch of which nothing is known.
    breaks = [(from_s + to_s) / 2 for from_s, to_s in blind]
    places = np.searchsorted(curve.t_s, breaks)
    axes.plot(
        np.insert(curve.t_s, places, breaks) / 3600, np.insert(curve.mass_loss_g, places, np.nan),
        color=BLUE, linewidth=1.3, label=say("figure.lost_from_bottle"),
    )  # fmt: skip
    for number, (from_s, to_s) in enumerate(blind):
        axes.axvspan(
            from_s / 3600, to_s / 3600, facecolor="none", edgecolor=VERMILION, alpha=0.35,
            hatch="x", linewidth=0, label=None if number else say("figure.nothing_was_read"),
        )  # fmt: skip
    losses = curve.mass_loss_g[np.isfinite(curve.mass_loss_g)]
    if len(losses):
        top = max(float(np.quantile(losses, 0.995)), float(curve.high_g[-1]), 0.5)
        low = min(float(np.quantile(losses, 0.005)), 0.0)
        axes.set_ylim(low - 0.08 * (top - low), top + 0.12 * (top - low))
    axes.set_ylabel(say("figure.grams_since_soak_began"))


def _taken(axes: Any, rows: Rows) -> None:
    """Before the soak's clock starts: what the bottle has given, the fill included."""
    read = np.isfinite(rows.mass_g)
    taken_g = np.quantile(rows.mass_g[read], 0.98) - rows.mass_g if read.any() else rows.mass_g
    label = say("figure.taken_from_bottle_fill_included")
    axes.plot(rows.t_s / 3600, np.maximum(taken_g, 0.0), color=BLUE, linewidth=1.3, label=label)
    axes.set_ylabel("grams")


def _drops(axes: Any, rows: Rows, decision: Decision) -> None:
    """A lane for each carb with a tick for each drop; red only where fuel is believed to leave."""
    verdict = decision.verdict
    spacing_s = np.diff(rows.t_s, prepend=rows.t_s[0] if len(rows) else 0.0)
    counts, _ = without_knocks(rows, spacing_s)
    leaking = {a.carb for a in verdict.alarms if a.leaks} | {leak.carb for leak in verdict.leaks}
    for gate in range(rows.gates):
        times = rows.t_s[np.nan_to_num(counts.drops[:, gate]) > 0] / 3600
        axes.plot(
            times, np.full(len(times), gate + 1), linestyle="none", marker="|", markersize=9,
            color=VERMILION if gate + 1 in leaking else "black", rasterized=len(times) > 500,
        )  # fmt: skip
        caught = verdict.caught_g[gate] if gate < len(verdict.caught_g) else None
        told = counted(verdict)[gate] + (f" ({grams(caught)})" if caught else "")
        axes.annotate(
            told, (1.005, gate + 1), va="center", fontsize=9,
            xycoords=("axes fraction", "data"),
        )  # fmt: skip
    for leak in verdict.leaks:
        if leak.carb:
            low, high = (t_s / 3600 for t_s in leak.since_s)
            axes.plot([low, high], [leak.carb + 0.3] * 2, color=VERMILION, marker="|", markersize=6)
    axes.set_yticks(
        range(1, rows.gates + 1), [say("figure.carb", g=g) for g in range(1, rows.gates + 1)]
    )
    axes.set_ylim(rows.gates + 0.6, 0.4)
    axes.set_ylabel("drops")
    axes.grid(visible=True, axis="x", alpha=0.25)


def _shop(axes: Any, rows: Rows) -> None:
    axes.plot(rows.t_s / 3600, rows.air_c, color=BLUE, linewidth=1.0)
    axes.set_ylabel(say("figure.shop_c"), fontsize=8)
    axes.tick_params(axis="y", labelsize=8)
    axes.grid(visible=True, axis="x", alpha=0.25)


def _phases(axes: Any, decision: Decision, end_h: float) -> None:
    """What the bench did, as a strip."""
    axes.set_yticks([])
    axes.set_ylim(0, 1)
    starts = [(name, t_s / 3600) for name, t_s in decision.phases]
    for index, (name, from_h) in enumerate(starts):
        to_h = starts[index + 1][1] if index + 1 < len(starts) else end_h
        shade = {"soaking": 0.25, "settling": 0.15}.get(name, 0.05)
        axes.axvspan(from_h, to_h, color=GREEN, alpha=shade, linewidth=0)
        axes.axvline(from_h, color=GREY, linewidth=0.6)
        if to_h - from_h > 0.012 * end_h * len(name):
            text = say(f"figure.phase_{name}")
            axes.text(from_h + 0.004 * end_h, 0.5, text, va="center", fontsize=8, clip_on=True)


def _shut(axes: Any, rows: Rows) -> None:
    """Stretches with the feed shut are shaded."""
    if rows.feed_open is None or not len(rows):
        return
    shut = np.nan_to_num(rows.feed_open, nan=1.0) < 0.5
    edges = np.flatnonzero(np.diff(shut.astype(int), prepend=0, append=0))
    for start, stop in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        from_h, to_h = rows.t_s[start] / 3600, rows.t_s[stop - 1] / 3600
        label = say("figure.feed_shut") if start == edges[0] else None
        axes.axvspan(
            from_h, to_h, facecolor="none", edgecolor=GREY, alpha=0.35, hatch="..", linewidth=0,
            label=label,
        )  # fmt: skip


def _alarms(upper: Any, lower: Any, decision: Decision, end_h: float) -> None:
    for alarm in decision.verdict.alarms:
        hour = alarm.t_s / 3600
        for axes in (upper, lower):
            axes.axvline(hour, color=ORANGE, linewidth=1.4)
        label = say(f"figure.alarm_{alarm.kind}")
        if alarm.carb:
            label = f"{label}, {say('reasons.carb', carb=alarm.carb)}"
        upper.annotate(
            label, (hour, 0.98), xycoords=("data", "axes fraction"),
            rotation=90, va="top", ha="right" if hour > 0.03 * end_h else "left",
            color="#8a5a00", fontsize=9,
        )  # fmt: skip


def _times(axes: Any, end_h: float, clock: RunClock) -> None:
    """Even hours of the shop's clock, with the time since the start below."""
    step = next((h for h in _STEPS_H if end_h / h <= _MOST_TICKS), _STEPS_H[-1])
    began = clock.began
    if began is None:
        ticks = np.arange(0.0, end_h + 1e-9, step)
        axes.set_xticks(ticks, [elapsed(3600 * tick) for tick in ticks.tolist()])
        axes.set_xlabel(say("figure.time_since_start_run"))
        return
    past_h = began.hour + began.minute / 60 + began.second / 3600
    ticks = np.arange(np.ceil(past_h / step), np.floor((past_h + end_h) / step) + 1) * step - past_h
    names = []
    for tick in ticks.tolist():
        at = began + timedelta(hours=tick, seconds=0.5)
        midnight = at.hour == 0 and at.minute == 0
        below = f"{at:%d %b}" if midnight else elapsed(3600 * tick)
        names.append(f"{at:%H:%M}\n{below}")
        if midnight:
            for panel in axes.figure.axes:
                panel.axvline(tick, color=GREY, linewidth=0.9)
    axes.set_xticks(ticks, names)
    axes.set_xlabel(say("figure.time_since_start", zone=clock.zone or "clock"))
