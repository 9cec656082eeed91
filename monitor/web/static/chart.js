// Gravity and temperature on one time axis, drawn by BokehJS from thinned data; hover, slider and buttons move
// one and the same moment, so that pointer, thumb and keyboard see the same values.

import { whenOf, dayOf, clockOf } from "./moments.js";

const box = document.getElementById("chart");
const day = 86400000;
const LABEL_PX = 17; // the height of a line of text, which stands upright beside its mark
const css = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();
const inUs = box.dataset.units === "us";
const warmth = (c) => (c === null ? null : inUs ? c * 1.8 + 32 : c);
const warmthUnit = inUs ? "°F" : "°C";
let chart = null;
let wanted = null;
let view = "whole";
let still = false;

function script(src) {
  return new Promise((done, failed) => {
    const element = document.createElement("script");
    Object.assign(element, { src, onload: done, onerror: failed });
    document.head.append(element);
  });
}

async function load(range) {
  const address = new URL(box.dataset.source, location.href);
  address.searchParams.set("width", Math.round(box.clientWidth));
  if (range) {
    address.searchParams.set("from_ms", Math.round(range[0]));
    address.searchParams.set("to_ms", Math.round(range[1]));
  }
  const answer = await fetch(address, { headers: { Accept: "application/json" } });
  if (!answer.ok) throw new Error(answer.statusText);
  return answer.json();
}

function ticksFor(from, to, pixels) {
  const steps = [1, 3, 6, 12, 24, 48, 96, 168, 336, 672, 1344];
  const hours = steps.find((step) => ((to - from) / 3600000 / step) * 66 < pixels) ?? 2688;
  const ticks = [];
  const labels = new Map();
  const at = new Date(from);
  at.setMinutes(0, 0, 0);
  if (hours >= 24) at.setHours(0);
  else at.setHours(Math.floor(at.getHours() / hours) * hours);
  while (at.getTime() <= to) {
    const ms = at.getTime();
    if (ms >= from) {
      ticks.push(ms);
      labels.set(ms, at.getHours() === 0 ? dayOf(ms).split(" ").slice(1, 3).join(" ") : clockOf(ms));
    }
    if (hours >= 24) at.setDate(at.getDate() + hours / 24);
    else at.setHours(at.getHours() + hours);
  }
  return [ticks, labels];
}

function source(columns) {
  return new Bokeh.Models.ColumnDataSource({ data: columns });
}

// a break in a line is null in JSON and NaN for the glyphs, which would draw null as 0
const broken = (values) => values.map((value) => (value === null ? NaN : value));

function columns(data) {
  const { raw, level, fit, samples, temperature } = data;
  return {
    raw: { t: raw.time_ms, low: raw.low_sg, high: raw.high_sg },
    level: { t: level.time_ms, sg: broken(level.sg) },
    fit: { t: fit.time_ms, sg: broken(fit.sg), low: broken(fit.low_sg), high: broken(fit.high_sg) },
    samples: { t: samples.time_ms, sg: samples.sg },
    warm: { t: temperature.time_ms, c: broken(temperature.mean_c.map(warmth)) },
  };
}

function gravityRange(data) {
  const seen = [...data.level.sg, ...data.samples.sg, ...data.fit.low_sg, ...data.fit.sg, ...data.fit.high_sg].filter((v) => v !== null);
  if (!seen.length) seen.push(...data.raw.low_sg, ...data.raw.high_sg);
  if (!seen.length) seen.push(1, 1.05);
  const [low, high] = [Math.min(...seen), Math.max(...seen)];
  const pad = Math.max(0.002, (high - low) * 0.07);
  return [low - pad, high + pad * 1.8];
}

function axis(M, extra) {
  return {
    axis_label_text_color: css("--quiet"), axis_label_text_font_style: "normal", axis_label_text_font_size: "13px",
    axis_label_text_font: css("--text"), major_label_text_color: css("--quiet"), major_label_text_font_size: "13px",
    major_label_text_font: css("--text"), axis_line_color: css("--line"), major_tick_line_color: css("--line"),
    minor_tick_line_color: null, ...extra,
  };
}

function plotOf(M, x, y, grow, tools) {
  return new M.Plot({
    x_range: x, y_range: y, sizing_mode: grow ? "stretch_both" : "stretch_width", height: grow ? null : 150,
    background_fill_color: null, border_fill_color: null, outline_line_color: null, toolbar_location: null,
    min_border_left: 62, min_border_right: 12, min_border_top: 4, min_border_bottom: grow ? 6 : 28,
    output_backend: "canvas", ...tools,
  });
}

// of the key stays what the whole chart has
function keyed(data, anew) {
  for (const line of document.querySelectorAll("[data-key]")) {
    const has = data[line.dataset.key].time_ms.length > 0;
    if (anew || has) line.hidden = !has;
  }
}

