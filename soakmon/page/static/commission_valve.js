// The valve must shut however the bench goes: the bench watches the flow, the owner types or pulls.
import { act, byId, canRun, el, put, t } from "./common.js";
import { line, soon } from "./commissioning.js";

const WAYS = ["stopped", "killed", "power"];
let title = "";

async function tried(way) {
  if ((await act("commissioning/valve", { way }, null)) !== null) soon();
}

function showWays(ways, status) {
  byId("c-ways").replaceChildren(
    ...WAYS.filter((way) => ways.some((one) => one.way === way)).map((way) => {
      const done = ways.find((one) => one.way === way).found !== null;
      const name = t(`commission_valve_${way}`) + (done ? t("commission_again") : "");
      const button = el("button", { type: "button" }, t("commission_valve_try", { name }));
      button.disabled = !status.feed_open;
      button.onclick = () => tried(way);
      return button;
    }),
  );
}

/** What came of each way, and what can be done now. */
export function showValve(state, status) {
  title = state.title;
  const found = state.valve.filter((one) => one.found !== null).map((one) => line(one.found));
  byId("c-valve").replaceChildren(...found);
  put("c-valve-found", state.valve.length === 0 ? t("commission_valve_none") : "");
  if (!canRun) return;
  const free = ["idle", "ended"].includes(status.phase);
  const waits = state.waiting !== null;
  byId("c-open").hidden = !free || state.valve.length === 0;
  byId("c-wait").hidden = status.phase !== "preflight";
  byId("c-ways").hidden = free || waits || status.phase === "preflight" || state.valve.length === 0;
  byId("c-end").hidden = free || state.valve.length === 0;
  byId("c-trial").hidden = !waits;
  showWays(state.valve, status);
  if (!waits) return;
  const { command } = state.valve.find((one) => one.way === state.waiting);
  const flow = state.open_g_per_min;
  put("c-do", t(command ? "commission_valve_type" : "commission_valve_pull", { flow }));
  put("c-command", command);
}

export function beginValve() {
  byId("c-open").querySelector("form").onsubmit = async (event) => {
    event.preventDefault();
    const confirmed = new FormData(event.target).getAll("caution");
    if ((await act("soak", { title, job: null, confirmed, filled: false }, null)) === null) return;
    event.target.reset();
    soon();
  };
  byId("c-not").onclick = async () => {
    if ((await act("commissioning/valve", undefined, null, { method: "DELETE" })) !== null) soon();
  };
  byId("c-end").onclick = async () => {
    await act("commissioning/valve", undefined, null, { method: "DELETE" });
    if ((await act("end", { reason: t("commission_valve_ended") }, "end_done")) !== null) soon();
  };
}
