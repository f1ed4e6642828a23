// The page of `watch`: a document that answers to the recipe's file. Messages of the program come in here and go to the
// part that shows them; what somebody does goes out as one message each.

import { connect } from "./connection.js";
import { EarlierText } from "./earlier_text.js";
import { announce, element, part, say } from "./element.js";
import { Frames } from "./frames.js";
import { Keys } from "./keys.js";
import { Outputs } from "./outputs.js";
import { PicturePane } from "./picture_pane.js";
import { Places } from "./places.js";
import { ProbePlaces } from "./probe_places.js";
import { Readings } from "./readings.js";
import { RecipeText } from "./recipe_text.js";
import { StateLine } from "./state_line.js";

const MOST_MESSAGES = 4;

let sendNow = () => false;
const send = (message) => sendNow(message);
const state = { now: null, how: "" };

const places = new Places(send, () => picture.due());
const picture = new PicturePane(send, places);
const readings = new Readings();
const frames = new Frames((start, end, text) => picture.showFound(start, end, text));
const recipe = new RecipeText(send);
const outputs = new Outputs(send, () => recipe.recipe && recipe.recipe.revision);
const line = new StateLine(send);
const earlier = new EarlierText();
const probes = new ProbePlaces();

// ------------------------------------------------------------------------------------------------------- buttons

function hand(text, key, act, attributes = {}) {
  return element("button", { type: "button", onclick: act, "aria-keyshortcuts": key, ...attributes }, text,
    ...(key ? [" ", element("kbd", { "aria-hidden": "true" }, key)] : []));
}

const hands = {
  run: hand("Run", "r", () => send({ do: "run" }), { "aria-pressed": "false" }),
  hold: hand("Hold", "h", () => send({ do: "hold" }), { "aria-pressed": "false" }),
  single: hand("One shot", "s", () => send({ do: "single" })),
};
part("shots").append(...Object.values(hands));

const looks = {
  span: hand("Make this the span", "x", () => makeSpan()),
  density: hand("Shots on top of one another", "d", () => density(!picture.withDensity), { "aria-pressed": "false" }),
  keep: hand("Keep as reference", "k", () => reference(true)),
  drop: hand("Forget the reference", "", () => reference(false)),
  rare: hand("Next rare path", "1", () => next("rare")),
  damaged: hand("Next damaged frame", "2", () => next("damaged")),
  doubt: hand("Next doubt", "3", () => next("doubt")),
};
part("picture-hands").append(...Object.values(looks));
picture.onView = () => allow();
part("limits").addEventListener("click", () => limits());
part("measurement").addEventListener("change", (event) => send({ do: "measurement", label: event.target.value }));

function density(on) {
  picture.withDensity = on;
  looks.density.setAttribute("aria-pressed", String(on));
  picture.due();
}

function reference(keep) {
  send({ do: "reference", keep });
}

function makeSpan() {
  if (!picture.view) return;
  if (send({ do: "span_from_view", ...picture.view, revision: recipe.recipe.revision })) picture.whole();
}

function next(what) {
  const shown = picture.view || picture.record;
  const from = picture.found ? picture.found.end : shown ? shown.start : 0;
  send({ do: "next", what, from });
}

function limits() {
  send({ do: "limits_from_last", shots: Number(part("last-shots").value), revision: recipe.recipe.revision });
}

// ------------------------------------------------------------------------------------------------------ messages

const takers = {
  recipe: (message) => {
    recipe.take(message);
    earlier.text(message);
    picture.recipeChanged(message.revision);
    if (frames.revision !== message.revision) frames.hide();
    say(part("title"), titleOf(message.text) || message.name);
    say(part("file"), message.name);
    document.title = `${message.name}, watched`;
  },
  shot: (message, bytes) => {
    const had = picture.hasReference();
    picture.takeShot(message, bytes);
    earlier.came("shot", message);
    if (picture.hasReference() !== had) allow();
  },
  density: (message, bytes) => {
    if (!isNewest(message)) return;
    picture.takeDensity(message, bytes);
    if (looks.density.hidden) allow();
  },
  readings: (message) => {
    readings.take(message);
    earlier.came("readings", message);
  },
  frames: (message) => {
    if (!isNewest(message)) return;
    frames.take(message);
    allow();
  },
  found: (message) => {
    picture.showFound(message.start, message.end, message.text);
    frames.mark(message.start);
    announce(message.text);
  },
  said: (message) => {
    if (message.level === "refused") recipe.refused();
    note(message.text, message.level);
  },
  state: (message) => {
    const before = state.now;
    state.now = message;
    line.take(message);
    outputs.take(message);
    earlier.state(message);
    choose(message);
    probes.take(message);
    if (before && before.measurement !== message.measurement) frames.hide();
    hands.run.setAttribute("aria-pressed", String(message.doing === "running"));
    hands.hold.setAttribute("aria-pressed", String(message.doing === "holding"));
    if (message.measurement) say(part("picture-heading"), message.measurement);
    allow();
  },
};

// of the text and of the measurement that are on the screen
function isNewest(message) {
  const isOther = state.now && state.now.measurement && state.now.measurement !== message.measurement;
  return !isOther && recipe.recipe !== null && recipe.recipe.revision === message.revision;
}

function titleOf(text) {
  const found = /^title:[ \t]*(?:"((?:[^"\\]|\\.)*)"|'((?:[^']|'')*)'|(.*?))[ \t]*(?:[ \t]#.*)?\r?$/m.exec(text);
  return found ? found[1] || (found[2] || "").replaceAll("''", "'") || found[3] || "" : "";
}

