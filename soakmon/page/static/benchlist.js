// The list of benches as the broker knows them, worst first: a page of it, found by words.
import { age, api, byId, el, hours, put, sign, t } from "./common.js";
import { said } from "./units.js";

const EVERY_MS = 2000;
const PAUSE_MS = 250;
const OLD_S = 120;
const PAGE = 50;
let asked_ms = 0;
let fetched_ms = 0;
let first = 0;
let last = null;
let timer = 0;

function line(name, heard, text) {
  if (!heard) return [el("dt", {}, t(`benches_${name}`)), el("dd", {}, t("benches_none"))];
  // Ages grow on this device too, so that an old list looks old.
  const age_s = heard.age_s + (Date.now() - fetched_ms) / 1000;
  const old = age_s > OLD_S ? "old" : "small";
  const told = el("span", { class: old }, ` ${t("benches_age", { age: age(age_s) })}`);
  return [el("dt", {}, t(`benches_${name}`)), el("dd", {}, text(heard), told)];
}

function alarms(name, found, text) {
  if (!found?.length) return [];
  const items = found.map((alarm) => el("li", {}, text(alarm)));
  return [el("p", {}, el("strong", {}, t(`benches_${name}`))), el("ul", {}, ...items)];
}

const seenBy = (alarm) => `${said(alarm.text)} (${alarm.by ? t("benches_by", { by: alarm.by }) : t("benches_by_unnamed")})`;

function card(bench) {
  const { availability, state, phase, verdict, standing } = bench;
  const idle = phase?.phase === "idle";
  const kind = verdict?.verdict ?? (idle ? "idle" : "none");
  const gone = availability && availability.state !== "online";
  // As on the night view: while it runs, what matters is that no leak has been seen.
  const unseen = kind === "not_proven" && !verdict.final;
  const told = t(unseen ? "verdict_unseen" : `verdict_${kind}`);
  const silent = standing === "silent";
  const far = verdict && !verdict.final ? ` ${t("so_far")}` : "";
  const last = `${sign(kind)} ${told}${far}`;
  // What a silent bench said last is what it may still be doing.
  const word = silent ? `⚠ ${t("stand_silent")}: ${last}` : gone ? `⚠ ${t("benches_gone")}` : last;
  const name = bench.shop ? `${bench.shop} / ${bench.name}` : bench.name;
  return el(
    "section",
    { class: `verdict ${gone || silent ? "trouble" : kind}`, "data-standing": standing },
    el("h2", {}, bench.own ? `${name} (${t("benches_own")})` : name),
    el("p", { class: "word" }, word),
    verdict?.reason ? el("p", {}, said(verdict.reason)) : "",
    ...alarms("waits", state?.waiting, (alarm) => said(alarm.text)),
    ...alarms("seen", state?.acknowledged, seenBy),
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
  put("broker", t(`benches_broker_${last.broker}`, { trouble }) + (last.full ? ` ${t("benches_full")}` : ""));
  const told = Object.entries(last.standings).map(([name, count]) => `${count} ${t(`stand_${name}`)}`);
  const to = first + last.benches.length;
  const shown = to ? t("benches_count", { from: first + 1, to, found: last.found }) : t("benches_nothing");
  put("count", `${shown}. ${t("benches_total", { total: last.total })}: ${told.join(", ")}`);
  byId("pages").hidden = last.found <= PAGE;
  byId("before").disabled = first === 0;
  byId("after").disabled = to >= last.found;
  byId("list").replaceChildren(...last.benches.map(card));
}

async function fetched() {
  asked_ms = Date.now();
  const form = byId("search");
  const words = encodeURIComponent(form.words.value.trim());
  const asked = `benches?words=${words}&which=${form.which.value}&first=${first}&most=${PAGE}`;
  const from = first;
  const found = await api(asked);
  if (from !== first) return;
  last = found;
  fetched_ms = Date.now();
  // Benches that are found no more leave a page that is empty.
  if (first > 0 && last.benches.length === 0) turn(-first);
  draw();
}

/** Ask again, unless it was just done, or nobody looks: who does not look costs the broker nothing. Whether it asked. */
export async function refresh() {
  if (document.visibilityState !== "visible" || Date.now() - asked_ms < EVERY_MS) return false;
  await fetched();
  return true;
}

const quietly = () => fetched().catch(() => {});

function turn(by) {
  first = Math.max(first + by, 0);
  quietly();
}

const form = byId("search");
form.onsubmit = (event) => {
  event.preventDefault();
  turn(-first);
};
form.oninput = () => {
  clearTimeout(timer);
  timer = setTimeout(() => turn(-first), PAUSE_MS);
};
byId("before").onclick = () => turn(-PAGE);
byId("after").onclick = () => turn(PAGE);
setInterval(draw, 5000);
