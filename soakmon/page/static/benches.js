// All benches that the broker knows, each value with its age.
import { age, api, byId, el, hours, put, sign, t } from "./common.js";
import { watch } from "./live.js";
import { said } from "./units.js";

const EVERY_MS = 2000;
const OLD_S = 120;
let asked_ms = 0;
let fetched_ms = 0;
let last = null;

function line(name, heard, text) {
  if (!heard) return [el("dt", {}, t(`benches_${name}`)), el("dd", {}, t("benches_none"))];
  // Ages grow on this device too, so that an old list looks old.
  const age_s = heard.age_s + (Date.now() - fetched_ms) / 1000;
  const old = age_s > OLD_S ? "old" : "small";
  const told = el("span", { class: old }, ` ${t("benches_age", { age: age(age_s) })}`);
  return [el("dt", {}, t(`benches_${name}`)), el("dd", {}, text(heard), told)];
}

function card(bench, own) {
  const { availability, state, phase, verdict } = bench;
  const idle = phase?.phase === "idle";
  const kind = verdict?.verdict ?? (idle ? "idle" : "none");
  const gone = availability && availability.state !== "online";
  // As on the night view: while it runs, what matters is that no leak has been seen.
  const unseen = kind === "not_proven" && !verdict.final;
  const told = t(unseen ? "verdict_unseen" : `verdict_${kind}`);
  const word = gone ? `⚠ ${t("benches_gone")}` : `${sign(kind)} ${told}`;
  const far = verdict && !verdict.final && !gone ? ` ${t("so_far")}` : "";
  const name = own ? `${bench.name} (${t("benches_own")})` : bench.name;
  return el(
    "section",
    { class: `verdict ${gone ? "trouble" : kind}` },
    el("h2", {}, name),
    el("p", { class: "word" }, word + far),
    verdict?.reason ? el("p", {}, said(verdict.reason)) : "",
    el(
      "dl",
      {},
      ...line("air", availability, (heard) => (heard.state === "online" ? t("benches_yes") : `${t("benches_gone")}: ${heard.reason}`)),
      ...line("phase", phase, (heard) => t(`phase_${heard.phase}`)),
      ...line("feed", state, (heard) => t(heard.feed_open ? "feed_open" : "feed_shut")),
      ...line("alarms", state, (heard) => String(heard.alarms_waiting ?? 0)),
      ...line("left", state, (heard) => (heard.left_s === undefined ? "–" : hours(heard.left_s))),
    ),
  );
}

function draw() {
  if (last === null) return;
  const trouble = last.trouble ? `(${last.trouble})` : "";
  put("broker", t(`benches_broker_${last.broker}`, { trouble }));
  byId("list").replaceChildren(...last.benches.map((bench) => card(bench, bench.name === last.own)));
}

async function refresh() {
  if (Date.now() - asked_ms < EVERY_MS) return;
  asked_ms = Date.now();
  last = await api("benches").catch(() => last);
  fetched_ms = asked_ms;
  draw();
}
setInterval(draw, 5000);
watch(refresh);
