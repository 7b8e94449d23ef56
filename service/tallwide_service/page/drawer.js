// The drawer: capture, lens, framing and deliverables as fields with units. A field holds what was typed, right or wrong:
// the service alone judges it, and its problem is shown at the field that it names.

import { button, made } from "./dom.js";
import { read, uprightSize, write } from "./job.js";

const number = (name, unit, pointer) => ({ name: unit ? `${name}, ${unit}` : name, pointer, kind: "number" });
const text = (name, pointer, wide = false) => ({ name, pointer, kind: "text", wide });
const list = (name, pointer) => ({ name, pointer, kind: "json", wide: true });
const choice = (name, pointer, options) => ({ name, pointer, kind: "choice", options });

const AXES = [[undefined, "sensor width"], ["sensor_height", "sensor height"]];
const ROLLS = [[0, "0°, upright"], [90, "90°"], [180, "180°"], [270, "270°"]];
const captureAt = (at) => [
  text("Name", `${at}/label`, true),
  number("Recorded width", "px", `${at}/raster/width`), number("Recorded height", "px", `${at}/raster/height`),
  number("Photosites wide", "", `${at}/photosites/width`), number("Photosites high", "", `${at}/photosites/height`),
  number("Photosite pitch", "µm", `${at}/photosite_pitch_um`), number("Squeeze", "×", `${at}/squeeze`),
  choice("Squeeze along", `${at}/squeeze_axis`, AXES),
  ...(at === "/capture" ? [choice("Camera rolled by", `${at}/roll`, ROLLS)] : []),
  number("Grid across", "px", `${at}/grid/x`), number("Grid down", "px", `${at}/grid/y`),
  number("Width step", "px", `${at}/grid/width`), number("Height step", "px", `${at}/grid/height`),
  number("Read-out", "ms", `${at}/readout_ms`), number("Frame rate", "1/s", `${at}/frames_per_second`),
  number("Data rate", "MB/s", `${at}/data_rate_mb_s`), number("Detail left by the filter array", "share", `${at}/detail_factor`),
  list("Usable area, corners [x, y], px", `${at}/usable_area`),
];
const lensAt = (at) => [
  text("Name", `${at}/label`), number("Focal length", "mm", `${at}/focal_length_mm`),
  number("Image circle", "mm", `${at}/image_circle_mm`), number("f-number", "", `${at}/f_number`),
  number("Covered width", "mm", `${at}/covered_mm/width`), number("Covered height", "mm", `${at}/covered_mm/height`),
  number("Circle off centre, right", "mm", `${at}/offset_mm/x`), number("Circle off centre, down", "mm", `${at}/offset_mm/y`),
];
const LENS = [...lensAt("/capture/lens"), number("Focus distance", "mm", "/capture/lens/focus_distance_mm"), number("Exit pupil", "mm", "/capture/lens/exit_pupil_mm")];
const lensToChoose = (place) => [...lensAt(`/lenses/${place}`), number("Squeeze", "×", `/lenses/${place}/squeeze`), choice("Squeeze along", `/lenses/${place}/squeeze_axis`, AXES),
  list("Settings of a zoom", `/lenses/${place}/settings`)];
