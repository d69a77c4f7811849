// From wired parts to a bench that is known to be sound: the steps in order, and what came of each.
import { api, byId, canRun, el, moment, t } from "./common.js";
import { said } from "./units.js";

// Steps that are bench tests begin here, by the kind of their result; the others say where.
const TRIALS = { mass: ["daily", "daily_check"], straw: ["straw", "straw"], still: ["still", "still"] };

function step(name, told, begin) {
  const text = [el("strong", {}, t(`commission_${name}`)), ` ${t(`commission_${name}_how`)}`];
  const found = el("p", { class: "small" }, told);
  const button = begin && canRun ? [el("button", { type: "button", class: "plainly" }, t("commission_begin"))] : [];
  for (const one of button) one.onclick = begin;
  return el("li", {}, ...text, found, ...button);
}

const last = (results, kind) => {
  const one = results.find((result) => result.kind === kind);
  return one ? `${moment(Date.parse(one.at) / 1000)}: ${said(one.summary)}` : t("commission_never");
};

function parts(bench) {
  const bad = bench.checks.filter((check) => !check.passed && check.name !== t("commission_phone_name"));
  return bad.length ? bad.map((check) => `${check.name}: ${said(check.text)}`).join("; ") : t("commission_parts_good");
}

/** Show the steps; begin: called with the name of a bench test. status: untold says whether the phone is reached. */
export async function showSteps(results, status, begin) {
  const bench = await api("bench");
  const trials = Object.entries(TRIALS).map(([name, [test, kind]]) =>
    step(name, last(results, kind), () => begin(test)),
  );
  const untold = status.untold ? t("untold", { why: status.untold }) : t("commission_phone_good");
  byId("steps").replaceChildren(
    step("parts", parts(bench)),
    ...trials,
    step("valve", last(results, "commissioning")),
    step("phone", untold),
  );
}
