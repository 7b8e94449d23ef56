// The page: what is worked on, what was answered, and who draws it. State is one object a step, so undo is a stack of them.

import { drawAdvice, drawDifference, drawStrip } from "./advice.js";
import { drawCards, summaryOf } from "./cards.js";
import { Drawer } from "./drawer.js";
import { packed, read, SAMPLE, turned, unpacked, uprightSize, write } from "./job.js";
import { Picture, sceneOf, sharedPoint } from "./picture.js";
import { ask, fetchFile, placed } from "./service.js";

const $ = (id) => document.getElementById(id);
const SETTLED_MS = 120; // what is not drawn while dragging waits until the hand rests
const TOO_LONG_MS = 250; // a newer job then no longer waits for an older answer
const MOST_STEPS_BACK = 200;
const SWEEP = { from: 0.1, to: 0.9, steps: 25 };
// Each form's name and its own media type; JSON would give the envelope.
const HANDED = [
  ["framing-decision-list", "Framing decision list", "application/x.framing-decision-list+json"],
  ["image-regions", "Image regions", "application/rdf+xml"], ["iiif", "IIIF requests", "text/uri-list"],
  ["media-fragments", "Media fragments", "text/uri-list"], ["ffmpeg", "FFmpeg script", "text/x-shellscript"],
  ["openexr", "OpenEXR attributes", "application/x.openexr-header+json"],
  ["timeline-transform", "Timeline transform", "application/x.timeline-transform+json"], ["csv", "CSV", "text/csv"],
];

const LETTERS = ["A", "B"];
let state = { jobs: [SAMPLE], active: 0 };
const past = [], future = [];
let lastMerge = null;
let picked = 0;
let plate = null; // { url, file }

/* ---- state ---- */

function commit(next, merge = null) {
  if (!(merge && merge === lastMerge)) {
    past.push(state);
    if (past.length > MOST_STEPS_BACK) past.shift();
  }
  lastMerge = merge;
  future.length = 0;
  state = next;
  refresh();
}

const current = () => state.jobs[state.active];
const withJob = (job, place = state.active) => ({ ...state, jobs: state.jobs.map((each, at) => (at === place ? job : each)) });
const change = (job, merge, place) => commit(withJob(job, place), merge);

function step(from, to) {
  if (!from.length) return;
  to.push(state);
  state = from.pop();
  lastMerge = null;
  refresh();
}

/* ---- lanes: an alternative with its cards, its picture and its answers ---- */

