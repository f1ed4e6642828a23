// Whether what is shown is measured by the text that is shown, and is of the measurement that is chosen: a picture of
// an earlier text is never passed off as one of the newest.

import { part, say } from "./element.js";

const SOON = 500; // ms in which the next shot usually comes: nothing is said before

export class EarlierText {
  constructor() {
    this.revision = null; // of the text
    this.faults = [];
    this.doing = this.measurement = "";
    this.since = new Map(); // "shot" and "readings": the revision and the measurement of each
  }

  /** A `recipe` message. */
  text(recipe) {
    this.revision = recipe.revision;
    this.faults = recipe.faults;
    this.show();
  }

  state(state) {
    this.doing = state.doing;
    if (state.measurement) this.measurement = state.measurement;
    this.show();
  }

  /** A shot or readings have come, measured by the text of a revision. */
  came(what, { revision, measurement }) {
    this.since.set(what, { revision, measurement });
    this.show();
  }

  show() {
    const known = [...this.since.values()];
    this.other = known.map((one) => one.measurement).find((one) => this.measurement && one !== this.measurement);
    const isEarlier = this.other !== undefined || known.some((one) => one.revision !== this.revision);
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
    return `Picture and readings are those of ${this.other === undefined ? "the earlier text" : this.other}: ${why}.`;
  }

  say(text) {
    part("stale").hidden = !text;
    part("results").classList.toggle("is-stale", Boolean(text));
    say(part("stale"), text);
  }
}