function choose({ measurements, measurement }) {
  const list = part("measurement");
  part("chooser").hidden = measurements.length < 2;
  if (list.dataset.shape !== measurements.join("\n")) {
    list.dataset.shape = measurements.join("\n");
    list.replaceChildren(...measurements.map((label) => element("option", { value: label }, label)));
  }
  if (document.activeElement !== list) list.value = measurement;
}

function note(text, level = "note") {
  const list = part("messages");
  const same = [...list.children].find((one) => one.dataset.text === text);
  if (same) same.remove();
  const item = element("li", { class: level, "data-text": text }, { refused: "Refused: ", warning: "Caution: ", fault: "Fault: " }[level] || "", text, " ",
    element("button", { type: "button", class: "away", "aria-label": `Put away: ${text}`, onclick: () => item.remove() }, "Put away"));
  list.prepend(item);
  while (list.children.length > MOST_MESSAGES) list.lastChild.remove();
  if (level === "note") setTimeout(() => item.remove(), 12000);
  announce(item.firstChild.textContent + (item.childNodes.length > 3 ? text : ""));
}

// what this page may do now: nothing without the line to the program, looking without the hand, all with it
function allow() {
  const isOpen = state.how === "open";
  const may = isOpen && state.now !== null && state.now.hand === "yours";
  recipe.allow(may);
  places.allow(may);
  for (const button of [...Object.values(hands), looks.span, looks.keep, looks.drop, part("limits"), part("measurement")]) button.disabled = !may;
  for (const button of [looks.rare, looks.damaged, looks.doubt]) button.disabled = !isOpen;
  // what would do nothing now is not in the way
  looks.span.hidden = picture.view === null;
  looks.drop.hidden = !picture.hasReference();
  looks.density.hidden = looks.rare.hidden = picture.density === null;
  looks.damaged.hidden = !frames.rows.length;
}

// ---------------------------------------------------------------------------------------------------------- keys

const chartHand = (name) => () => {
  const button = part("chart").querySelector(`[data-move="${name}"]`);
  return button && !button.hidden ? button.click() : false;
};
const press = (button) => () => (button.disabled || button.hidden ? false : button.click());
new Keys([
  { keys: ["?"], text: "This list", act: () => keysShown() },
  { keys: ["o", "F8"], text: "Outputs off; F8 also while you write", act: () => outputs.off(), everywhere: ["F8"] },
  { keys: ["r"], text: "Run: shot after shot", act: press(hands.run) },
  { keys: ["h"], text: "Hold: no further shot", act: press(hands.hold) },
  { keys: ["s"], text: "One shot, then hold", act: press(hands.single) },
  { keys: ["d"], text: "Shots on top of one another, or the newest alone", act: press(looks.density) },
  { keys: ["k"], text: "Keep the trace as reference", act: press(looks.keep) },
  { keys: ["+"], text: "Zoom in", act: chartHand("in") },
  { keys: ["-"], text: "Zoom out", act: chartHand("out") },
  { keys: ["["], text: "Earlier", act: chartHand("left") },
  { keys: ["]"], text: "Later", act: chartHand("right") },
  { keys: ["w"], text: "The whole record", act: chartHand("all") },
  { keys: ["n"], text: "Next place that a reading was read at", act: chartHand("next") },
  { keys: ["p"], text: "Previous place", act: chartHand("previous") },
  { keys: ["x"], text: "Make what is shown the span of the recipe", act: press(looks.span) },
  { keys: ["1"], text: "Next rare path", act: press(looks.rare) },
  { keys: ["2"], text: "Next damaged frame", act: press(looks.damaged) },
  { keys: ["3"], text: "Next doubt", act: press(looks.doubt) },
  { keys: ["e"], text: "Write in the text of the recipe", act: press(recipe.hands.write) },
  { keys: ["Ctrl+S"], text: "Save the text", act: () => recipe.save(), everywhere: ["Ctrl+S"] },
  { keys: ["l"], text: "Next fault", act: press(recipe.hands.fault) },
  { keys: ["z"], text: "Undo the last change", act: press(recipe.hands.undo) },
  { keys: ["y"], text: "Redo it", act: press(recipe.hands.redo) },
  { keys: ["a"], text: "Ask for the hand, or give it back", act: () => { const button = part("hand").querySelector("button"); return button ? button.click() : false; } },
], [
  [["↑", "↓"], "In a number: one step up or down; with Shift, ten steps"],
  [["Enter", "Escape"], "In a number: enter what was typed; take it back"],
  [["←", "→"], "In the picture: earlier, later"],
  [[",", "."], "In the picture: move the cursor; with Shift, ten times as far"],
  [["Enter"], "In the picture: pick the place at the cursor; two places give a time and a level difference"],
  [["Escape"], "In the picture: forget cursor and places. In the text: back without saving"],
  [["↑", "↓"], "In the table of frames: the frame before or after; Enter shows it in the picture"],
]);

function keysShown() {
  part("keys-open").click();
}

// ---------------------------------------------------------------------------------------------------------- line

const address = new URL("live", document.baseURI);
address.protocol = address.protocol === "https:" ? "wss:" : "ws:";
sendNow = connect(address, {
  onMessage: (message, bytes) => {
    const take = takers[message.kind];
    if (take) take(message, bytes);
  },
  onLine: (how, tries) => {
    state.how = how;
    line.line(how, tries);
    outputs.line(how === "open");
    allow();
    if (how === "open") picture.ask();
  },
});
setInterval(() => line.show(picture.rate()), 1000);
