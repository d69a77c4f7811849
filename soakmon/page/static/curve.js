// The curve view: fetches curve and events, zooms by buttons, keys, wheel, drag and pinch.
import { api, byId, clockOf, el, hours, moment, put, t, zone } from "./common.js";
import { drawChart } from "./chart.js";
import { watch } from "./live.js";
import { Record, SHORTEST_S, labelOf, wholeOf } from "./record.js";
import { mass, temperature } from "./units.js";

const chart = byId("chart");
const fingers = new Map();

let curve = null;
let events = [];
let leaks = []; // of the verdict: the kept one's, or the one so far
let wall_s = 0; // when the soak began, by the clock
let starts = new Map(); // of past soaks
let view = null; // null: all of it, growing
let scale = { width: 1, left: 0, top: 0, bottom: 0 };
let fetched_ms = 0;
let soak = 0;
let pointed = null; // place whose values are read out
let past = 0; // number of a past soak that is looked at; 0: the one that runs

const whole = () => wholeOf({ curve, events });

function draw() {
  const [from_s, to_s] = view ?? whole();
  const soak = { curve, events, leaks, wall_s };
  scale = drawChart(chart, soak, [from_s, to_s], labelOf(soak, [from_s, to_s]));
  if (pointed === null) put("readout", t("curve_point"));
  else readOut(pointed);
  put("onsets", leaks.map(began).join(" "));
  // What the picture does not have needs no explaining.
  for (const one of document.querySelectorAll(".legend li")) {
    one.hidden = ![...chart.querySelectorAll(one.dataset.of)].some((part) => part.getAttribute("d") !== "");
  }
}

/** Between when and when a leak began, by the clock. */
function began(leak) {
  const { low, high } = leak.since_s;
  const place = leak.carb ? t("carb", { n: leak.carb }) : t("curve_unseen");
  const text = high - low < 900 ? "curve_began_at" : "curve_began";
  return t(text, { place, from: clockOf(wall_s, low), to: clockOf(wall_s, high), zone: zone(wall_s) });
}

/** The values at a place (0 left … 1 right), under finger or pointer. */
function readOut(at) {
  if (curve === null || at < 0 || at > 1) return;
  pointed = at;
  const [from_s, to_s] = view ?? whole();
  const wanted_s = from_s + at * (to_s - from_s);
  let i = curve.t_s.findIndex((t_s) => t_s >= wanted_s);
  if (i < 0) i = curve.t_s.length - 1;
  const t_s = curve.t_s[i];
  const value = (name) => mass(curve[name]?.[i] ?? null);
  const words = {
    time: `${clockOf(wall_s, t_s)} (${hours(t_s)})`,
    loss: value(curve.taken_g ? "taken_g" : "mass_loss_g"),
    low: value("low_g"),
    high: value("high_g"),
    least: value("reads_low_g"),
    most: value("reads_high_g"),
    shop: temperature(curve.air_c?.[i] ?? null),
  };
  const key = curve.taken_g ? "curve_at_early" : curve.reads_low_g ? "curve_at" : "curve_at_old";
  put("readout", t(key, words));
  const x = scale.left + (scale.width * (t_s - from_s)) / (to_s - from_s);
  byId("cursor")?.setAttribute("d", `M${x.toFixed(1)} ${scale.top}V${scale.bottom}`);
}

function table() {
  byId("as-table").hidden = Boolean(curve.taken_g);
  if (curve.taken_g) return;
  const every = Math.max(Math.floor(curve.t_s.length / 24), 1);
  const rows = [];
  for (let i = 0; i < curve.t_s.length; i += every) {
    const band = `${mass(curve.low_g[i])} – ${mass(curve.high_g[i])}`;
    const cells = [mass(curve.mass_loss_g[i]), band].map((text) => el("td", {}, text));
    const time = `${clockOf(wall_s, curve.t_s[i])} (${hours(curve.t_s[i])})`;
    rows.push(el("tr", {}, el("th", { scope: "row" }, time), ...cells));
  }
  const names = ["curve_time", "curve_lost", "curve_band"];
  const head = el("tr", {}, ...names.map((name) => el("th", { scope: "col" }, t(name))));
  byId("table").replaceChildren(
    el("table", {}, el("thead", {}, head), el("tbody", {}, ...rows)),
  );
}

/** Zoom by a factor around a place (0 left … 1 right), or move by a share of what is seen. */
function zoom(factor, at = 0.5, move = 0) {
  if (curve === null) return;
  const [first_s, last_s] = whole();
  const [from_s, to_s] = view ?? [first_s, last_s];
  const all_s = last_s - first_s;
  const span_s = Math.min(Math.max((to_s - from_s) * factor, SHORTEST_S), all_s);
  let start_s = from_s + at * (to_s - from_s - span_s) + move * span_s;
  start_s = Math.min(Math.max(start_s, first_s), last_s - span_s);
  view = span_s >= all_s ? null : [start_s, start_s + span_s];
  draw();
}

function showAll() {
  view = null;
  if (curve !== null) draw();
}

