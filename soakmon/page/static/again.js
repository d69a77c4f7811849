// Signed out: the page says so over everything, keeps what was typed, and goes on after a sign-in.
import texts from "./texts.js";

const byId = (id) => document.getElementById(id);
const meta = (name) => document.querySelector(`meta[name="${name}"]`);
let asked = null;

async function tried(form) {
  const answer = await fetch("/api/sign-in", {
    method: "POST",
    headers: { "Content-Type": "application/json" },
    body: JSON.stringify(Object.fromEntries(new FormData(form))),
    signal: AbortSignal.timeout(20_000),
  });
  const found = await answer.json();
  if (!answer.ok) throw new Error(found.problem);
  return found;
}

function ask(done) {
  const dialog = byId("again");
  const form = dialog.querySelector("form");
  dialog.oncancel = (event) => event.preventDefault();
  form.onsubmit = async (event) => {
    event.preventDefault();
    try {
      const found = await tried(form);
      // Another role has other buttons: then the page is made anew.
      if (found.role !== meta("role").content) return location.reload();
      meta("csrf").content = found.csrf;
      form.reset();
      byId("again-told").textContent = "";
      dialog.close();
      done();
    } catch (error) {
      byId("again-told").textContent = error.name === "Error" ? error.message : texts.unreachable;
    }
    return undefined;
  };
  dialog.showModal();
}

/** Whether somebody has to sign in before the page watches again. */
export const isSignedOut = () => asked !== null;

/** Asks for name and password once, whoever needs them; resolved when somebody has signed in. */
export function signedIn() {
  asked ??= new Promise(ask).finally(() => {
    asked = null;
  });
  return asked;
}
