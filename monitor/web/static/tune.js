// Thresholds to try: a moved slider is told at once, without a button.

import { tellTimes } from "./moments.js";

const form = document.getElementById("knobs");
const told = document.getElementById("told");
const WAIT = 120;
let waiting = null;
let wanted = null; // what is still to be asked for: whether a hand moved it; null for nothing
let asking = false;

// One question at a time: the server works out no more than one, and the last move is the one that counts.
async function ask(moved = false) {
  wanted = moved || wanted === true;
  if (asking) return;
  asking = true;
  while (wanted !== null) {
    const mine = wanted;
    wanted = null;
    const seconds = await answered(mine);
    if (seconds === 0) continue;
    await new Promise((resolve) => setTimeout(resolve, 1000 * seconds));
    wanted ??= mine;
  }
  asking = false;
}

// Shows the answer; gives the seconds after which to ask again where another's trial is being worked out.
async function answered(moved) {
  const address = new URL(form.action);
  address.search = new URLSearchParams(new FormData(form)).toString();
  try {
    const answer = await fetch(address, { headers: { Accept: "text/html" }, redirect: "error" });
    const busy = answer.status === 503;
    if (!answer.ok && !busy) return 0; // refused while it is typed
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    const fresh = page.querySelector(busy ? ".reason" : "#told");
    if (fresh && busy) told.replaceChildren(fresh);
    if (busy) return Number(answer.headers.get("Retry-After")) || 5;
    if (!fresh || wanted !== null) return 0; // overtaken by the next move
    told.innerHTML = fresh.innerHTML;
    tellTimes(told);
    if (moved) history.replaceState(null, "", address);
  } catch { /* the button still asks in full */ }
  return 0;
}

form.addEventListener("input", (event) => {
  const moved = event.target;
  const name = moved.dataset.knob ?? moved.name;
  const other = moved.dataset.knob ? form.elements[name] : form.querySelector(`[data-knob="${name}"]`);
  if (other) other.value = moved.value;
  clearTimeout(waiting);
  waiting = setTimeout(ask, WAIT, true);
});

ask();
