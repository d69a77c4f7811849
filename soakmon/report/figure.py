"""The picture of a soak: loss against the evaporation band, and drops per carb.

Colours are from the Okabe-Ito set, which stays apart for colour-blind readers; line styles and
marks say the same without colour.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from soakmon.report.letters import one_line
from soakmon.watch.decide import Decision
from soakmon.watch.rows import Rows
from soakmon.watch.verdict import Outcome

BLUE, ORANGE, VERMILION, GREEN, GREY = "#0072B2", "#E69F00", "#D55E00", "#009E73", "#555555"
WORDS = {
    Outcome.TIGHT: "TIGHT",
    Outcome.LEAKING: "LEAKING",
    Outcome.NOT_PROVEN: "NOT PROVEN",
}


def draw(
    path: Path,
    rows: Rows,
    decision: Decision,
    title: str,
    *,
    dpi: int = 130,
    height_in: float = 6.0,
) -> None:
    """Write the picture; the file name's ending (.png, .svg) is the format.

    An empty title leaves the heading out, for a page that has its own.
    """
    # Imported here: it takes longer than deciding, and only a report needs it.
    from matplotlib import rc_context  # noqa: PLC0415
    from matplotlib.backends.backend_agg import FigureCanvasAgg  # noqa: PLC0415
    from matplotlib.figure import Figure  # noqa: PLC0415

    figure: Any = Figure(figsize=(9.5, height_in), layout="constrained")
    FigureCanvasAgg(figure)
    gates = max(rows.gates, 1)
    upper, lower = figure.subplots(2, 1, sharex=True, height_ratios=(3.2, 0.45 + 0.28 * gates))
    _loss(upper, decision)
    _drops(lower, rows, decision)
    _alarms(upper, lower, decision)
    if title:
        # Dollar signs would be read as mathematics.
        shown = one_line(title, 80).replace("$", r"\$")
        upper.set_title(f"{WORDS[decision.verdict.outcome]} – {shown}", loc="left", weight="bold")
    lower.set_xlabel("hours since the start of the run")
    lower.set_xlim(0, max(float(rows.t_s[-1]) if len(rows) else 0.0, 1.0) / 3600)
    # The same picture from the same data, byte for byte.
    options: dict[str, Any] = {"dpi": dpi}
    if path.suffix == ".svg":
        options["metadata"] = {"Date": None}
    with rc_context({"svg.hashsalt": "soakmon", "svg.fonttype": "path"}):
        figure.savefig(path, **options)


def _loss(axes: Any, decision: Decision) -> None:
    curve = decision.curve
    hours = curve.t_s / 3600
    axes.fill_between(
        hours, curve.low_g, curve.high_g, color=GREEN, alpha=0.18, hatch="///",
        edgecolor=GREEN, linewidth=0, label="evaporation only, 95 % band",
    )  # fmt: skip
    axes.plot(hours, curve.best_g, color=GREEN, linestyle="--", label="evaporation only, best")
    axes.plot(hours, curve.mass_loss_g, color=BLUE, linewidth=1.3, label="lost from the bottle")
    for name, start_s in decision.phases:
        if name != "idle":
            axes.axvline(start_s / 3600, color=GREY, linewidth=0.6, linestyle=":")
    if not len(curve.t_s):
        text = "the soak's clock had not begun: there is no loss to draw"
        axes.annotate(text, (0.5, 0.5), xycoords="axes fraction", ha="center", color=GREY)
        axes.set_yticks([])
    losses = curve.mass_loss_g[np.isfinite(curve.mass_loss_g)]
    if len(losses):
        top = max(float(np.quantile(losses, 0.995)), float(curve.high_g[-1]), 0.5)
        low = min(float(np.quantile(losses, 0.005)), 0.0)
        axes.set_ylim(low - 0.08 * (top - low), top + 0.12 * (top - low))
    axes.set_ylabel("grams since the soak began")
    axes.grid(visible=True, alpha=0.25)
    axes.legend(loc="upper left", frameon=False)


def _drops(axes: Any, rows: Rows, decision: Decision) -> None:
    for gate in range(rows.gates):
        counts = np.nan_to_num(rows.drops[:, gate])
        times = rows.t_s[counts > 0] / 3600
        axes.plot(
            times, np.full(len(times), gate + 1), linestyle="none", marker="|", markersize=9,
            color=VERMILION, rasterized=len(times) > 500,
        )  # fmt: skip
        axes.annotate(
            f"{decision.verdict.drops[gate]}", (1.005, gate + 1), va="center", fontsize=9,
            xycoords=("axes fraction", "data"),
        )  # fmt: skip
    axes.set_yticks(range(1, rows.gates + 1), [f"carb {g}" for g in range(1, rows.gates + 1)])
    axes.set_ylim(rows.gates + 0.6, 0.4)
    axes.set_ylabel("drops")
    axes.grid(visible=True, axis="x", alpha=0.25)


def _alarms(upper: Any, lower: Any, decision: Decision) -> None:
    for alarm in decision.verdict.alarms:
        hour = alarm.t_s / 3600
        for axes in (upper, lower):
            axes.axvline(hour, color=ORANGE, linewidth=1.4)
        where = f" carb {alarm.carb}" if alarm.carb else ""
        upper.annotate(
            f"{alarm.kind}{where}", (hour, 0.02), xycoords=("data", "axes fraction"),
            rotation=90, va="bottom", ha="right", color="#8a5a00", fontsize=9,
        )  # fmt: skip
