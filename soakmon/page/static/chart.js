// The picture of a soak as SVG: loss in its bands, and below it what each gate saw, by one clock.
import { svg } from "./common.js";
import { massAxis, timeAxis } from "./axes.js";
import { drawLanes, drawPhases, drawShop, shutStretches } from "./lanes.js";

const LEFT = 62;
const RIGHT = 8;
const STRIP = 20;
const UNIT = 22;
const LANE = 34;
const AXIS = 42;

/** Values inside a stretch, and one on either side of it. */
function inside(curve, from_s, to_s) {
  const times = curve.t_s;
  const first = times.findIndex((time) => time >= from_s);
  const last = times.findLastIndex((time) => time <= to_s);
  return [Math.max((first < 0 ? times.length : first) - 1, 0), Math.min(last + 1, times.length - 1)];
}

function line(curve, name, [first, last], x, y) {
  const blind = curve.lanes?.blind ?? [];
  let path = "";
  let pen = "M";
  for (let i = first; i <= last; i++) {
    const value = curve[name][i];
    if (value === null) {
      pen = "M";
      continue;
    }
    // No line across a stretch of which nothing is known.
    const [before, now] = [curve.t_s[i - 1], curve.t_s[i]];
    if (name === "mass_loss_g" && blind.some(([from, to]) => before < to - 1 && now > from + 1)) pen = "M";
    path += `${pen}${x(curve.t_s[i]).toFixed(1)} ${y(value).toFixed(1)}`;
    pen = "L";
  }
  return path;
}

function band(curve, lower, upper, range, x, y) {
  const [first, last] = range;
  let path = line(curve, upper, range, x, y);
  for (let i = last; i >= first; i--) path += `L${x(curve.t_s[i]).toFixed(1)} ${y(curve[lower][i]).toFixed(1)}`;
  return `${path}Z`;
}

const COLUMNS = ["mass_loss_g", "taken_g", "high_g", "low_g", "reads_low_g", "reads_high_g"];

function extent(curve, [first, last]) {
  let [low, high] = [0, 0.2];
  for (const name of COLUMNS) {
    for (const value of (curve[name] ?? []).slice(first, last + 1)) {
      if (value === null) continue;
      low = Math.min(low, value);
      high = Math.max(high, value);
    }
  }
  const spare = 0.05 * (high - low);
  return [low - spare, high + spare];
}

function curves(curve, range, x, y) {
  // Before the soak's clock has started there is nothing to hold the loss against.
  if (curve.taken_g) return [svg("path", { class: "lost", d: line(curve, "taken_g", range, x, y) })];
  const parts = [
    svg("path", { class: "best", d: line(curve, "best_g", range, x, y) }),
    svg("path", { class: "lost", d: line(curve, "mass_loss_g", range, x, y) }),
  ];
  const evaporates = band(curve, "low_g", "high_g", range, x, y);
  parts.unshift(
    svg("path", { class: "band", d: evaporates }),
    svg("path", { fill: "url(#hatch)", d: evaporates }),
    svg("path", { class: "edge", d: line(curve, "high_g", range, x, y) + line(curve, "low_g", range, x, y) }),
  );
  // Soaks of earlier versions were kept without.
  if (curve.reads_low_g) {
    parts.unshift(svg("path", { class: "reads", d: band(curve, "reads_low_g", "reads_high_g", range, x, y) }));
  }
  return parts;
}

function hatch() {
  const lines = svg("path", { class: "hatching", d: "M0 8L8 0" });
  const box = { id: "hatch", width: 8, height: 8, patternUnits: "userSpaceOnUse" };
  return svg("defs", {}, svg("pattern", box, lines));
}

