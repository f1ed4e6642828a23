// The recipe to be read: its lines with their numbers, each number with a sense in turning a field at its place.

import { element } from "./element.js";

const LONGEST_ANSWER = 1000; // ms; after that a turn is sent again without waiting
const STEPS = { ArrowUp: 1, ArrowDown: -1, PageUp: 10, PageDown: -10 };

/** The lines of a recipe as a list, in step with the file; `send` takes the messages of the fields. */
export class RecipeLines {
  constructor(send) {
    this.send = send;
    this.list = element("ol", { class: "lines" });
    this.fields = new Map(); // id -> input
    this.shape = "";
    this.turned = null; // the last turn that was not answered yet, with the steps that came after it
    this.mayTurn = false;
  }

  /** Shows a `recipe` message; `changed`: numbers of lines that another program has changed. */
  show(recipe, changed) {
    this.revision = recipe.revision;
    const shape = JSON.stringify([textAround(recipe), recipe.faults, [...changed]]);
    const focused = document.activeElement;
    const id = this.list.contains(focused) ? focused.dataset.id : undefined;
    const typed = id !== undefined && focused.value !== focused.dataset.filed && !focused.classList.contains("entered") ? focused.value : null;
    if (shape !== this.shape) {
      this.shape = shape;
      this.fields.clear();
      this.list.replaceChildren(...this.lines(recipe, changed));
    }
    for (const number of recipe.numbers) this.renew(this.fields.get(number.id), number);
    this.allow(this.mayTurn);
    this.answered();
    if (id === undefined || !this.fields.has(id)) return;
    const field = this.fields.get(id);
    field.focus({ preventScroll: true });
    if (typed === null || field.value === typed) return;
    field.value = typed; // what somebody is typing is not lost to a change elsewhere in the file
    fit(field);
  }

  /** Whether this page has the hand: fields of one that only watches can be read and not turned. */
  allow(mayTurn) {
    this.mayTurn = mayTurn;
    for (const field of this.fields.values()) field.readOnly = !mayTurn;
  }

  lines(recipe, changed) {
    const numbers = new Map();
    for (const number of recipe.numbers) {
      if (!numbers.has(number.line)) numbers.set(number.line, []);
      numbers.get(number.line).push(number);
    }
    return recipe.text.replace(/\r?\n$/, "").split(/\r?\n/).map((text, index) => {
      const line = index + 1;
      const code = element("code", {}, ...this.pieces(text, (numbers.get(line) || []).sort((a, b) => a.column - b.column)));
      const indent = /^[ -]*/.exec(text)[0].length;
      code.style.setProperty("--indent", `${indent + 2}ch`);
      const faults = recipe.faults.filter((fault) => fault.line === line);
      const item = element("li", { class: [changed.has(line) ? "changed" : "", faults.length ? "faulty" : ""].join(" ").trim(),
        "data-line": line, tabindex: faults.length ? -1 : null }, code);
      if (changed.has(line)) item.append(element("span", { class: "note" }, "changed by another program"));
      for (const fault of faults) item.append(faultSaid(fault));
      return item;
    });
  }

  pieces(text, numbers) {
    const made = [];
    let from = 0;
    for (const number of numbers) {
      const start = number.column - 1;
      made.push(...coloured(text.slice(from, start)), this.field(number));
      from = start + number.length;
    }
    made.push(...coloured(text.slice(from)));
    return made.length ? made : ["\u200b"];
  }

  field(number) {
    const field = element("input", { type: "text", role: "spinbutton", class: "turn", "data-id": number.id,
      spellcheck: "false", autocomplete: "off", autocapitalize: "off", "aria-describedby": "number-hint",
      "aria-label": `${nameOf(number)}, line ${number.line}`,
      onkeydown: (event) => this.key(event), oninput: () => fit(field), onblur: () => this.left(field) });
    this.fields.set(number.id, field);
    return field;
  }

