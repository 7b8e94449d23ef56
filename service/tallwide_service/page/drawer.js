// The drawer: capture, lens, framing and deliverables as fields with units. A field holds what was typed, right or wrong:
// the service alone judges it, and its problem is shown at the field that it names.

import { read } from "./job.js";

const number = (name, unit, pointer) => ({ name: unit ? `${name}, ${unit}` : name, pointer, kind: "number" });
const text = (name, pointer, wide = false) => ({ name, pointer, kind: "text", wide });
const list = (name, pointer) => ({ name, pointer, kind: "json", wide: true });
const choice = (name, pointer, options) => ({ name, pointer, kind: "choice", options });

const CAPTURE = [
  text("Name", "/capture/label", true),
  number("Recorded width", "px", "/capture/raster/width"), number("Recorded height", "px", "/capture/raster/height"),
  number("Photosites wide", "", "/capture/photosites/width"), number("Photosites high", "", "/capture/photosites/height"),
  number("Photosite pitch", "µm", "/capture/photosite_pitch_um"), number("Squeeze", "×", "/capture/squeeze"),
  choice("Squeeze along", "/capture/squeeze_axis", [[undefined, "sensor width"], ["sensor_height", "sensor height"]]),
  choice("Camera rolled by", "/capture/roll", [[0, "0°, upright"], [90, "90°"], [180, "180°"], [270, "270°"]]),
  number("Grid across", "px", "/capture/grid/x"), number("Grid down", "px", "/capture/grid/y"),
  number("Width step", "px", "/capture/grid/width"), number("Height step", "px", "/capture/grid/height"),
  number("Readout", "ms", "/capture/readout_ms"), number("Frame rate", "1/s", "/capture/frames_per_second"),
  number("Data rate", "MB/s", "/capture/data_rate_mb_s"), list("Usable area, corners [x, y], px", "/capture/usable_area"),
];
const LENS = [
  text("Name", "/capture/lens/label"), number("Focal length", "mm", "/capture/lens/focal_length_mm"),
  number("Image circle", "mm", "/capture/lens/image_circle_mm"), number("f-number", "", "/capture/lens/f_number"),
  number("Circle off centre, right", "mm", "/capture/lens/offset_mm/x"), number("Circle off centre, down", "mm", "/capture/lens/offset_mm/y"),
];
const FRAMING = [
  choice("Frames lie", "/framing/arrangement", [[undefined, "each on its own"], ["shared_point", "on one shared point"]]),
  choice("Aim", "/framing/objective", [[undefined, "in the order of the list"], ["largest", "largest areas"], ["raise_smallest", "raise the smallest"]]),
  number("Shared point across", "share", "/framing/point/x"), number("Shared point down", "share", "/framing/point/y"),
  choice("Equal", "/framing/match", [[undefined, "nothing"], ["height", "heights"], ["width", "widths"]]),
  number("Aspect tolerance", "share", "/framing/aspect_tolerance"),
  number("Subject from left", "px", "/framing/subject/x"), number("Subject from top", "px", "/framing/subject/y"),
  number("Subject width", "px", "/framing/subject/width"), number("Subject height", "px", "/framing/subject/height"),
  list("One frame inside another, [[\"inner\", \"outer\"]]", "/framing/nest"),
];
const SETS = [["ebu_r95", "EBU R 95"], ["itu_r_bt1848", "ITU-R BT.1848"], ["smpte_st2046_1", "SMPTE ST 2046-1"], ["smpte_rp218", "SMPTE RP 218"]];
const deliverable = (place) => {
  const at = `/deliverables/${place}`;
  return [
    text("Name", `${at}/label`, true),
    number("Delivered width", "px", `${at}/raster/width`), number("Delivered height", "px", `${at}/raster/height`),
    number("Aspect, where there is no raster", "W:H", `${at}/aspect`), number("Pixel aspect", "", `${at}/pixel_aspect`),
    number("Oversampling, at least", "×", `${at}/minimum_oversampling`), number("Weight", "", `${at}/weight`),
    number("Align point across", "share", `${at}/align/x`), number("Align point down", "share", `${at}/align/y`),
    number("Protection on each side", "share", `${at}/protection/each_side`), number("Protection inward", "share", `${at}/protection/inward`),
    choice("Delivered turned by", `${at}/delivery_turn`, [[undefined, "0°"], [90, "90°"], [180, "180°"], [270, "270°"]]),
    number("Screen height", "mm", `${at}/display/height_mm`), number("Nearest viewer", "mm", `${at}/display/viewing_distance_mm`),
    ...SETS.map(([value, name]) => ({ name: `Safe areas: ${name}`, pointer: `${at}/safe_area_sets`, kind: "member", value })),
    list("Own safe areas", `${at}/safe_areas`),
  ];
};

