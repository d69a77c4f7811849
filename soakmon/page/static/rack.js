// The rack as it stands: bottle, feed, rail, and a bowl with its drops for every carburettor.
import { carbs, svg, t } from "./common.js";

const STEP = 100;

/** What a gate has counted, in words; null: nothing counts. */
function words(drops) {
  if (drops === null) return t("drops_none");
  return drops === 1 ? t("drops_one") : t("drops", { n: drops });
}

function carb(index, drops, alarmed) {
  const x = index * STEP;
  const parts = [
    svg("path", { class: "pipe", d: `M${x + 50} 92V118` }),
    svg("rect", { class: "body", x: x + 22, y: 118, width: 56, height: 34, rx: 4 }),
    svg("path", { class: "bowl", d: `M${x + 28} 152h44v30q0 14 -14 14h-16q-14 0 -14 -14z` }),
    svg("path", { class: "fuel", d: `M${x + 31} 166h38v15q0 12 -12 12h-14q-12 0 -12 -12z` }),
    svg("text", { class: "label", x: x + 50, y: 141 }, String(index + 1)),
    svg("text", { class: "count", x: x + 50, y: 258 }, drops === null ? "–" : String(drops)),
  ];
  if (drops > 0) {
    const d = `M${x + 50} 202q11 16 11 23a11 11 0 0 1 -22 0q0 -7 11 -23z`;
    parts.push(svg("path", { class: "drop", d }));
  }
  if (alarmed) {
    parts.push(svg("rect", { class: "warn", x: x + 5, y: 104, width: 90, height: 164, rx: 8 }));
    parts.push(svg("text", { class: "mark", x: x + 86, y: 126 }, "⚠"));
  }
  const told = `${t("carb", { n: index + 1 })}: ${words(drops)}${alarmed ? `, ${t("rack_alarm")}` : ""}`;
  return svg("g", {}, svg("title", {}, told), ...parts);
}

/** Draw the rack into a place; what it shows is its label too. */
export function drawRack(place, status) {
  // A rack is drawn before anything counts, and without gates too.
  const drops = status.drops?.length ? status.drops : Array(carbs).fill(null);
  const alarmed = new Set((status.alarms ?? []).map((alarm) => alarm.carb));
  const open = status.feed_open === true;
  const feed = t(open ? "feed_open" : "feed_shut");
  const told = drops.map((count, i) => {
    return `${t("carb", { n: i + 1 })}: ${words(count)}${alarmed.has(i + 1) ? `, ${t("rack_alarm")}` : ""}`;
  });
  const label = [feed, ...told].join("; ");
  if (place.dataset.told === label) return;
  place.dataset.told = label;
  const width = Math.max(drops.length, 2) * STEP;
  const turn = open ? 0 : 90;
  const picture = svg(
    "svg",
    { viewBox: `0 0 ${width} 275`, role: "img", "aria-label": label, class: "rack" },
    svg("path", { class: "bottle", d: "M14 8h44v32h-16v10h-12v-10h-16z" }),
    svg("path", { class: "fuel", d: "M17 22h38v15h-38z" }),
    svg("path", { class: "pipe", d: `M36 50V92H${width - 50}` }),
    svg("circle", { class: open ? "valve" : "valve shut", cx: 36, cy: 68, r: 11 }),
    svg("path", { class: "turn", d: "M36 60V76", transform: `rotate(${turn} 36 68)` }),
    svg("text", { class: "state", x: 58, y: 75 }, feed),
    ...drops.map((count, i) => carb(i, count, alarmed.has(i + 1))),
  );
  place.replaceChildren(picture);
}
