// The recipe on the page: to be read with its numbers as fields, or to be written as text; always what the file says.

import { announce, element, part, say } from "./element.js";
import { changedLines } from "./line_changes.js";
import { RecipeLines, faultSaid } from "./recipe_lines.js";

const SHOWN_CHANGE = 20000; // ms that a change by another program stays marked

export class RecipeText {
  constructor(send) {
    this.send = send;
    this.recipe = null;
    this.mayTurn = false;
    this.changed = new Set();
    this.lines = new RecipeLines(send);
    this.writing = null; // the text area, while somebody writes
    this.base = null; // the revision and text that the writing began from
    this.steps = null; // while a step back or forward is not answered: those that came after it
    this.hands = {
      write: this.hand("Write in the text", "e", () => this.write()),
      undo: this.hand("Undo", "z", () => this.step("undo")),
      redo: this.hand("Redo", "y", () => this.step("redo")),
      fault: this.hand("Next fault", "l", () => this.nextFault()),
      save: this.hand("Save", "Ctrl+S", () => this.save()),
      back: this.hand("Back without saving", "Escape", () => this.read()),
    };
    part("recipe-hands").replaceChildren(...Object.values(this.hands));
    this.lines.list.addEventListener("dblclick", (event) => this.writeAt(event));
    this.read();
  }

  hand(text, key, act) {
    return element("button", { type: "button", onclick: act, "aria-keyshortcuts": key === "Ctrl+S" ? "Control+S" : key },
      text, " ", element("kbd", { "aria-hidden": "true" }, key));
  }

  /** A `recipe` message: the file is the one truth, so what it says is shown, whatever was typed here. */
  take(recipe) {
    const before = this.recipe;
    const fromOutside = Boolean(recipe.from_outside) && before !== null && before.text !== recipe.text;
    this.recipe = recipe;
    if (fromOutside) this.markChanges(before.text, recipe.text);
    else if (!before || before.text !== recipe.text) this.changed = new Set();
    if (this.writing) this.renewWriting(before, recipe, fromOutside);
    else this.lines.show(recipe, this.changed);
    this.refresh();
    this.stepOn(!fromOutside);
    if (fromOutside) announce("Another program has changed the recipe.");
    else if (recipe.faults.length) announce(faultsCounted(recipe.faults));
  }

  allow(mayTurn) {
    this.mayTurn = mayTurn;
    this.lines.allow(mayTurn);
    if (this.writing) this.writing.readOnly = !mayTurn;
    if (!mayTurn) this.steps = null;
    this.refresh();
  }

  write(line = 0, column = 0) {
    if (!this.recipe || this.writing || !this.mayTurn) return;
    this.base = this.recipe;
    this.writing = element("textarea", { class: "writing", spellcheck: "false", autocapitalize: "off", autocomplete: "off",
      "aria-label": "Text of the recipe", oninput: () => this.refresh(), onkeydown: (event) => this.key(event) });
    this.writing.value = plain(this.recipe.text);
    this.writing.rows = Math.min(60, this.recipe.text.split("\n").length + 2);
    this.faults = element("div", { class: "faults" });
    part("text").replaceChildren(this.writing, this.faults);
    this.showFaults();
    this.refresh();
    this.writing.focus();
    this.caret(line || 1, column || 1);
  }

  /** Back to reading; what was written and not saved stays at hand. */
  read() {
    if (this.writing && this.isDirty()) this.keep(this.writing.value, "You went back without saving it.");
    const wrote = this.writing !== null;
    this.writing = null;
    part("text").replaceChildren(this.lines.list);
    if (this.recipe) this.lines.show(this.recipe, this.changed);
    this.refresh();
    if (wrote) this.hands.write.focus();
  }

  // a key pressed twice: the second step is meant for the text that the first one makes, and waits for it
  step(which) {
    if (!this.recipe) return;
    if (this.steps) this.steps.push(which);
    else if (this.send({ do: which, revision: this.recipe.revision })) this.steps = [];
  }

  // a step was answered: the next one goes, if there is anything left to be taken back or made again
  stepOn(mayGoOn) {
    const [next, ...others] = this.steps || [];
    this.steps = null;
    if (!mayGoOn || !next || !this.recipe[next]) return;
    this.step(next);
    this.steps = this.steps && others;
  }

  /** The program has refused something. What was entered stays in its field, to be mended. */
  refused() {
    this.asked = undefined;
    this.steps = null;
    this.lines.answered();
  }

  save() {
    if (!this.writing || !this.mayTurn) return;
    const text = this.writing.value;
    this.asked = this.base.text.includes("\r\n") ? text.replaceAll("\n", "\r\n") : text; // a file keeps its line ends
    this.send({ do: "text", revision: this.base.revision, text: this.asked });
  }

