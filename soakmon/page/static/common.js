// Texts, the API and small helpers, shared by all views.
import { signedIn } from "./again.js";
import texts from "./texts.js";
import { said } from "./units.js";

const meta = (name) => document.querySelector(`meta[name="${name}"]`).content;

export const carbs = Number(meta("carbs"));
export const canRun = meta("role") === "run";
export const byId = (id) => document.getElementById(id);

export function t(key, values = {}) {
  return (texts[key] ?? key).replace(/\{(\w+)\}/g, (_, name) => values[name] ?? "");
}

/** An element; texts become text, never markup. */
export function el(name, attributes = {}, ...children) {
  const made = document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
  made.append(...children);
  return made;
}

export function svg(name, attributes = {}, ...children) {
  const made = document.createElementNS("http://www.w3.org/2000/svg", name);
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
  made.append(...children);
  return made;
}

export class Refused extends Error {
  constructor(status, problem) {
    super(problem);
    this.status = status;
  }
}

/** A call of the bench's API; Refused with its own words when it says no. */
export async function api(path, { method = "GET", body, timeout_s = 30 } = {}) {
  const headers = { "X-CSRF-Token": meta("csrf") };
  const file = body instanceof Blob;
  if (body !== undefined) headers["Content-Type"] = file ? "application/octet-stream" : "application/json";
  const answer = await fetch(`/api/${path}`, {
    method,
    headers,
    body: body === undefined || file ? body : JSON.stringify(body),
    signal: AbortSignal.timeout(1000 * timeout_s),
  });
  // A good answer that breaks off is none.
  if (answer.ok) return answer.json();
  const found = await answer.json().catch(() => ({}));
  if (answer.status === 401 && byId("again")) {
    await signedIn();
    // What was to be done is for whoever signs in now to do.
    if (method !== "GET") throw new Refused(401, t("press_again"));
    return api(path, { timeout_s });
  }
  throw new Refused(answer.status, found.problem ?? `${answer.status}`);
}

/** What somebody typed as a number, with comma or point; null for anything else: never another one. */
export function numberOf(text) {
  const plain = text.trim().replace("−", "-");
  return /^[+-]?(\d+([.,]\d*)?|[.,]\d+)$/.test(plain) ? Number(plain.replace(",", ".")) : null;
}

const TOLD_MS = 12_000;
let told = 0;

/** Say how something went; it goes away, so that it is never taken for what holds now. */
export function tell(text) {
  byId("told").textContent = text;
  clearTimeout(told);
  told = setTimeout(() => byId("told").replaceChildren(), TOLD_MS);
}

/** Do something and say how it went; told: more words for that than the answer has. */
export async function act(path, body, done, { method = "POST", timeout_s = 30, told: words = {} } = {}) {
  try {
    const found = await api(path, { method, body, timeout_s });
    if (done) tell(t(done, { ...found, ...words }));
    return found;
  } catch (error) {
    const problem = error instanceof Refused ? error.message : t("unreachable");
    tell(t("failed", { problem }));
    return null;
  }
}

/** Replace the text only when it differs, so that a screen reader is not told again. */
export function put(id, text) {
  const place = byId(id);
  if (place.textContent !== text) place.textContent = text;
}

/** 5:07 h */
export function hours(t_s) {
  const minutes = Math.round(t_s / 60);
  return `${Math.floor(minutes / 60)}:${String(minutes % 60).padStart(2, "0")} h`;
}

export function age(seconds) {
  if (seconds < 100) return `${Math.round(seconds)} s`;
  if (seconds < 6000) return `${Math.round(seconds / 60)} min`;
  if (seconds > 172_800) return t("days", { n: Math.floor(seconds / 86_400) });
  return hours(seconds);
}

// Dates as the device writes them, in the page's language.
const own = document.documentElement.lang;
const LANGUAGE = navigator.languages.find((name) => name.split("-")[0] === own) ?? own;

// The shop's clock, whatever zone the device is in: page, phone and report say the same hour.
const shop = { timeZone: meta("zone") || undefined, hourCycle: "h23" };

export function moment(wall_s) {
  return new Date(1000 * wall_s).toLocaleString(LANGUAGE, { dateStyle: "medium", timeStyle: "short", ...shop });
}

export const clock = (wall_s) =>
  new Date(1000 * wall_s).toLocaleTimeString(LANGUAGE, { hour: "2-digit", minute: "2-digit", ...shop });

/** The hour of a time of a soak that began at wall_s: of its whole minute, so that the hour and the
 * time since the start beside it agree, here, in messages and in the report. */
export const clockOf = (wall_s, t_s) => clock(wall_s + 60 * Math.round(t_s / 60));

/** 27 Nov */
export const day = (wall_s) =>
  new Date(1000 * wall_s).toLocaleDateString(LANGUAGE, { day: "numeric", month: "short", timeZone: shop.timeZone });

/** How far the shop's clock is before UTC at a time, s. */
export function shopOffset(wall_s) {
  // Swedish dates are written as a machine reads them.
  const text = new Date(1000 * Math.round(wall_s)).toLocaleString("sv-SE", { timeZone: shop.timeZone });
  return Date.parse(`${text.replace(" ", "T")}Z`) / 1000 - Math.round(wall_s);
}

let named = ""; // as the bench itself calls its zone now

export function nameZone(name) {
  named = name ?? "";
}

/** How the shop's zone is named at a time, as CET; browsers know few names, the bench its own. */
export function zone(wall_s) {
  const now_s = Date.now() / 1000;
  if (named && shopOffset(wall_s) === shopOffset(now_s)) return named;
  const parts = new Intl.DateTimeFormat([], { timeZoneName: "short", ...shop }).formatToParts(1000 * wall_s);
  return parts.find((part) => part.type === "timeZoneName").value;
}

const SIGNS = { tight: "✓", leaking: "✕", not_proven: "?", trouble: "⚠", idle: "–" };
export const sign = (verdict) => SIGNS[verdict] ?? "…";

export const jobLink = (number) => el("a", { href: `/job#${number}` }, number);

/** Put the jobs into a list to choose from, below what is in it; the one named is chosen. */
export async function offerJobs(select, named) {
  const jobs = await api("jobs?most=100");
  for (const job of jobs) {
    const text = [job.number, job.customer, job.machine].filter(Boolean).join(" – ");
    select.append(el("option", { value: job.number }, text));
  }
  if (jobs.some((job) => job.number === named)) select.value = named;
}

/** A list of checks: sign, word and text. */
export function checkList(place, checks) {
  place.replaceChildren(
    ...checks.map((check) => {
      const kind = check.passed ? "ok" : check.warning ? "note" : "failed";
      return el(
        "li",
        { class: kind },
        el("strong", {}, t(`check_${kind}`)),
        ` ${check.name}: ${said(check.text)}`,
      );
    }),
  );
}
