// All benches on a screen of their own, without a bench: it asks again and again by itself.
import { isSignedOut } from "./again.js";
import { refresh } from "./benchlist.js";
import { age, byId, put, t } from "./common.js";

const LOST_S = 15;
let answered_ms = Date.now();

function showLink() {
  const silent_s = (Date.now() - answered_ms) / 1000;
  const out = isSignedOut();
  const lost = out || silent_s > LOST_S;
  byId("link").className = lost ? "lost" : "live";
  document.body.classList.toggle("stale", lost);
  byId("unwatched").hidden = !lost;
  const told = out ? t("signed_out") : t("lost", { age: age(silent_s) });
  if (lost) put("unwatched", told);
  put("link", lost ? told : t("live"));
  const kind = lost ? "lost" : "live";
  if (byId("link-told").dataset.kind !== kind) put("link-told", lost ? told : t("live"));
  byId("link-told").dataset.kind = kind;
}

for (;;) {
  try {
    if (await refresh()) answered_ms = Date.now();
  } catch {
    // What is shown grows old, and says so.
  }
  showLink();
  await new Promise((done) => setTimeout(done, 1000));
}