class Lane {
  constructor(place) {
    this.place = place;
    this.answer = null;
    this.safeAreas = [];
    this.root = document.createElement("section");
    this.root.className = "lane";
    this.root.setAttribute("aria-label", `Alternative ${LETTERS[place]}`);
    const letter = LETTERS[place].toLowerCase();
    this.root.innerHTML = `
      <h2 hidden><span class="title"></span><button type="button" class="work">Work on this</button></h2>
      <ul class="cards" aria-label="Deliverables, the tightest first"></ul>
      <div class="stage"><svg id="picture-${letter}" tabindex="0" role="group" aria-label="Picture ${LETTERS[place]}: frames on the upright picture. Plus and minus zoom, 0 shows all, 1 shows pixels, arrows move."></svg></div>
      <div class="stage-tools" role="group" aria-label="Picture ${LETTERS[place]}">
        <button type="button" class="turn">Turn the camera</button>
        <button type="button" class="out" aria-label="Zoom out">−</button><button type="button" class="in" aria-label="Zoom in">+</button>
        <button type="button" class="all">All</button><button type="button" class="pixels">Pixels</button>
        <output aria-label="Scale">100 %</output>
        <label class="button">Plate …<input class="hidden-file plate" type="file" accept="image/*"></label>
        <button type="button" class="no-plate" hidden>Remove plate</button>
      </div>`;
    const find = (name) => this.root.querySelector(name);
    this.cards = find(".cards");
    this.stage = find(".stage");
    this.picture = new Picture(find("svg"), {
      onDrag: (name, by, begun) => drag(this.place, name, by, begun, `drag ${name}`),
      onKey: (name, by, drawn) => drag(this.place, name, by, drawn, `key ${name}`),
      onDone: () => { lastMerge = null; },
    });
    this.picture.onView = (percent) => { find("output").textContent = `${percent} %`; };
    find(".turn").addEventListener("click", () => this.#possible() && change(turned(this.job), null, this.place));
    find(".in").addEventListener("click", () => this.picture.zoomTo(this.picture.zoom * 1.5));
    find(".out").addEventListener("click", () => this.picture.zoomTo(this.picture.zoom / 1.5));
    find(".all").addEventListener("click", () => this.picture.fit());
    find(".pixels").addEventListener("click", () => this.picture.pixels());
    find(".work").addEventListener("click", () => commit({ ...state, active: this.place }));
    find(".plate").addEventListener("change", (event) => event.target.files[0] && usePlate(event.target.files[0]));
    find(".no-plate").addEventListener("click", () => usePlate(null));
    this.stage.addEventListener("dragover", (event) => { event.preventDefault(); this.stage.classList.add("is-target"); });
    this.stage.addEventListener("dragleave", () => this.stage.classList.remove("is-target"));
    this.stage.addEventListener("drop", (event) => {
      event.preventDefault();
      this.stage.classList.remove("is-target");
      const file = event.dataTransfer.files[0];
      if (file) usePlate(file);
    });
    this.find = find;
  }

  get job() { return state.jobs[this.place]; }
  #possible() { return this.answer && Number.isFinite(read(this.job, "/capture/raster/width")); }

  /** Ask for the newest job: one question at a time, so that every answer is drawn; one that takes long is dropped. */
  ask() {
    this.later?.abort();
    clearTimeout(this.timer);
    if (this.asking) {
      this.again = true;
      if (performance.now() - this.asking.since > TOO_LONG_MS) this.asking.abort.abort();
      return;
    }
    this.#ask();
  }

  async #ask() {
    const job = this.job, asking = { abort: new AbortController(), since: performance.now() };
    this.asking = asking;
    this.again = false;
    this.working = true;
    showBusy();
    try {
      const [extractions, weighed] = await Promise.all([placed(job, asking.abort.signal), ask("margins", job, asking.abort.signal)]);
      if (lanes[this.place] === this) {
        this.answer = { job: weighed.job, extractions, common: commonOf(extractions), margins: weighed.margins };
        this.refused = null;
        this.draw();
        document.body.dataset.redrawMs = (performance.now() - asking.since).toFixed(1);
      }
    } catch (error) {
      if (error.name !== "AbortError") {
        this.refused = error;
        this.draw();
      }
    }
    this.asking = null;
    if (lanes[this.place] !== this) return;
    if (this.again || job !== this.job) return void this.#ask();
    this.timer = setTimeout(() => this.#askRest(job), SETTLED_MS);
  }

  async #askRest(job) {
    const { signal } = (this.later = new AbortController());
    const quiet = (question) => question.catch(() => null);
    const wants = (job.deliverables ?? []).some((each) => each.safe_areas?.length || each.safe_area_sets?.length);
    const [advice, safe, swept] = await Promise.all([
      quiet(ask("orientation", { ...job, sweep: undefined }, signal)),
      wants && !this.refused ? quiet(ask("safe-areas", job, signal)) : null,
      this.place === state.active && !this.refused ? quiet(this.#sweep(job, signal)) : null,
    ]);
    if (signal.aborted || job !== this.job) return;
    this.safeAreas = safe?.safe_areas ?? [];
    this.advice = advice;
    this.swept = swept;
    this.draw();
    this.working = false;
    showBusy();
  }

  async #sweep(job, signal) {
    if (job.framing?.arrangement !== "shared_point" || !this.answer) return null;
    const at = sharedPoint(job, this.answer.extractions, uprightSize(job.capture));
    const swept = write(job, "/framing/point/y", job.framing.point?.y ?? at.y);
    const answer = await ask("extractions", { ...swept, sweep: { member: "/framing/point/y", ...SWEEP } }, signal);
    return { steps: answer.sweep, now: at.y };
  }