const otherMode = (place) => [...captureAt(`/alternatives/${place}`), ...lensAt(`/alternatives/${place}/lens`).map((field) => ({ ...field, name: `Lens: ${field.name}` }))];
const FRAMING = [
  choice("Frames lie", "/framing/arrangement", [[undefined, "each on its own"], ["shared_point", "on one shared point"]]),
  choice("Aim", "/framing/objective", [[undefined, "in the order of the list"], ["largest", "largest areas"], ["raise_smallest", "raise the smallest"]]),
  choice("Minimum oversamplings", "/framing/minimums", [[undefined, "are judged"], ["held", "are held, on one point"]]),
  number("Shared point across", "share", "/framing/point/x"), number("Shared point down", "share", "/framing/point/y"),
  choice("Equal", "/framing/match", [[undefined, "nothing"], ["height", "heights"], ["width", "widths"]]),
  number("Aspect tolerance", "share", "/framing/aspect_tolerance"),
  number("Subject from left", "px", "/framing/subject/x"), number("Subject from top", "px", "/framing/subject/y"),
  number("Subject width", "px", "/framing/subject/width"), number("Subject height", "px", "/framing/subject/height"),
  list("One frame inside another, [[\"inner\", \"outer\"]]", "/framing/nest"),
];
const CRITERIA = ["enough_pixels", "passes", "changeovers", "lens_covers", "minutes", "megabytes", "smallest_oversampling", "reframe_room", "same_moment"];
const DAY = [
  number("Shots", "", "/production/shots"), number("Takes a shot", "", "/production/takes_per_shot"),
  number("A take", "minutes", "/production/minutes_per_take"), number("A change-over", "minutes", "/production/minutes_per_changeover"),
  number("Time there is", "minutes", "/production/minutes_available"), number("Storage there is", "MB", "/production/megabytes_available"),
  number("Passes at most", "", "/passes"), number("Pan to the right", "°/s", "/movement/pan_deg_s"), number("Tilt upwards", "°/s", "/movement/tilt_deg_s"),
  list(`What counts first, of ${CRITERIA.join(", ")}`, "/prefer"), list("Rolls allowed, of 0, 90, 180, 270", "/rolls"), list("The rig", "/rig"),
];
const YES = (name, pointer, first) => choice(name, pointer, first ? [[undefined, "yes"], [false, "no"]] : [[undefined, "no"], [true, "yes"]]);
const PAPER = [
  choice("Colours", "/overlay/palette", [[undefined, "Okabe and Ito"], ["tol_bright", "Tol, bright"], ["tol_high_contrast", "Tol, high contrast"]]),
  choice("Labels", "/overlay/labels", [[undefined, "full"], ["short", "short"], ["none", "none"]]),
  choice("Darken outside", "/overlay/shade", [[undefined, "nothing"], ["combined_area", "all frames"], ["frame", "one frame"]]),
  text("That one frame", "/overlay/shade_frame"), YES("Common area", "/overlay/common_area", false), YES("Centre marks", "/overlay/centre_marks", true),
  choice("Plate of another size", "/plate/fit", [[undefined, "is refused"], ["scale", "is scaled"]]), number("Longest side of what comes", "px", "/plate/longest_side_px"),
  choice("Paper of the sheet", "/sheet/paper", [[undefined, "A4"], ["letter", "letter"]]), text("Title of the sheet", "/sheet/title"), text("Date on the sheet", "/sheet/date"),
  text("Notes on the sheet", "/sheet/notes", true), choice("Paper of the chart", "/chart/paper", [[undefined, "A3"], ["A2", "A2"]]), number("Or the chart's picture, wide", "mm", "/chart/width_mm"),
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
    ...["left", "top", "right", "bottom"].map((side) => number(`Protection, ${side}`, "share", `${at}/protection/${side}`)),
    choice("Delivered turned by", `${at}/delivery_turn`, [[undefined, "0°"], [90, "90°"], [180, "180°"], [270, "270°"]]),
    number("Screen height", "mm", `${at}/display/height_mm`), number("Nearest viewer", "mm", `${at}/display/viewing_distance_mm`),
    number("Pitch of an LED wall", "mm", `${at}/display/pixel_pitch_mm`),
    number("Screen in the hand, wide", "px", `${at}/display/screen/width`), number("Screen in the hand, high", "px", `${at}/display/screen/height`),
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

const count = (list) => (Array.isArray(list) ? list.length : 0);

/** A name that none of a list has. */
function unused(list, name) {
  const taken = new Set(list.map((each) => each.label));
  let place = list.length + 1;
  while (taken.has(`${name} ${place}`)) place += 1;
  return `${name} ${place}`;
}

export class Drawer {
  constructor({ form, problems, onWrite, onJob, onPick }) {
    Object.assign(this, { form, problems, onWrite, onJob, onPick, shape: null, entries: [], titles: [] });
    form.addEventListener("submit", (event) => event.preventDefault());
  }

  show(job, prefix) {
    this.job = job;
    const shape = [job.deliverables, job.alternatives, job.lenses].map(count).join();
    if (this.shape !== shape) this.#build(job, shape);
    for (const entry of this.entries) shown(entry.field, entry.control, job);
    for (const { title, name } of this.titles) title.textContent = `${prefix}${name()}`;
    this.subject.textContent = job.framing?.subject ? "Remove the subject" : "Mark a subject";
  }

  #build(job, shape) {
    const open = new Set([...this.form.querySelectorAll("details[open]")].map((each) => each.dataset.name)), isFirst = this.shape === null;
    Object.assign(this, { shape, entries: [], titles: [] });
    const group = (key, name, fields, ...more) => {
      const details = document.createElement("details"), title = made("summary"), inner = made("div", undefined, "fieldset");
      details.dataset.name = key;
      details.open = open.has(key) || (isFirst && key === "capture" && matchMedia("(min-width: 62rem)").matches);
      inner.setAttribute("role", "group");
      inner.setAttribute("aria-label", name());
      inner.append(...fields.map((field) => this.#field(field)), ...more);
      details.append(title, inner);
      this.titles.push({ title, name });
      return details;
    };
    const remove = (what, pointer) => button(`Remove this ${what}`, () => this.onJob(write(this.job, pointer, undefined)));
    this.subject = button("Mark a subject", () => this.#toggleSubject());
    const frames = Array.from({ length: count(job.deliverables) }, (_, place) => {
      const details = group(`deliverable ${place}`, () => `${place + 1}. ${this.job.deliverables[place]?.label ?? "deliverable"}`, deliverable(place), remove("deliverable", `/deliverables/${place}`));
      details.addEventListener("toggle", () => details.open && details.contains(document.activeElement) && this.onPick(place));
      return details;
    });
    const modes = Array.from({ length: count(job.alternatives) }, (_, place) =>
      group(`mode ${place}`, () => `Other mode: ${this.job.alternatives[place]?.label ?? place + 1}`, otherMode(place), remove("mode", `/alternatives/${place}`)));
    const lenses = Array.from({ length: count(job.lenses) }, (_, place) =>
      group(`lens ${place}`, () => `Lens to choose: ${this.job.lenses[place]?.label ?? place + 1}`, lensToChoose(place), remove("lens", `/lenses/${place}`)));
    this.form.replaceChildren(
      group("capture", () => "Capture", captureAt("/capture")), group("lens", () => "Lens", LENS), group("framing", () => "Framing", FRAMING, this.subject), ...frames,
      button("Add a deliverable", () => this.#add("deliverables", (list) => ({ label: unused(list, "frame"), raster: { width: 1080, height: 1080 } }))),
      ...modes, button("Add a mode to weigh", () => this.#add("alternatives", (list) => ({ ...structuredClone(this.job.capture), label: unused(list, "mode"), roll: undefined }))),
      ...lenses, button("Add a lens to choose", () => this.#add("lenses", (list) => ({ label: unused(list, "lens"), focal_length_mm: 50 }))),
      group("day", () => "The day, the movement, the rig", DAY), group("paper", () => "Pictures and paper", PAPER));
  }

  #add(member, entry) {
    const job = structuredClone(this.job), list = job[member] ?? [];
    list.push(entry(list));
    this.onJob({ ...job, [member]: list });
  }

  #toggleSubject() {
    const { job } = this, { width, height } = uprightSize(job.capture);
    const subject = { x: Math.round(width * 0.45), y: Math.round(height * 0.3), width: Math.round(width * 0.1), height: Math.round(height * 0.3) };
    this.onJob(write(job, "/framing/subject", job.framing?.subject ? undefined : subject));
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

  /** A fault in words: the part and the field that it is about, else its pointer. */
  #words({ pointer, detail }) {
    const entry = this.#entryOf(pointer ?? ""), part = entry?.control.closest("details").querySelector("summary").textContent;
    return entry ? `${part}, ${entry.field.name}: ${detail}` : `${pointer ? `${pointer}: ` : ""}${detail}`;
  }

  /** What a refusal says first. */
  wordsOf(refused) { return refused.faults?.length ? this.#words(refused.faults[0]) : refused.message; }

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
        item.textContent = this.#words(fault);
        return item;
      }
      entry.problem.textContent = entry.problem.textContent ? `${entry.problem.textContent} ${fault.detail}` : fault.detail;
      entry.problem.hidden = false;
      entry.control.setAttribute("aria-invalid", "true");
      entry.control.setAttribute("aria-describedby", entry.problem.id);
      if (entry.control === document.activeElement) entry.problem.scrollIntoView({ block: "nearest" });
      const link = document.createElement("a");
      link.href = `#${entry.control.id}`;
      link.textContent = this.#words(fault);
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
