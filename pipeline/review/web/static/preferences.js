/** What this browser remembers of a user's choices. Nothing about animals is kept here. */

const PREFIX = "clutchlight.";

/** A remembered value, or the initial one. */
export function preference(name, initial) {
  try {
    return JSON.parse(localStorage.getItem(PREFIX + name)) ?? initial;
  } catch {
    return initial; // storage is switched off, or holds something else
  }
}

export function remember(name, value) {
  try {
    localStorage.setItem(PREFIX + name, JSON.stringify(value));
  } catch {
    // The choice then holds for this page only.
  }
}

/** Whether a single letter, digit or sign is a shortcut. Users of speech input switch that off (WCAG 2.1.4). */
export const letterKeys = {
  get isOn() { return preference("letter-keys", true); },
  set isOn(value) { remember("letter-keys", value); },
  /** Whether this key is one of those that the switch is about. */
  concerns: (event) => event.key.length === 1 && event.key !== " ",
};