  draw() {
    const two = state.jobs.length > 1, active = this.place === state.active;
    this.root.classList.toggle("is-active", active);
    this.root.classList.toggle("one-of-two", two);
    this.find("h2").hidden = !two;
    this.find(".title").textContent = `${LETTERS[this.place]}: ${read(this.job, "/capture/label") ?? "capture"}${read(this.job, "/capture/roll") ? `, turned ${this.job.capture.roll}°` : ""}`;
    this.find(".work").hidden = active;
    this.find(".no-plate").hidden = !plate;
    this.stage.classList.toggle("is-stale", Boolean(this.refused));
    if (this.answer) {
      const { job, extractions, margins, common } = this.answer;
      picked = Math.min(picked, extractions.length - 1);
      drawCards(this.cards, { margins, extractions }, picked, pick);
      const names = new Set(extractions.map((each) => each.deliverable));
      const scene = sceneOf(job.capture);
      this.stage.style.setProperty("--aspect", scene.width / scene.height);
      this.picture.draw({
        job, extractions, common, picked, scene, plate: plate?.url,
        safeAreas: this.safeAreas.filter((each) => names.has(each.deliverable)),
      });
    }
    if (active) drawAround(this);
    if (two && lanes.every((lane) => lane.answer)) drawDifference($("difference-rows"), lanes[0].answer.margins, lanes[1].answer.margins);
  }
}

const lanes = [];

/** What all frames share, recorded px. */
function commonOf(extractions) {
  const rects = extractions.map((each) => each.rect);
  const x = Math.max(...rects.map((r) => r.x)), y = Math.max(...rects.map((r) => r.y));
  const right = Math.min(...rects.map((r) => r.x + r.width)), bottom = Math.min(...rects.map((r) => r.y + r.height));
  return right > x && bottom > y ? { x, y, width: right - x, height: bottom - y } : null;
}

function showBusy() {
  document.body.dataset.busy = lanes.some((lane) => lane.working) ? "yes" : "no";
}

function drawAround(lane) {
  drawer.refuse(lane.refused);
  const say = lane.refused ? `Not as it stands: ${lane.refused.message}` : lane.answer ? summaryOf(lane.answer.margins) : "Asking the service …";
  if ($("summary").textContent !== say) $("summary").textContent = say;
  $("advice").hidden = !lane.advice;
  if (lane.advice) drawAdvice($("advice-body"), lane.advice);
  $("strip").hidden = !lane.swept;
  if (lane.swept) drawStrip($("strip-body"), lane.swept.steps, lane.answer.extractions.map((each) => each.deliverable), lane.swept.now);
}

function pick(place) {
  picked = place;
  for (const lane of lanes) lane.draw();
}

function usePlate(file) {
  if (plate) URL.revokeObjectURL(plate.url);
  plate = file ? { url: URL.createObjectURL(file), file } : null;
  for (const lane of lanes) lane.draw();
  drawTake();
}

/* ---- dragging ---- */

const rounded = (value) => Math.round(value * 10000) / 10000;
const within = (value) => Math.min(Math.max(rounded(value), 0), 1);

