// The table of readings: the verdict first, so that a narrow window and a hurried eye have it; then what it rests on.

import { announce, element, part, say } from "./element.js";

const HEADINGS = ["Verdict", "Characteristic", "Measured value", "Interval, 95\u00a0%", "Limit", "Margin"];
const CELLS = [null, "label", "reading", "interval", "limit", "margin"];

export class Readings {
  constructor() {
    this.shape = "";
    this.verdict = "";
  }

  /** Shows a `readings` message. */
  take(message) {
    this.sayVerdict(message);
    const shape = JSON.stringify(message.rows.map((row) => [row.label, row.verdict, row.reason, row.doubts]));
    if (shape !== this.shape) {
      this.shape = shape;
      part("readings").replaceChildren(message.rows.length ? this.table(message.rows)
        : element("p", { class: "remark" }, "The recipe computes nothing in this measurement."));
    }
    message.rows.forEach((row, index) => {
      for (const [number, key] of CELLS.entries()) if (key) say(this.rows[index][number], key === "label" ? row[key] : unbroken(row[key] || ""));
    });
  }

  sayVerdict(message) {
    const where = part("verdict");
    const word = message.verdict || "not judged";
    say(where, word);
    const kind = ["pass", "fail", "inconclusive", "error"].includes(word) ? word : "not-judged";
    if (!where.classList.contains(kind)) where.className = `verdict ${kind}`;
    say(part("verdict-said"), counted(message));
    if (word !== this.verdict) announce(`Verdict: ${word}. ${counted(message)}`);
    this.verdict = word;
  }

  table(rows) {
    this.rows = [];
    // the roles stay a table's where a narrow window shows each row as a card
    const head = element("tr", { role: "row" }, ...HEADINGS.map((text) => element("th", { scope: "col", role: "columnheader" }, text)));
    const body = rows.map((row) => {
      const cells = CELLS.map((key, number) => (key === "label"
        ? element("th", { scope: "row", role: "rowheader" })
        : element("td", { role: "cell", "data-label": HEADINGS[number], class: key === "limit" ? "limit" : key ? "number" : "first" })));
      cells[0].append(element("span", { class: `verdict ${row.verdict || "not-judged"}` }, row.verdict || "not judged"));
      this.rows.push(cells);
      return [element("tr", { role: "row", class: row.verdict || null }, ...cells), ...this.remarks(row)];
    });
    return element("table", { class: "readings", role: "table" },
      element("thead", { role: "rowgroup" }, head), element("tbody", { role: "rowgroup" }, ...body.flat()));
  }

  remarks(row) {
    const said = [];
    if (row.reason) said.push(element("p", {}, sentence(row.reason)));
    for (const doubt of row.doubts || []) {
      const name = String(doubt.code).replaceAll("_", " ");
      said.push(element("p", {}, element("strong", { class: "doubt" }, `in doubt: ${name}`), " ",
        sentence(bare(doubt.text, name, doubt.cure)), doubt.cure ? ` Do: ${sentence(doubt.cure)}` : ""));
    }
    if (!said.length) return [];
    return [element("tr", { class: "remarks", role: "row" },
      element("td", { role: "cell", colspan: HEADINGS.length, "aria-label": `Remarks on ${row.label}` }, ...said))];
  }
}

// a number and its unit stay on one line; between the two ends of a limit there may be a break
const unbroken = (text) => text.replace(/(\d|±) (?=[^\s.±])/g, "$1\u00a0");

// without the name before it and the cure after it, which stand beside it anyway
function bare(text, name, cure) {
  const said = text.startsWith(`${name}: `) ? text.slice(name.length + 2) : text;
  const end = said.replace(/\.$/, "");
  return cure && end.endsWith(cure) ? end.slice(0, -cure.length).replace(/[;,:] *$/, "") : said;
}

const sentence = (text) => (/[.!?]$/.test(text) ? text : `${text}.`);

function counted(message) {
  const judged = message.rows.filter((row) => row.verdict);
  const shots = message.wanted > 1 ? `, over ${message.shots} of ${message.wanted} shots` : "";
  if (!judged.length) return message.rows.length ? `${message.rows.length} readings, none with a limit${shots}` : "";
  const held = judged.filter((row) => row.verdict === "pass").length;
  if (judged.length === 1) return `The reading ${held ? "keeps its limit" : "does not keep its limit"}${shots}`;
  return `${held === judged.length ? "All" : `${held} of`} ${judged.length} readings keep their limits${shots}`;
}
