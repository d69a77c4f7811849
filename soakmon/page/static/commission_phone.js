// A way to the phone: chosen, scanned, and tried by messages that must arrive.
import { act, byId, canRun, put, t } from "./common.js";
import { soon } from "./commissioning.js";

const SENDS_WITHIN_S = 40;

/** The image as an image: what the bench draws is parsed apart, and only its root is taken. */
function image(text) {
  const drawn = document.importNode(new DOMParser().parseFromString(text, "image/svg+xml").documentElement, true);
  drawn.setAttribute("role", "img");
  drawn.setAttribute("aria-label", t("commission_phone_code"));
  return drawn;
}

async function keep(body) {
  const found = await act("commissioning/phone", body, "commission_phone_kept");
  if (found === null) return;
  byId("c-code").hidden = !found.link;
  if (found.link) {
    byId("c-svg").replaceChildren(image(found.svg));
    byId("c-link").href = found.link;
    put("c-link", found.link);
  }
  soon();
}

function outcome({ sent, failed, arrived, answers, answered }) {
  if (failed.length) return failed.join("; ");
  if (!sent || arrived === null) return "";
  if (!arrived) return t("commission_phone_no");
  const how = answered ? "answered" : answers ? "unanswered" : "no_answer";
  return `${t("commission_phone_yes")}. ${t(`commission_phone_${how}`)}`;
}

export function showPhone({ phone }, status) {
  const untold = status.untold && !phone.sent ? t("untold", { why: status.untold }) : "";
  put("c-phone-found", outcome(phone) || untold || (phone.chosen ? "" : t("commission_never")));
  if (!canRun) return;
  byId("c-send").hidden = !phone.chosen;
  byId("c-arrived").hidden = !phone.sent || phone.failed.length > 0 || phone.arrived !== null;
  const press = phone.answers ? ` ${t("commission_phone_press")}` : "";
  put("c-sent", t("commission_phone_sent", { n: phone.sent }) + press);
}

export function beginPhone() {
  for (const way of ["push", "mail"]) {
    byId(`c-${way}`).onsubmit = async (event) => {
      event.preventDefault();
      const form = event.target;
      await keep({ way, ...Object.fromEntries(new FormData(form)) });
      if (form.password) form.password.value = "";
    };
  }
  byId("c-send").onclick = async () => {
    byId("c-send").disabled = true;
    const found = await act("commissioning/message", {}, null, { timeout_s: SENDS_WITHIN_S });
    byId("c-send").disabled = false;
    if (found !== null) soon();
  };
  for (const [id, arrived] of [["c-yes", true], ["c-no", false]]) {
    byId(id).onclick = async () => {
      if ((await act("commissioning/arrived", { arrived }, null)) !== null) soon();
    };
  }
}