const place = (event) => (event.clientX - chart.getBoundingClientRect().left - scale.left) / scale.width;

function moved(event) {
  readOut(place(event));
  const before = fingers.get(event.pointerId);
  if (before === undefined) return;
  const now = place(event);
  const others = [...fingers].filter(([id]) => id !== event.pointerId).map(([, at]) => at);
  fingers.set(event.pointerId, now);
  if (others.length === 0) return zoom(1, 0.5, before - now);
  const factor = Math.abs(before - others[0]) / Math.max(Math.abs(now - others[0]), 0.02);
  return zoom(Math.min(Math.max(factor, 0.8), 1.25), others[0]);
}

const KEYS = {
  ArrowLeft: () => zoom(1, 0.5, -0.25),
  ArrowRight: () => zoom(1, 0.5, 0.25),
  "+": () => zoom(0.5),
  "-": () => zoom(2),
  0: showAll,
};

chart.addEventListener("keydown", (event) => {
  if (!KEYS[event.key]) return;
  event.preventDefault();
  KEYS[event.key]();
});
chart.addEventListener("pointerdown", (event) => {
  chart.setPointerCapture(event.pointerId);
  fingers.set(event.pointerId, place(event));
  readOut(place(event));
});
chart.addEventListener("pointermove", moved);
for (const name of ["pointerup", "pointercancel"]) {
  chart.addEventListener(name, (event) => fingers.delete(event.pointerId));
}
chart.addEventListener(
  "wheel",
  (event) => {
    if (!event.ctrlKey && document.activeElement !== chart) return;
    event.preventDefault();
    zoom(event.deltaY > 0 ? 1.25 : 0.8, place(event));
  },
  { passive: false },
);
byId("in").onclick = () => zoom(0.5);
byId("out").onclick = () => zoom(2);
byId("earlier").onclick = KEYS.ArrowLeft;
byId("later").onclick = KEYS.ArrowRight;
byId("all").onclick = showAll;
window.addEventListener("resize", () => curve !== null && draw());

let begun_wall_s = 0; // of the soak that runs
let leaksNow = [];

const record = new Record();

/** Draw what has been fetched, of the soak of that number. */
function shown(found, happened, number) {
  const begun = found.t_s.length > 1;
  byId("none").hidden = begun;
  byId("drawn").hidden = !begun;
  put("none", t(past ? "curve_past_none" : "curve_none"));
  if (!begun) return;
  if (number !== soak) view = null;
  [curve, events, soak] = [found, happened, number];
  wall_s = past ? (starts.get(past) ?? 0) : begun_wall_s;
  leaks = found.lanes?.leaks?.length ? found.lanes.leaks : past ? [] : leaksNow;
  draw();
  if (!byId("as-table").open) table();
}

async function fetchPast() {
  const number = past;
  const found = await api(`soaks/${number}/curve`);
  const kinds = "kind=phase&kind=alarm&kind=feed";
  const happened = found.t_s.length > 1 ? await api(`events?soak=${number}&${kinds}`) : [];
  if (number === past) shown(found, happened, number);
}

/** Past soaks to choose from, the latest first. */
async function offer() {
  const soaks = (await api("soaks")).filter((one) => one.ended_t_s !== null).toReversed();
  starts = new Map(soaks.map((one) => [one.soak, one.started_wall_s]));
  const options = soaks.map((one) =>
    el("option", { value: one.soak }, `${one.title} – ${moment(one.started_wall_s)}`),
  );
  byId("which").replaceChildren(byId("which").options[0], ...options);
  byId("which").value = past ? String(past) : "";
  return soaks;
}

byId("which").onchange = () => {
  location.hash = byId("which").value;
};

function chosen() {
  past = Number(location.hash.slice(1)) || 0;
  byId("which").value = past ? String(past) : "";
  view = null;
  fetched_ms = 0;
}
window.addEventListener("hashchange", chosen);
chosen();

let offered = "";
watch(async (status) => {
  begun_wall_s = status.wall_s - status.t_s;
  leaksNow = status.verdict?.leaks ?? [];
  const now = `${status.soak} ${status.phase === "ended"} ${status.phase === "idle"}`;
  if (offered !== now) {
    offered = now;
    byId("which").options[0].text = t(status.phase === "ended" ? "curve_ended" : "curve_now");
    const soaks = await offer().catch(() => []);
    // Nothing runs, as after a restart: what was last is of more use than an empty picture.
    if (status.phase === "idle" && !past && soaks.length) location.hash = soaks[0].soak;
  }
  if (!past) {
    const fresh = await record.renew(status).catch(() => false);
    // A past one may have been chosen meanwhile.
    if (!past) {
      if ((fresh || fetched_ms === 0) && record.curve) shown(record.curve, record.events, status.soak ?? 0);
      if (record.curve) fetched_ms = Date.now();
      return;
    }
  }
  if (fetched_ms) return; // what is past does not change
  fetched_ms = Date.now();
  fetchPast().catch(() => {
    fetched_ms = 0;
  });
});
