// The picture on the page: the newest shot is drawn, one that comes before the last was drawn takes its place. Which
// stretch of time is to be seen is the page's own choice, and the program sends the columns of just that stretch.

import { part, say } from "./element.js";
import { seconds, withPrefix } from "./numbers.js";
import { filled, isReference, levelsAt, pictureOfDensity, shown, traceOf } from "./shot_picture.js";

const MOST_COLUMNS = 8192; // the program sends no more
const ASIDE = 90; // CSS pixels of axis and labels beside the columns
const RATE_OVER = 2000; // ms
const AROUND = 1.5; // times the length of what was found, on each side of it

export class PicturePane {
  constructor(send, places) {
    this.send = send;
    this.places = places;
    this.view = null; // {start, span}; null: all of the record
    this.record = null; // {start, span} of all of it
    this.shot = null; // the newest {shot, bytes}
    this.density = null;
    this.withDensity = false;
    this.reaches = new Map(); // channel -> [low, high] that its axis keeps to
    this.found = null; // what was jumped to
    this.cursor = null; // time of the keyboard's cursor
    this.drawings = []; // times of the last drawings
    this.isDue = false;
    this.chart = null;
    this.onView = () => {};
    part("chart").addEventListener("keydown", (event) => this.key(event), true);
    new ResizeObserver(() => this.askSoon()).observe(part("chart"));
  }

  takeShot(shot, bytes) {
    if (this.shot && this.shot.shot.measurement !== shot.measurement) this.reset();
    this.shot = { shot, bytes };
    this.due();
  }

  takeDensity(density, bytes) {
    this.density = { density, bytes };
    if (this.withDensity) this.due();
  }

  /** Another measurement: neither its time nor its levels nor its frames are those of the one before. */
  reset() {
    this.whole();
    this.record = this.density = this.found = this.cursor = null;
    this.reaches.clear();
    this.places.clear();
  }

  /** Levels and times may be others from now on, since the recipe is. */
  recipeChanged(revision) {
    this.reaches.clear();
    if (this.density && this.density.density.revision !== revision) this.density = null;
  }

  /** How many pictures a second were drawn of late. */
  rate() {
    const now = performance.now();
    this.drawings = this.drawings.filter((time) => now - time < RATE_OVER);
    return (1000 * this.drawings.length) / RATE_OVER;
  }

  hasReference() {
    return this.shot !== null && this.shot.shot.traces.some((one) => one.is_reference);
  }

  due() {
    if (this.isDue) return;
    this.isDue = true;
    requestAnimationFrame(() => {
      this.isDue = false;
      this.draw();
    });
  }

  draw() {
    const withDensity = this.withDensity && this.density !== null;
    if (!withDensity && !this.shot) return;
    const picture = withDensity ? this.densityPicture() : this.shotPicture();
    if (this.chart) this.chart.update(picture);
    else {
      this.chart = drawChart(part("chart"), picture, {
        onZoom: (start, stop) => this.zoomed(start, stop), onPick: (place) => this.pick(place.panel, place.x, place.y) });
    }
    const found = this.found ? ` Found: ${this.found.text}.` : "";
    say(part("chart-said"), (withDensity ? this.densitySaid() : this.shotSaid()) + found);
    this.acknowledge();
  }

  // the program sends the next shot when this one is on the screen: none queues
  acknowledge() {
    if (!this.shot || this.acknowledged === this.shot) return;
    this.acknowledged = this.shot;
    this.drawings.push(performance.now());
    this.send({ do: "drawn", number: this.shot.shot.number });
    part("picture").dataset.shot = this.shot.shot.number;
  }

  shotPicture() {
    const { shot, bytes } = this.shot;
    if (this.shot !== this.filledOf) {
      this.filledOf = this.shot;
      this.picture = filled(shot, bytes);
    }
    if (!this.view || !this.record) this.record = { start: shot.start, span: shot.span };
    return shown(this.picture, { record: this.record, isNarrow: part("chart").clientWidth < 520,
      marks: (name, isFirst) => this.marks(name, isFirst), reach: (name, axis) => this.reach(name, axis) });
  }

  densityPicture() {
    const { density, bytes } = this.density;
    return pictureOfDensity(density, bytes, { record: this.record || { start: density.start, span: density.span },
      marks: (name) => this.marks(name, true) });
  }

  // the axis grows with what comes and does not shrink from shot to shot, so that the trace does not jump
  reach(name, axis) {
    const kept = this.reaches.get(name) || [axis.low, axis.high];
    const now = [Math.min(kept[0], axis.low), Math.max(kept[1], axis.high)];
    this.reaches.set(name, now);
    return now;
  }

