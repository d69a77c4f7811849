// The night view: four answers, rack, loss, and the two buttons that matter.
import { act, api, byId, canRun, clock, el, hours, put, sign, t, zone } from "./common.js";
import { drawGauge } from "./gauge.js";
import { clockAt, headline, likeliest, meanwhile, nameOf, toldAt } from "./headline.js";
import { watch } from "./live.js";
import { drawChart } from "./chart.js";
import { drawRack } from "./rack.js";
import { Record, labelOf, wholeOf } from "./record.js";
import { keepUnderThumb } from "./thumb.js";
import { mass, said, temperature } from "./units.js";

const RUNNING = ["filling", "settling", "soaking"];
const LEAST_G = 0.005;
const MOST_LINES = 8;
const title = document.title;
let shownKind = "";

function showAnswers(status) {
  const { kind, word, where, did, todo } = headline(status);
  const box = byId("verdict");
  box.className = `verdict ${kind}`;
  // While it runs and nothing was seen, no sign is louder than the words.
  const unseen = word === "verdict_unseen";
  box.classList.toggle("unseen-leak", unseen);
  box.querySelector(".sign").textContent = unseen ? "…" : sign(kind);
  const far = kind === "tight" && status.phase !== "ended";
  put("outcome", t(word) + (far ? ` ${t("so_far")}` : ""));
  byId("where").hidden = where === "";
  put("where", where);
  put("did", did);
  put("do", todo);
  // While it runs, what keeps tight from being proven is only time, or trouble that is told above.
  const early = status.verdict?.verdict === "not_proven" && status.phase !== "ended";
  const reason = [early ? "" : toldAt(status, status.verdict?.reason ?? status.reason ?? ""), likeliest(status)];
  put("reason", reason.filter(Boolean).join(". "));
  const phase = t("phase_told", { phase: t(`phase_${status.phase}`), zone: zone(status.wall_s) });
  put("phase", kind === "idle" ? "" : phase);
  const bad = kind === "leaking" || kind === "trouble";
  // News of a leak is seen wherever the page has been scrolled to.
  if (bad && kind !== shownKind) scrollTo(0, 0);
  shownKind = kind;
  document.title = bad ? `${sign(kind)} ${t(`verdict_${kind}`)} ${where} – ${title}` : title;
}

function showAlarms(status) {
  const alarms = status.alarms ?? [];
  byId("alarm-box").hidden = alarms.length === 0;
  const told = JSON.stringify(alarms);
  if (byId("alarms").dataset.told === told) return;
  byId("alarms").dataset.told = told;
  byId("alarms").replaceChildren(
    ...alarms.toReversed().map((alarm) => {
      const state = alarm.acknowledged ? "alarm_seen" : "alarm_new";
      return el(
        "li",
        { class: alarm.acknowledged ? "seen" : "new" },
        el("strong", {}, `${alarm.acknowledged ? "✓" : "⚠"} ${t(state)}`),
        ` ${clockAt(status, alarm.t_s)} (${hours(alarm.t_s)}): ${said(alarm.text)}`,
      );
    }),
  );
}

/** What the gates of carbs that leak have caught. */
function caught({ leaks = [], caught_g = [] }) {
  return leaks
    .filter((leak) => leak.carb && caught_g[leak.carb - 1])
    .map((leak) => t("loss_caught", { n: leak.carb, grams: mass(caught_g[leak.carb - 1]) }));
}

/** A cell that stands still reads on, and what it reads is no mass. */
const frozen = (status) => (status.ails ?? []).find((ail) => ail.code === "cell_frozen");