function build(data) {
  const M = Bokeh.Models;
  const [from, to] = [data.from_ms, data.to_ms];
  const x = new M.Range1d({ start: from, end: to, bounds: [from - day, to + day], min_interval: 3600000 });
  const [low, high] = gravityRange(data);
  const y = new M.Range1d({ start: low, end: high });
  // without a temperature its panel is left out, and the dates stand below the gravity
  const bare = !data.temperature.time_ms.length;
  const gravity = plotOf(M, x, y, true, bare ? { min_border_bottom: 28 } : {});
  const held = columns(data);
  const sources = Object.fromEntries(Object.entries(held).map(([name, value]) => [name, source(value)]));
  const ticker = new M.FixedTicker({ ticks: [], minor_ticks: [] });
  const faint = { grid_line_color: css("--faint") };
  const add = (plot, kind, from_, options) => plot.add_glyph(new M[kind](options), from_);
  const marks = [];
  const deeds = [];

  gravity.add_layout(new M.LinearAxis(axis(M, { axis_label: "Specific gravity", formatter: new M.NumeralTickFormatter({ format: "0.000" }) })), "left");
  gravity.add_layout(new M.Grid({ dimension: 1, ...faint }));
  gravity.add_layout(new M.Grid({ dimension: 0, ticker, ...faint }));
  add(gravity, "VArea", sources.fit, { x: { field: "t" }, y1: { field: "low" }, y2: { field: "high" }, fill_color: css("--plum"), fill_alpha: 0.18 });
  add(gravity, "Segment", sources.raw, { x0: { field: "t" }, y0: { field: "low" }, x1: { field: "t" }, y1: { field: "high" }, line_color: css("--raw"), line_width: 1.4, line_alpha: 0.5, line_cap: "round" });
  add(gravity, "Line", sources.fit, { x: { field: "t" }, y: { field: "sg" }, line_color: css("--plum"), line_width: 2, line_dash: [6, 4] });
  add(gravity, "Line", sources.level, { x: { field: "t" }, y: { field: "sg" }, line_color: css("--accent"), line_width: 2.6, line_join: "round" });
  add(gravity, "Scatter", sources.samples, { x: { field: "t" }, y: { field: "sg" }, size: 13, marker: "diamond", fill_color: css("--sheet"), line_color: css("--hand"), line_width: 2.4 });

  const warm = plotOf(M, x, new M.Range1d(warmthRange(data)), false, {});
  warm.add_layout(new M.LinearAxis(axis(M, { axis_label: warmthUnit, ticker: new M.BasicTicker({ desired_num_ticks: 4 }) })), "left");
  const below = new M.LinearAxis(axis(M, { ticker }));
  (bare ? gravity : warm).add_layout(below, "below");
  warm.add_layout(new M.Grid({ dimension: 1, ticker: new M.BasicTicker({ desired_num_ticks: 4 }), ...faint }));
  warm.add_layout(new M.Grid({ dimension: 0, ticker, ...faint }));
  if (data.yeast_c) {
    warm.add_layout(new M.BoxAnnotation({ bottom: warmth(data.yeast_c[0]), top: warmth(data.yeast_c[1]), fill_color: css("--accent"), fill_alpha: 0.07, line_color: null, level: "underlay", editable: false }));
  }
  add(warm, "Line", sources.warm, { x: { field: "t" }, y: { field: "c" }, line_color: css("--warm"), line_width: 2.2 });

  phases(M, gravity, data, marks);
  journal(M, gravity, warm, data, deeds);
  const spans = [gravity, warm].map((plot) => {
    const span = new M.Span({ dimension: "height", location: to, line_color: css("--ink"), line_width: 1.2, visible: false });
    plot.add_layout(span);
    return span;
  });
  tools(M, gravity, warm);
  const layout = new M.Column({ children: bare ? [gravity] : [gravity, warm], sizing_mode: "stretch_both", spacing: 0 });
  return { layout, bare, gravity, warm, x, y, sources, ticker, below, spans, data, held, marks, deeds };
}

function warmthRange(data) {
  const seen = data.temperature.mean_c.filter((v) => v !== null).concat(data.yeast_c ?? []).map(warmth);
  if (!seen.length) return { start: warmth(10), end: warmth(25) };
  return { start: Math.min(...seen) - 1, end: Math.max(...seen) + 1 };
}

