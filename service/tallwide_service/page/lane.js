// A lane: one alternative with its cards, its picture and the service's answers to it.

import { drawCards } from "./cards.js";
import { button, chooseIn, made } from "./dom.js";
import { read, turned } from "./job.js";
import { lensesOf, modesOf, rollsOf } from "./modes.js";
import { Picture, sceneOf } from "./picture.js";
import { ask, placed } from "./service.js";
import { metPart, sweepOf, valueOn } from "./strip.js";

const LETTERS = ["A", "B"];
const SETTLED_MS = 120; // what is not drawn while dragging waits until the hand rests
const RESTED_MS = 250; // the plans take longest and wait longest
const TOO_LONG_MS = 250; // a newer job then no longer waits for an older answer

/** What all frames share, recorded px. */
function commonOf(extractions) {
  const rects = extractions.map((each) => each.rect);
  const x = Math.max(...rects.map((r) => r.x)), y = Math.max(...rects.map((r) => r.y));
  const right = Math.min(...rects.map((r) => r.x + r.width)), bottom = Math.min(...rects.map((r) => r.y + r.height));
  return right > x && bottom > y ? { x, y, width: right - x, height: bottom - y } : null;
}

const quiet = (question) => question.catch(() => null);
const rest = (ms, signal) => new Promise((resolve) => {
  const timer = setTimeout(resolve, ms);
  signal.addEventListener("abort", () => { clearTimeout(timer); resolve(); });
});

export class Lane {
  /** `desk` is what the page gives a lane: the jobs, what is picked, and how to change them. */
  constructor(place, desk) {
    Object.assign(this, { place, desk, answer: null, safeAreas: [], letter: LETTERS[place] });
    this.#build();
  }

  #build() {
    const { letter } = this;
    this.root = made("section", undefined, "lane");
    this.root.setAttribute("aria-label", `Alternative ${letter}`);
    this.title = made("span");
    this.work = button("Work on this", () => this.desk.work(this.place), "work");
    this.head = made("h2");
    this.head.append(this.title, this.work);
    this.cards = made("ul", undefined, "cards");
    this.cards.setAttribute("aria-label", "Deliverables, the tightest first");
    this.before = made("p", "As it was before this change:", "hint");
    this.stage = made("div", undefined, "stage");
    this.stage.innerHTML = `<svg id="picture-${letter.toLowerCase()}" tabindex="0" role="group"
      aria-label="Picture ${letter}: frames on the upright picture. Plus and minus zoom, 0 shows all, 1 shows pixels, arrows move."></svg>`;
    this.picture = new Picture(this.stage.firstElementChild, {
      onDrag: (name, by, begun) => this.desk.drag(this.place, name, by, begun, `drag ${name}`),
      onKey: (name, by, drawn) => this.desk.drag(this.place, name, by, drawn, `key ${name}`),
      onDone: () => this.desk.letGo(),
      onPick: (place) => this.desk.pick(place),
    });
    this.root.append(this.head, this.before, this.cards, this.stage, this.#tools(letter));
    this.#takeDrops();
  }

  #tools(letter) {
    const tools = made("div", undefined, "stage-tools"), scale = made("output"), group = made("div", undefined, "choices");
    tools.setAttribute("role", "group");
    tools.setAttribute("aria-label", `Picture ${letter}`);
    scale.ariaLabel = "Scale";
    this.picture.onView = (percent) => { scale.textContent = `${percent} %`; };
    const zoom = (sign, name, by) => Object.assign(button(sign, () => this.picture.zoomTo(this.picture.zoom * by), name === "Zoom in" ? "in" : "out"), { ariaLabel: name });
    const plate = made("label", "Plate …", "button"), input = made("input", undefined, "hidden-file plate");
    Object.assign(input, { type: "file", accept: "image/*" });
    input.addEventListener("change", () => input.files[0] && this.desk.usePlate(input.files[0]));
    plate.append(input);
    this.noPlate = button("Remove plate", () => this.desk.usePlate(null), "no-plate");
    this.choices = [["Mode", modesOf], ["Lens", lensesOf], ["Roll", rollsOf]].map(([name, choicesOf]) => {
      const label = made("label", `${name} `, "inline"), select = made("select", undefined, name.toLowerCase());
      select.ariaLabel = `${name} of ${letter}`;
      select.addEventListener("change", () => this.#possible() && this.desk.change(choicesOf(this.job, this.desk.kit())[select.selectedIndex].job(), null, this.place));
      label.append(select);
      group.append(label);
      return { select, label, choicesOf };
    });
    tools.append(button("Turn the camera", () => this.#possible() && this.desk.change(turned(this.job), null, this.place), "turn"),
      zoom("−", "Zoom out", 1 / 1.5), zoom("+", "Zoom in", 1.5), button("All", () => this.picture.fit(), "all"),
      button("Pixels", () => this.picture.pixels(), "pixels"), scale, plate, this.noPlate, group);
    return tools;
  }

  #takeDrops() {
    const mark = (is) => (event) => {
      event.preventDefault();
      this.stage.classList.toggle("is-target", is);
    };
    this.stage.addEventListener("dragover", mark(true));
    this.stage.addEventListener("dragleave", mark(false));
    this.stage.addEventListener("drop", (event) => {
      mark(false)(event);
      const file = event.dataTransfer.files[0];
      if (file) this.desk.usePlate(file);
    });
  }

