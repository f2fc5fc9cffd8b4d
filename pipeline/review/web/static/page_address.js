/**
 * The address of an exam's page says which egg and frame it shows, so that a link opens there.
 *
 * Links from sheets say it behind a #, which needs no answer of the server; the page itself behind a ?.
 */

const WAIT_MS = 300; // browsers allow only so many changes of the address

/** What the address asks for: {egg, clip, frame}, each null if it does not say. */
export function askedPlace() {
  const asked = new URLSearchParams(`${location.search}&${location.hash.slice(1)}`);
  const number = (name) => (/^\d+$/.test(asked.get(name) ?? "") ? Number(asked.get(name)) : null);
  return { egg: number("egg"), clip: asked.get("clip"), frame: number("frame") };
}

/** Show what the address asks for, if the exam has it; else the first egg to look at. */
export function openAskedPlace(page) {
  const { egg, clip, frame } = askedPlace();
  const clipIndex = page.exam.clips.findIndex((one) => one.file === clip);
  const first = page.egg(egg) ?? (clipIndex < 0 ? page.remaining[0] ?? page.exam.eggs[0] : null);
  if (first) page.select(first.number, { isRead: false });
  else if (clipIndex < 0) page.goTo(0, 0);
  if (clipIndex >= 0) page.goTo(clipIndex, frame ?? 0);
}

/** A function that brings the address up to date, soon after the last of several calls. */
export function addressKeeper(page) {
  let timer = 0;
  return () => {
    clearTimeout(timer);
    timer = setTimeout(() => {
      const { clip, frame, playing } = page.frameView;
      if (playing || !clip) return;
      const place = new URLSearchParams({ ...(page.selected ? { egg: page.selected } : {}), clip: clip.file, frame });
      history.replaceState(null, "", `${location.pathname}?${place}`);
    }, WAIT_MS);
  };
}