const NUMBER = /^-?(0|[1-9]\d*)(\.\d+)?([eE][-+]?\d+)?$/;

function typed(field, control) {
  if (field.kind === "choice") return field.options[control.selectedIndex][0];
  const written = control.value.trim();
  if (written === "") return undefined;
  if (field.kind === "number" && NUMBER.test(written)) return Number(written);
  if (field.kind === "json") {
    try { return JSON.parse(written); } catch { return written; }
  }
  return written;
}

function shown(field, control, job) {
  const value = read(job, field.pointer);
  if (field.kind === "member") control.checked = Array.isArray(value) && value.includes(field.value);
  else if (field.kind === "choice") {
    // What the job leaves out has its default as the first choice.
    control.selectedIndex = Math.max(0, field.options.findIndex(([option]) => option === value));
  } else if (document.activeElement !== control) {
    control.value = value === undefined || value === null ? "" : typeof value === "object" ? JSON.stringify(value) : String(value);
  }
}

export class Drawer {
  constructor({ form, problems, onWrite, onAdd, onRemove, onSubject, onPick }) {
    Object.assign(this, { form, problems, onWrite, onAdd, onRemove, onSubject, onPick, shape: null, entries: [] });
    form.addEventListener("submit", (event) => event.preventDefault());
  }

  show(job, picked) {
    const count = Array.isArray(job.deliverables) ? job.deliverables.length : 0;
    if (this.shape !== count) this.#build(count);
    for (const entry of this.entries) shown(entry.field, entry.control, job);
    this.titles.forEach((title, place) => { title.textContent = `${place + 1}. ${job.deliverables[place]?.label ?? "deliverable"}`; });
    this.subject.textContent = job.framing?.subject ? "Remove the subject" : "Mark a subject";
    if (this.picked !== picked) this.picked = picked;
  }

