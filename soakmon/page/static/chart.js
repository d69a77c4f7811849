// The curve as SVG: loss, evaporation band, alarms and phases over a stretch of time.
import { svg, t } from "./common.js";
import { massValue, unit } from "./units.js";

const LEFT = 52;
const TOP = 24;
const BOTTOM = 44;
const STEPS_H = [1 / 60, 1 / 12, 1 / 6, 0.5, 1, 2, 3, 6, 12, 24];

/** Values inside a stretch, and one on either side of it. */
function inside(curve, from_s, to_s) {
  const times = curve.t_s;
  let first = times.findIndex((time) => time >= from_s);
  let last = times.findLastIndex((time) => time <= to_s);
  first = Math.max((first < 0 ? times.length : first) - 1, 0);
  last = Math.min(last + 1, times.length - 1);
  return [first, last];
}

function line(curve, name, [first, last], x, y) {
  let path = "";
  let pen = "M";
  for (let i = first; i <= last; i++) {
    const value = curve[name][i];
    if (value === null) {
      pen = "M";
      continue;
    }
    path += `${pen}${x(curve.t_s[i]).toFixed(1)} ${y(value).toFixed(1)}`;
    pen = "L";
  }
  return path;
}

function band(curve, range, x, y) {
  const upper = line(curve, "high_g", range, x, y);
  const [first, last] = range;
  let path = upper;
  for (let i = last; i >= first; i--) path += `L${x(curve.t_s[i]).toFixed(1)} ${y(curve.low_g[i]).toFixed(1)}`;
  return `${path}Z`;
}

function extent(curve, [first, last]) {
  let low = 0;
  let high = 0.2;
  for (const name of ["mass_loss_g", "high_g", "low_g"]) {
    for (const value of curve[name].slice(first, last + 1)) {
      if (value === null) continue;
      low = Math.min(low, value);
      high = Math.max(high, value);
    }
  }
  const spare = 0.06 * (high - low);
  return [low - spare, high + spare];
}

function niceStep(span, wanted) {
  const rough = span / wanted;
  const power = 10 ** Math.floor(Math.log10(rough));
  return power * [1, 2, 5, 10].find((factor) => factor * power >= rough);
}

function massAxis(low, high, width, y) {
  const scale = massValue(1);
  const step = niceStep((high - low) * scale, 5);
  const parts = [];
  for (let tick = Math.ceil((low * scale) / step); tick * step <= high * scale; tick++) {
    const at = y((tick * step) / scale);
    const text = (tick * step).toFixed(step < 0.1 ? 2 : step < 1 ? 1 : 0).replace("-", "−");
    parts.push(svg("path", { class: "grid", d: `M${LEFT} ${at}H${width}` }));
    parts.push(svg("text", { class: "tick right", x: LEFT - 6, y: at + 5 }, text));
  }
  parts.push(svg("text", { class: "tick right", x: LEFT - 6, y: 12 }, unit("mass")));
  return parts;
}

function timeAxis(from_s, to_s, width, height, x) {
  const most = Math.max(Math.floor((width - LEFT) / 70), 2);
  const span_h = (to_s - from_s) / 3600;
  const step = STEPS_H.find((h) => span_h / h <= most) ?? 24;
  const parts = [];
  for (let tick = Math.ceil(from_s / 3600 / step); tick * step * 3600 <= to_s; tick++) {
    const at = x(tick * step * 3600);
    const minutes = Math.round(tick * step * 60);
    const text = `${Math.floor(minutes / 60)}:${String(minutes % 60).padStart(2, "0")}`;
    parts.push(svg("path", { class: "grid", d: `M${at} ${TOP}V${height - BOTTOM}` }));
    parts.push(svg("text", { class: "tick middle", x: at, y: height - BOTTOM + 18 }, text));
  }
  const middle = (LEFT + width) / 2;
  parts.push(svg("text", { class: "tick middle", x: middle, y: height - 6 }, t("curve_axis")));
  return parts;
}

function marks(events, from_s, to_s, height, x) {
  const parts = [];
  let named = -Infinity;
  for (const event of events) {
    if (event.t_s < from_s || event.t_s > to_s) continue;
    const at = x(event.t_s);
    const alarm = event.kind === "alarm";
    const carb = event.data.carb ? ` ${event.data.carb}` : "";
    const text = alarm ? `▲ ${t("curve_alarm")}${carb}` : t(`mark_${event.data.phase}`);
    // Alarms are named at the top, phases at the bottom; left of their line where there is room.
    const beside = at > LEFT + 16 ? at - 5 : at + 14;
    const end = alarm ? TOP + 4 : height - BOTTOM - 6;
    const turn = `rotate(-90 ${beside} ${end})`;
    const label = { class: `mark ${event.kind}`, x: beside, y: end, transform: turn };
    parts.push(svg("path", { class: event.kind, d: `M${at} ${TOP}V${height - BOTTOM}` }));
    // Phases that follow closely would be named over each other: zooming in names them all.
    if (!alarm && beside - named < 16) continue;
    if (!alarm) named = beside;
    parts.push(svg("text", label, text));
  }
  return parts;
}

function hatch() {
  const lines = svg("path", { class: "hatching", d: "M0 8L8 0" });
  const box = { id: "hatch", width: 8, height: 8, patternUnits: "userSpaceOnUse" };
  return svg("defs", {}, svg("pattern", box, lines));
}

/** Draw the stretch from from_s to to_s into a place, label said by screen readers. */
export function drawChart(place, curve, events, [from_s, to_s], label) {
  const width = Math.max(place.clientWidth, 280);
  const height = Math.min(Math.max(0.62 * width, 260), 460);
  const range = inside(curve, from_s, to_s);
  const [low, high] = extent(curve, range);
  const x = (t_s) => LEFT + ((width - LEFT - 8) * (t_s - from_s)) / (to_s - from_s);
  const y = (mass_g) => TOP + ((height - TOP - BOTTOM) * (high - mass_g)) / (high - low);
  const clip = svg("clipPath", { id: "frame" });
  clip.append(svg("rect", { x: LEFT, y: TOP, width: width - LEFT - 8, height: height - TOP - BOTTOM }));
  const drawn = svg(
    "g",
    { "clip-path": "url(#frame)" },
    svg("path", { class: "band", d: band(curve, range, x, y) }),
    svg("path", { fill: "url(#hatch)", d: band(curve, range, x, y) }),
    svg("path", { class: "edge", d: line(curve, "high_g", range, x, y) + line(curve, "low_g", range, x, y) }),
    svg("path", { class: "best", d: line(curve, "best_g", range, x, y) }),
    svg("path", { class: "lost", d: line(curve, "mass_loss_g", range, x, y) }),
  );
  place.setAttribute("aria-label", label);
  Object.assign(place.dataset, { from: from_s, to: to_s });
  place.replaceChildren(
    svg(
      "svg",
      { viewBox: `0 0 ${width} ${height}`, width, height, "aria-hidden": "true" },
      hatch(),
      clip,
      ...massAxis(low, high, width - 8, y),
      ...timeAxis(from_s, to_s, width, height, x),
      drawn,
      ...marks(events, from_s, to_s, height, x),
    ),
  );
  return { width: width - LEFT - 8, left: LEFT };
}
