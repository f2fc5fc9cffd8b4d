/** Create and find elements. Text is always set as text, so no name can become markup. */
import { gettext } from "./translation.js";

const SVG = "http://www.w3.org/2000/svg";
const MESSAGE_MS = 3000; // how long a message is shown

/** The element of this id. It must exist. */
export const byId = (id) => document.getElementById(id);

function fill(element, attributes, children) {
  for (const [name, value] of Object.entries(attributes)) {
    if (name.startsWith("on")) element.addEventListener(name.slice(2), value);
    else if (value === true) element.setAttribute(name, "");
    else if (value !== false && value !== null && value !== undefined) element.setAttribute(name, value);
  }
  element.append(...children.filter((child) => child !== null && child !== undefined));
  return element;
}

/** An HTML element with attributes, listeners (onclick: f) and children. */
export const createHtml = (tag, attributes = {}, ...children) => (
  fill(document.createElement(tag), attributes, children)
);

/** The same for SVG. */
export const createSvg = (tag, attributes = {}, ...children) => (
  fill(document.createElementNS(SVG, tag), attributes, children)
);

/** A button that looks like a link. isPressed : null for one that is no switch */
export const textButton = (label, onclick, isPressed = null) => createHtml(
  "button",
  { type: "button", class: "text-button", "aria-pressed": isPressed === null ? null : String(isPressed), onclick },
  label,
);

let messageTimer = 0;

/** Show a message for a while. undo : called if the user takes back what it tells;  stays : until the user closes it */
export function showMessage(text, { undo = null, stays = false } = {}) {
  const hide = () => byId("message").replaceChildren();
  const after = [
    undo && textButton(gettext("Undo"), () => { hide(); undo(); }),
    stays && textButton(gettext("Close"), hide),
  ].filter(Boolean);
  byId("message").replaceChildren(createHtml("span", {}, text), ...after);
  clearTimeout(messageTimer);
  if (!stays) messageTimer = setTimeout(hide, MESSAGE_MS);
}

/** Show a dialog. Resolves to the value of the button that closed it, "" if it was closed without one. */
export function showDialog(dialog) {
  dialog.returnValue = "";
  dialog.showModal();
  return new Promise((resolve) => {
    dialog.addEventListener("close", () => resolve(dialog.returnValue), { once: true });
  });
}
