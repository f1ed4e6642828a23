// One sentence of what is going on, who has the hand, and whether the line to the program holds.

import { announce, element, part, say } from "./element.js";

const DOING = {
  running: "Running",
  holding: "Holding: no shot is taken",
  single: "Taking one shot",
  waiting: "Waiting",
  stopped: "Stopped",
  faulty: "Not run, since the recipe has a fault",
};

export class StateLine {
  constructor(send) {
    this.send = send;
    this.state = null;
    this.how = "";
    this.since = null;
  }

  take(state) {
    const before = this.state;
    this.state = state;
    this.show(0);
    if (!before || before.doing !== state.doing) announce(DOING[state.doing]);
    this.showHand(before);
  }

  /** `drawn`: pictures a second that this page has drawn; said where it is not what the bench takes. */
  show(drawn) {
    const state = this.state;
    if (!state || this.how !== "open") return;
    const place = state.file ? `on the stored record ${state.file}` : state.simulated ? "on a simulated bench" : "on the bench";
    const doing = DOING[state.doing];
    const isActive = ["running", "single", "waiting"].includes(state.doing);
    let text = isActive ? `${doing} ${place}. ` : `${doing}. ${place[0].toUpperCase()}${place.slice(1)}: `;
    const none = isActive ? "No shot yet" : "no shot yet";
    text += state.shots ? counted(state.shots, "shot") : none;
    if (state.doing === "running" && state.rate > 0) {
      text += `, ${rate(state.rate)} a second`;
      if (drawn > 0 && drawn < 0.9 * state.rate) text += `; this page draws ${rate(drawn)} of them`;
    }
    text += ".";
    if (state.message && state.doing !== "faulty") text += ` ${sentence(state.message)}`;
    say(part("state"), text);
  }

  showHand(before) {
    const { hand, watchers } = this.state;
    if (before && before.hand === hand && before.watchers === watchers && part("hand").firstChild) return;
    const box = part("hand");
    box.hidden = false;
    const others = watchers ? ` ${watchers} other ${watchers === 1 ? "page watches" : "pages watch"}.` : "";
    const button = (text, take) => element("button", { type: "button", "aria-keyshortcuts": "a", onclick: () => this.send({ do: "hand", take }) },
      text, " ", element("kbd", { "aria-hidden": "true" }, "a"));
    box.replaceChildren(...{
      yours: [`You have the hand: what you change here is done.${others} `, watchers ? button("Give it back", false) : ""],
      other: ["Another page has the hand; this one watches. ", button("Ask for the hand", true)],
      free: ["Nobody has the hand. ", button("Take the hand", true)],
    }[hand]);
    if (before && before.hand !== hand) announce(box.textContent);
  }

  /** How the line is: "open", "lost", "silent", "ended". */
  line(how, tries) {
    const was = this.how;
    this.how = how;
    document.body.classList.toggle("is-lost", how !== "open");
    part("hand").hidden = how !== "open" || !this.state;
    if (how !== "open" && was === "open") this.since = new Date();
    const since = this.since ? this.since.toLocaleTimeString("en-GB") : "";
    const last = " What is below is the last that came.";
    const outputs = this.state && this.state.outputs && this.state.outputs.asked
      ? " The program switches outputs off when it does not hear this page." : "";
    const text = {
      open: "",
      lost: (since ? `Connection lost at ${since}.` : "The program does not answer.")
        + ` Trying again, ${tries} ${tries === 1 ? "time" : "times"} so far.${since ? last : ""}${outputs}`,
      silent: `Nothing was heard from the program since ${since}.${last}${outputs}`,
      ended: `The program has ended, at ${since}.${last}${outputs} Start wavewright watch again and open the address that it names.`,
    }[how];
    say(part("line"), text);
    part("line").className = text ? "lost" : "";
    if (how === "open") {
      if (was && was !== "open") announce("Connected again.");
      this.since = null;
      this.show(0);
    } else say(part("state"), how === "ended" ? "Ended." : this.state ? "Not connected." : "Connecting.");
  }
}

const rate = (value) => (value >= 9.95 ? String(Math.round(value)) : value.toFixed(1));

// the first line: what else there is to say is below, in the message of the fault
function sentence(message) {
  const [first] = message.split("\n");
  return `${first[0].toUpperCase()}${first.slice(1)}${/[.!?]$/.test(first) ? "" : "."}`;
}

function counted(count, one) {
  return `${count.toLocaleString("en-GB").replaceAll(",", "\u202f")} ${one}${count === 1 ? "" : "s"}`;
}