function phases(M, plot, data, marks) {
  data.phases.forEach((phase, index) => {
    const stretch = new M.BoxAnnotation({
      left: phase.from_ms, right: phase.to_ms, fill_color: css("--accent"), fill_alpha: index % 2 ? 0.085 : 0.0,
      line_color: null, level: "underlay", editable: false,
    });
    plot.add_layout(stretch);
    const label = new M.Label({
      x: phase.from_ms, y: 2, y_units: "screen", x_offset: 5, text: phase.word, text_color: css("--quiet"), text_font: css("--text"),
      text_font_size: "12.5px", text_baseline: "bottom", visible: false,
    });
    plot.add_layout(label);
    marks.push({ label, stretch, from: phase.from_ms, to: phase.to_ms, width: phase.word.length * 7 + 10 });
  });
}

function journal(M, gravity, warm, data, deeds) {
  for (const mark of data.marks) {
    for (const plot of [gravity, warm]) {
      plot.add_layout(new M.Span({ dimension: "height", location: mark.time_ms, line_color: css("--quiet"), line_width: 1, line_dash: [2, 3] }));
    }
    const label = new M.Label({
      x: mark.time_ms, y: gravity.y_range.end, x_offset: 4, y_offset: -4, text: mark.title, angle: -Math.PI / 2, text_color: css("--quiet"),
      text_font: css("--text"), text_font_size: "12.5px", text_align: "left", text_baseline: "bottom",
    });
    gravity.add_layout(label);
    deeds.push({ label, at: mark.time_ms, title: mark.title });
  }
}

// "Fed 2×, Racked": what stands too close together shares one label, at its last line
function named(titles) {
  const counts = new Map();
  for (const title of titles) counts.set(title, (counts.get(title) ?? 0) + 1);
  const words = [...counts].map(([title, count]) => (count > 1 ? `${title} ${count}×` : title));
  return words.length > 3 ? `${words.slice(0, 2).join(", ")} and ${words.length - 2} more` : words.join(", ");
}

function spread(deeds, x, pixels) {
  const place = (deed) => ((deed.at - x.start) / (x.end - x.start)) * pixels;
  let close = [];
  [...deeds].sort((one, two) => one.at - two.at).forEach((deed, index, sorted) => {
    close.push(deed);
    const next = sorted[index + 1];
    const last = !next || place(next) - place(deed) >= LABEL_PX;
    deed.label.visible = last;
    if (!last) return;
    deed.label.text = named(close.map((one) => one.title));
    close = [];
  });
}

function tools(M, gravity, warm) {
  const fine = matchMedia("(pointer: fine)").matches;
  for (const plot of [gravity, warm]) {
    const wheel = new M.WheelZoomTool({ dimensions: "width", modifiers: { ctrl: true } });
    const chosen = [wheel];
    if (fine) chosen.push(new M.PanTool({ dimensions: "width" }));
    plot.toolbar.tools = chosen;
    plot.toolbar.active_scroll = wheel;
    plot.on_event("mousemove", (event) => look(event.x));
  }
}

const nearest = (times, ms) => {
  let low = 0;
  let high = times.length - 1;
  while (low < high) {
    const middle = (low + high) >> 1;
    if (times[middle] < ms) low = middle + 1;
    else high = middle;
  }
  if (low > 0 && Math.abs(times[low - 1] - ms) < Math.abs(times[low] - ms)) low -= 1;
  return low;
};

function valueAt(times, values, ms, within) {
  if (!times.length) return null;
  const index = nearest(times, ms);
  return Math.abs(times[index] - ms) > within ? null : values[index];
}

function look(ms) {
  if (!chart) return;
  const { data, x } = chart;
  const within = Math.max(2 * 3600000, (x.end - x.start) / 60);
  const parts = [whenOf(ms)];
  const phase = data.phases.find((one) => one.from_ms <= ms && ms < one.to_ms);
  if (phase) parts.push(phase.word.toLowerCase());
  const level = valueAt(data.level.time_ms, data.level.sg, ms, within);
  const fit = valueAt(data.fit.time_ms, data.fit.sg, ms, within);
  const low = valueAt(data.fit.time_ms, data.fit.low_sg, ms, within);
  const high = valueAt(data.fit.time_ms, data.fit.high_sg, ms, within);
  const hand = valueAt(data.samples.time_ms, data.samples.sg, ms, within / 2);
  const warm = valueAt(data.temperature.time_ms, data.temperature.mean_c, ms, within);
  if (level !== null) parts.push(`level ${level.toFixed(4)}`);
  if (fit !== null) parts.push(low === null ? `curve ${fit.toFixed(4)}` : `curve ${fit.toFixed(4)} (${low.toFixed(3)} to ${high.toFixed(3)})`);
  if (hand !== null) parts.push(`hand sample ${hand.toFixed(4)}`);
  if (warm !== null) parts.push(`${warmth(warm).toFixed(1)} ${warmthUnit}`);
  const text = parts.join(" · ");
  for (const span of chart.spans) { span.location = ms; span.visible = true; }
  document.getElementById("chart-values").textContent = text;
  const slider = document.getElementById("chart-moment");
  slider.value = Math.round((1000 * (ms - x.start)) / (x.end - x.start));
  slider.setAttribute("aria-valuetext", text);
}

