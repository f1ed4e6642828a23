// The table of decoded frames beside the trace: what was said, when, and what is wrong with it.

import { element, part } from "./element.js";
import { seconds } from "./numbers.js";

const MOST_ROWS = 500;

export class Frames {
  /** `show(start, end, label)` brings a frame into the picture. */
  constructor(show) {
    this.show = show;
    this.rows = [];
    this.chosen = -1;
    part("frames").addEventListener("keydown", (event) => this.key(event));
  }

  /** Shows a `frames` message. */
  take(message) {
    this.revision = message.revision;
    part("frames-part").hidden = false;
    const shape = JSON.stringify(message.rows);
    if (shape === this.shape) return;
    this.shape = shape;
    this.rows = message.rows.slice(0, MOST_ROWS);
    this.chosen = -1;
    const all = Math.max(message.all || 0, message.rows.length);
    const bad = message.rows.filter((row) => row.flags.length).length;
    const said = all ? `${all} ${all === 1 ? "frame" : "frames"} in this shot, ${bad || "none"} damaged.` : "No frame in this shot.";
    const left = all > this.rows.length ? ` The first ${this.rows.length} are listed.` : "";
    const focused = document.activeElement && document.activeElement.dataset.frame;
    const table = this.rows.length ? element("table", { class: "frames", role: "table" }, this.head(),
      element("tbody", { role: "rowgroup" }, ...this.rows.map((row, index) => this.row(row, index)))) : null;
    part("frames").replaceChildren(...[element("p", { class: "told" }, said + left), table].filter(Boolean));
    if (focused !== undefined && this.buttons()[focused]) this.buttons()[focused].focus({ preventScroll: true });
  }

  /** None of the newest text has come yet. */
  hide() {
    this.rows = [];
    this.shape = "";
    part("frames-part").hidden = true;
  }

  /** Marks the frame that begins at a time, when somebody jumped to it. */
  mark(start) {
    const index = this.rows.findIndex((row) => Math.abs(row.time - start) <= 1e-9 + 1e-6 * Math.abs(row.end - row.time));
    if (index >= 0) this.choose(index, false);
  }

  head() {
    return element("thead", { role: "rowgroup" }, element("tr", { role: "row" }, ...["Damage", "Time", "Frame", "Fields"].map((text) =>
      element("th", { scope: "col", role: "columnheader" }, text))));
  }

  row(row, index) {
    const damage = row.flags.length ? element("strong", { class: "damage" }, `✗ ${row.flags.join(", ").replaceAll("_", " ")}`) : "none";
    const label = element("button", { type: "button", class: "frame", "data-frame": index, onclick: () => this.choose(index, true) },
      row.line ? `${row.line}: ${row.label}` : row.label);
    const fields = Object.entries(row.fields).map(([name, value]) => `${name.replaceAll("_", " ")} ${said(value)}`);
    return element("tr", { role: "row", class: row.flags.length ? "fail" : null }, element("td", { role: "cell" }, damage),
      element("td", { role: "cell", class: "number" }, seconds(row.time)), element("th", { scope: "row", role: "rowheader" }, label),
      element("td", { role: "cell", class: "fields" }, fields.join("; ")));
  }

  choose(index, withPicture) {
    for (const row of part("frames").querySelectorAll("tr[aria-current]")) row.removeAttribute("aria-current");
    const button = this.buttons()[index];
    this.chosen = index;
    button.closest("tr").setAttribute("aria-current", "true");
    if (!withPicture) button.closest("tr").scrollIntoView({ block: "nearest" });
    else this.show(this.rows[index].time, this.rows[index].end, this.rows[index].label);
  }

  key(event) {
    const step = { ArrowDown: 1, ArrowUp: -1 }[event.key];
    if (!step || !event.target.matches("button.frame")) return;
    const next = this.buttons()[Number(event.target.dataset.frame) + step];
    if (!next) return;
    event.preventDefault();
    next.focus();
  }

  buttons() {
    return part("frames").querySelectorAll("button.frame");
  }
}

const WORDS = new Map([[null, "none"], [undefined, ""], [true, "yes"], [false, "no"]]);
const said = (value) => (WORDS.has(value) ? WORDS.get(value) : Array.isArray(value) ? value.join(" ") : String(value));
