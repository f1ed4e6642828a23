// Elements of the page. Text is set as text, never as markup: what comes from a file cannot become part of the page.

export function element(tag, attributes = {}, ...children) {
  const made = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (name.startsWith("on")) made.addEventListener(name.slice(2), value);
    else if (value === true) made.setAttribute(name, "");
    else if (value !== false && value !== null && value !== undefined) made.setAttribute(name, String(value));
  }
  made.append(...children.filter((child) => child !== null && child !== undefined && child !== ""));
  return made;
}

export const part = (id) => document.getElementById(id);

// writes only what has changed: a screen reader and the layout are left alone by a shot that changes nothing
export function say(where, text) {
  if (where.textContent !== text) where.textContent = text;
}

// read out by a screen reader, once for each change
export function announce(text) {
  say(part("announced"), text);
}
