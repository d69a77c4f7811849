// Sign in, or make the first account.
import { act } from "./common.js";

/** The view that somebody wanted before the door was in the way: of this page, or the first. */
function wanted() {
  const to = new URL(new URLSearchParams(location.search).get("to") ?? "/", location.origin);
  return to.origin === location.origin ? to.pathname + location.hash : "/";
}

document.querySelector("form").onsubmit = async (event) => {
  event.preventDefault();
  const form = event.target;
  const button = form.querySelector("button");
  button.disabled = true;
  const to = form.dataset.to;
  const body = Object.fromEntries(new FormData(form));
  const found = await act(to, body, to === "set-up" ? "set_up_done" : "");
  button.disabled = false;
  if (found !== null) location.assign(to === "set-up" ? "/sign-in" : wanted());
};