/** Move what a handle stands for by so many scene px, from where it was when the hand took it. */
function drag(place, name, by, begun, merge) {
  const scene = sceneOf(begun.job.capture), dx = by.x / scene.sx, dy = by.y / scene.sy;
  let job = state.jobs[place];
  if (name === "point") {
    const at = sharedPoint(begun.job, begun.extractions, scene.upright);
    job = write(job, "/framing/point", { x: within(at.x + dx / scene.upright.width), y: within(at.y + dy / scene.upright.height) });
  } else if (name === "align") {
    const r = begun.extractions[picked].upright_rect, align = begun.job.deliverables[picked].align;
    job = write(job, `/deliverables/${picked}/align`, { x: within(align.x + dx / r.width), y: within(align.y + dy / r.height) });
  } else {
    const was = begun.job.framing.subject, { width, height } = scene.upright;
    const hold = (value, least, most) => Math.round(Math.min(Math.max(value, least), Math.max(least, most)));
    const subject = name === "subject"
      ? { ...was, x: hold(was.x + dx, 0, width - was.width), y: hold(was.y + dy, 0, height - was.height) }
      : { ...was, width: hold(was.width + dx, 1, width - was.x), height: hold(was.height + dy, 1, height - was.y) };
    job = write(job, "/framing/subject", subject);
  }
  change(job, `${merge} ${place}`, place);
}

/* ---- drawer ---- */

const drawer = new Drawer({
  form: $("fields"), problems: $("problems"),
  onWrite: (pointer, value) => change(write(current(), pointer, value(current())), `field ${pointer}`),
  onAdd: () => {
    const job = structuredClone(current()), names = new Set(job.deliverables.map((each) => each.label));
    let count = job.deliverables.length + 1;
    while (names.has(`frame ${count}`)) count += 1;
    job.deliverables.push({ label: `frame ${count}`, raster: { width: 1080, height: 1080 } });
    change(job);
  },
  onRemove: (place) => change(write(current(), `/deliverables/${place}`, undefined)),
  onSubject: () => {
    const { width, height } = uprightSize(current().capture);
    const subject = { x: Math.round(width * 0.45), y: Math.round(height * 0.3), width: Math.round(width * 0.1), height: Math.round(height * 0.3) };
    change(write(current(), "/framing/subject", current().framing?.subject ? undefined : subject));
  },
  onPick: pick,
});

$("json-apply").addEventListener("click", () => useJson($("json").value));
$("json-load").addEventListener("change", async (event) => {
  const file = event.target.files[0];
  if (file) useJson(await file.text());
  event.target.value = "";
});
$("json-save").addEventListener("click", () =>
  save(new Blob([`${JSON.stringify(current(), null, 1)}\n`], { type: "application/json" }), `${current().id ?? "job"}.json`));

function useJson(written) {
  const say = $("json-problem");
  try {
    const job = JSON.parse(written);
    // A saved answer holds its job; anything else that is no job is judged by the service.
    const found = job?.job?.capture ? job.job : job;
    if (typeof found !== "object" || found === null || typeof found.capture !== "object" || !Array.isArray(found.deliverables)) {
      throw new SyntaxError("a job is an object with capture and deliverables");
    }
    say.textContent = "";
    change(found);
  } catch (error) {
    say.textContent = `This is not a job: ${error.message}`;
  }
}

/* ---- taking along ---- */

function save(blob, name) {
  const link = document.createElement("a");
  link.href = URL.createObjectURL(blob);
  link.download = name;
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 10_000);
}

async function take(title, endpoint, accept, name, still) {
  $("take-note").textContent = `${title} …`;
  try {
    const file = await fetchFile(endpoint, current(), accept, still);
    save(file.blob, file.name ?? name);
    $("take-note").textContent = `${title}: ${file.name ?? name}${file.lost ? `. It has no place for: ${file.lost}` : ""}`;
  } catch (error) {
    $("take-note").textContent = `${title}: ${error.message}`;
  }
}

