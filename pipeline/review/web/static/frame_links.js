/** Frames that a text names become links: "left-1.mp4, frames 4 to 9" opens the clip there, in every language. */
import { createHtml } from "./dom.js";
import { pgettext } from "./translation.js";

const escaped = (text) => text.replace(/[.*+?^${}()|[\]\\]/g, "\\$&");

const longestFirst = (clips) => (
  clips.map((clip, index) => ({ clip, index })).sort((a, b) => b.clip.file.length - a.clip.file.length)
);

/** What matches such a place. template : with {clip}, {first} and perhaps {last} */
const matching = (template, files) => template.split(/\{(\w+)\}/).map((part, index) => (
  index % 2 ? { clip: `(?:${files.join("|")})`, first: "\\d+", last: "\\d+" }[part] : escaped(part)
)).join("");

/** clips : of the exam;  onOpen(clipIndex, frame). Returns text and links, to be put in an element. */
export function withFrameLinks(text, clips, onOpen) {
  if (!clips.length) return [text];
  const files = longestFirst(clips).map(({ clip }) => escaped(clip.file));
  const templates = [pgettext("stored", "{clip}, frames {first} to {last}"), pgettext("stored", "{clip}, frame {first}")];
  const place = new RegExp(templates.map((template) => matching(template, files)).join("|"), "g");
  const parts = [];
  let end = 0;
  for (const match of text.matchAll(place)) {
    const [words] = match;
    const clipIndex = longestFirst(clips).find(({ clip }) => words.includes(clip.file)).index;
    const { file } = clips[clipIndex];
    const [frame] = words.replace(file, "").match(/\d+/);
    const open = (event) => { event.preventDefault(); onOpen(clipIndex, Number(frame)); };
    const href = `?${new URLSearchParams({ clip: file, frame })}`;
    parts.push(text.slice(end, match.index), createHtml("a", { href, onclick: open }, words));
    end = match.index + words.length;
  }
  return [...parts, text.slice(end)];
}
