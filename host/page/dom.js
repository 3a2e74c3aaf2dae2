// Small helpers for the document. Words reach it as text only, never as markup.

const SVG = "http://www.w3.org/2000/svg";

export const find = (selector, within = document) => within.querySelector(selector);
export const findAll = (selector, within = document) => [...within.querySelectorAll(selector)];

/** An element with properties (`class`, `data-…` and `aria-…` as attributes) and children. */
export function element(name, properties = {}, ...children) {
  const made = document.createElement(name);
  fill(made, properties, children);
  return made;
}

/** The same for a drawing. */
export function drawn(name, properties = {}, ...children) {
  const made = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(properties)) made.setAttribute(key, value);
  made.append(...children);
  return made;
}

function fill(made, properties, children) {
  for (const [key, value] of Object.entries(properties)) {
    if (value === undefined || value === null || value === false) continue;
    if (key.startsWith("on")) made.addEventListener(key.slice(2), value);
    else if (key === "class" || key === "for" || key === "role" || key.includes("-")) made.setAttribute(key, value);
    else made[key] = value;
  }
  made.append(...children.flat(Infinity).filter((child) => child !== null && child !== undefined && child !== false));
}

/** Writes only what changed: the browser then lays nothing out anew, and a screen reader says nothing twice. */
export function say(where, words) {
  if (where.textContent !== words) where.textContent = words;
}

export function classed(where, classes) {
  if (where.className !== classes) where.setAttribute("class", classes);
}

/** Asks before something that cannot be taken back; gives null when it is not wanted. With `reason` gives that, or null
 *  without one; with `note` a remark, which may be empty. */
export function sure(question, { reason = false, note = false } = {}) {
  const dialog = find("#sure");
  const label = find("#sure-reason");
  const field = find("input", label);
  say(find("#sure-words"), question);
  say(find("span", label), reason ? "Reason" : "Remark");
  label.hidden = !reason && !note;
  field.required = reason;
  field.value = "";
  dialog.returnValue = "no";
  dialog.showModal();
  return new Promise((resolve) => {
    dialog.addEventListener(
      "close",
      () => resolve(dialog.returnValue === "yes" ? field.value.trim() || (reason ? null : "") : null),
      { once: true },
    );
  });
}
