// Where the probes go: the words of `place`, and the pictures beside it as their files are now.

import { element, part } from "./element.js";

export class ProbePlaces {
  constructor() {
    this.shown = "";
  }

  /** Of a state; what is on the screen stays where nothing has changed. */
  take({ place, pictures }) {
    const now = JSON.stringify([place, pictures]);
    if (now === this.shown) return;
    this.shown = now;
    part("probe-place").hidden = !place && !pictures.length;
    part("probe-place-said").textContent = place;
    part("probe-place-said").hidden = !place;
    part("probe-pictures").hidden = !pictures.length;
    part("probe-pictures").replaceChildren(...pictures.map((one) => element("li", {}, one.fault ? missing(one) : figure(one))));
  }
}

function figure({ name, file, width, height }) {
  return element("figure", {},
    element("a", { href: file, target: "_blank", rel: "noopener noreferrer" },
      element("img", { src: file, alt: `Where the probes go, ${name}, in a window of its own`, width, height, decoding: "async" })),
    element("figcaption", {}, name));
}

const missing = ({ name, fault }) => element("p", { class: "no-picture" }, element("strong", {}, "Not shown: "),
  fault.includes(name) ? fault : `${name}: ${fault}`);
