/** Elements made and found. Text is always set as text, so that no name can become markup. */

const SVG = "http://www.w3.org/2000/svg";

/** The element of this id; it must be there. */
export const byId = (id) => document.getElementById(id);

function filled(element, traits, children) {
  for (const [name, value] of Object.entries(traits)) {
    if (name.startsWith("on")) element.addEventListener(name.slice(2), value);
    else if (value === true) element.setAttribute(name, "");
    else if (value !== false && value !== null && value !== undefined) element.setAttribute(name, value);
  }
  element.append(...children.filter((child) => child !== null && child !== undefined));
  return element;
}

/** An HTML element with attributes, listeners (onclick: f) and children. */
export const createHtml = (tag, traits = {}, ...children) => filled(document.createElement(tag), traits, children);

/** The same for SVG. */
export const createSvg = (tag, traits = {}, ...children) => filled(document.createElementNS(SVG, tag), traits, children);

let fading = 0;

/** Tell the person something, for a while. */
export function showMessage(text) {
  const message = byId("message");
  message.textContent = text;
  clearTimeout(fading);
  fading = setTimeout(() => { message.textContent = ""; }, 7000);
}

/** Show a dialog; the value of the button it was closed with, "" if it was merely closed. */
export function showDialog(dialog) {
  dialog.returnValue = "";
  dialog.showModal();
  return new Promise((resolve) => {
    dialog.addEventListener("close", () => resolve(dialog.returnValue), { once: true });
  });
}
