// Past soaks, and the report of one.
import { act, api, byId, canRun, el, jobLink, moment, put, sign, t, tell } from "./common.js";
import { watch } from "./live.js";
import { handOn, isInside } from "./share.js";

let soaks = [];
let ended = -1;
let timer = 0;
let link = null; // that shows the report on the screen; null before one was made

function row(soak) {
  const verdict = soak.verdict;
  const running = soak.ended_t_s === null;
  const word = running ? t("verdict_running") : t(`verdict_${verdict}`);
  const link = el("a", { href: `#${soak.soak}`, "aria-label": t("report_show", soak) });
  link.append(t("soaks_report"));
  return el(
    "tr",
    {},
    el("td", { "data-name": t("soaks_when") }, moment(soak.started_wall_s)),
    el("td", { "data-name": t("soaks_what") }, soak.title),
    el("td", { "data-name": t("soaks_job") }, soak.job ? jobLink(soak.job) : "–"),
    el("td", { "data-name": t("soaks_verdict"), class: verdict ?? "" }, `${sign(verdict)} ${word}`),
    el("td", { "data-name": t("soaks_curve") }, el("a", { href: `/curve#${running ? "" : soak.soak}` }, t("soaks_curve"))),
    el("td", { "data-name": t("soaks_report") }, running ? "–" : link),
  );
}

async function list() {
  soaks = await api("soaks");
  byId("none").hidden = soaks.length > 0;
  const names = ["when", "what", "job", "verdict", "curve", "report"];
  const head = names.map((name) => el("th", { scope: "col" }, t(`soaks_${name}`)));
  const body = el("tbody", {}, ...soaks.toReversed().map(row));
  const table = el("table", { class: "cards" }, el("thead", {}, el("tr", {}, ...head)), body);
  byId("list").replaceChildren(...(soaks.length ? [table] : []));
}

function ready(number, files) {
  const base = `/api/soaks/${number}/report/`;
  const button = (name, text) => el("a", { class: "button", href: base + name, target: "_blank" }, text);
  const main = [button("report.html", t("report_read")), button("report.pdf", t("report_pdf"))];
  byId("open").replaceChildren(...main);
  const rest = files.filter((name) => !name.startsWith("report."));
  const links = rest.flatMap((name) => [el("a", { href: base + name, target: "_blank" }, name), " "]);
  byId("files").replaceChildren(`${t("report_files")}: `, ...links);
  const frame = el("iframe", { src: `${base}report.html`, title: t("report_frame"), sandbox: "" });
  byId("frame").replaceChildren(frame);
  byId("share").hidden = !canRun;
}

async function open(number) {
  clearTimeout(timer);
  const soak = soaks.find((one) => one.soak === number);
  byId("report").hidden = !soak;
  if (!soak) return;
  put("report-title", `${soak.title} – ${moment(soak.started_wall_s)}`);
  const found = await api(`soaks/${number}/report`).catch((error) => ({ problem: error.message }));
  if (found.problem) return put("report-state", t("failed", found));
  put("tied", found.tied ? t("report_tied", found) : "");
  put("report-state", found.state === "ready" ? "" : t(`report_${found.state}`));
  if (found.state === "ready") ready(number, found.files);
  if (found.state === "making") timer = setTimeout(() => open(number), 1000);
}

function chosen() {
  for (const id of ["tied", "open", "files", "frame", "shared"]) byId(id).replaceChildren();
  byId("share").hidden = true;
  link = null;
  open(Number(location.hash.slice(1)));
  if (location.hash) byId("report-title").focus();
}

/** A link to the report on the screen, told with how long and where it works; null when none came. */
async function makeLink() {
  const asked = location.hash;
  const found = await act(`soaks/${asked.slice(1)}/link`, {}, "");
  // Another report may have been opened meanwhile.
  if (found === null || location.hash !== asked) return null;
  const address = location.origin + found.path;
  const text = t("report_link_text", { until: moment(found.expires_wall_s) });
  const inside = isInside(location.hostname) ? el("strong", {}, ` ${t("report_inside")}`) : "";
  byId("shared").replaceChildren(text, el("br"), el("a", { href: address }, address), inside);
  return address;
}

byId("make-link").onclick = async () => {
  link ??= await makeLink();
  if (link === null) return;
  const how = await handOn(byId("report-title").textContent, link);
  if (how === "copied" || how === "shown") tell(t(`report_link_${how}`));
};
byId("revoke").onclick = async () => {
  await act(`soaks/${location.hash.slice(1)}/link`, undefined, "report_revoked", { method: "DELETE" });
  byId("shared").replaceChildren();
  link = null;
};
window.addEventListener("hashchange", chosen);
watch(async (status) => {
  const now = status.phase === "ended" ? (status.soak ?? 0) : 0;
  if (now === ended) return;
  ended = now;
  await list().then(chosen, () => {
    ended = -1;
  });
});
