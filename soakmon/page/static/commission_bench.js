// What the bench is, in the owner's words, and what one known mass tells of its cell.
import { act, byId, canRun, el, numberOf, put, t, tell } from "./common.js";
import { soon } from "./commissioning.js";
import { said } from "./units.js";

const WAITS_S = 20;

function field({ key, text, answers, low, high, value }) {
  const input = answers.length
    ? el("select", { name: key }, ...answers.map((one) => el("option", { value: one }, t(`answer_${one}`))))
    : el("input", { name: key, inputmode: "decimal", required: "", "data-low": low, "data-high": high });
  input.value = value;
  return el("label", {}, text, input);
}

export function showBench({ questions, gain, empty_read: emptyRead }) {
  put("c-gain-found", gain ? said(gain.text) : "");
  if (!canRun) return;
  byId("c-loaded").hidden = !emptyRead;
  // What is being answered is not drawn anew.
  if (byId("c-asked").childElementCount === 0) byId("c-asked").replaceChildren(...questions.map(field));
}

const read = async (mass_g) => {
  if ((await act("commissioning/gain", { mass_g }, null, { timeout_s: WAITS_S })) !== null) soon();
};

export function beginBench() {
  byId("c-questions").onsubmit = async (event) => {
    event.preventDefault();
    const answers = Object.fromEntries(new FormData(event.target));
    if ((await act("commissioning/questions", { answers }, "commission_questions_kept")) !== null) soon();
  };
  byId("c-empty").onclick = () => read(0);
  byId("c-gain").onsubmit = (event) => {
    event.preventDefault();
    const { value } = event.target.mass;
    const mass_g = numberOf(value);
    return mass_g > 0 ? read(mass_g) : tell(t("number_none", { value }));
  };
}
