// Keeps a page true: one event stream that says what changed, and the page itself, asked for again.

import { tellTimes, clockOf, localField, now, setNow } from "./moments.js";

const html = document.documentElement;
html.classList.add("scripted");
setNow(Number(document.body.dataset.now));
tellTimes();
for (const field of document.querySelectorAll("input[type=datetime-local]")) {
  // what leaves is a moment, whatever the zone of the server
  const moment = document.createElement("input");
  moment.type = "hidden";
  moment.name = `${field.name}_utc`;
  field.value = localField(now());
  field.after(moment);
  field.form.addEventListener("submit", () => {
    const touched = field.value && field.value !== field.dataset.untouched;
    moment.value = touched ? new Date(field.value).toISOString() : "";
  });
  field.dataset.untouched = field.value;
}
setInterval(tellTimes, 20000);

const path = document.body.dataset.events;
const sign = document.getElementById("live");
const announce = document.getElementById("announce");
let source = null;
let seen = document.body.dataset.seen ?? "";
let retry = 1000;
let waitingRefresh = null;
let refreshed = 0;
let refreshing = false;
let again = false;

function say(text) {
  if (sign && sign.textContent !== text) sign.textContent = text;
}

async function refresh() {
  if (refreshing) { again = true; return; }
  refreshing = true;
  refreshed = performance.now();
  try {
    const answer = await fetch(location.href, { headers: { Accept: "text/html" }, redirect: "error" });
    // the answer to a form stands under an address that nobody can ask for: it stays as it is
    const lasting = answer.status === 404 || answer.status === 405;
    if (!answer.ok && !lasting) throw new Error(answer.statusText);
    if (!lasting) {
      const fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
      setNow(Number(fresh.body.dataset.now));
      exchange(fresh);
    }
    say(`Live, ${clockOf(now())}`);
  } catch {
    say("Cannot reach carboyd; trying again");
  }
  refreshing = false;
  if (again) { again = false; soon(); }
}

const keyOf = (field) => `${field.form?.action} ${field.name} ${["checkbox", "radio"].includes(field.type) ? field.value : ""}`;

function exchange(fresh) {
  for (const old of document.querySelectorAll("[data-live]")) {
    const next = fresh.getElementById(old.id);
    if (!next || next.innerHTML === old.dataset.told) continue;
    if (old.contains(document.activeElement) && document.activeElement.matches("input, select, textarea, button, summary")) continue;
    const told = next.innerHTML;
    if (old.dataset.told === undefined && next.textContent === old.textContent) { old.dataset.told = told; continue; }
    if (old.dataset.aloud !== undefined && next.textContent.trim() !== old.textContent.trim()) announce.textContent = next.textContent.trim();
    const chosen = new Map([...old.querySelectorAll("select, input, textarea")].map((field) => [keyOf(field), field]));
    const unfolded = new Set([...old.querySelectorAll("details[open] > form")].map((form) => form.action));
    old.innerHTML = told;
    for (const form of old.querySelectorAll("details > form")) form.parentElement.open = unfolded.has(form.action);
    for (const field of old.querySelectorAll("select, input, textarea")) {
      // what somebody has chosen already stays chosen
      const before = chosen.get(keyOf(field));
      if (!before || field.type === "hidden") continue;
      if (field.type === "checkbox" || field.type === "radio") field.checked = before.checked;
      else field.value = before.value;
    }
    old.dataset.told = told;
    tellTimes(old);
  }
  document.title = fresh.title;
  document.dispatchEvent(new CustomEvent("carboyd:fresh"));
}

// at once after a pause, and no more than once in a while when much happens
function soon() {
  if (waitingRefresh !== null) return;
  const wait = Math.max(100, 1000 - (performance.now() - refreshed));
  waitingRefresh = setTimeout(() => { waitingRefresh = null; refresh(); }, wait);
}

function listen() {
  if (source) source.close();
  source = new EventSource(`${path}?seen=${encodeURIComponent(seen)}`);
  source.onopen = () => {
    retry = 1000;
    say(`Live, ${clockOf(now())}`);
    if (html.dataset.stream === "lost") soon();
    html.dataset.stream = "open";
  };
  source.onerror = () => {
    say("Not live; trying again");
    html.dataset.stream = "lost";
    if (source.readyState === EventSource.CLOSED) {
      // an answer that was no stream ends it for good: a restart behind a proxy looks like that
      setTimeout(() => { listen(); soon(); }, retry);
      retry = Math.min(retry * 2, 30000);
    }
  };
  for (const topic of ["batch", "alert", "sensor", "everything"]) {
    source.addEventListener(topic, (event) => {
      seen = event.lastEventId;
      const about = JSON.parse(event.data || "{}");
      const only = document.body.dataset.batch;
      const all = topic === "everything" || (topic === "alert" && !about.batch);
      // a shared page is told of its own batch alone, and not by name
      if (only && !all && (about.batch ?? only) !== only) return;
      soon();
    });
  }
}

if (path) {
  listen();
  document.addEventListener("visibilitychange", () => {
    if (document.visibilityState !== "visible") return;
    // a phone that slept has an open stream that says nothing
    listen();
    soon();
  });
  window.addEventListener("online", () => { listen(); soon(); });
  window.addEventListener("pagehide", () => source && source.close());
  window.addEventListener("pageshow", (event) => { if (event.persisted) { listen(); soon(); } });
}

for (const form of document.querySelectorAll("form[data-choose]")) {
  // one field decides which others matter
  const show = () => {
    const chosen = new FormData(form).get(form.dataset.choose);
    for (const part of form.querySelectorAll("[data-for]")) {
      part.hidden = !part.dataset.for.split(" ").includes(chosen);
    }
  };
  form.addEventListener("change", show);
  show();
}
