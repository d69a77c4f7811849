// The four answers of the night: is it leaking, which carb, what did the bench do, what do I do.
import { clockOf, t } from "./common.js";
import { said } from "./units.js";

const LEAKS = new Set(["weep", "flood"]);
const fails = (alarm) => alarm.code === "valve_failed";

export const clockAt = (status, t_s) => clockOf(status.wall_s - status.t_s, t_s);

/** A text with times in it, as it is found in a sentence. */
function finder(text) {
  const plain = text.replace(/[.*+?^${}()|[\]\\]/g, "\\$&");
  return new RegExp(plain.replaceAll("@", "(\\d+):(\\d\\d) h"), "g");
}
const after = t("figures.after_start", { t_s: "@" });
const AFTER_START = finder(after);
const BETWEEN = finder(t("figures.between", { low_s: "@", high_s: after }));

/** A sentence of the bench, in this device's units and by the shop's clock. */
export function toldAt(status, text) {
  const at = (h, m) => clockAt(status, 3600 * Number(h) + 60 * Number(m));
  return said(text)
    .replace(BETWEEN, (_, a, b, c, d) => t("between", { from: at(a, b), to: at(c, d) }))
    .replace(AFTER_START, (_, h, m) => `${at(h, m)} (${h}:${m} h)`);
}

/** What an alarm is of, in words that name no number that could be taken for a carburettor. */
export function nameOf(alarm) {
  const n = alarm.carb;
  if (alarm.code === "gate_blind") return t("name_gate", { n });
  if (alarm.code === "cell_frozen") return t("name_frozen");
  if (!LEAKS.has(alarm.kind)) return t(alarm.kind === "starved" ? "name_starved" : "name_bench");
  return t(n ? `name_${alarm.kind}` : `name_${alarm.kind}_nowhere`, { n });
}

function kindOf(status, leaks, troubles) {
  const verdict = status.verdict?.verdict;
  // An alarm is there at once, the verdict so far is renewed once a minute.
  const believed = leaks.some((alarm) => !alarm.acknowledged || verdict !== "tight");
  if (status.phase !== "ended" && believed) return "leaking";
  const ails = (status.ails ?? []).length > 0;
  if ((ails || troubles.length > 0) && verdict !== "leaking") return "trouble";
  return verdict ?? (status.phase === "idle" ? "idle" : "none");
}

function places(alarms) {
  const found = [...new Set(alarms.map((alarm) => alarm.carb).filter(Boolean))].sort();
  if (found.length === 0) return t("nowhere");
  if (found.length === 1) return t("carb", { n: found[0] });
  const list = `${found.slice(0, -1).join(", ")} ${t("and")} ${found.at(-1)}`;
  return t("carbs_some", { list });
}

function did(status, alarms) {
  if (status.phase === "idle") return t("did_idle");
  if (status.feed_open) return t("did_open");
  if (alarms.some(fails)) return t("did_fails");
  if (status.phase === "ended") return t("did_ended");
  if (status.phase === "preflight") return t("did_preflight");
  const itself = status.shut_itself;
  // The first of those that nobody has seen yet is the one that shut it.
  const alarm = alarms.find((one) => !one.acknowledged) ?? alarms.at(-1);
  const at = itself && alarm ? t("did_at", { hour: clockAt(status, alarm.t_s) }) : "";
  return t(itself ? "did_shut_itself" : "did_shut_told", { at });
}

const capital = (text) => text.charAt(0).toUpperCase() + text.slice(1);

/** What to do about trouble: of what lasts the cure, of what was the sentence itself. */
function troubled(status, fresh) {
  const ail = status.ails?.[0];
  const text = capital(said(ail ? ail.todo : fresh[0].text));
  return fresh.length > 0 ? t("do_trouble", { text }) : `${text}.`;
}

const AFTER = { tight: "do_done", leaking: "do_mend", not_proven: "do_again" };

function todo(status, kind, alarms) {
  const fresh = alarms.filter((alarm) => !alarm.acknowledged);
  if (alarms.some(fails) && status.phase !== "ended") return t("do_tap");
  if (fresh.some((alarm) => alarm.kind === "flood")) return t("do_flood");
  if (kind === "trouble") return troubled(status, fresh);
  if (status.phase === "ended") return t(AFTER[kind] ?? "do_again");
  if (kind === "leaking") {
    if (status.feed_open) return t("do_shut");
    return t(fresh.length > 0 ? "do_weep" : "do_watch");
  }
  if (status.phase === "idle") return t("do_start");
  if (status.phase === "preflight") return t("do_preflight");
  if (status.phase === "isolating") return t("do_isolated");
  return t(kind === "tight" ? "do_nothing" : "do_early");
}

/** kind (tight, leaking, not_proven, trouble, none or idle), key of its word; where, did, todo: texts. */
export function headline(status) {
  const alarms = status.alarms ?? [];
  const leaks = alarms.filter((alarm) => LEAKS.has(alarm.kind));
  const troubles = alarms.filter((alarm) => !LEAKS.has(alarm.kind) && !alarm.acknowledged);
  const kind = kindOf(status, leaks, troubles);
  let where = kind === "leaking" && leaks.length > 0 ? places(leaks) : "";
  if (kind === "trouble" && status.ails?.length) where = capital(said(status.ails[0].text));
  let word = `verdict_${kind}`;
  // While it runs, what matters is that none has been seen; only the end can leave it unproven.
  if (kind === "not_proven" && status.phase !== "ended") [word, where] = ["verdict_unseen", t("unproven")];
  return { kind, word, where, did: did(status, alarms), todo: todo(status, kind, alarms) };
}

/** All that keeps the feed shut, and when nobody watched and for how long, in words. */
export function meanwhile(status) {
  const latch = status.feed_open ? [] : (status.latch ?? []);
  const gaps = (status.interruptions ?? []).map((gap) => {
    const until = clockAt(status, gap.t_s);
    if (!gap.known) return t("gap_unknown", { until });
    return t("gap", { from: clockAt(status, gap.t_s - gap.gap_s), until });
  });
  return [...latch.map((reason) => t("shut_for", { reason: said(reason) })), ...gaps];
}

/** The likeliest cause in words, of several leaks each one's; nothing while there is none. */
export function likeliest(status) {
  const suspects = status.verdict?.suspects ?? [];
  const [found] = suspects;
  if (status.verdict?.verdict !== "leaking" || !found || found.cause === "no_leak") return "";
  const carbs = [...new Set((status.verdict.leaks ?? []).map((leak) => leak.carb))];
  const each = carbs.map((carb) => suspects.find((one) => carb && one.carb === carb));
  if (carbs.length > 1 && each.every(Boolean)) {
    const told = each.map((one) => t("likely_at", { n: one.carb, cause: t(`cause_${one.cause}`) }));
    return told.join(". ");
  }
  const chance = Math.round(100 * found.probability);
  return t("likely", { cause: t(`cause_${found.cause}`), chance });
}
