// Below the curve: a lane for each carb with a tick for each drop, and the shop's temperature.
import { svg, t } from "./common.js";
import { mass, temperature } from "./units.js";

const TICK = 7;

/** One lane: ticks of its drops, its alarms, when its leak began, what was caught in all. */
function lane(index, lanes, alarms, leaks, { left, right, top, bottom }, x) {
  const middle = (top + bottom) / 2;
  const within = (t_s) => x(t_s) >= left && x(t_s) <= right;
  const mine = leaks.filter((leak) => leak.carb === index + 1);
  const alarmed = alarms.filter((alarm) => alarm.data.carb === index + 1);
  const ticks = lanes.drops[index]
    .filter(within)
    .map((t_s) => `M${x(t_s).toFixed(1)} ${middle - TICK}v${2 * TICK}`)
    .join("");
  // A flood before the soak's clock has started is in no list of leaks.
  const floods = leaks.length === 0 && alarmed.some((alarm) => alarm.data.kind === "flood");
  const drip = mine.length > 0 || floods ? "drops fuel" : "drops";
  const parts = [
    svg("path", { class: "grid", d: `M${left} ${bottom}H${right}` }),
    svg("text", { class: "tick", x: 4, y: middle - 2 }, t("carb", { n: index + 1 })),
    svg("text", { class: "tick small", x: 4, y: middle + 13 }, caught(lanes, index, alarmed)),
    svg("path", { class: drip, d: ticks }),
  ];
  for (const leak of mine) parts.push(...onset(leak, middle, left, right, x));
  for (const alarm of alarmed.filter((one) => within(one.t_s))) {
    parts.push(svg("text", { class: "mark alarm", x: x(alarm.t_s), y: middle + 5 }, "▲"));
  }
  return parts;
}

function caught(lanes, index, alarmed) {
  // What a blind gate has not counted is not known.
  const blind = alarmed.some((alarm) => alarm.data.code === "gate_blind");
  if (lanes.counted[index] === 0) return blind ? "?" : "0";
  const grams = lanes.caught_g[index];
  return grams === null ? `${lanes.counted[index]} ×` : mass(grams);
}

/** Between when and when a leak began, as a bar with two ends. */
function onset(leak, middle, left, right, x) {
  const from = Math.max(x(leak.since_s.low), left);
  const to = Math.min(Math.max(x(leak.since_s.high), from + 2), right);
  if (to < left || from > right) return [];
  const d = `M${from} ${middle - 10}V${middle + 10}M${from} ${middle}H${to}M${to} ${middle - 10}V${middle + 10}`;
  return [svg("path", { class: "onset", d })];
}

export function drawLanes(lanes, alarms, leaks, box, x) {
  const height = (box.bottom - box.top) / Math.max(lanes.drops.length, 1);
  return lanes.drops.flatMap((_, index) => {
    const top = box.top + index * height;
    return lane(index, lanes, alarms, leaks, { ...box, top, bottom: top + height }, x);
  });
}

/** The shop's temperature as a small line of its own, between its lowest and highest. */
export function drawShop(curve, [first, last], { left, right, top, bottom }, x) {
  const known = curve.air_c.slice(first, last + 1).filter((value) => value !== null);
  if (known.length === 0) return [];
  const low = Math.min(...known);
  const high = Math.max(...known, low + 1);
  const y = (air_c) => bottom - 5 - ((bottom - top - 10) * (air_c - low)) / (high - low);
  let d = "";
  for (let i = first; i <= last; i++) {
    const value = curve.air_c[i];
    if (value === null) continue;
    d += `${d && curve.air_c[i - 1] !== null ? "L" : "M"}${x(curve.t_s[i]).toFixed(1)} ${y(value).toFixed(1)}`;
  }
  const middle = (top + bottom) / 2;
  return [
    svg("path", { class: "grid", d: `M${left} ${bottom}H${right}` }),
    svg("text", { class: "tick small", x: 4, y: middle - 3 }, temperature(Math.max(...known))),
    svg("text", { class: "tick small", x: 4, y: middle + 12 }, temperature(low)),
    svg("path", { class: "shop", d }),
  ];
}

/** What the bench did, as a strip of its phases, each named where there is room. */
export function drawPhases(phases, to_s, { left, right, top, bottom }, x) {
  const parts = [];
  phases.forEach((event, index) => {
    const from = Math.max(x(event.t_s), left);
    const to = Math.min(x(phases[index + 1]?.t_s ?? to_s), right);
    if (to <= from) return;
    const { phase } = event.data;
    parts.push(svg("rect", { class: `strip ${phase}`, x: from, y: top, width: to - from, height: bottom - top }));
    const name = t(`mark_${phase}`);
    if (to - from < 8.5 * name.length + 6) return;
    parts.push(svg("text", { class: "tick small", x: from + 4, y: bottom - 5 }, name));
  });
  return parts;
}

/** Stretches with the feed shut, s: from one event to the next that opens it. */
export function shutStretches(feeds, to_s) {
  const shut = [];
  let from_s = 0;
  for (const event of feeds) {
    if (event.data.open && from_s !== null) shut.push([from_s, event.t_s]);
    if (event.data.open) from_s = null;
    else from_s ??= event.t_s;
  }
  if (from_s !== null) shut.push([from_s, to_s]);
  return shut;
}
