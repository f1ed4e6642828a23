// Makes one tree of elements like another and touches only what differs: what has the focus, is scrolled, opened,
// selected or zoomed stays so. Nothing is parsed from text here, and no script in the other tree ever runs.

const KEEP = new Set(["open", "data-drawn", "data-view"]); // what the reader, or a chart, has set

/** Children of `now` become like those of `next`; an element with an id stays the one it was. */
export function replaceChanged(now, next) {
  const byId = new Map(Array.from(now.children).filter((one) => one.id).map((one) => [one.id, one]));
  let at = now.firstChild;
  for (const wanted of Array.from(next.childNodes)) {
    const known = wanted.id && byId.get(wanted.id);
    if (known && known.parentNode === now && known.nodeName === wanted.nodeName) {
      if (known !== at) now.insertBefore(known, at);
      else at = at.nextSibling;
      become(known, wanted);
    } else if (at && isAlike(at, wanted)) {
      const same = at;
      at = at.nextSibling;
      become(same, wanted);
    } else {
      const made = document.importNode(wanted, true);
      now.insertBefore(made, at);
      mark(made);
    }
  }
  while (at) {
    const gone = at;
    at = at.nextSibling;
    gone.remove();
  }
}

const isAlike = (one, other) => one.nodeType === other.nodeType && one.nodeName === other.nodeName && (one.id || "") === (other.id || "");

function become(now, next) {
  if (now.nodeType !== Node.ELEMENT_NODE) {
    if (now.nodeValue !== next.nodeValue) {
      now.nodeValue = next.nodeValue;
      mark(now.parentElement);
    }
    return;
  }
  for (const { name, value } of Array.from(next.attributes)) if (!KEEP.has(name) && now.getAttribute(name) !== value) now.setAttribute(name, value);
  for (const { name } of Array.from(now.attributes)) if (!KEEP.has(name) && !next.hasAttribute(name)) now.removeAttribute(name);
  if (now.classList.contains("plot") || now.matches("input, select, textarea")) return; // a chart, and what is being typed
  replaceChanged(now, next);
}

function mark(element) {
  if (!element || element.nodeType !== Node.ELEMENT_NODE || element.nodeName === "SCRIPT") return;
  element.classList.remove("changed");
  void element.offsetWidth; // so that the same mark runs again
  element.classList.add("changed");
}
