// Sign in, or make the first account.
import { act } from "./common.js";

document.querySelector("form").onsubmit = async (event) => {
  event.preventDefault();
  const form = event.target;
  const button = form.querySelector("button");
  button.disabled = true;
  const to = form.dataset.to;
  const body = Object.fromEntries(new FormData(form));
  const found = await act(to, body, to === "set-up" ? "set_up_done" : "");
  button.disabled = false;
  if (found !== null) location.assign(to === "set-up" ? "/sign-in" : "/");
};
