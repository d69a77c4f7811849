// Health and settings of the bench, and what this device shows.
import { act, age, api, byId, checkList, el, t } from "./common.js";
import { watch } from "./live.js";
import { unit } from "./units.js";

const SILENT_S = 20;
let shown_ms = 0;

// What is written the same in every language; the others are texts.
const SIGNS = {
  kg_per_m3: "kg/m³", n_per_m: "N/m", mm2: "mm²", ml: "ml", mm: "mm", kpa: "kPa", min: "min", ms: "ms", h: "h", g: "g", s: "s",
};
const SAID = ["g_per_m2_day", "g_per_day", "g_per_min", "g_per_count", "g_per_c", "per_h", "per_s"];

/** The unit that a key of bench.toml ends in: capacity_ml is in ml; the longest that fits. */
function unitOf(key) {
  const end = [...SAID, ...Object.keys(SIGNS)].find((one) => key.endsWith(`_${one}`));
  if (key === "fill_g_over") return SIGNS.g;
  return end ? (SIGNS[end] ?? t(`unit_${end}`)) : "";
}

function words(value, unit) {
  if (value === null || value === "" || (Array.isArray(value) && value.length === 0)) return t("bench_not_set");
  if (typeof value === "boolean") return t(value ? "option_yes" : "option_no");
  return `${Array.isArray(value) ? value.join(", ") : value} ${unit}`.trim();
}

function settings({ settings: found, explained }) {
  return Object.entries(found).map(([section, keys]) => {
    const rows = Object.entries(keys).flatMap(([key, value]) => {
      const about = el("span", { class: "small by" }, explained[section]?.[key] ?? "");
      return [el("dt", {}, t(`key_${section}_${key}`), about), el("dd", {}, words(value, unitOf(key)))];
    });
    return el("details", {}, el("summary", {}, t(`section_${section}`)), el("dl", {}, ...rows));
  });
}

async function show() {
  if (Date.now() - shown_ms < 5000) return;
  const first = shown_ms === 0;
  shown_ms = Date.now();
  const found = await api("bench").catch(() => null);
  if (found === null) return;
  const threads = Object.entries(found.silent_s).map(([name, silent_s]) => ({
    name: t(`thread_${name}`),
    passed: silent_s < SILENT_S,
    warning: false,
    text: t("bench_ago", { age: age(silent_s) }),
  }));
  const about = { name: "soakmon", passed: true, text: `${found.version}, ${found.fuel}` };
  checkList(byId("checks"), [...found.checks, ...threads, about]);
  if (first) byId("settings").replaceChildren(...settings(found));
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
