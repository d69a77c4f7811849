// Bench tests, guided: the bench asks one question after the other and keeps the answers.
import { Refused, api, byId, canRun, el, moment, numberOf, offerJobs, put, t, tell } from "./common.js";
import { beginCommissioning, showSteps } from "./commissioning.js";
import { leaveIsolation, showIsolation, watchIsolation } from "./isolation.js";
import { watch } from "./live.js";
import { mass, said, signed } from "./units.js";

const TESTS = ["straw", "still", "calibration", "daily", "blank", "drain", "shots", "float", "drip"];
const READ_HERE = ["mass_g", "counts", "air_c"];
const capital = (text) => text.charAt(0).toUpperCase() + text.slice(1);
let question = null;

function ask(state) {
  const { text, note, optional, source } = question;
  const values = { n: state.answers + 1, m: state.steps };
  put("step-number", t(optional ? "trial_step_more" : "trial_step", values));
  put("note", capital(said(note)));
  put("question", capital(text));
  put("read-told", "");
  put("next", t("trial_next"));
  byId("answer").value = signed(String(question.default ?? question.last ?? ""));
  byId("answer").setAttribute("aria-invalid", "false");
  byId("read").hidden = source === null;
  if (source !== null) put("read", t(`trial_read_${source}`));
  byId("enough").hidden = !optional;
  put("enough", t("trial_enough"));
  if (canRun) byId("answer").focus();
}

function tellResult(result) {
  const kind = result.passed ? "ok" : "failed";
  const word = `${result.passed ? "✓" : "✕"} ${t(`trial_${result.passed ? "passed" : "failed"}`)}`;
  byId("said").replaceChildren(
    el("ul", { class: "checks" }, el("li", { class: kind }, el("strong", {}, word), ` ${said(result.summary)}`)),
    el("pre", {}, said(result.lines.join("\n"))),
  );
}

/** Show where the test is: a question, a result, or none under way. */
function draw(state) {
  const { test, result } = state;
  question = state.question;
  byId("choose").hidden = test !== null;
  byId("guide").hidden = test === null;
  byId("guide").dataset.answers = state.answers;
  if (test === null) return;
  put("guide-title", t(`trial_${test}`));
  byId("step").hidden = question === null;
  byId("said").replaceChildren();
  byId("back").disabled = !canRun || state.answers === 0 || question === null;
  byId("stop").disabled = !canRun;
  put("stop", t(result ? "trial_again" : "trial_stop"));
  if (question !== null) ask(state);
  if (result) tellResult(result);
}

let asking = false;

/** One call at a time: a second press must not answer the next question before it is read. */
async function go(path, body, method = "POST") {
  if (asking) return;
  asking = true;
  byId("answer").readOnly = true; // not disabled: the focus stays, and with it a phone's keys
  try {
    draw(await api(`bench-test${path}`, { method, body }));
  } catch (error) {
    wrong(error instanceof Refused ? said(error.message) : t("unreachable"));
  } finally {
    asking = byId("answer").readOnly = false;
  }
}

/** What cannot be taken is told at its question, and the focus is there. */
function wrong(text) {
  if (question === null) return tell(t("failed", { problem: text }));
  byId("answer").setAttribute("aria-invalid", "true");
  put("read-told", capital(text));
  return byId("answer").focus();
}

byId("step").onsubmit = (event) => {
  event.preventDefault();
  const text = byId("answer").value;
  const value = numberOf(text);
  return value === null ? wrong(t("number_none", { value: text })) : go("/answer", { value });
};
byId("enough").onclick = () => go("/answer", {});
byId("back").onclick = () => go("/back");
byId("stop").onclick = async () => {
  // Answers of an hour are not thrown away by a thumb.
  if (question !== null && byId("guide").dataset.answers !== "0" && !confirm(t("trial_stop_sure"))) return;
  await go("", undefined, "DELETE");
  results();
};
byId("read").onclick = async () => {
  const { source } = question;
  // What the bench itself has seen since the question is taken as it is.
  if (!READ_HERE.includes(source)) return go("/answer", { take: true });
  const found = await api("weigh").catch(() => ({}));
  const value = found[source];
  if (value === null || value === undefined) return put("read-told", t("trial_unread"));
  if (source !== "air_c" && !found.steady) return put("read-told", t("trial_moves"));
  byId("answer").value = signed(String(value));
  if (source !== "air_c") put("read-told", t("trial_read_told", { scatter: mass(found.noise_g) }));
};

function choice(name, begin) {
  const button = el("button", { type: "button", class: "wide choice" }, el("strong", {}, t(`trial_${name}`)));
  button.append(el("br"), el("span", {}, t(`trial_${name}_about`)));
  button.disabled = !canRun && name !== "isolation";
  button.onclick = begin;
  return el("li", {}, button);
}

const begin = (test) => go("", { test, job: byId("job")?.value || null });
let known = [];

async function results() {
  const found = await api("results").catch(() => []);
  known = found;
  const lines = found.slice(0, 12).map((one) => {
    const whose = one.job ? ` (${one.job})` : "";
    return el("li", {}, `${moment(Date.parse(one.at) / 1000)} ${t(`kind_${one.kind}`)}${whose}: ${said(one.summary)}`);
  });
  byId("results").replaceChildren(...(lines.length ? lines : [el("li", {}, t("job_none"))]));
}

byId("trials").replaceChildren(
  ...TESTS.map((test) => choice(test, () => begin(test))),
  choice("isolation", showIsolation),
);
byId("iso-stop").onclick = leaveIsolation;
if (canRun) offerJobs(byId("job"), location.hash.slice(1)).catch(() => {});
for (const id of ["answer", "read", "enough", "next"]) byId(id).disabled = !canRun;
// What is under way on the bench goes on here, on whatever device it was begun.
api("bench-test").then(draw, () => {});
results();

beginCommissioning(begin, results);
watch((status) => {
  watchIsolation(status);
  if (byId("commission").open) showSteps(known, status);
});
