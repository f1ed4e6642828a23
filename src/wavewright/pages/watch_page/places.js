// Two places on traces that somebody has picked, what lies between them, and the metric that it can become.

import { announce, element, part } from "./element.js";
import { seconds, withPrefix } from "./numbers.js";

export class Places {
  /** `changed()` is called when places come or go, so that the picture marks them. */
  constructor(send, changed) {
    this.send = send;
    this.changed = changed;
    this.at = []; // {time, channel, level, unit}
    this.mayTurn = false;
  }

  /** One more place; after two, a new pair begins. */
  pick(place) {
    this.at = this.at.length >= 2 ? [place] : [...this.at, place];
    this.show();
    announce(this.said());
  }

  clear() {
    if (!this.at.length) return;
    this.at = [];
    this.show();
  }

  allow(mayTurn) {
    this.mayTurn = mayTurn;
    for (const button of part("places").querySelectorAll("[data-writes]")) button.disabled = !mayTurn;
  }

  /** Marks for the panel of a channel. */
  marks(channel) {
    return this.at.flatMap((place, index) => (place.channel === channel
      ? [{ kind: "place", at: place.time, value: place.level, label: `place ${index + 1}`, role: "reading" }] : []));
  }

  said() {
    const [first, second] = this.at;
    if (!first) return "";
    if (!second) return `Place 1: ${where(first)}. Pick a second one.`;
    const apart = `${seconds(Math.abs(second.time - first.time), 5)} apart`;
    const levels = first.unit === second.unit ? ` and ${withPrefix(second.level - first.level, first.unit)} from the first to the second` : "";
    return `Place 1: ${where(first)}. Place 2: ${where(second)}. They are ${apart}${levels}.`;
  }

  show() {
    this.changed();
    const box = part("places");
    box.hidden = !this.at.length;
    if (!this.at.length) {
      box.replaceChildren();
      return;
    }
    const at = this.at.map(({ time, channel, level }) => ({ time, channel, level }));
    const write = (type, text) => element("button", { type: "button", "data-writes": true, disabled: !this.mayTurn,
      onclick: () => this.send({ do: "add_metric", type, at }) }, text);
    const both = this.at.length === 2;
    const sameUnit = both && this.at[0].unit === this.at[1].unit;
    box.replaceChildren(element("h3", { id: "places-heading" }, "Picked places"), element("p", {}, this.said()),
      element("p", { class: "hands" },
        both ? write("time_between", "Write the time between them as a metric") : null,
        sameUnit ? write("level_difference", "Write the level difference as a metric") : null,
        element("button", { type: "button", onclick: () => this.clear() }, "Forget the places")));
  }
}

const where = (place) => `${seconds(place.time, 5)}, ${place.channel} at ${withPrefix(place.level, place.unit)}`;