function arrange() {
  const { x, ticker, below, marks, deeds } = chart;
  const pixels = Math.max(120, box.clientWidth - 74);
  const [ticks, labels] = ticksFor(x.start, x.end, pixels);
  ticker.ticks = ticks;
  below.major_label_overrides = labels;
  for (const mark of marks) {
    const left = Math.max(mark.from, x.start);
    const right = Math.min(mark.to, x.end);
    mark.label.x = left;
    mark.label.visible = ((right - left) / (x.end - x.start)) * pixels > mark.width;
  }
  spread(deeds, x, pixels);
}

function zoomed() {
  if (still) return;
  arrange();
  clearTimeout(wanted);
  wanted = setTimeout(async () => {
    const { x, data } = chart;
    const whole = x.start <= data.from_ms && x.end >= data.to_ms;
    try {
      take(await load(whole ? null : [x.start, x.end]));
    } catch {
      // the chart stays as it is; the stream tells when carboyd is back
    }
  }, 250);
}

function show(name) {
  view = name;
  const { x, data } = chart;
  const now = data.now_ms;
  const middle = (x.start + x.end) / 2;
  const half = (x.end - x.start) / 2;
  const spans = {
    whole: [data.from_ms, data.to_ms],
    week: [now - 7 * day, now + day / 2],
    days: [now - 2 * day, now + day / 6],
    closer: [middle - half / 2, middle + half / 2],
    wider: [Math.max(data.from_ms, middle - half * 2), Math.min(data.to_ms, middle + half * 2)],
    earlier: [x.start - half, x.end - half],
    later: [x.start + half, x.end + half],
  };
  [x.start, x.end] = spans[name];
  for (const button of document.querySelectorAll("[data-view]")) {
    if (button.hasAttribute("aria-pressed")) button.setAttribute("aria-pressed", String(button.dataset.view === name));
  }
}

async function draw() {
  const data = await load();
  if (!window.Bokeh) await script(box.dataset.bokeh);
  const place = document.getElementById("plot");
  place.replaceChildren();
  chart = build(data);
  keyed(data, true);
  const { Document } = Bokeh.require("document");
  const made = new Document();
  made.add_root(chart.layout);
  const views = await Bokeh.embed.add_document_standalone(made, place);
  chart.views = views;
  chart.x.change.connect(zoomed);
  arrange();
  box.classList.remove("has-picture");
  box.dataset.drawn = String(Number(box.dataset.drawn || 0) + 1);
  performance.mark("chart-drawn");
}

function take(fresh) {
  keyed(fresh, false);
  for (const [name, value] of Object.entries(columns(fresh))) chart.sources[name].data = value;
  Object.assign(chart.data, {
    raw: fresh.raw, level: fresh.level, fit: fresh.fit, temperature: fresh.temperature, samples: fresh.samples, now_ms: fresh.now_ms,
  });
  box.dataset.drawn = String(Number(box.dataset.drawn || 0) + 1);
}

const fixed = (data) => JSON.stringify([data.phases.map((phase) => [phase.from_ms, phase.word]), data.marks, data.yeast_c]);

async function again() {
  if (!chart) return;
  const part = view === "whole" ? null : [chart.x.start, chart.x.end];
  try {
    const fresh = await load(part);
    if (fixed(fresh) !== fixed(chart.data) || (chart.bare && fresh.temperature.time_ms.length)) {
      await draw();
      if (part) [chart.x.start, chart.x.end] = part;
      return;
    }
    take(fresh);
    if (!part) {
      Object.assign(chart.data, { from_ms: fresh.from_ms, to_ms: fresh.to_ms });
      quietly(fresh.from_ms, fresh.to_ms);
    }
  } catch {
    // the chart stays as it is; the stream tells when carboyd is back
  }
}

function quietly(from, to) {
  still = true;
  chart.x.setv({ start: from, end: to, bounds: [from - day, to + day] });
  const last = chart.data.phases.at(-1);
  const mark = chart.marks.at(-1);
  if (last) {
    last.to_ms = chart.data.now_ms;
    mark.to = last.to_ms;
    mark.stretch.right = last.to_ms;
  }
  still = false;
  arrange();
}

document.getElementById("chart-moment").addEventListener("input", (event) => {
  if (chart) look(chart.x.start + (event.target.value / 1000) * (chart.x.end - chart.x.start));
});
for (const button of document.querySelectorAll("[data-view]")) button.addEventListener("click", () => chart && show(button.dataset.view));
matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => chart && draw());
document.addEventListener("carboyd:fresh", again);
new ResizeObserver(() => chart && arrange()).observe(box);
draw().catch(() => { box.classList.add("has-picture"); });
