// Outputs that the recipe switches: confirmed here by a person who has read the cautions, said in words while on, and
// off by one key.

import { announce, element, part } from "./element.js";

export class Outputs {
  /** `revision()`: of the recipe on the screen; what is confirmed is what that text does, and no other. */
  constructor(send, revision) {
    this.send = send;
    this.revision = revision;
    this.state = null;
    this.shape = "";
    this.ticked = false;
    this.isOpen = true;
  }

  /** Whether the line to the program holds: without it nothing is known of an output but what was said last. */
  line(isOpen) {
    this.isOpen = isOpen;
    if (this.state) this.take(this.state);
  }

  /** Shows what a `state` message says of outputs. */
  take(state) {
    const before = this.state;
    this.state = state;
    const { asked, confirmed, on } = state.outputs;
    const shape = JSON.stringify([asked, confirmed, on, state.outputs.steps, state.hand, state.cautions, state.simulated, state.patience, this.isOpen]);
    if (shape === this.shape) return;
    this.shape = shape;
    const box = part("outputs");
    const wasOn = before !== null && before.outputs.on;
    const hadFocus = box.contains(document.activeElement);
    box.hidden = !asked && !on;
    box.classList.toggle("is-on", on);
    document.body.classList.toggle("has-output-on", on);
    if (!confirmed && !on) this.ticked = false;
    box.replaceChildren(...(box.hidden ? [] : on || confirmed ? this.saidOn(state) : this.confirmation(state)));
    if (on && !wasOn) announce("An output is on.");
    if (!on && wasOn) announce("The outputs are off.");
    if (hadFocus && box.querySelector("button:enabled")) box.querySelector("button:enabled").focus();
  }

  /** Off, from wherever somebody is on the page; asked again until the program says so. */
  off() {
    if (this.state && (this.state.outputs.asked || this.state.outputs.on)) this.send({ do: "outputs", confirm: false });
  }

  saidOn(state) {
    const on = state.outputs.on;
    if (!this.isOpen) {
      return [element("h2", { id: "outputs-heading" }, `Outputs were ${on ? "ON" : "confirmed and off"} when the connection broke`),
        element("p", {}, "This page cannot switch them off now. Look at the supply itself before you touch the board.")];
    }
    const patience = state.patience ? ` They go off when this page does not answer for ${state.patience} s, when it is closed, and when the program ends.` : "";
    return [
      element("h2", { id: "outputs-heading" }, on ? "An output is ON" : "Outputs are confirmed and off"),
      element("p", {}, on ? "The recipe has switched on an output that the person at the bench confirmed. Do not touch the board."
        : "The recipe may switch them on with the next shot.", patience, state.simulated ? " The bench is simulated." : ""),
      element("p", { class: "hands" }, element("button", { type: "button", class: "off", "aria-keyshortcuts": "o F8",
        onclick: () => this.off() }, "Outputs off ", element("kbd", { "aria-hidden": "true" }, "o"), " ", element("kbd", { "aria-hidden": "true" }, "F8"))),
    ];
  }

  confirmation(state) {
    const may = state.hand === "yours" && this.isOpen;
    const confirm = element("button", { type: "button", disabled: true, onclick: () => this.send({ do: "outputs", confirm: true, revision: this.revision() }) },
      "Confirm: outputs may go on");
    const tick = element("input", { type: "checkbox", id: "cautions-read", disabled: !may,
      onchange: () => { this.ticked = tick.checked; confirm.disabled = !tick.checked || !may; } });
    tick.checked = this.ticked;
    confirm.disabled = !this.ticked || !may;
    const steps = state.outputs.steps || [];
    const cautions = state.cautions.length ? state.cautions : ["The recipe names no caution. Know what is connected to the output."];
    return [
      element("h2", { id: "outputs-heading" }, "The recipe switches an output on"),
      element("p", {}, "All outputs are off. They stay off until a person at the bench confirms:"),
      element("ul", { class: "cautions-list" }, ...cautions.map((text) => element("li", {}, text))),
      ...(steps.length ? [element("p", {}, "What the recipe does with them:"), element("ul", {}, ...steps.map((text) => element("li", {}, text)))] : []),
      element("p", { class: "hands" }, tick, element("label", { for: "cautions-read" }, "I have read this and stand at the bench"), confirm),
      may ? "" : element("p", { class: "told" }, "Only the page that has the hand can confirm."),
    ];
  }
}
