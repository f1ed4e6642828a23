// Keys of the page, in one table: what is listed on `?` is what works.

import { element, part } from "./element.js";

const REMEMBERED = "wavewright.watch.letter-keys";

/** `table`: rows {keys, text, act, everywhere}, the last the keys that work while somebody writes too; `others`: rows [keys, text] that parts of the page answer to. */
export class Keys {
  constructor(table, others) {
    this.table = table;
    this.others = others;
    this.withLetters = localStorage.getItem(REMEMBERED) !== "off";
    document.addEventListener("keydown", (event) => this.pressed(event));
    part("keys-open").addEventListener("click", () => this.show());
    part("keys").addEventListener("close", () => this.opener && this.opener.focus());
  }

  pressed(event) {
    if (event.isComposing) return;
    const control = event.ctrlKey || event.metaKey;
    const name = `${control ? "Ctrl+" : ""}${control && event.shiftKey ? "Shift+" : ""}${event.key.length === 1 && control ? event.key.toUpperCase() : event.key}`;
    const row = this.table.find((one) => one.keys.includes(name));
    if (!row || event.altKey || (part("keys").open && !row.everywhere)) return;
    const isLetter = event.key.length === 1 && !control;
    const inText = event.target.matches("input:not([type=checkbox]), textarea, select");
    if (inText && !(row.everywhere || []).includes(name)) return;
    if (isLetter && !this.withLetters && event.key !== "?") return;
    if (row.act() === false) return;
    event.preventDefault();
  }

  show() {
    const box = part("keys");
    this.opener = document.activeElement;
    const rows = [...this.table.map((row) => [row.keys, row.text]), ...this.others];
    const letters = element("input", { type: "checkbox", id: "letter-keys", onchange: () => {
      this.withLetters = letters.checked;
      localStorage.setItem(REMEMBERED, letters.checked ? "on" : "off");
    } });
    letters.checked = this.withLetters;
    box.replaceChildren(
      element("p", { class: "hands" }, element("button", { type: "button", autofocus: true, onclick: () => box.close() }, "Close ", element("kbd", { "aria-hidden": "true" }, "Escape"))),
      element("h2", { id: "keys-heading" }, "Keys"),
      element("div", { class: "wide", tabindex: 0, role: "group", "aria-labelledby": "keys-heading" }, element("table", {},
        element("thead", {}, element("tr", {}, element("th", { scope: "col" }, "Key"), element("th", { scope: "col" }, "What it does"))),
        element("tbody", {}, ...rows.map(([keys, text]) => element("tr", {},
          element("th", { scope: "row" }, ...keys.flatMap((key, index) => [index ? " or " : "", element("kbd", {}, key)])),
          element("td", {}, text)))))),
      element("p", { class: "hands" }, letters, element("label", { for: "letter-keys" }, "Single letters work as keys, outside of text")));
    box.showModal();
  }
}
