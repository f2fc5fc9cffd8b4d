/** Frames that a text names become links: "left-1.mp4, frames 4 to 9" opens the clip there. */
import { createHtml } from "./dom.js";

const escaped = (text) => text.replace(/[.*+?^${}()|[\]\\]/g, "\\$&");

/** clips : of the exam;  onOpen(clipIndex, frame). Returns text and links, to be put in an element. */
export function withFrameLinks(text, clips, onOpen) {
  if (!clips.length) return [text];
  const files = clips.map((clip) => escaped(clip.file)).sort((a, b) => b.length - a.length);
  const place = new RegExp(`(${files.join("|")}), frames? (\\d+)(?: to \\d+)?`, "g");
  const parts = [];
  let end = 0;
  for (const match of text.matchAll(place)) {
    const [words, file, frame] = match;
    const clipIndex = clips.findIndex((clip) => clip.file === file);
    const open = (event) => { event.preventDefault(); onOpen(clipIndex, Number(frame)); };
    const href = `?${new URLSearchParams({ clip: file, frame })}`;
    parts.push(text.slice(end, match.index), createHtml("a", { href, onclick: open }, words));
    end = match.index + words.length;
  }
  return [...parts, text.slice(end)];
}
