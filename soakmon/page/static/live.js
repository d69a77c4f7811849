// Keeps a view up to date: asks for the next state and waits for it, again and again.
// A sleeping phone, a lost network or a restarted service only make the next answer late.
import { isSignedOut } from "./again.js";
import { api, byId, age, nameZone, put, t } from "./common.js";

const WAIT_S = 10;
const OLD_S = 12; // numbers that only drift come every five seconds
const pause = (ms) => new Promise((done) => setTimeout(done, ms));

let read_ms = 0; // when the newest reading was made, by this device's clock
let answered_ms = Date.now();
let lost = false;

function showLink() {
  const reading_s = (Date.now() - read_ms) / 1000;
  const silent_s = (Date.now() - answered_ms) / 1000;
  const out = isSignedOut();
  const gone = !out && (lost || silent_s > WAIT_S + 5);
  const old = !out && !gone && read_ms > 0 && reading_s > OLD_S;
  const kind = out ? "out" : gone ? "lost" : old ? "old" : read_ms > 0 ? "live" : "waiting";
  byId("link").className = kind;
  const blind = out || gone || old;
  document.body.classList.toggle("stale", blind);
  const told = {
    lost: t("lost", { age: age(silent_s) }),
    old: t("old", { age: age(reading_s) }),
    out: t("signed_out"),
  };
  byId("unwatched").hidden = !blind;
  // Without a reading there is nothing old to be taken for new.
  if (blind) put("unwatched", read_ms > 0 ? t("unwatched", { why: told[kind], age: age(reading_s) }) : told[kind]);
  const text = told[kind] ?? t(kind === "live" ? "live" : "connecting");
  put("link", text);
  // Told aloud once for each change, not every second.
  if (byId("link-told").dataset.kind !== kind) put("link-told", text);
  byId("link-told").dataset.kind = kind;
  const asOf = byId("as-of");
  if (asOf) {
    asOf.hidden = !blind || read_ms === 0;
    put("as-of", t("as_of", { age: age(reading_s) }));
  }
}

/** Calls show(status) with every new state of the bench. */
export async function watch(show) {
  let seen = 0;
  let status = {};
  let waiting = null;
  setInterval(showLink, 500);
  // Back from sleep: a call that was under way may never be answered.
  const wake = () => {
    if (document.visibilityState === "visible" && (lost || Date.now() - answered_ms > 2000)) {
      waiting?.();
    }
  };
  document.addEventListener("visibilitychange", wake);
  window.addEventListener("online", wake);
  for (;;) {
    try {
      const asked = api(`live?seen=${seen}&wait_s=${seen ? WAIT_S : 0}&changes=true`, { timeout_s: WAIT_S + 5 });
      const woken = new Promise((_, fail) => {
        waiting = () => fail(new Error("woken"));
      });
      asked.catch(() => {});
      const found = await Promise.race([asked, woken]);
      if (found.version !== document.documentElement.dataset.version) location.reload();
      lost = false;
      answered_ms = Date.now();
      read_ms = answered_ms - 1000 * found.age_s;
      seen = found.seen;
      status = found.since === null ? found.status : { ...status, ...found.status };
      for (const key of found.gone) delete status[key];
      nameZone(status.zone);
      show(status);
      showLink();
      await pause(150);
    } catch (error) {
      if (error.message === "woken") continue;
      lost = true;
      showLink();
      await Promise.race([
        pause(1000),
        new Promise((done) => {
          waiting = done;
        }),
      ]);
    }
  }
}