function showLoss(status) {
  const verdict = status.verdict;
  const still = frozen(status);
  if (still) {
    put("loss", t("loss_frozen", { hour: clockAt(status, still.since_s) }));
    byId("gauge").replaceChildren();
    return;
  }
  if (!verdict) {
    put("loss", t("loss_none"));
    byId("gauge").replaceChildren();
    return;
  }
  const { low, high } = verdict.expected_evaporation_g;
  // Before the soak's clock has started there is nothing to hold a loss against.
  if (high < LEAST_G) {
    put("loss", [t("loss_unbegun"), ...caught(verdict)].join(" "));
    byId("gauge").replaceChildren();
    return;
  }
  drawGauge(byId("gauge"), verdict);
  const loss = verdict.observed_loss_g;
  const band = { low: mass(low), high: mass(high) };
  if (loss === null) return put("loss", t("loss_only", band));
  const told = t("loss_of", { loss: mass(loss), ...band });
  // With the feed shut the bottle loses nothing more: under a leak what was caught tells.
  if (verdict.verdict === "leaking") return put("loss", [told, ...caught(verdict)].join(". "));
  // Below it a reading may be for a while: fuel that bowls hold back, drift and noise.
  if (loss < low) return put("loss", told);
  return put("loss", `${told} – ${t(loss > high ? "loss_above" : "loss_inside")}`);
}

/** Faults that the verdict knows and that no longer hold: what they were, and when. */
function past(status) {
  const now = new Set((status.ails ?? []).map((ail) => ail.code.replace("gate_blind", "gate_stuck")));
  return (status.verdict?.faults ?? [])
    .filter((fault) => fault.kind !== "bump" && !now.has(fault.kind))
    .map((fault) => `${clockAt(status, fault.t_s)}: ${said(fault.text)}`);
}

function showTroubles(status) {
  const troubles = ["cell_trouble", "journal_trouble", "guard_trouble"]
    .map((key) => status[key])
    .filter(Boolean);
  if (status.vapour_alarm) troubles.unshift(t("vapour"));
  // What stands among the alarms, and in the headline, is not said a third time.
  const told = new Set((status.alarms ?? []).map((alarm) => alarm.text));
  const untold = (status.ails ?? []).filter((ail) => !told.has(`${ail.text}; ${ail.todo}`));
  for (const ail of untold) {
    troubles.push(`${t("since", { hour: clockAt(status, ail.since_s) })}: ${ail.text}; ${ail.todo}`);
  }
  const lines = [...troubles.map(said), ...past(status)];
  byId("trouble-box").hidden = lines.length === 0;
  const shown = lines.join("\n");
  if (byId("troubles").dataset.told === shown) return;
  byId("troubles").dataset.told = shown;
  const most = lines.slice(0, MOST_LINES);
  if (lines.length > most.length) most.push(t("troubles_more", { n: lines.length - most.length }));
  byId("troubles").replaceChildren(...most.map((text) => el("li", {}, `⚠ ${text}`)));
}

/** That nobody will be woken is said where somebody looks before going home. */
function showUntold(status) {
  byId("untold").hidden = !status.untold || ["idle", "ended"].includes(status.phase);
  put("untold", status.untold ? t("untold", { why: status.untold }) : "");
}

function showRest(status) {
  const feed = status.feed_open;
  put("feed", t(feed === undefined ? "feed_is_unknown" : feed ? "feed_is_open" : "feed_is_shut"));
  // Before a soak nothing has been lost, and no time runs.
  for (const only of document.querySelectorAll(".while-soaking")) only.hidden = status.phase === "idle";
  const counting = status.left_s !== undefined && status.phase !== "ended";
  const time = { left: hours(status.left_s ?? 0), soaked: hours(status.soaked_s ?? 0) };
  put("left", counting ? t(status.phase === "isolating" ? "left_isolated" : "left_of", time) : "–");
  const dry = status.dry_at_wall_s ? `. ${t("dry_at", { hour: clock(status.dry_at_wall_s) })}` : "";
  put("bottle", frozen(status) ? t("loss_none") : mass(status.mass_g) + dry);
  put("shop", temperature(status.air_c));
  byId("meanwhile").replaceChildren(...meanwhile(status).map((text) => el("li", {}, text)));
  showTroubles(status);
  const link = el("a", { href: `/soaks#${status.soak}` }, t("report_open"));
  if (status.phase === "ended" && status.verdict) byId("after").replaceChildren(link);
  else byId("after").replaceChildren();
}

