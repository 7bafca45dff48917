/* Fills the charts of a report. The page has the data as JSON; Bokeh draws the charts, whose models are in figures.py.

   A timeline is drawn when its requirement is opened and near the visible part. The charts get only what is visible,
   reduced to the pixels available, so that a long run is drawn as fast as a short one. */
"use strict";
(() => {
const SECOND = 1e6;
const LEAST_SPAN = 200 / SECOND;
const MARGIN = 96; // px beside the plotting area, as LEFT in figures.py and the right border
const read = (id) => JSON.parse(document.getElementById(id).textContent);
const dark = matchMedia("(prefers-color-scheme: dark)");
document.documentElement.classList.add("scripted");

// --- columns ---------------------------------------------------------------------------------------------------------

/** Undo keep.packed: first value, then steps, [step, times] for equal ones. */
function unpack(column) {
  let count = 0;
  for (const entry of column) count += Array.isArray(entry) ? entry[1] : 1;
  const values = new Float64Array(count);
  let value = 0, place = 0;
  for (const entry of column) {
    if (Array.isArray(entry)) for (let i = 0; i < entry[1]; i++) values[place++] = value += entry[0];
    else values[place++] = value += entry;
  }
  return values;
}

/** First index whose value is above `wanted` (or not below it, when `or_equal`). */
function search(values, wanted, or_equal = false) {
  let low = 0, high = values.length;
  while (low < high) {
    const middle = (low + high) >> 1;
    if (values[middle] < wanted || (!or_equal && values[middle] === wanted)) low = middle + 1; else high = middle;
  }
  return low;
}

/** A quantity that is constant from each instant to the next; NaN where it has no value. */
class Steps {
  constructor(at, value, until) { this.at = at; this.value = value; this.until = until; }

  static of([at_us, values], duration_us) {
    return new Steps(unpack(at_us).map((at) => at / SECOND), unpack(values), duration_us / SECOND);
  }

  read(at) {
    const place = search(this.at, at) - 1;
    return place < 0 || at > this.until ? NaN : this.value[place];
  }

  /** Corners of the line from a to b; where there are more than pixels, lowest and highest of each pixel. */
  line(a, b, pixels) {
    const first = Math.max(0, search(this.at, a) - 1), last = search(this.at, b);
    const x = [], y = [];
    if (last - first <= 2 * pixels) {
      for (let i = first; i < last; i++) {
        if (i > first) { x.push(this.at[i]); y.push(this.value[i - 1]); }
        x.push(Math.max(a, this.at[i])); y.push(this.value[i]);
      }
      if (last > first) { x.push(Math.min(b, this.until)); y.push(this.value[last - 1]); }
      return {x, y};
    }
    const width = (b - a) / pixels;
    for (let pixel = 0, i = first; pixel < pixels && i < last; pixel++) {
      const end = a + (pixel + 1) * width;
      let low = this.value[Math.max(first, i - 1)], high = low;
      for (; i < last && this.at[i] < end; i++) {
        if (this.value[i] < low) low = this.value[i];
        if (this.value[i] > high) high = this.value[i];
      }
      x.push(end - width, end - width); y.push(low, high);
    }
    return {x, y};
  }

  /** Times from a to b at which the value is `wanted`. */
  spans(wanted, a, b) {
    const left = [], right = [];
    for (let i = Math.max(0, search(this.at, a) - 1); i < this.at.length && this.at[i] < b; i++) {
      const end = i + 1 < this.at.length ? this.at[i + 1] : this.until;
      if (this.value[i] !== wanted || end <= a) continue;
      const place = left.length - 1;
      if (place >= 0 && right[place] === this.at[i]) right[place] = Math.min(b, end);
      else { left.push(Math.max(a, this.at[i])); right.push(Math.min(b, end)); }
    }
    return {left, right};
  }
}

// --- one run ---------------------------------------------------------------------------------------------------------

class Run {
  constructor(data) {
    this.data = data;
    this.end = data.duration_us / SECOND;
    const {packets, frames} = data;
    this.left = unpack(packets.left_us).map((at) => at / SECOND);
    this.delay = unpack(packets.delay_us);
    this.fate = unpack(packets.fate);
    this.start = unpack(frames.start_us).map((at) => at / SECOND);
    this.widths = frames.widths_us.map(unpack);
    this.cut_short = new Map(frames.cut_short.map(([frame, at_us]) => [frame, at_us / SECOND]));
    this.stop = this.start.map((at, frame) => {
      let sum = data.separator_us;
      for (const column of this.widths) if (column[frame] > 0) sum += column[frame];
      return Math.min(at + sum / SECOND, this.cut_short.get(frame) ?? Infinity);
    });
    this.channels = this.widths.map((_, channel) => this.channel(channel));
    this.throttle = data.channels.findIndex((channel) => channel.role === "throttle");
    for (const name of ["failsafe", "motor", "arming"]) this[name] = Steps.of(data[name], data.duration_us);
  }

  /** A channel's width from the end of its slot on; NaN where the output stopped. */
  channel(channel) {
    const at = [], value = [];
    const usual = this.start.length > 1 ? (this.start[this.start.length - 1] - this.start[0]) / (this.start.length - 1) : 1;
    let last = NaN, heard = -Infinity;
    for (let frame = 0; frame < this.start.length; frame++) {
      const width = this.widths[channel][frame];
      if (width < 0) continue;
      let end = this.start[frame];
      for (let before = 0; before <= channel; before++) end += Math.max(0, this.widths[before][frame]) / SECOND;
      if (end >= (this.cut_short.get(frame) ?? Infinity)) continue;
      if (end - heard > 3 * usual && heard > 0) { at.push(heard); value.push(NaN); last = NaN; }
      if (width !== last) { at.push(end); value.push(width); }
      last = width; heard = end;
    }
    if (this.end - heard > 3 * usual && heard > 0) { at.push(heard); value.push(NaN); }
    return new Steps(Float64Array.from(at), Float64Array.from(value), this.end);
  }

  /** Packets from a to b as marks of full height; if too many, the share of each per pixel as height. */
  packets(a, b, pixels) {
    const first = search(this.left, a, true), last = search(this.left, b), pixel = (b - a) / pixels;
    const lane = () => ({left: [], right: [], share: []});
    const received = lane(), lost = lane();
    const mark = (into, at, wide, share) => {
      if (!share) return;
      const place = into.left.length - 1, shown = Math.max(0.15, share); // a single loss must be seen
      if (place >= 0 && into.right[place] === at && into.share[place] === shown) into.right[place] = at + wide;
      else { into.left.push(at); into.right.push(at + wide); into.share.push(shown); }
    };
    if (last - first < pixels / 3) {
      for (let i = first; i < last; i++) mark(this.delay[i] < 0 ? lost : received, this.left[i], 2 * pixel, 1);
      return {received, lost};
    }
    const wide = 2 * pixel;
    for (let i = first, bin = 0; i < last; bin++) {
      const end = a + (bin + 1) * wide;
      let all = 0, gone = 0;
      for (; i < last && this.left[i] < end; i++, all++) if (this.delay[i] < 0) gone++;
      if (!all) { bin = Math.floor((this.left[i] - a) / wide) - 1; continue; }
      mark(received, a + bin * wide, wide, 1 - gone / all);
      mark(lost, a + bin * wide, wide, gone / all);
    }
    return {received, lost};
  }

  /** The pulse wire from a to b: edges if there is room, else frames, else intervals with frames. */
  train(a, b, pixels) {
    const first = Math.max(0, search(this.start, a) - 1), last = search(this.start, b);
    const frames = {left: [], right: []}, wire = {x: [], y: []};
    if ((last - first) * this.widths.length * 2 < pixels / 2) {
      const [rest, high] = this.data.polarity === "positive" ? [0, 1] : [1, 0];
      const separator = this.data.separator_us / SECOND;
      for (let frame = first; frame < last; frame++) {
        const until = this.cut_short.get(frame) ?? Infinity;
        let lead = this.start[frame];
        for (let channel = 0; channel <= this.widths.length; channel++) {
          if (lead >= until) break;
          const down = Math.min(lead + separator, until);
          wire.x.push(lead, lead, down, down); wire.y.push(rest, high, high, rest);
          const width = channel < this.widths.length ? this.widths[channel][frame] : -1;
          if (width < 0) break;
          lead += width / SECOND;
        }
      }
      if (last > first) { wire.x.push(Math.min(b, this.end)); wire.y.push(rest); }
      return {frames, wire};
    }
    const pixel = (b - a) / pixels;
    for (let frame = first; frame < last; frame++) {
      const place = frames.right.length - 1;
      if (last - first > pixels / 4 && place >= 0 && this.start[frame] - frames.right[place] < 4 * pixel + 0.03) frames.right[place] = this.stop[frame];
      else { frames.left.push(this.start[frame]); frames.right.push(this.stop[frame]); }
    }
    return {frames, wire};
  }

  /** The range shown first: from shortly before the fault to shortly after the moment judged. */
  home() {
    const {moments, judged} = this.data;
    const all = moments.map(([, , at_us]) => at_us / SECOND);
    if (judged && judged.at_us !== null) all.push(judged.at_us / SECOND);
    if (!all.length) return [0, this.end];
    const late = Math.max(...all), early = Math.max(late - 1.5, Math.min(...all));
    return this.within(early - Math.max(0.12, (late - early) * 0.25), late + Math.max(0.15, (late - early) * 0.3));
  }

  within(from, to) {
    const span = Math.min(Math.max(to - from, LEAST_SPAN), this.end);
    const start = Math.min(Math.max(0, (from + to - span) / 2), this.end - span);
    return [start, start + span];
  }

  /** All lanes at an instant, as text. */
  words(at) {
    if (at < 0 || at > this.end) return "";
    const parts = [`${at.toFixed(6)} s`];
    const struck = this.data.moments.find(([kind]) => kind === "struck");
    if (struck) parts.push(`${at * SECOND >= struck[2] ? "+" : "−"}${(Math.abs(at - struck[2] / SECOND) * 1e3).toFixed(3)} ms`);
    const packet = search(this.left, at) - 1;
    if (packet >= 0) parts.push(`packet ${this.data.packets.fates[this.fate[packet]] ?? "?"}`);
    const width = this.throttle < 0 ? NaN : this.channels[this.throttle].read(at);
    parts.push(Number.isNaN(width) ? "no throttle pulses" : `throttle ${width} µs`);
    const failsafe = this.failsafe.read(at);
    if (!Number.isNaN(failsafe)) parts.push(failsafe ? "receiver in failsafe" : "receiver linked");
    parts.push(`motors ${(this.motor.read(at) || 0) / 10} %, ${["locked", "ready", "armed"][this.arming.read(at) || 0]}`);
    return parts.join(" · ");
  }
}

// --- charts ----------------------------------------------------------------------------------------------------------

const schemes = read("schemes");

/** Replace placeholders by the colours of the light or dark scheme. */
function colored(text) {
  const colors = schemes[dark.matches ? "dark" : "light"];
  return text.replace(/#fe00[0-9a-f]{2}/g, (token) => colors[token] ?? token);
}

/** Draw a chart from its JSON into an element, in the colours of the scheme; return its document. */
async function embed(text, place) {
  const item = JSON.parse(colored(text));
  const before = drawings.get(place);
  place.replaceChildren();
  const views = await Bokeh.embed.embed_item(item, place);
  before?.clear();
  const made = views.roots[0].model.document;
  drawings.set(place, made);
  return made;
}
const drawings = new WeakMap(); // element -> its document

let template = null;

class Timeline {
  constructor(figure) {
    this.figure = figure;
    this.view = figure.querySelector(".view");
    this.canvas = figure.querySelector(".canvas");
    this.readout = figure.querySelector(".readout");
    this.run = new Run(read(figure.dataset.run));
    this.shown = this.run.home();
    figure.addEventListener("click", (event) => {
      const button = event.target.closest("button[data-do]");
      if (button) this.act(button.dataset.do);
    });
    this.view.addEventListener("keydown", (event) => this.key(event));
  }

  async draw() {
    const {charts, moments} = template ??= read("timeline");
    this.looks = moments;
    const made = await embed(charts, this.canvas);
    const model = (name) => made.get_model_by_name(name);
    this.sources = {};
    this.fill = (name, data) => { const source = this.sources[name] ??= model(name); if (source) source.data = data; };
    this.range = model("time");
    this.range.setv({bounds: [0, this.run.end], min_interval: LEAST_SPAN, start: this.shown[0], end: this.shown[1]});
    this.levels(model);
    for (const name of Timeline.LANES) {
      const lane = model(name);
      if (!lane) continue;
      this.marks(lane);
      lane.on_event("mousemove", (event) => this.tell(this.run.words(event.x)));
      lane.on_event("tap", (event) => this.tell(this.run.words(event.x)));
    }
    this.filled = null;
    this.refresh();
    this.words();
    for (const side of ["start", "end"]) this.range.properties[side].change.connect(() => this.later());
    this.figure.dataset.ready = dark.matches ? "dark" : "light";
  }

  static LANES = ["packets", "states", "throttle", "channels", "train", "motor"];

  get pixels() { return Math.max(200, Math.round(this.canvas.clientWidth - MARGIN)); }

  later() {
    this.shown = [this.range.start, this.range.end];
    this.waiting ??= requestAnimationFrame(() => { this.waiting = null; this.refresh(); this.words(); });
  }

  /** Fill in what is visible and half as much on either side, unless that is there already. Lines end there too:
      of a line that began minutes ago, all dashes would be computed. */
  refresh() {
    const [from, to] = this.shown, span = to - from, done = this.filled;
    if (done && done.from <= Math.max(0, from) && done.to >= Math.min(this.run.end, to) && done.span < 1.4 * span && span < 1.4 * done.span) return;
    const a = from - span / 2, b = to + span / 2, pixels = 2 * this.pixels;
    this.filled = {from: a, to: b, span};
    const {received, lost} = this.run.packets(a, b, pixels);
    for (const [name, {left, right, share}, floor] of [["received", received, 1.15], ["lost", lost, 0.1]]) {
      this.fill(name, {left, right, bottom: left.map(() => floor), top: share.map((height) => floor + 0.75 * height)});
    }
    this.run.channels.forEach((channel, place) => {
      this.fill(place === this.run.throttle ? "throttle-us" : `channel-${place}`, channel.line(a, b, pixels));
    });
    const {frames, wire} = this.run.train(a, b, pixels);
    this.fill("frames", frames);
    this.fill("wire", wire);
    this.states(a, b);
    for (const [name, y] of this.across) this.fill(name, {x0: [a], x1: [b], y: [y]});
    const motor = this.run.motor.line(a, b, pixels);
    this.fill("motor-share", {x: motor.x, y: motor.y.map((value) => value / 10)});
  }

  states(a, b) {
    ["linked", "failsafe"].forEach((name, value) => this.fill(name, this.run.failsafe.spans(value, a, b)));
    ["locked", "ready", "armed"].forEach((name, value) => this.fill(name, this.run.arming.spans(value, a, b)));
  }

  /** Labels at the left of the visible part: states, where there is room, and limits. */
  words() {
    const [from, to] = this.shown, x = [], y = [], text = [];
    const room = (word) => (to - from) / this.pixels * (8 * word.length + 12);
    const lanes = [[this.run.failsafe, 1.5, ["linked", "failsafe"]], [this.run.arming, 0.5, ["locked", "ready", "armed"]]];
    for (const [steps, level, words] of lanes) words.forEach((word, value) => {
      const {left, right} = steps.spans(value, from, to);
      left.forEach((at, place) => {
        if (right[place] - at > room(word)) { x.push(at); y.push(level); text.push(word); }
      });
    });
    this.fill("state-words", {x, y, text});
    for (const [name, level, label] of this.across) this.fill(`${name}-words`, {x: [Math.max(0, from)], y: [level], text: [label]});
  }

  /** Ranges of the widths, and horizontal limits. */
  levels(model) {
    const {data} = this.run, {judged} = data;
    const limit = judged ? judged.at_most ?? judged.at_least : null;
    const isWidth = judged && judged.unit === "µs" && judged.name.includes("throttle pulse");
    const asWidth = isWidth && limit !== null && limit !== data.idle_below_us;
    this.across = [["idle", data.idle_below_us, `idle: up to ${data.idle_below_us} µs`]];
    if (asWidth) this.across.push(["width-limit", limit, `limit: ${judged.limit}`]);
    if (judged && judged.name === "motor command" && limit !== null) {
      this.across.push(["motor-limit", judged.unit === "%" ? limit : limit / 10, `limit: ${judged.limit}`]); // older: per mille
    }
    const all = {throttle: [data.idle_below_us, ...(asWidth ? [limit] : [])], channels: []};
    this.run.channels.forEach((channel, place) => {
      const into = place === this.run.throttle ? all.throttle : all.channels;
      for (const value of channel.value) if (!Number.isNaN(value)) into.push(value);
    });
    for (const name of ["throttle", "channels"]) {
      const lane = model(name);
      if (!lane || !all[name].length) continue;
      const low = all[name].reduce((a, b) => Math.min(a, b)), high = all[name].reduce((a, b) => Math.max(a, b));
      const air = Math.max(40, (high - low) * 0.08);
      lane.y_range.setv({start: low - air, end: high + air});
    }
  }

  /** Moments, and the uncertainty of the moment judged. */
  marks(lane) {
    const y0 = lane.y_range.start, y1 = lane.y_range.end;
    const {moments, judged, uncertainty_us} = this.run.data;
    const looks = moments.map(([kind]) => this.looks[kind]);
    this.fill(`moments-${lane.name}`, {
      x: moments.map(([, , at_us]) => at_us / SECOND), y0: moments.map(() => y0), y1: moments.map(() => y1),
      color: looks.map(([color]) => colored(color)), dash: looks.map(([, dash]) => dash),
    });
    if (!judged || judged.at_us === null || !uncertainty_us) return;
    const at = judged.at_us / SECOND, half = uncertainty_us / SECOND;
    this.fill(`band-${lane.name}`, {left: [at - half], right: [at + half], bottom: [y0], top: [y1]});
  }

  tell(words) { this.readout.textContent = words; }

  show([from, to], aloud = true) {
    const [start, end] = this.run.within(from, to);
    this.range.setv({start, end});
    if (aloud) this.tell(`showing ${start.toFixed(3)} s to ${end.toFixed(3)} s`);
  }

  act(what) {
    if (!this.range) return;
    const [from, to] = this.shown, span = to - from, middle = (from + to) / 2;
    const scaled = (factor) => [middle - span * factor / 2, middle + span * factor / 2];
    const acts = {
      in: () => scaled(0.5), out: () => scaled(2), left: () => [from - span / 4, to - span / 4],
      right: () => [from + span / 4, to + span / 4], home: () => this.run.home(), all: () => [0, this.run.end],
    };
    this.show(acts[what]());
  }

  key(event) {
    if (event.ctrlKey || event.altKey || event.metaKey) return;
    const keys = {"+": "in", "=": "in", "-": "out", "_": "out", "−": "out", ArrowLeft: "left", ArrowRight: "right", 0: "all", Home: "home"};
    if (!(event.key in keys)) return;
    event.preventDefault();
    this.act(keys[event.key]);
  }
}

// --- events ------------------------------------------------------------------------------------------------------------

const curves = new WeakMap(); // element of a chart other than a timeline -> its range, and the initial one

function zoomCurve(event, curve) {
  if (!curve || event.ctrlKey || event.altKey || event.metaKey) return;
  const {range, all} = curve, {start, end} = range, step = (end - start) / 4;
  const ranges = {
    "+": [start + step, end - step], "=": [start + step, end - step], "-": [start - 2 * step, end + 2 * step],
    ArrowLeft: [start - step, end - step], ArrowRight: [start + step, end + step], 0: all,
  };
  if (!(event.key in ranges)) return;
  event.preventDefault();
  let [from, to] = ranges[event.key];
  if (to - from >= all[1] - all[0]) [from, to] = all;
  const shift = Math.max(0, all[0] - from) - Math.max(0, to - all[1]);
  range.setv({start: from + shift, end: to + shift});
}

const drawn = new Map(); // element -> function that draws it again

function draw(place) {
  if (drawn.has(place)) return undefined;
  if (place.dataset.run) {
    const timeline = new Timeline(place);
    drawn.set(place, () => timeline.draw());
  } else {
    drawn.set(place, async () => {
      const range = (await embed(read(place.dataset.item), place)).get_model_by_name("x");
      place.dataset.ready = dark.matches ? "dark" : "light";
      curves.set(place, {range, all: [range.start, range.end]});
    });
    place.parentElement.addEventListener("keydown", (event) => zoomCurve(event, curves.get(place)));
  }
  return drawn.get(place)().catch((error) => {
    console.error(error);
    place.append(`This chart could not be drawn (${error.message}); the tables are complete.`);
  });
}

/** One after the other, so that the page stays responsive. */
async function drawAll(places, progress = () => {}) {
  for (const [count, place] of places.entries()) {
    progress(count, places.length);
    await draw(place);
    await new Promise((done) => setTimeout(done));
  }
  progress(places.length, places.length);
}

const charts = [...document.querySelectorAll("[data-run], [data-item]")];
if (typeof Bokeh !== "undefined" && charts.length) {
  document.documentElement.classList.add("charted");
  const near = new IntersectionObserver((entries) => {
    for (const entry of entries) if (entry.isIntersecting) { near.unobserve(entry.target); draw(entry.target); }
  }, {rootMargin: "300px"});
  charts.forEach((chart) => near.observe(chart));
  addEventListener("load", () => drawAll(charts.filter((chart) => chart.checkVisibility?.()))); // for printing
  dark.addEventListener("change", async () => { for (const again of drawn.values()) await again(); });
}

/** In print a chart keeps its pixels and is scaled down: a new layout takes longer than printing waits. */
const PAPER = 680; // px across an A4 or letter page in portrait, within margins and frames
addEventListener("beforeprint", () => document.querySelectorAll("[data-ready] .canvas, [data-item]").forEach((place) => {
  const width = place.clientWidth;
  if (width > PAPER) Object.assign(place.style, {width: `${width}px`, zoom: PAPER / width});
}));
addEventListener("afterprint", () => document.querySelectorAll("[data-ready] .canvas, [data-item]").forEach((place) => {
  Object.assign(place.style, {width: "", zoom: ""});
}));

/** A link to a requirement opens it. */
function reveal() {
  const place = document.getElementById(location.hash.slice(1));
  const details = place?.closest("details");
  if (!details) return;
  details.open = true;
  details.scrollIntoView();
  details.querySelector("summary").focus({preventScroll: true});
}
addEventListener("hashchange", reveal);
reveal();

document.querySelectorAll("button[data-open]").forEach((button) => button.addEventListener("click", () => {
  const open = button.dataset.open === "all";
  document.querySelectorAll("main details:not(.more)").forEach((details) => { details.open = open || details.matches(".words"); });
  if (!open || typeof Bokeh === "undefined") return;
  const output = document.querySelector(".tools output");
  drawAll(charts, (count, all) => { // for printing, also what is not visible
    output.textContent = count < all ? `drawing ${count + 1} of ${all}` : `${all} drawn, ready to print`;
  });
}));
document.documentElement.dataset.ready = "1";
})();