/** Where everything stands, px. */
function layout(width, gates, shop) {
  const main = Math.min(Math.max(0.52 * width, 210), 420);
  const plot = { left: LEFT, right: width - RIGHT, top: STRIP + UNIT, bottom: STRIP + UNIT + main };
  const strip = { ...plot, top: 0, bottom: STRIP };
  const lanes = { ...plot, top: plot.bottom, bottom: plot.bottom + LANE * gates };
  const air = { ...plot, top: lanes.bottom, bottom: lanes.bottom + (shop ? LANE : 0) };
  return { plot, strip, lanes, air, all: { ...plot, bottom: air.bottom }, height: air.bottom + AXIS };
}

const NONE = { drops: [], counted: [], caught_g: [], leaks: [] };

/**
 * Draw the stretch from from_s to to_s into a place, label said by screen readers.
 *
 * soak: curve as the bench gives it, events, leaks of the verdict, wall_s of its start.
 */
export function drawChart(place, { curve, events, leaks, wall_s }, [from_s, to_s], label) {
  const width = Math.max(place.clientWidth, 260);
  const lanes = curve.lanes ?? NONE;
  const at = layout(width, lanes.drops.length, Boolean(curve.air_c));
  const { plot, all } = at;
  const range = inside(curve, from_s, to_s);
  const span = extent(curve, range);
  const x = (t_s) => plot.left + ((plot.right - plot.left) * (t_s - from_s)) / (to_s - from_s);
  const y = (mass_g) => plot.top + ((plot.bottom - plot.top) * (span[1] - mass_g)) / (span[1] - span[0]);
  const of = (kind) => events.filter((event) => event.kind === kind);
  const clip = svg("clipPath", { id: "frame" });
  const frame = { x: plot.left, y: plot.top, width: plot.right - plot.left, height: plot.bottom - plot.top };
  clip.append(svg("rect", frame));
  const shaded = shutStretches(of("feed"), to_s)
    .map(([from, to]) => [Math.max(x(from), plot.left), Math.min(x(to), plot.right)])
    .filter(([from, to]) => to > from)
    .map(([from, to]) => {
      const box = { x: from, y: plot.top, width: to - from, height: all.bottom - plot.top };
      return svg("rect", { class: "unfed", ...box });
    });
  const unread = (lanes.blind ?? [])
    .map(([from, to]) => [Math.max(x(from), plot.left), Math.min(x(to), plot.right)])
    .filter(([from, to]) => to > from)
    .map(([from, to]) => {
      const box = { x: from, y: plot.top, width: to - from, height: plot.bottom - plot.top };
      return svg("rect", { class: "unread", ...box });
    });
  const alarms = of("alarm");
  const lines = alarms
    .filter((alarm) => alarm.t_s >= from_s && alarm.t_s <= to_s)
    .map((alarm) => svg("path", { class: "alarm", d: `M${x(alarm.t_s)} ${plot.top}V${all.bottom}` }));
  const unplaced = alarms
    .filter((alarm) => !alarm.data.carb && alarm.t_s >= from_s && alarm.t_s <= to_s)
    .map((alarm) => svg("text", { class: "mark alarm", x: x(alarm.t_s), y: plot.top - 6 }, "▲"));
  place.setAttribute("aria-label", label);
  Object.assign(place.dataset, { from: from_s, to: to_s });
  place.replaceChildren(
    svg(
      "svg",
      { viewBox: `0 0 ${width} ${at.height}`, width, height: at.height, "aria-hidden": "true" },
      hatch(),
      clip,
      ...shaded,
      ...massAxis(plot, span, y),
      ...timeAxis(all, [from_s, to_s], wall_s, x),
      ...drawPhases(of("phase"), to_s, at.strip, x),
      svg("g", { "clip-path": "url(#frame)" }, ...curves(curve, range, x, y)),
      ...unread,
      ...lines,
      ...unplaced,
      ...drawLanes(lanes, alarms, leaks, at.lanes, x),
      ...(curve.air_c ? drawShop(curve, range, at.air, x) : []),
      svg("path", { class: "cursor", id: "cursor", d: "" }),
    ),
  );
  return { width: plot.right - plot.left, left: plot.left, top: plot.top, bottom: all.bottom };
}
