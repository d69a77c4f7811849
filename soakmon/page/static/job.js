// One job: facts, soaks, carburettors, checklist, notes, files.
import { act, api, byId, canRun, el, moment, put, sign, t, tell } from "./common.js";
import { carbForm, carbTold } from "./carb.js";
import { watch } from "./live.js";

const MOST_BYTES = 30_000_000;
const SLOW_S = 300;
const FACTS = ["customer", "machine", "rack"];
const number = () => location.hash.slice(1);
const when = (iso) => moment(Date.parse(iso) / 1000);
const path = (rest = "") => `jobs/${encodeURIComponent(number())}${rest}`;
let saving = Promise.resolve();
const open = new Set(); // carburettors whose form is open

function items(id, made) {
  byId(id).replaceChildren(...(made.length ? made : [el("li", {}, t("job_none"))]));
}

function facts(job) {
  const rows = FACTS.map((name) => [t(`jobs_${name}`), job[name] || "–"]);
  rows.push([t("jobs_created"), when(job.created)]);
  byId("facts").replaceChildren(
    ...rows.flatMap(([name, text]) => [el("dt", {}, name), el("dd", {}, text)]),
  );
  if (canRun) for (const name of FACTS) byId("correct")[name].value = job[name];
  put("title", `${t("job_title")} ${job.number}`);
  document.title = `${t("job_title")} ${job.number}`;
}

function soakItem(soak) {
  const running = soak.ended_t_s === null;
  const word = running ? t("verdict_running") : t(`verdict_${soak.verdict}`);
  const link = el("a", { href: running ? "/" : `/soaks#${soak.soak}` }, soak.title);
  const verdict = el("strong", { class: soak.verdict ?? "" }, `${sign(soak.verdict)} ${word}`);
  return el("li", {}, `${moment(soak.started_wall_s)} `, link, " ", verdict);
}

function carburettors(job) {
  byId("carbs").replaceChildren(
    ...job.carbs.map((carb) => {
      const told = el("span", { class: "small" }, ` ${carbTold(carb)}`);
      const summary = el("summary", {}, el("strong", {}, t("carb", { n: carb.place })), told);
      const save = async (changes) => {
        // One after the other, so that the last answer is the last change.
        const turn = saving.then(() => act(path(`/carbs/${carb.place}`), changes, "job_saved", { method: "PATCH" }));
        saving = turn;
        const found = await turn;
        if (found !== null) told.textContent = ` ${carbTold({ ...found, place: carb.place })}`;
        return found !== null;
      };
      const box = el("details", {}, summary, carbForm(carb, save));
      box.open = open.has(carb.place);
      box.ontoggle = () => (box.open ? open.add(carb.place) : open.delete(carb.place));
      return box;
    }),
  );
}

function checklist(job) {
  const done = job.checklist.filter((check) => check.done_by).length;
  put("checked", t("job_checked", { done, all: job.checklist.length }));
  byId("checklist").replaceChildren(
    ...job.checklist.map((check, index) => {
      const box = el("input", { type: "checkbox" });
      box.checked = check.done_by !== null;
      box.disabled = !canRun;
      box.onchange = async () => {
        await act(path(`/checklist/${index + 1}`), { done: box.checked }, "job_saved", { method: "PUT" });
        refresh();
      };
      const by = check.done_by
        ? el("span", { class: "small by" }, t("job_done_by", { who: check.done_by, when: when(check.done_at) }))
        : "";
      return el("label", { class: "caution" }, box, el("span", {}, check.task, by));
    }),
  );
}

/** A button that opens a line to put a text right, in place; the old one is kept in the record. */
function corrector(text, rest, field) {
  if (!canRun) return "";
  const what = text || t("job_none");
  const button = el("button", { type: "button", class: "plainly", "aria-label": t("job_correct_what", { what }) });
  button.append(t("job_correct"));
  button.onclick = () => {
    const input = el("textarea", { rows: "2", maxlength: "4000", "aria-label": t("job_correct_what", { what }) });
    input.value = text;
    const form = el("form", {}, input, el("button", {}, t("job_correct_keep")));
    form.onsubmit = async (event) => {
      event.preventDefault();
      const body = { [field]: input.value.trim() };
      if ((await act(path(rest), body, "job_corrected", { method: "PATCH" })) !== null) refresh();
    };
    button.replaceWith(form);
    input.focus();
  };
  return button;
}

