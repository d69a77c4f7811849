// Bench tests, guided: one question after the other, and the answers survive a sleeping phone.
import { act, api, byId, canRun, carbs, el, moment, offerJobs, put, t } from "./common.js";
import { GUIDES } from "./guides.js";
import { leaveIsolation, showIsolation, watchIsolation } from "./isolation.js";
import { watch } from "./live.js";
import { said } from "./units.js";

const KEPT = "trial";
let run = null; // { name, job, answers }: answers are numbers, null for "no more"
let step = null; // the question that waits; null when all are answered

/** Go through the guide with the answers so far: questions asked, and the form at the end. */
function through() {
  const guide = GUIDES[run.name](carbs);
  const asked = [];
  let next = guide.next();
  for (const answer of run.answers) {
    if (next.done) break;
    asked.push([next.value, answer]);
    next = guide.next(answer);
  }
  return { asked, step: next.done ? null : next.value, form: next.done ? next.value : null };
}

function keepAnswers() {
  if (run === null) localStorage.removeItem(KEPT);
  else localStorage.setItem(KEPT, JSON.stringify(run));
}

function draw() {
  keepAnswers();
  byId("choose").hidden = run !== null;
  byId("guide").hidden = run === null;
  if (run === null) return;
  const gone = through();
  step = gone.step;
  put("guide-title", t(`trial_${run.name}`));
  byId("answers").replaceChildren(
    ...gone.asked.toReversed().map(([question, answer]) =>
      el("li", {}, `${question.text} `, el("strong", {}, answer === null ? question.enough : String(answer))),
    ),
  );
  put("step-number", t("trial_step", { n: run.answers.length + 1 }));
  put("question", step === null ? t("trial_check") : step.text);
  put("read-told", "");
  put("next", t(step === null ? "trial_judge" : "trial_next"));
  byId("answer").hidden = step === null;
  byId("answer").value = step === null ? "" : step.initial;
  byId("read").hidden = !step?.cell;
  byId("enough").hidden = !step?.enough;
  if (step?.enough) put("enough", step.enough);
  byId("step").hidden = false;
  byId("said").replaceChildren();
  byId("back").disabled = run.answers.length === 0;
  put("back", t("trial_back"));
  put("stop", t("trial_stop"));
  if (step !== null) byId("answer").focus();
}

function answer(value) {
  run.answers.push(value);
  draw();
}

async function judge() {
  const { form } = through();
  const found = await act(`bench-tests/${run.name}`, { job: run.job, form }, "");
  if (found === null) return;
  localStorage.removeItem(KEPT);
  byId("step").hidden = true;
  byId("back").disabled = true;
  put("stop", t("trial_again"));
  const kind = found.passed ? "ok" : "failed";
  byId("said").replaceChildren(
    el("ul", { class: "checks" }, el("li", { class: kind }, el("strong", {}, `${found.passed ? "✓" : "✕"} ${t(`trial_${found.passed ? "passed" : "failed"}`)}`), ` ${said(found.summary)}`)),
    el("pre", {}, said(found.lines.join("\n"))),
  );
}

byId("step").onsubmit = (event) => {
  event.preventDefault();
  if (step === null) return judge();
  const value = Number(byId("answer").value.trim().replace(",", ".").replace("−", "-"));
  const good = byId("answer").value.trim() !== "" && Number.isFinite(value);
  byId("answer").setAttribute("aria-invalid", String(!good));
  return good ? answer(value) : byId("answer").focus();
};
byId("enough").onclick = () => answer(null);
byId("back").onclick = () => {
  run.answers.pop();
  draw();
};
byId("stop").onclick = () => {
  run = null;
  draw();
  results();
};
byId("read").onclick = async () => {
  put("read-told", t("trial_reading"));
  byId("read").disabled = true;
  const found = await api("weigh/steady?over_s=4").catch(() => null);
  byId("read").disabled = false;
  if (found === null || found.mass_g === null) return put("read-told", t("trial_unread"));
  byId("answer").value = step?.cell === "counts" ? found.counts : found.mass_g;
  const scatter = found.scatter_g === null ? "–" : `${found.scatter_g} g`;
  return put("read-told", t("trial_read_told", { n: found.readings, scatter }));
};

function choice(name, begin) {
  const button = el("button", { type: "button", class: "wide choice" }, el("strong", {}, t(`trial_${name}`)));
  button.append(el("br"), el("span", {}, t(`trial_${name}_about`)));
  button.disabled = !canRun && name !== "isolation";
  button.onclick = begin;
  return el("li", {}, button);
}

function begin(name) {
  run = { name, job: byId("job").value || null, answers: [] };
  draw();
}

async function results() {
  const found = await api("bench-tests").catch(() => []);
  const lines = found.slice(0, 12).map((one) => {
    const whose = one.job ? ` (${one.job})` : "";
    return el("li", {}, `${moment(Date.parse(one.at) / 1000)} ${one.kind.replace("_", " ")}${whose}: ${said(one.summary)}`);
  });
  byId("results").replaceChildren(...(lines.length ? lines : [el("li", {}, t("job_none"))]));
}

byId("trials").replaceChildren(
  ...Object.keys(GUIDES).map((name) => choice(name, () => begin(name))),
  choice("isolation", showIsolation),
);
byId("iso-stop").onclick = leaveIsolation;
if (canRun) {
  offerJobs(byId("job"), location.hash.slice(1)).catch(() => {});
  run = JSON.parse(localStorage.getItem(KEPT) ?? "null");
  if (run !== null && !(run.name in GUIDES)) run = null;
}
draw();
results();
watch(watchIsolation);