let lastAsked = false;

/** After a restart nothing runs: what the last soak has shown must not be forgotten with it. */
async function showLast(status) {
  byId("last").hidden = status.phase !== "idle";
  if (status.phase !== "idle" || lastAsked) return;
  lastAsked = true;
  const soaks = await api("soaks").catch(() => []);
  const last = soaks.findLast((soak) => soak.ended_t_s !== null);
  if (!last) return;
  const word = `${sign(last.verdict)} ${t(`verdict_${last.verdict}`)}`;
  byId("last").replaceChildren(
    el("p", {}, `${t("last_soak", last)} – `, el("strong", { class: last.verdict }, word)),
    el("p", {}, el("a", { href: `/soaks#${last.soak}` }, t("report_open"))),
  );
}

let fresh = []; // alarms on the screen that nobody has acknowledged

/** One alarm by its name, several by theirs, many by the first. */
function named(alarms) {
  const names = [...new Set(alarms.map(nameOf))];
  if (names.length > 2) return t("names_more", { name: names[0], n: names.length - 1 });
  return names.join(` ${t("and")} `);
}

function showButtons(status) {
  fresh = (status.alarms ?? []).filter((alarm) => !alarm.acknowledged);
  byId("acknowledge").disabled = fresh.length === 0;
  put("acknowledge", fresh.length ? t("acknowledge_what", { what: named(fresh) }) : t("acknowledge"));
  byId("shut").disabled = !RUNNING.includes(status.phase);
  byId("end").hidden = ![...RUNNING, "preflight", "isolating"].includes(status.phase);
  // After a leak the bench refuses: nobody should confirm eight cautions for that.
  const leaks = (status.alarms ?? []).some((alarm) => ["weep", "flood"].includes(alarm.kind));
  byId("open-feed").hidden = status.phase !== "isolating" || leaks;
}

const wide = matchMedia("(min-width: 70rem)"); // as in page.css: a desk has room for the curve
const record = new Record();
let picture = null;

function drawPicture() {
  byId("picture").hidden = picture === null || !wide.matches;
  if (byId("picture").hidden) return;
  const span = wholeOf(picture);
  drawChart(byId("chart"), picture, span, labelOf(picture, span));
}

async function showPicture(status) {
  if (!wide.matches || !(await record.renew(status).catch(() => false))) return;
  const { curve, events } = record;
  const leaks = curve.lanes?.leaks?.length ? curve.lanes.leaks : (status.verdict?.leaks ?? []);
  picture = curve.t_s.length > 1 ? { curve, events, leaks, wall_s: status.wall_s - status.t_s } : null;
  drawPicture();
}
window.addEventListener("resize", drawPicture);

function show(status) {
  showAnswers(status);
  showPicture(status);
  showAlarms(status);
  drawRack(byId("rack"), status);
  showLoss(status);
  showUntold(status);
  showRest(status);
  showLast(status);
  if (canRun) showButtons(status);
}

function ask(dialog, then) {
  dialog.returnValue = "";
  dialog.querySelector("form").reset();
  dialog.showModal();
  dialog.onclose = () => dialog.returnValue === "yes" && then();
}

if (canRun) {
  keepUnderThumb(document.querySelector(".thumb"), byId("verdict"), byId("do"));
  byId("acknowledge").onclick = () => {
    const what = named(fresh);
    act("acknowledge", { alarms: fresh.map((alarm) => alarm.uid) }, "acknowledged", { told: { what } });
  };
  byId("shut").onclick = () => act("isolate", {}, "shut_done");
  byId("end").onclick = () => ask(byId("end-dialog"), () => act("end", {}, "end_done"));
  byId("open-feed").onclick = () =>
    ask(byId("open-dialog"), () => {
      const boxes = byId("open-dialog").querySelectorAll("[name=caution]:checked");
      act("feed", { confirmed: [...boxes].map((box) => box.value) }, "open_done");
    });
}
watch(show);
