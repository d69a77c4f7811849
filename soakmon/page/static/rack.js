// The rack as it stands: bottle, feed, rail, and a bowl with its drops for every carburettor.
import { carbs, svg, t } from "./common.js";

const STEP = 100;

/** What a gate has counted, in words; null: nothing counts. */
function words({ drops, blind, quiet }) {
  if (blind) return t("drops_blind");
  if (drops === null) return t("drops_none");
  if (quiet) return t("drops_quiet", { n: drops });
  return drops === 1 ? t("drops_one") : t("drops", { n: drops });
}

/** What is drawn below a bowl: its count, or that nobody can know it. */
const count = ({ drops, blind }) => (blind ? "?" : drops === null ? "–" : String(drops));

function carb(index, state) {
  const { drops, alarmed, leaks } = state;
  const x = index * STEP;
  const parts = [
    svg("path", { class: "pipe", d: `M${x + 50} 92V118` }),
    svg("rect", { class: "body", x: x + 22, y: 118, width: 56, height: 34, rx: 4 }),
    svg("path", { class: "bowl", d: `M${x + 28} 152h44v30q0 14 -14 14h-16q-14 0 -14 -14z` }),
    svg("path", { class: "fuel", d: `M${x + 31} 166h38v15q0 12 -12 12h-14q-12 0 -12 -12z` }),
    svg("text", { class: "label", x: x + 50, y: 141 }, String(index + 1)),
    svg("text", { class: state.quiet ? "count quiet" : "count", x: x + 50, y: 258 }, count(state)),
  ];
  if (state.quiet) parts.push(svg("text", { class: "aside", x: x + 50, y: 273 }, t("rack_quiet")));
  if (drops > 0) {
    const d = `M${x + 50} 202q11 16 11 23a11 11 0 0 1 -22 0q0 -7 11 -23z`;
    // Red is for fuel: what is not believed to be any is drawn without.
    parts.push(svg("path", { class: leaks ? "drop" : "drop quiet", d }));
  }
  if (alarmed) {
    parts.push(svg("rect", { class: "warn", x: x + 5, y: 104, width: 90, height: 164, rx: 8 }));
    parts.push(svg("text", { class: "mark", x: x + 86, y: 126 }, "⚠"));
  }
  return svg("g", {}, svg("title", {}, told(index, state)), ...parts);
}

function told(index, state) {
  return `${t("carb", { n: index + 1 })}: ${words(state)}${state.alarmed ? `, ${t("rack_alarm")}` : ""}`;
}

/** Carbs under which the bench believes fuel to drip: by an alarm, or by the verdict so far. */
function leaking(status) {
  const alarms = (status.alarms ?? []).filter((alarm) => ["weep", "flood"].includes(alarm.kind));
  const tight = status.verdict?.verdict === "tight";
  return new Set([...(tight ? [] : alarms), ...(status.verdict?.leaks ?? [])].map((one) => one.carb));
}

/** Draw the rack into a place; what it shows is its label too. */
export function drawRack(place, status) {
  // A rack is drawn before anything counts, and without gates too.
  const counts = status.drops?.length ? status.drops : Array(carbs).fill(null);
  const alarmed = new Set((status.alarms ?? []).map((alarm) => alarm.carb));
  const leaks = leaking(status);
  const blind = new Set(status.blind_gates ?? []);
  const states = counts.map((drops, i) => ({
    drops,
    alarmed: alarmed.has(i + 1),
    leaks: leaks.has(i + 1),
    blind: blind.has(i + 1),
    // Of a tight rack: what was counted here is not believed to be fuel.
    quiet: drops > 0 && !leaks.has(i + 1) && status.verdict?.verdict === "tight",
  }));
  const open = status.feed_open === true;
  const feed = t(open ? "feed_open" : "feed_shut");
  const label = [feed, ...states.map((state, i) => told(i, state))].join("; ");
  const shown = `${label} ${[...leaks].join()}`;
  if (place.dataset.told === shown) return;
  place.dataset.told = shown;
  const width = Math.max(states.length, 2) * STEP;
  const turn = open ? 0 : 90;
  const picture = svg(
    "svg",
    { viewBox: `0 0 ${width} 280`, role: "img", "aria-label": label, class: "rack" },
    svg("path", { class: "bottle", d: "M14 8h44v32h-16v10h-12v-10h-16z" }),
    svg("path", { class: "fuel", d: "M17 22h38v15h-38z" }),
    svg("path", { class: "pipe", d: `M36 50V92H${width - 50}` }),
    svg("circle", { class: open ? "valve" : "valve shut", cx: 36, cy: 68, r: 11 }),
    svg("path", { class: "turn", d: "M36 60V76", transform: `rotate(${turn} 36 68)` }),
    svg("text", { class: "state", x: 58, y: 75 }, feed),
    ...states.map((state, i) => carb(i, state)),
  );
  place.replaceChildren(picture);
}
