// What is written down of a carburettor: a form that keeps each change as it is made.
import { byId, canRun, numberOf, t } from "./common.js";
import { signed } from "./units.js";

const empty = (value) => value === null || value === "" || Object.keys(Object(value)).length === 0;

/** How much is written down, and what lies outside its limits. */
export function carbTold(carb) {
  const known = Object.entries(carb).filter(
    ([name, value]) => name !== "place" && (typeof value === "boolean" || typeof value === "number" || !empty(value)),
  ).length;
  const { float_height_mm: height, float_height_low_mm: low, float_height_high_mm: high } = carb;
  const limits = height !== null && low !== null && high !== null;
  const out = limits && (height < low || height > high) ? ` ⚠ ${t("job_height_out")}` : "";
  return (known ? t("job_carb_told", { n: known }) : t("job_carb_empty")) + out;
}

const jetLines = (jets) => Object.entries(jets).map(([name, size]) => `${name} ${size}`).join("\n");

function jets(text) {
  const lines = text.split("\n").map((line) => line.trim()).filter(Boolean);
  return Object.fromEntries(lines.map((line) => {
    const at = line.lastIndexOf(" ");
    return at < 0 ? [line, "?"] : [line.slice(0, at).trim(), line.slice(at + 1)];
  }));
}

function shown(name, value) {
  if (name === "jets") return jetLines(value ?? {});
  if (value === true) return "yes";
  if (value === false) return "no";
  if (typeof value === "number") return signed(String(value));
  return value === null ? "" : value;
}

function typed(input) {
  if (input.name === "jets") return jets(input.value);
  if (input.value === "") return null;
  if (input.dataset.low) return numberOf(input.value);
  const yesno = input.tagName === "SELECT" && [...input.options].some((one) => one.value === "yes");
  return yesno ? input.value === "yes" : input.value;
}

/** Why what was typed cannot be taken, in words; empty when it can. */
function wrong({ value, dataset: { low, high } }) {
  if (low === undefined || value === "") return "";
  const number = numberOf(value);
  if (number === null) return t("number_none", { value });
  return number < Number(low) || number > Number(high) ? t("number_limits", { low, high }) : "";
}

/** The form; save(changes) says whether they were kept. */
export function carbForm(carb, save) {
  const form = byId("carb-form").content.cloneNode(true).querySelector("form");
  form.onsubmit = (event) => event.preventDefault();
  for (const input of form.elements) {
    input.value = shown(input.name, carb[input.name]);
    input.disabled = !canRun;
    input.onchange = async () => {
      input.setCustomValidity(wrong(input));
      input.setAttribute("aria-invalid", String(!input.checkValidity()));
      if (!input.reportValidity()) return;
      const kept = await save({ [input.name]: typed(input) });
      input.setAttribute("aria-invalid", String(!kept));
    };
  }
  return form;
}
