// Jobs: search, list, and making one.
import { act, api, byId, canRun, el, jobLink, moment, t } from "./common.js";
import { watch } from "./live.js";

const PAUSE_MS = 250;
let timer = 0;

function row(job) {
  const link = jobLink(job.number);
  link.setAttribute("aria-label", t("jobs_open", job));
  const cells = { number: link, customer: job.customer, machine: job.machine, rack: job.rack };
  cells.created = moment(Date.parse(job.created) / 1000);
  return el(
    "tr",
    {},
    ...Object.entries(cells).map(([name, cell]) =>
      el("td", { "data-name": t(`jobs_${name}`) }, cell || "–"),
    ),
  );
}

async function list() {
  const word = byId("search").word.value.trim();
  const jobs = await api(`jobs?word=${encodeURIComponent(word)}`);
  byId("none").hidden = jobs.length > 0;
  const names = ["number", "customer", "machine", "rack", "created"];
  const head = names.map((name) => el("th", { scope: "col" }, t(`jobs_${name}`)));
  const body = el("tbody", {}, ...jobs.map(row));
  const table = el("table", { class: "cards" }, el("thead", {}, el("tr", {}, ...head)), body);
  byId("list").replaceChildren(...(jobs.length ? [table] : []));
}

const refresh = () => list().catch(() => {});

byId("search").onsubmit = (event) => {
  event.preventDefault();
  refresh();
};
byId("search").oninput = () => {
  clearTimeout(timer);
  timer = setTimeout(refresh, PAUSE_MS);
};
if (canRun) {
  byId("make").onsubmit = async (event) => {
    event.preventDefault();
    const form = new FormData(event.target);
    const body = { ...Object.fromEntries(form), carbs: Number(form.get("carbs")) };
    const found = await act("jobs", body, "jobs_made");
    if (found !== null) location.assign(`/job#${found.number}`);
  };
}
refresh();
watch(() => {});
