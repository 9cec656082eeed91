// Times in the reader's own zone. The server wrote its own local time as a first answer; UTC is in the attribute.

// the server's clock counts: readings carry its time, and a reader's own may be wrong
let ahead = 0;

export const setNow = (ms) => { if (Number.isFinite(ms)) ahead = ms - Date.now(); };
export const now = () => Date.now() + ahead;

const day = new Intl.DateTimeFormat("en-GB", { weekday: "short", day: "numeric", month: "short" });
const clock = new Intl.DateTimeFormat("en-GB", { hour: "2-digit", minute: "2-digit" });
const year = new Intl.DateTimeFormat("en-GB", { year: "numeric" });

export function dayOf(ms) {
  const text = day.format(ms).replace(",", "");
  const then = year.format(ms);
  return then === year.format(now()) ? text : `${text} ${then}`;
}

export const clockOf = (ms) => clock.format(ms);
export const whenOf = (ms) => `${dayOf(ms)}, ${clockOf(ms)}`;

const counted = (number, noun) => `${Math.round(number)} ${noun}${Math.round(number) === 1 ? "" : "s"}`;

function spanOf(ms) {
  const minutes = ms / 60000;
  if (minutes < 120) return counted(minutes, "minute");
  if (minutes < 2880) return counted(minutes / 60, "hour");
  return counted(minutes / 1440, "day");
}

export function agoOf(ms) {
  const span = now() - ms;
  if (Math.abs(span) < 60000) return "just now";
  return span > 0 ? `${spanOf(span)} ago` : `in ${spanOf(-span)}`;
}

const forms = { when: whenOf, day: dayOf, clock: clockOf, ago: agoOf };

export function tellTimes(root = document) {
  for (const element of root.querySelectorAll("time[data-as]")) {
    const form = forms[element.dataset.as];
    const ms = Date.parse(element.dateTime);
    if (!form || Number.isNaN(ms)) continue;
    element.textContent = form(ms);
    if (element.dataset.as === "ago") element.title = whenOf(ms);
  }
}

// a `datetime-local` field holds the server's local time without script; with it the reader's own
export function localField(ms) {
  const shifted = new Date(ms - new Date(ms).getTimezoneOffset() * 60000);
  return shifted.toISOString().slice(0, 16);
}