  nextFault() {
    const faults = this.recipe ? this.recipe.faults : [];
    if (!faults.length) return;
    const lines = [...new Set(faults.map((fault) => fault.line))].sort((a, b) => a - b);
    const here = this.lastFault || 0;
    this.lastFault = lines.find((line) => line > here) || lines[0];
    if (this.writing) {
      const fault = faults.find((one) => one.line === this.lastFault);
      this.caret(fault.line, fault.column);
      return;
    }
    const item = this.lines.list.querySelector(`[data-line="${this.lastFault}"]`);
    if (!item) return;
    item.scrollIntoView({ block: "center" });
    (item.querySelector("input") || item).focus({ preventScroll: true });
  }

  isDirty() {
    return this.writing !== null && this.writing.value !== plain(this.base.text);
  }

  key(event) {
    if (event.key === "Escape") {
      event.preventDefault();
      event.stopPropagation();
      this.read();
    }
  }

  renewWriting(before, recipe, fromOutside) {
    const dirty = this.isDirty();
    const own = this.asked !== undefined && recipe.text === this.asked;
    if (own) this.asked = undefined;
    if (recipe.text !== this.base.text || own) {
      if (dirty && !own && plain(recipe.text) !== this.writing.value) {
        this.keep(this.writing.value, fromOutside ? "Another program changed the file meanwhile."
          : "The file was changed by another page meanwhile.");
      }
      if (own && this.writing.value !== plain(recipe.text)) this.base = recipe; // somebody typed on while it was saved
      else {
        const caret = this.writing.selectionStart;
        this.base = recipe;
        this.writing.value = plain(recipe.text);
        this.writing.setSelectionRange(caret, caret);
      }
    } else this.base = recipe;
    this.showFaults();
  }

  showFaults() {
    this.faults.replaceChildren(...this.recipe.faults.map((fault) => {
      const said = faultSaid(fault);
      said.append(" ", element("button", { type: "button", onclick: () => this.caret(fault.line, fault.column) },
        `To line ${fault.line}`));
      return said;
    }));
  }

  caret(line, column) {
    const lines = this.writing.value.split("\n");
    const before = lines.slice(0, line - 1).reduce((sum, text) => sum + text.length + 1, 0);
    const at = Math.min(this.writing.value.length, before + column - 1);
    this.writing.focus();
    this.writing.setSelectionRange(at, at);
  }

  writeAt(event) {
    const item = event.target.closest("li");
    if (item && !event.target.closest("input")) this.write(Number(item.dataset.line), 1);
  }

  // what somebody typed is never lost: it stays below the buttons until it is taken back or put away
  keep(text, why) {
    const box = element("section", { class: "kept", "aria-label": "Text that was not saved" });
    box.append(element("p", {}, element("strong", {}, "Your text was not saved. "), why,
      " The page shows what the file says."),
    element("details", {}, element("summary", {}, "Show your text"), element("pre", { tabindex: 0 }, text)),
    element("p", { class: "hands" },
      element("button", { type: "button", onclick: () => {
        if (!this.writing) this.write();
        if (!this.writing) return;
        this.writing.value = text;
        this.writing.focus();
        box.remove();
        this.refresh();
      } }, "Go on with your text"),
      element("button", { type: "button", onclick: () => box.remove() }, "Put it away")));
    part("kept").replaceChildren(box);
    announce(`Your text was not saved. ${why}`);
  }

  markChanges(before, after) {
    this.changed = changedLines(before, after);
    clearTimeout(this.unmark);
    this.unmark = setTimeout(() => {
      this.changed = new Set();
      if (!this.writing) this.lines.show(this.recipe, this.changed);
    }, SHOWN_CHANGE);
  }

  refresh() {
    const { write, undo, redo, fault, save, back } = this.hands;
    const recipe = this.recipe;
    const writing = this.writing !== null;
    write.hidden = undo.hidden = redo.hidden = writing;
    save.hidden = back.hidden = !writing;
    write.disabled = !recipe || !this.mayTurn;
    undo.disabled = !recipe || !recipe.undo || !this.mayTurn;
    redo.disabled = !recipe || !recipe.redo || !this.mayTurn;
    save.disabled = !this.mayTurn || !this.isDirty();
    fault.hidden = !recipe || !recipe.faults.length;
    part("number-hint").hidden = writing || !recipe || !recipe.numbers.length;
    if (!recipe) return;
    const changes = this.isDirty() ? " What you typed is not saved yet." : "";
    const faults = recipe.faults.length ? faultsCounted(recipe.faults) : "No fault in it.";
    say(part("recipe-said"), `As the file ${recipe.name} says it. ${faults}${changes}`);
    part("recipe-said").classList.toggle("faulty", recipe.faults.length > 0);
  }
}

// a text area has line feeds alone
const plain = (text) => text.replaceAll("\r\n", "\n");

function faultsCounted(faults) {
  const lines = [...new Set(faults.map((fault) => fault.line))];
  const where = lines.length === 1 ? `in line ${lines[0]}` : `in lines ${lines.slice(0, -1).join(", ")} and ${lines.at(-1)}`;
  return `${faults.length === 1 ? "A fault" : `${faults.length} faults`} ${where}: it is not run until it is mended.`;
}