  get job() { return this.desk.job(this.place); }
  get isThere() { return this.desk.lane(this.place) === this; }
  #possible() { return this.answer && Number.isFinite(read(this.job, "/capture/raster/width")); }

  /** Ask for the newest job: one question at a time, so that every answer is drawn; one that takes long is dropped. */
  ask(since = performance.now()) {
    this.later?.abort();
    this.since ??= since;
    if (this.asking) {
      this.again = true;
      if (performance.now() - this.asking.since > TOO_LONG_MS) this.asking.abort.abort();
      return;
    }
    this.#ask();
  }

  async #ask() {
    const { job, since } = this, asking = { abort: new AbortController(), since: performance.now() };
    Object.assign(this, { asking, again: false, working: true, since: null });
    this.desk.showBusy();
    try {
      const { signal } = asking.abort;
      const [extractions, weighed] = await Promise.all([placed(job, signal), ask("margins", job, signal)]);
      if (this.isThere) {
        this.answer = { asked: job, job: weighed.job, extractions, common: commonOf(extractions), margins: weighed.margins };
        this.refused = null;
        this.draw();
        this.desk.drawn(since);
      }
    } catch (error) {
      if (error.name !== "AbortError") {
        this.refused = error;
        this.draw();
      }
    } finally {
      this.asking = null;
    }
    if (!this.isThere) return;
    if (this.again || job !== this.job) return void this.#ask();
    this.#askRest(job);
  }

  /** What the hand does not wait for: safe areas, what binds and the sweep, then the plans. */
  async #askRest(job) {
    const { signal } = (this.later = new AbortController()), active = this.place === this.desk.active();
    await rest(SETTLED_MS, signal);
    if (signal.aborted) return;
    // A job that was refused may have any shape.
    const wants = !this.refused && job.deliverables.some((each) => each.safe_areas?.length || each.safe_area_sets?.length);
    const [safe, full] = await Promise.all([
      wants ? quiet(ask("safe-areas", job, signal)) : null,
      active && !this.refused ? quiet(this.#swept(job, signal)) : null,
    ]);
    if (signal.aborted || job !== this.job) return;
    const frames = Object.fromEntries((this.answer?.extractions ?? []).map((each) => [each.deliverable, each.upright_rect]));
    this.safeAreas = (safe?.safe_areas ?? []).filter((each) => frames[each.deliverable]).map((each) => ({ ...each, within: frames[each.deliverable] }));
    this.full = full;
    this.draw();
    await rest(RESTED_MS, signal);
    if (signal.aborted) return;
    this.advice = active ? await quiet(ask("orientation", { ...job, sweep: undefined }, signal)) : this.advice;
    if (signal.aborted || job !== this.job) return;
    this.working = false;
    this.draw();
    this.desk.showBusy();
  }

  /** Ask again for the strip alone, along another line. */
  askStrip() { if (!this.asking && !this.refused) { this.later?.abort(); this.working = true; this.desk.showBusy(); this.#askRest(this.job); } }

  async #swept(job, signal) {
    const line = this.desk.line(this);
    if (!line) return ask("extractions", { ...job, sweep: undefined }, signal);
    const now = valueOn(line, this.answer.job, this.answer.extractions), answer = await ask("extractions", sweepOf(line, job, now), signal);
    // Where little of the line will do, that part is what is looked at.
    const part = metPart(answer.sweep), nearer = part && (await ask("extractions", sweepOf(line, job, now, part), signal));
    return { ...answer, swept: { member: line.member, steps: (nearer ?? answer).sweep } };
  }

  draw() {
    const two = this.desk.isTwo(), active = this.place === this.desk.active(), roll = read(this.job, "/capture/roll");
    this.root.classList.toggle("is-active", active);
    this.root.classList.toggle("one-of-two", two);
    this.head.hidden = !two;
    this.title.textContent = `${this.letter}: ${read(this.job, "/capture/label") ?? "capture"}${roll ? `, turned ${roll}°` : ""}`;
    this.work.hidden = active;
    this.noPlate.hidden = !this.desk.plate();
    this.root.classList.toggle("is-stale", Boolean(this.refused));
    this.before.hidden = !(this.refused && this.answer);
    if (this.answer) this.#drawAnswer();
    if (active) this.desk.drawAround(this);
    this.desk.drawDifference();
  }

  #drawAnswer() {
    const { job, extractions, margins, common } = this.answer, picked = this.desk.picked(extractions.length);
    drawCards(this.cards, { margins, extractions }, picked, (place) => this.desk.pick(place));
    const scene = sceneOf(job.capture), kit = this.desk.kit();
    this.desk.shape();
    this.picture.draw({ job, extractions, common, picked, scene, plate: this.desk.plate()?.url, safeAreas: this.safeAreas });
    if (this.refused) return; // there is no choosing beside a job of any shape
    for (const { select, label, choicesOf } of this.choices) {
      const all = choicesOf(this.job, kit), at = all[0].roll === undefined ? 0 : all.findIndex((each) => each.roll === (this.job.capture.roll ?? 0));
      label.hidden = all.length < 2;
      chooseIn(select, all.map((each) => each.name), Math.max(0, at));
    }
  }
}