function drawTake() {
  const stem = () => (current().id ?? "job").replaceAll(/[^\w.-]+/g, "-");
  const kinds = [
    ["Overlay SVG", "overlay", "image/svg+xml", "overlay.svg"], ["Overlay PNG", "overlay", "image/png", "overlay.png"],
    ["Sheet PDF", "sheet", "application/pdf", "sheet.pdf"], ["Chart PDF", "chart", "application/pdf", "chart.pdf"],
    ...HANDED.map(([form, title, type]) => [title, `handoff/${form}`, type, form]),
  ];
  if (plate) kinds.push(["Overlay burned into the plate", "overlay", "image/png", "burned-in.png", plate.file]);
  $("take-buttons").replaceChildren(...kinds.map(([title, endpoint, accept, name, still]) => {
    const button = document.createElement("button");
    button.type = "button";
    button.textContent = title;
    button.addEventListener("click", () => take(title, endpoint, accept, `${stem()}-${name}`, still));
    return button;
  }));
}

/* ---- the bar on top ---- */

$("undo").addEventListener("click", () => step(past, future));
$("redo").addEventListener("click", () => step(future, past));
$("compare").addEventListener("click", () =>
  commit(state.jobs.length > 1 ? { jobs: [current()], active: 0 } : { jobs: [current(), structuredClone(current())], active: 1 }));
$("link").addEventListener("click", async () => {
  await keepLink();
  try {
    await navigator.clipboard.writeText(location.href);
    $("take-note").textContent = "The link is copied. It carries the job itself; no server sees that part of it.";
  } catch {
    $("take-note").textContent = "The address of this page is the link: copy it from the address bar.";
  }
});
$("theme").addEventListener("change", (event) => { document.documentElement.dataset.theme = event.target.value; });

document.addEventListener("keydown", (event) => {
  if (!(event.ctrlKey || event.metaKey) || event.key.toLowerCase() !== "z" || event.target.matches("input, textarea")) return;
  event.preventDefault();
  if (event.shiftKey) step(future, past);
  else step(past, future);
});

async function keepLink() {
  const written = state;
  const [a, b] = await Promise.all(written.jobs.map(packed));
  if (written === state) history.replaceState(null, "", `#job=${a}${b ? `&with=${b}&active=${state.active}` : ""}`);
}

async function readLink() {
  const parts = new URLSearchParams(location.hash.slice(1));
  const texts = ["job", "with"].map((name) => parts.get(name)).filter(Boolean);
  if (!texts.length) return;
  try {
    const jobs = await Promise.all(texts.map(unpacked));
    if (!jobs.every((job) => typeof job?.capture === "object" && Array.isArray(job.deliverables))) throw new TypeError("no job in it");
    state = { jobs, active: jobs.length > 1 && parts.get("active") === "1" ? 1 : 0 };
  } catch {
    $("take-note").textContent = "The link could not be read, perhaps because it was cut; this is the sample job.";
  }
}

let linkTimer;
let asked = [];

function refresh() {
  const two = state.jobs.length > 1;
  while (lanes.length < state.jobs.length) lanes.push(new Lane(lanes.length));
  lanes.length = state.jobs.length;
  const shown = lanes.map((lane) => lane.root);
  if ($("lanes").children.length !== shown.length) $("lanes").replaceChildren(...shown);
  $("lanes").classList.toggle("is-two", two);
  $("difference").hidden = !two;
  $("compare").setAttribute("aria-pressed", String(two));
  $("undo").disabled = !past.length;
  $("redo").disabled = !future.length;
  drawer.show(current(), picked);
  if (document.activeElement !== $("json")) $("json").value = JSON.stringify(current(), null, 1);
  lanes.forEach((lane, place) => {
    if (asked[place] !== state.jobs[place] || !lane.answer) lane.ask();
    else lane.draw();
  });
  asked = [...state.jobs];
  clearTimeout(linkTimer);
  linkTimer = setTimeout(keepLink, SETTLED_MS);
}

await readLink();
drawTake();
refresh();
addEventListener("hashchange", async () => {
  const before = JSON.stringify(state);
  await readLink();
  if (JSON.stringify(state) !== before) refresh();
});
