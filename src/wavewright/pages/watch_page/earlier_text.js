// Whether what is shown is measured by the text that is shown: a picture of an earlier text is never passed off as one of
// the newest.

import { part, say } from "./element.js";

const SOON = 500; // ms in which the next shot usually comes: nothing is said before

export class EarlierText {
  constructor() {
    this.revision = null; // of the text
    this.faults = [];
    this.doing = "";
    this.since = new Map([["shot", null], ["readings", null]]); // revision that each was measured by
  }

  /** A `recipe` message. */
  text(recipe) {
    this.revision = recipe.revision;
    this.faults = recipe.faults;
    this.show();
  }

  state(state) {
    this.doing = state.doing;
    this.show();
  }

  /** A shot or readings have come, measured by the text of a revision. */
  came(what, revision) {
    this.since.set(what, revision ?? this.revision);
    this.show();
  }

  show() {
    const known = [...this.since.values()].filter((one) => one !== null);
    const isEarlier = known.some((one) => one !== this.revision);
    clearTimeout(this.later);
    if (!isEarlier) this.say("");
    else if (this.faults.length || this.doing !== "running") this.say(this.why());
    else this.later = setTimeout(() => this.say(this.why()), SOON);
  }

  why() {
    const lines = [...new Set(this.faults.map((fault) => fault.line))].filter(Boolean);
    const faults = `the recipe has ${this.faults.length === 1 ? "a fault" : "faults"}${lines.length ? ` in line ${lines.join(", ")}` : ""}`;
    const why = this.faults.length ? faults
      : { holding: "no shot was taken since", stopped: "the bench has stopped" }[this.doing] || "the next shot has not come yet";
    return `Picture and readings are those of the earlier text: ${why}.`;
  }

  say(text) {
    part("stale").hidden = !text;
    part("results").classList.toggle("is-stale", Boolean(text));
    say(part("stale"), text);
  }
}
