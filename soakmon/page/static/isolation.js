// Isolation: the feed is shut during a soak; drops before and since tell a needle from a joint.
import { act, api, byId, canRun, carbs, el, hours, put, t } from "./common.js";
import { signed } from "./units.js";

const RUNNING = ["filling", "settling", "soaking"];
const BEFORE_S = 3600;
const LEAST_S = 300;
const STOPS_S = 120;
const EVERY_MS = 3000;
let asked_ms = 0;

export function showIsolation() {
  byId("choose").hidden = true;
  byId("isolation").hidden = false;
  byId("isolation-title").focus();
}

export function leaveIsolation() {
  byId("choose").hidden = false;
  byId("isolation").hidden = true;
}

if (canRun) {
  byId("iso-shut").onclick = () => act("isolate", { reason: t("iso_reason") }, "shut_done");
}

/** All drops of a soak as [carb, t_s], asked for in pieces. */
async function dropsOf(soak) {
  const found = [];
  for (let after = 0; ; ) {
    const events = await api(`events?soak=${soak}&kind=drops&after=${after}`);
    found.push(...events.flatMap((event) => event.data.drops));
    if (events.length < 1000) return found;
    after = events.at(-1).id;
  }
}

/** What drops before (in a time) and since tell; silence only when it was hardly to be expected. */
function meaning(before, before_s, since, since_s) {
  if (before === 0 && since === 0) return "iso_quiet";
  if (since_s < LEAST_S) return "iso_wait";
  if (since / since_s > (0.3 * before) / before_s) return "iso_goes_on";
  const silent = (before_s / (before_s + since_s - STOPS_S)) ** before;
  return since === 0 && silent < 0.05 ? "iso_stops" : "iso_wait";
}

function row(carb, drops, shut_s, now_s) {
  const own = drops.filter(([place]) => place === carb).map(([, t_s]) => t_s);
  const from_s = Math.max(shut_s - BEFORE_S, 0);
  const before_s = Math.max(shut_s - from_s, 60);
  const since_s = now_s - shut_s;
  const before = own.filter((at) => at > from_s && at <= shut_s).length;
  // Between needle and lip fuel runs off for a while: that is not what goes on.
  const since = own.filter((at) => at > shut_s + STOPS_S).length;
  const cells = [
    signed(((3600 * before) / before_s).toFixed(1)),
    signed(((3600 * since) / Math.max(since_s - STOPS_S, 60)).toFixed(1)),
    t(meaning(before, before_s, since, since_s)),
  ];
  return el("tr", {}, el("th", { scope: "row" }, String(carb)), ...cells.map((text) => el("td", {}, text)));
}

async function table(status) {
  const [feed, drops] = await Promise.all([
    api(`events?soak=${status.soak}&kind=feed`),
    dropsOf(status.soak),
  ]);
  const shut = feed.findLast((event) => !event.data.open);
  if (!shut) return;
  put("iso-since", t("iso_since", { time: hours(status.t_s - shut.t_s) }));
  const names = ["iso_carb", "iso_before", "iso_after"].map((key) => el("th", { scope: "col" }, t(key)));
  const rows = Array.from({ length: carbs }, (_, i) => row(i + 1, drops, shut.t_s, status.t_s));
  byId("iso-table").replaceChildren(
    el("table", {}, el("thead", {}, el("tr", {}, ...names, el("td", {}))), el("tbody", {}, ...rows)),
  );
}

/** With every state of the bench, while the test is open. */
export function watchIsolation(status) {
  if (byId("isolation").hidden) return;
  const isolating = status.phase === "isolating";
  const running = RUNNING.includes(status.phase) || isolating;
  byId("iso-none").hidden = running;
  byId("iso").hidden = !running;
  if (canRun) byId("iso-shut").disabled = !RUNNING.includes(status.phase);
  if (!isolating) {
    put("iso-since", "");
    byId("iso-table").replaceChildren();
  } else if (Date.now() - asked_ms > EVERY_MS) {
    asked_ms = Date.now();
    table(status).catch(() => {});
  }
}