  #build(count) {
    const open = new Set([...this.form.querySelectorAll("details[open]")].map((each) => each.dataset.name));
    this.shape = count;
    this.entries = [];
    this.titles = [];
    const parts = [];
    const group = (name, fields, ...more) => {
      const details = document.createElement("details"), title = document.createElement("summary"), inner = document.createElement("div");
      details.dataset.name = name;
      details.open = open.has(name) || (open.size === 0 && name === "Capture" && matchMedia("(min-width: 62rem)").matches);
      title.textContent = name;
      inner.className = "fieldset";
      inner.setAttribute("role", "group");
      inner.setAttribute("aria-label", name);
      inner.append(...fields.map((field) => this.#field(field)), ...more);
      details.append(title, inner);
      parts.push(details);
      return title;
    };
    this.subject = this.#button("Mark a subject", () => this.onSubject());
    group("Capture", CAPTURE);
    group("Lens", LENS);
    group("Framing", FRAMING, this.subject);
    for (let place = 0; place < count; place += 1) {
      const remove = this.#button("Remove this deliverable", () => this.onRemove(place));
      const title = group(`Deliverable ${place + 1}`, deliverable(place), remove);
      title.parentElement.addEventListener("toggle", (event) => event.target.open && event.target.contains(document.activeElement) && this.onPick(place));
      this.titles.push(title);
    }
    parts.push(this.#button("Add a deliverable", () => this.onAdd()));
    this.form.replaceChildren(...parts);
  }

  #button(name, act) {
    const button = document.createElement("button");
    button.type = "button";
    button.textContent = name;
    button.addEventListener("click", act);
    return button;
  }

  #field(field) {
    const holder = document.createElement("div"), label = document.createElement("label"), problem = document.createElement("p");
    const control = document.createElement(field.kind === "choice" ? "select" : "input");
    const id = `field${field.pointer.replaceAll("/", "-")}${field.kind === "member" ? `-${field.value}` : ""}`;
    control.id = id;
    control.dataset.pointer = field.pointer;
    label.htmlFor = id;
    problem.className = "problem";
    problem.id = `${id}-problem`;
    problem.hidden = true;
    holder.className = `field${field.wide ? " is-wide" : ""}${field.kind === "member" ? " is-switch" : ""}`;
    if (field.kind === "choice") control.append(...field.options.map(([, name]) => new Option(name)));
    if (field.kind === "number") control.inputMode = "decimal";
    if (field.kind === "member") {
      control.type = "checkbox";
      label.append(control, ` ${field.name}`);
      holder.append(label, problem);
      control.addEventListener("change", () => this.onWrite(field.pointer, (job) => {
        const now = read(job, field.pointer) ?? [];
        const next = control.checked ? [...now, field.value] : now.filter((each) => each !== field.value);
        return next.length ? next : undefined;
      }));
    } else {
      label.textContent = field.name;
      control.autocomplete = "off";
      holder.append(label, control, problem);
      control.addEventListener(field.kind === "choice" ? "change" : "input", () => this.onWrite(field.pointer, () => typed(field, control)));
    }
    this.entries.push({ field, control, problem });
    return holder;
  }

  /** The field of a fault: the named one, else the first below the named place, else the first above it. */
  #entryOf(pointer) {
    const exact = this.entries.find(({ field }) => field.pointer === pointer);
    const below = () => this.entries.find(({ field }) => field.pointer.startsWith(`${pointer}/`));
    const above = () => this.entries.find(({ field }) => pointer.startsWith(`${field.pointer}/`));
    return exact ?? (pointer === "" ? undefined : below() ?? above());
  }

  /** Show a refusal: all of it on top, each fault at its field. */
  refuse(refused) {
    for (const { control, problem } of this.entries) {
      problem.hidden = true;
      problem.textContent = "";
      control.removeAttribute("aria-invalid");
      control.removeAttribute("aria-describedby");
    }
    if (!refused) return void this.problems.replaceChildren();
    const faults = refused.faults?.length ? refused.faults : [{ pointer: "", detail: refused.message }];
    const items = faults.map((fault) => {
      const item = document.createElement("li"), entry = this.#entryOf(fault.pointer ?? "");
      if (!entry) {
        item.textContent = `${fault.pointer ? `${fault.pointer}: ` : ""}${fault.detail}`;
        return item;
      }
      entry.problem.textContent = entry.problem.textContent ? `${entry.problem.textContent} ${fault.detail}` : fault.detail;
      entry.problem.hidden = false;
      entry.control.setAttribute("aria-invalid", "true");
      entry.control.setAttribute("aria-describedby", entry.problem.id);
      const link = document.createElement("a");
      link.href = `#${entry.control.id}`;
      link.textContent = `${fault.pointer}: ${fault.detail}`;
      link.addEventListener("click", (event) => {
        event.preventDefault(); // the fragment belongs to the job
        entry.control.closest("details").open = true;
        entry.control.focus();
      });
      item.append(link);
      return item;
    });
    const title = document.createElement("p"), all = document.createElement("ul");
    title.textContent = refused.problem?.title ?? "The service did not answer";
    all.append(...items);
    this.problems.replaceChildren(title, all);
  }
}
