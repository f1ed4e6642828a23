// The page follows the logbook: it asks again, puts what has changed in place, and says how old its numbers are.

import { replaceChanged } from "./changed_parts.js";
import { drawFigures, labelCells } from "./figures.js";

const EVERY = 3000; // ms between two requests
const LATE = 10000; // ms without an answer: the numbers may be old
const HIDDEN_EVERY = 30000; // ms, of a page that nobody sees

const fresh = document.getElementById("fresh");
const line = document.getElementById("line");
let etag = "";
let last = Date.now(); // when the numbers were last known to be those of the logbook
let timer = 0;
let isAsking = false;

const clock = (time) => new Date(time).toISOString().slice(11, 19) + " UTC";

function sayFresh() {
  fresh.textContent = `Follows the logbook. As of ${clock(last)}.`;
  if (document.body.classList.contains("is-old")) {
    document.body.classList.remove("is-old");
    line.replaceChildren();
  }
}

function sayOld(why) {
  document.body.classList.add("is-old");
  const text = `${why} The numbers below are those of ${clock(last)}, and may be old. Trying again.`;
  fresh.textContent = `As of ${clock(last)}.`;
  if (line.textContent === text) return;
  const said = document.createElement("p");
  said.className = "lost";
  said.textContent = text;
  line.replaceChildren(said);
}

async function ask() {
  if (isAsking) return;
  isAsking = true;
  const begun = Date.now();
  const stop = new AbortController();
  const patience = setTimeout(() => stop.abort(), LATE);
  try {
    const answer = await fetch(location.href, {
      headers: etag ? { "If-None-Match": etag } : {}, cache: "no-store", credentials: "same-origin", signal: stop.signal, redirect: "error",
    });
    if (answer.status === 401 || answer.status === 403) sayOld("The server no longer knows who you are: open the link with the token again.");
    else if (answer.status === 503) sayOld(await told(answer));
    else if (answer.status === 304) { last = begun; sayFresh(); }
    else await take(answer, begun);
  } catch (fault) {
    sayOld(stop.signal.aborted ? `No answer for ${LATE / 1000} s.` : "The connection is lost.");
  } finally {
    clearTimeout(patience);
    isAsking = false;
    plan();
  }
}

async function told(answer) {
  const page = new DOMParser().parseFromString(await answer.text(), "text/html");
  return page.querySelector(".fault")?.textContent ?? "The logbook cannot be read.";
}

async function take(answer, begun) {
  const text = await answer.text();
  const page = new DOMParser().parseFromString(text, "text/html");
  const main = page.getElementById("main");
  if (!main) { sayOld("The answer of the server is not this page."); return; }
  if (answer.headers.get("ETag") === etag && etag) { last = begun; sayFresh(); return; }
  etag = answer.headers.get("ETag") ?? "";
  labelCells(main);
  replaceChanged(document.getElementById("main"), main);
  document.title = page.title;
  await drawFigures();
  last = begun;
  sayFresh();
}

function plan() {
  clearTimeout(timer);
  timer = setTimeout(ask, document.hidden ? HIDDEN_EVERY : EVERY);
}

document.addEventListener("visibilitychange", () => {
  if (document.hidden) return;
  if (Date.now() - last > LATE) sayOld("Not asked for a while.");
  ask();
});
window.addEventListener("online", ask);
window.addEventListener("pageshow", (event) => { if (event.persisted) { sayOld("Not asked for a while."); ask(); } });

labelCells(document);
drawFigures().then(ask);