  marks(channel, isFirst) {
    const marks = this.places.marks(channel);
    if (isFirst && this.found) {
      marks.push({ kind: "span", first: this.found.start, last: this.found.end, label: this.found.text, role: "reading", ends: [], spread: 0 });
    }
    if (this.cursor !== null) marks.push({ kind: "instant", at: this.cursor, label: "", role: "trigger" });
    return marks;
  }

  densitySaid() {
    const { density } = this.density;
    const rare = density.rare.length;
    return `${density.shots} ${density.shots === 1 ? "shot" : "shots"} of ${density.channel} on top of one another: the darker, the more often. Most samples in one place: ${density.most}. `
      + (rare ? `${rare} rare ${rare === 1 ? "path" : "paths"}.` : "No rare path.");
  }

  shotSaid() {
    const { shot } = this.shot;
    const references = this.picture.panels.flatMap((panel) => panel.layers).filter(isReference).map((one) => one.name);
    const stretch = `${seconds(shot.start, 5)} to ${seconds(shot.start + shot.span, 5)}`;
    return `Shot ${shot.number}${shot.of > shot.number ? ` of ${shot.of}` : ""}, ${this.view ? `a part of the record: ${stretch}` : `the whole record: ${stretch}`}.`
      + (references.length ? ` In grey: ${references.join(", ")}.` : "");
  }

  // ------------------------------------------------------------------------------------------------ what is shown

  /** Shows a stretch of time. */
  show(start, span) {
    if (this.chart && span > 0) this.chart.zoom(start, start + span);
  }

  whole() {
    this.found = null;
    if (this.chart) this.chart.zoom();
    else this.view = null;
  }

  /** Shows a stretch with some of what is around it, and marks it. */
  showFound(start, end, text) {
    const length = Math.max(end - start, this.record ? this.record.span / 400 : 1e-9);
    this.found = { start, end, text };
    this.show(start - AROUND * length, (1 + 2 * AROUND) * length);
    this.due();
  }

  // the chart has moved, by whatever key, button or mouse: the program is asked for the columns of what it shows
  zoomed(start, stop) {
    const whole = this.record && start <= this.record.start && stop >= this.record.start + this.record.span;
    this.view = whole || !(stop > start) ? null : { start, span: stop - start };
    this.ask();
    this.due();
    this.onView();
  }

  columns() {
    const width = Math.max(100, part("chart").clientWidth - ASIDE);
    return Math.min(MOST_COLUMNS, Math.round(width * Math.min(2, window.devicePixelRatio || 1)));
  }

  ask() {
    const columns = this.columns();
    this.send(this.view ? { do: "view", ...this.view, columns } : { do: "whole_view", columns });
  }

  askSoon() {
    clearTimeout(this.asking);
    this.asking = setTimeout(() => this.ask(), 100);
  }

  // ------------------------------------------------------------------------------------------ places on the traces

  // a click near the trace means the trace: the level is one that a sample in that column has
  pick(channel, time, level) {
    const trace = this.picture && traceOf(this.picture, channel);
    const found = trace && levelsAt(trace, time);
    if (found) this.places.pick({ time, channel, level: Math.min(found.high, Math.max(found.low, level)), unit: trace.unit });
  }

  key(event) {
    if (event.ctrlKey || event.metaKey || event.altKey || !this.picture || event.target.closest("button")) return;
    const act = { ".": () => this.moveCursor(1), ",": () => this.moveCursor(-1), ">": () => this.moveCursor(10), "<": () => this.moveCursor(-10),
      ":": () => this.moveCursor(10), ";": () => this.moveCursor(-10), Enter: () => this.pickAtCursor(),
      Escape: this.cursor !== null || this.places.at.length || this.found ? () => this.forget() : null }[event.key];
    if (!act) return;
    event.preventDefault();
    event.stopPropagation();
    act();
  }

  moveCursor(steps) {
    const { start, span } = this.view || this.record;
    const step = (4 * span) / this.columns();
    const now = this.cursor === null ? start + span / 2 : this.cursor + steps * step;
    this.cursor = Math.min(start + span, Math.max(start, now));
    this.due();
    const levels = this.atCursor().map((one) => `${one.channel} ${withPrefix(one.level, one.unit, 4)}`);
    say(part("announced"), `${seconds(this.cursor, 5)}: ${levels.join(", ")}`);
  }

  atCursor() {
    const traces = this.picture.panels.map((panel) => traceOf(this.picture, panel.name)).filter(Boolean);
    return traces.map((trace) => ({ trace, found: levelsAt(trace, this.cursor) })).filter((one) => one.found)
      .map(({ trace, found }) => ({ channel: trace.name, unit: trace.unit, level: found.mean }));
  }

  pickAtCursor() {
    if (this.cursor === null) this.moveCursor(0);
    const [first] = this.atCursor();
    if (first) this.pick(first.channel, this.cursor, first.level);
  }

  forget() {
    this.cursor = this.found = null;
    this.places.clear();
    this.due();
  }
}