  renew(field, number) {
    if (!field) return;
    const typed = document.activeElement === field && field.value !== field.dataset.filed;
    field.dataset.filed = number.text;
    field.dataset.unit = number.unit || "";
    field.classList.remove("sent");
    if (!typed || field.classList.contains("entered")) field.value = number.text;
    field.classList.remove("entered");
    const value = Number.parseFloat(number.text);
    if (Number.isFinite(value)) field.setAttribute("aria-valuenow", String(value));
    field.setAttribute("aria-valuetext", number.text);
    const steps = [number.step_up ? `up: ${number.step_up}` : "", number.step_down ? `down: ${number.step_down}` : ""];
    field.title = steps.filter(Boolean).join(", ");
    fit(field);
  }

  key(event) {
    const field = event.currentTarget;
    const isTyped = field.value !== field.dataset.filed;
    if (event.key === "Escape" && isTyped) {
      field.value = field.dataset.filed;
      fit(field);
      event.preventDefault();
      event.stopPropagation();
    } else if (!this.mayTurn || event.ctrlKey || event.metaKey || event.altKey) return;
    else if (event.key === "Enter") {
      event.preventDefault();
      if (isTyped) this.enter(field);
    } else if (event.key in STEPS) {
      event.preventDefault();
      if (isTyped) this.enter(field); // what was typed is not lost to a turn
      const arrow = event.key.startsWith("Arrow");
      this.nudge(field, STEPS[event.key] * (arrow && event.shiftKey ? 10 : 1));
    }
  }

  // a key that is held down: turns are added up until the file has the last one, so none is lost and none queues
  nudge(field, steps) {
    field.classList.add("sent");
    const waiting = this.turned;
    if (waiting && waiting.id === field.dataset.id && performance.now() < waiting.until) {
      waiting.steps += steps;
      return;
    }
    this.turned = { id: field.dataset.id, steps: 0, until: performance.now() + LONGEST_ANSWER };
    this.send({ do: "nudge", id: field.dataset.id, steps });
  }

  /** The last change was answered, by a recipe or by a refusal. */
  answered() {
    const waiting = this.turned;
    this.turned = null;
    for (const field of this.fields.values()) field.classList.remove("sent");
    if (waiting && waiting.steps && this.mayTurn && this.fields.has(waiting.id)) {
      this.nudge(this.fields.get(waiting.id), waiting.steps);
    }
  }

  enter(field) {
    field.classList.add("sent", "entered");
    this.send({ do: "edit", id: field.dataset.id, text: field.value.trim(), revision: this.revision });
  }

  // what was typed and not entered is not in the file: the field says again what is
  left(field) {
    if (field.classList.contains("entered") || field.value === field.dataset.filed) return;
    field.value = field.dataset.filed;
    fit(field);
  }
}

export function faultSaid(fault) {
  const cure = fault.cure && (/^expected: /.test(fault.cure) ? `E${fault.cure.slice(1)}` : `Do: ${fault.cure}`);
  return element("p", { class: "fault-said" }, element("strong", {}, `Line ${fault.line}, column ${fault.column}: `),
    fault.text, fault.cure ? element("span", { class: "cure" }, " ", cure) : null);
}

// `measurements.coil.channels.drive.range` is the range of drive; what a number is for is said where its key does not
function nameOf(number) {
  const [key, owner] = number.id.replace(/#\d+$/, "").split(".").reverse();
  const role = number.role.replaceAll("_", " ");
  return `${key}${owner ? ` of ${owner}` : ""}${key === number.role ? "" : `, ${role}`}`.replaceAll("_", " ");
}

function fit(field) {
  field.style.width = `${Math.max(1, field.value.length)}ch`;
}

// a comment is fainter than what the program reads; a # inside a word or a quoted text is none
function coloured(text) {
  const found = /(^|\s)#(?![^"]*"[^"#]*$).*$/.exec(text);
  if (!found) return text ? [text] : [];
  const start = found.index + found[1].length;
  return [text.slice(0, start), element("span", { class: "comment" }, text.slice(start))];
}

// the text without its numbers, and which numbers stand where: as long as these stay, fields are kept
function textAround(recipe) {
  const lines = recipe.text.split("\n");
  const where = [];
  const order = [...recipe.numbers].sort((a, b) => b.line - a.line || b.column - a.column);
  for (const number of order) {
    const line = lines[number.line - 1] || "";
    lines[number.line - 1] = `${line.slice(0, number.column - 1)}\u0000${line.slice(number.column - 1 + number.length)}`;
    where.push(`${number.id}@${number.line}`);
  }
  return [lines, where];
}
