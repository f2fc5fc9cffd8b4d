/** How the picture is shown: zoom, brightness, contrast, speed, loop, outlines and depth scale on and off. */
import { byId } from "./dom.js";
import { preference, remember } from "./preferences.js";

const SLOW = 0.5;

/** Switches of the tools, by id of the button: whether each is on. */
const SWITCHES = { outlines: true, depth: true, slow: false, loop: false };

export class PictureTools {
  /** onChange() : called when the outlines or the scale must be drawn again, or the range that plays has changed */
  constructor(viewport, frameView, onChange) {
    this.viewport = viewport;
    this.frameView = frameView;
    this.onChange = onChange;
    this.isOn = { ...SWITCHES, outlines: true, depth: preference("depth", true) };
    for (const name of Object.keys(SWITCHES)) byId(name).addEventListener("click", () => this.toggle(name));
    byId("zoom-in").addEventListener("click", () => this.zoom(1));
    byId("zoom-out").addEventListener("click", () => this.zoom(-1));
    byId("whole").addEventListener("click", () => viewport.reset());
    for (const id of ["brightness", "contrast"]) {
      byId(id).value = preference(id, 100);
      byId(id).addEventListener("input", () => this.adjust());
    }
    byId("as-recorded").addEventListener("click", () => {
      byId("brightness").value = 100;
      byId("contrast").value = 100;
      this.adjust();
    });
    this.adjust();
    this.show();
  }

  zoom(steps) { if (this.viewport.frame) this.viewport.zoomBy(steps); }

  toggle(name) {
    this.isOn[name] = !this.isOn[name];
    if (name === "depth") remember(name, this.isOn[name]);
    this.show();
    this.onChange();
  }

  show() {
    for (const [name, isOn] of Object.entries(this.isOn)) byId(name).setAttribute("aria-pressed", String(isOn));
    this.frameView.speed = this.isOn.slow ? SLOW : 1;
  }

  /** Brightness and contrast in percent of the recording's; remembered, as rooms and screens differ. */
  adjust() {
    const [brightness, contrast] = ["brightness", "contrast"].map((id) => Number(byId(id).value));
    byId("picture").style.filter = brightness === 100 && contrast === 100
      ? "" : `brightness(${brightness}%) contrast(${contrast}%)`;
    byId("as-recorded").disabled = brightness === 100 && contrast === 100;
    remember("brightness", brightness);
    remember("contrast", contrast);
  }
}
