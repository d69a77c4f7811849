// Health and settings of the bench, and what this device shows.
import { act, age, api, byId, checkList, el, t } from "./common.js";
import { watch } from "./live.js";
import { unit } from "./units.js";

const SILENT_S = 20;
let shown_ms = 0;

function words(value) {
  if (value === null || value === "") return t("bench_not_set");
  return Array.isArray(value) ? value.join(", ") : String(value);
}

function settings(found) {
  return Object.entries(found).map(([section, keys]) => {
    const rows = Object.entries(keys).flatMap(([key, value]) => [
      el("dt", {}, key),
      el("dd", {}, words(value)),
    ]);
    return el("details", {}, el("summary", {}, section), el("dl", {}, ...rows));
  });
}

async function show() {
  if (Date.now() - shown_ms < 5000) return;
  const first = shown_ms === 0;
  shown_ms = Date.now();
  const found = await api("bench").catch(() => null);
  if (found === null) return;
  const threads = Object.entries(found.silent_s).map(([name, silent_s]) => ({
    name: t("bench_thread", { name }),
    passed: silent_s < SILENT_S,
    warning: false,
    text: t("bench_ago", { age: age(silent_s) }),
  }));
  const about = { name: "soakmon", passed: true, text: `${found.version}, ${found.fuel}` };
  checkList(byId("checks"), [...found.checks, ...threads, about]);
  if (first) byId("settings").replaceChildren(...settings(found.settings));
}

const display = byId("display");
display.mass.value = unit("mass");
display.temp.value = unit("temp");
display.theme.value = localStorage.getItem("theme") || "auto";
display.onchange = () => {
  for (const key of ["mass", "temp", "theme"]) localStorage.setItem(key, display[key].value);
  location.reload();
};
byId("sign-out").onclick = async () => {
  if ((await act("sign-out", undefined, "signed_out")) !== null) location.assign("/sign-in");
};
watch(show);
