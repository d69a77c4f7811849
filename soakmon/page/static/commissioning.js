// From wired parts to a bench that is known to be sound: the steps in order, and what came of each.
import { act, api, byId, canRun, el, moment, put, t, tell } from "./common.js";
import { beginBench, showBench } from "./commission_bench.js";
import { beginPhone, showPhone } from "./commission_phone.js";
import { beginValve, showValve } from "./commission_valve.js";
import { said } from "./units.js";

// Steps that are bench tests begin here, by the kind of their result.
const TRIALS = { mass: ["daily", "daily_check"], straw: ["straw", "straw"], still: ["still", "still"] };
const EVERY_MS = 2000;
let asked_ms = 0;

const last = (results, kind) => {
  const one = results.find((result) => result.kind === kind);
  return one ? `${moment(Date.parse(one.at) / 1000)}: ${said(one.summary)}` : t("commission_never");
};

/** A step's outcome as a line of a list. */
export function line({ name, passed, text }) {
  const kind = passed === null ? "note" : passed ? "ok" : "failed";
  const word = t({ ok: "commission_good", failed: "commission_bad", note: "commission_left" }[kind]);
  return el("li", { class: kind }, el("strong", {}, word), ` ${name}: ${said(text)}`);
}

function draw(state, status) {
  byId("c-parts").replaceChildren(...state.parts.map(line));
  showBench(state);
  showValve(state, status);
  showPhone(state, status);
  byId("c-over").hidden = !state.to_take_over;
  put("c-over-command", state.to_take_over);
}

let drawn = "";

/** Show how far it is; results: of the bench tests. Called with every new state of the bench. */
export async function showSteps(results, status) {
  if (Date.now() - asked_ms < EVERY_MS) return;
  asked_ms = Date.now();
  for (const [name, [, kind]] of Object.entries(TRIALS)) put(`c-${name}-found`, last(results, kind));
  put("c-record-found", last(results, "commissioning"));
  const state = await api("commissioning").catch(() => null);
  if (state === null) return;
  const now = JSON.stringify([state, status.phase, status.feed_open, status.untold]);
  if (now === drawn) return;
  drawn = now;
  draw(state, status);
}

/** Have the next state drawn at once. */
export function soon() {
  asked_ms = 0;
  drawn = "";
}

/** begin: called with the name of a bench test; done: when a result has been kept. */
export function beginCommissioning(begin, done) {
  byId("commission").ontoggle = soon;
  if (!canRun) return;
  for (const [name, [test]] of Object.entries(TRIALS)) byId(`c-${name}`).onclick = () => begin(test);
  byId("c-look").onclick = async () => {
    if ((await act("commissioning/look", {}, null)) !== null) soon();
  };
  byId("c-record").onclick = async () => {
    const found = await act("commissioning/record", {}, null);
    if (found === null) return;
    tell(t("commission_record_kept", { summary: said(found.summary) }));
    await done();
    soon();
  };
  beginBench();
  beginValve();
  beginPhone();
}