const PARTS = { job: "correction_job", carb: "correction_carb", note: "correction_note", file: "correction_file" };

function correction(one) {
  const what = t(PARTS[one.part], { n: one.place, field: t(one.part === "carb" ? `carb_${one.field}` : `jobs_${one.field}`) });
  const values = { who: one.by_whom, when: when(one.at), what, before: one.before || "–", after: one.after || "–" };
  return el("li", {}, t("job_correction", values));
}

function noteItem(note, index) {
  const about = note.carb ? `${t("carb", { n: note.carb })}: ` : "";
  const at = when(note.at);
  const head = note.written_by ? t("job_note_by", { who: note.written_by, when: at }) : at;
  return el("li", {}, `${head} – ${about}${note.text} `, corrector(note.text, `/notes/${index + 1}`, "text"));
}

function file(one, index) {
  const address = `/api/${path(`/files/${one.sha256}`)}`;
  const text = one.caption || one.name;
  const picture = /\.(jpe?g|png|gif|webp)$/i.test(one.name);
  const shown = picture ? el("img", { src: address, alt: text, loading: "lazy" }) : one.name;
  const link = el("a", { href: address, target: "_blank", rel: "noopener" }, shown);
  const told = el("span", { class: "small" }, ` ${text}, ${when(one.at)} `);
  return el("li", {}, link, told, corrector(one.caption, `/captions/${index + 1}`, "caption"));
}

async function show() {
  const [job, soaks] = await Promise.all([api(path()), api("soaks")]);
  byId("job").hidden = false;
  byId("gone").hidden = true;
  facts(job);
  byId("export").href = `/api/${path("/export.zip")}`;
  const own = soaks.filter((soak) => soak.job === job.number).toReversed();
  items("soaks", own.map(soakItem));
  const told = (one) => el("li", {}, `${when(one.at)} ${t(`kind_${one.kind}`)}: ${one.summary}`);
  items("results", job.results.toReversed().map(told));
  carburettors(job);
  checklist(job);
  items("notes", job.notes.map(noteItem));
  items("files", job.attachments.map(file));
  byId("corrected").hidden = job.corrections.length === 0;
  items("corrections", job.corrections.map(correction));
  if (!canRun) return;
  byId("start").href = `/start#${job.number}`;
  byId("test").href = `/trials#${job.number}`;
  const carbs = job.carbs.map((carb) => el("option", { value: carb.place }, t("carb", { n: carb.place })));
  const select = byId("note").carb;
  select.replaceChildren(select.options[0], ...carbs);
}

function refresh() {
  return show().catch((error) => {
    if (error.status !== 404 && error.status !== 422) return tell(t("unreachable"));
    byId("gone").hidden = false;
    byId("job").hidden = true;
  });
}

async function send(input) {
  const chosen = input.files[0];
  input.value = "";
  if (!chosen) return;
  if (chosen.size > MOST_BYTES) return tell(t("job_too_large"));
  tell(t("job_sending", chosen));
  const caption = byId("upload").caption.value.trim();
  const query = new URLSearchParams({ name: chosen.name || "picture", caption });
  const found = await act(path(`/files?${query}`), chosen, "job_sent", { timeout_s: SLOW_S });
  if (found === null) return;
  byId("upload").reset();
  refresh();
}

function onSubmit(id, rest, body) {
  byId(id).onsubmit = async (event) => {
    event.preventDefault();
    if ((await act(path(rest), body(new FormData(event.target)), "job_saved")) === null) return;
    event.target.reset();
    refresh();
  };
}

if (canRun) {
  byId("correct").onsubmit = async (event) => {
    event.preventDefault();
    const body = Object.fromEntries(FACTS.map((name) => [name, byId("correct")[name].value.trim()]));
    if ((await act(path(), body, "job_corrected", { method: "PATCH" })) === null) return;
    byId("correct-box").open = false;
    refresh();
  };
  onSubmit("task", "/checklist", (form) => ({ task: form.get("task").trim() }));
  onSubmit("note", "/notes", (form) => ({
    text: form.get("text").trim(),
    carb: Number(form.get("carb")) || null,
  }));
  for (const id of ["camera", "file"]) byId(id).onchange = (event) => send(event.target);
}
window.addEventListener("hashchange", refresh);
refresh();
watch(() => {});
