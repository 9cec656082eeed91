// Thresholds to try: a moved slider is told at once, without a button.

import { tellTimes } from "./moments.js";

const form = document.getElementById("knobs");
const told = document.getElementById("told");
const WAIT = 120;
let waiting = null;
let asked = 0;

async function ask(moved = false) {
  const mine = ++asked;
  const address = new URL(form.action);
  address.search = new URLSearchParams(new FormData(form)).toString();
  try {
    const answer = await fetch(address, { headers: { Accept: "text/html" }, redirect: "error" });
    if (!answer.ok || mine !== asked) return; // refused while it is typed, or overtaken by the next move
    const fresh = new DOMParser().parseFromString(await answer.text(), "text/html").getElementById("told");
    if (!fresh || mine !== asked) return;
    told.innerHTML = fresh.innerHTML;
    tellTimes(told);
    if (moved) history.replaceState(null, "", address);
  } catch { /* the button still asks in full */ }
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
