// Taking along: every file that the service makes of the job, and the address of its picture.

import { button, made, save } from "./dom.js";
import { packed } from "./job.js";
import { fetchFile } from "./service.js";

// Each form's name and its own media type; JSON would give the envelope.
const FORMS = [
  ["framing-decision-list", "Framing decision list", "application/x.framing-decision-list+json"],
  ["image-regions", "Image regions", "application/rdf+xml"], ["iiif", "IIIF requests", "text/uri-list"],
  ["media-fragments", "Media fragments", "text/uri-list"], ["ffmpeg", "FFmpeg script", "text/x-shellscript"],
  ["openexr", "OpenEXR attributes", "application/x.openexr-header+json"],
  ["timeline-transform", "Timeline transform", "application/x.timeline-transform+json"], ["csv", "CSV", "text/csv"],
].map(([form, title, accept]) => ({ title, endpoint: `handoff/${form}`, accept, name: form }));
const file = (title, endpoint, accept, name) => ({ title, endpoint, accept, name });
const PICTURES = [
  file("Overlay SVG", "overlay", "image/svg+xml", "overlay.svg"), file("Overlay PNG", "overlay", "image/png", "overlay.png"),
  file("Overlay PDF", "overlay", "application/pdf", "overlay.pdf"),
];
const PAPER = [
  file("Sheet PDF", "sheet", "application/pdf", "sheet.pdf"), file("Chart PDF", "chart", "application/pdf", "chart.pdf"),
  file("Chart SVG", "chart", "image/svg+xml", "chart.svg"),
];
const NUMBERS = [
  file("Answer as JSON", "extractions", "application/json", "answer.json"), file("Margins as CSV", "margins?view=table", "text/csv", "margins.csv"),
  file("Numbers to dial in, CSV", "dial-in?view=table", "text/csv", "dial-in.csv"),
];
const asked = (output) => (job) => ({ ...job, plate: { ...job.plate, output } });
const OF_PLATE = [
  { ...file("Burned in", "overlay", "image/png", "burned-in.png"), job: asked("burned_in") },
  { ...file("Contact sheet", "overlay", "image/png", "contact-sheet.png"), job: asked("contact_sheet") },
  { ...file("Frames cut out, ZIP", "overlay", "application/zip", "frames.zip"), job: asked("frames") },
  { ...file("Sheet on the plate", "sheet", "application/pdf", "sheet-on-plate.pdf"), job: (job) => job },
];

const stem = (job) => String(job.id ?? "job").replaceAll(/[^\w.-]+/g, "-");

export class Take {
  constructor(holder, note, { job, plate }) {
    Object.assign(this, { holder, note, job, plate });
    this.draw();
  }

  draw() {
    const groups = [["Pictures", PICTURES], ["Paper", PAPER], ["Hand over", FORMS], ["Numbers", NUMBERS]];
    if (this.plate()) groups.splice(1, 0, ["From the plate", OF_PLATE]);
    this.holder.replaceChildren(...groups.map(([title, files]) => {
      const group = made("div", undefined, "take-group"), buttons = made("div", undefined, "buttons");
      buttons.append(...files.map((each) => button(each.title, () => this.#take(each))));
      if (title === "Pictures") buttons.append(button("Copy the picture's address", () => this.#copyAddress()));
      group.append(made("h3", title), buttons);
      return group;
    }));
  }

  say(words) { this.note.textContent = words; }

  async #take({ title, endpoint, accept, name, job: wanted }) {
    this.say(`${title} …`);
    try {
      const job = this.job(), made = await fetchFile(endpoint, wanted ? wanted(job) : job, accept, wanted && this.plate().file);
      const called = made.name ?? `${stem(job)}-${name}`;
      save(made.blob, called);
      this.say(`${title}: ${called}${made.lost ? `. It has no place for: ${made.lost}` : ""}`);
    } catch (error) {
      this.say(`${title}: ${error.message}`);
    }
  }

  /** The overlay by GET: for an image on somebody's dashboard. The job then stands in the address that is asked for. */
  async #copyAddress() {
    const address = new URL(`v1/overlay?job=${await packed(this.job())}`, location.href.split("#")[0]).href;
    try {
      await navigator.clipboard.writeText(address);
      this.say("The picture's address is copied. The whole job stands in it, and in the log of whoever serves it.");
    } catch {
      this.say(address);
    }
  }
}
