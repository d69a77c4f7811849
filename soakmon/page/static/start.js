// Start a soak: title, job, each caution, then preflight as it runs.
import { act, api, byId, canRun, checkList, offerJobs, put, t } from "./common.js";
import { watch } from "./live.js";

const FREE = ["idle", "ended"];
let asked_ms = 0;
let shown = "";

async function showPreflight(status) {
  const running = status.phase === "preflight";
  if (!running && shown === `${status.soak} ${status.phase}`) return;
  if (running && Date.now() - asked_ms < 900) return;
  asked_ms = Date.now();
  const found = await api("preflight").catch(() => null);
  if (found === null) return;
  shown = running ? "" : `${status.soak} ${status.phase}`;
  byId("preflight").hidden = found.phase === "idle" || found.checks.length === 0;
  byId("progress").max = found.needed_s;
  byId("progress").value = found.elapsed_s;
  checkList(byId("checks"), found.checks);
  const bad = found.checks.some((check) => !check.passed && !check.warning);
  const known = found.checks.length > 0;
  const told = !known ? "" : bad ? t("preflight_bad") : t("preflight_good");
  const times = { elapsed: `${Math.round(found.elapsed_s)} s`, needed: `${found.needed_s} s` };
  put("progress-text", found.phase === "preflight" ? t("preflight_runs", times) : told);
}

function show(status) {
  const free = FREE.includes(status.phase);
  if (canRun) {
    byId("start").hidden = !free;
    byId("running").hidden = free;
    byId("untold").hidden = !status.untold;
    put("untold", status.untold ? t("untold", { why: status.untold }) : "");
  }
  showPreflight(status);
}

if (canRun) {
  offerJobs(byId("start").job, location.hash.slice(1)).catch(() => {});
  byId("start").onsubmit = async (event) => {
    event.preventDefault();
    const form = new FormData(event.target);
    const body = {
      title: form.get("title").trim(),
      job: form.get("job") || null,
      confirmed: form.getAll("caution"),
      filled: form.has("filled"),
    };
    const found = await act("soak", body, "start_begun");
    if (found === null) return;
    event.target.reset();
    shown = "";
    scrollTo(0, 0);
  };
}
watch(show);
