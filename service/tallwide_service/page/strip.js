// The strip: what every frame has to spare along one line, the service's sweep, with a slider under it that moves along.

import { chooseIn, element, listOf, made, tableOf } from "./dom.js";
import { read, uprightSize, write } from "./job.js";
import { colourOf, dashesOf, keyOf, sharedPoint, typeScale } from "./picture.js";

const MOST_FRAMES = 224; // the service's bound on steps times frames
const STEPS = 33;
const PAD = 12; // half the slider's thumb, so that chart and slider stand over each other

const share = (value) => `${(value * 100).toFixed(1)} %`;
const pixels = (value) => `${Math.round(value)} px`;
const signed = (value) => `${value > 0 ? "+" : value < 0 ? "−" : ""}${Math.abs(value).toFixed(1)} %`;

/** The lines that something can be dragged along: the job's member, its bounds, and which handle moves it along which axis. */
export function linesOf(job, picked) {
  const { width, height } = uprightSize(job.capture), subject = job.framing?.subject;
  const asShare = (member, name, handle, axis) => ({ member, name, handle, axis, from: 0, to: 1, step: 0.001, words: share });
  const asPixels = (member, name, handle, axis, least, most) => ({ member, name, handle, axis, from: least, to: Math.max(least + 1, most), step: 1, words: pixels });
  const label = job.deliverables[picked]?.label;
  return [
    ...(job.framing?.arrangement === "shared_point" ? [
      asShare("/framing/point/y", "Shared point, down", "point", "y"), asShare("/framing/point/x", "Shared point, across", "point", "x")] : []),
    ...(subject ? [
      asPixels("/framing/subject/y", "Subject, from top", "subject", "y", 0, height - subject.height),
      asPixels("/framing/subject/x", "Subject, from left", "subject", "x", 0, width - subject.width),
      asPixels("/framing/subject/height", "Subject, height", "subject-size", "y", 1, height - subject.y),
      asPixels("/framing/subject/width", "Subject, width", "subject-size", "x", 1, width - subject.x)] : []),
    ...(label === undefined ? [] : [
      asShare(`/deliverables/${picked}/align/y`, `Align point of ${label}, down`, "align", "y"),
      asShare(`/deliverables/${picked}/align/x`, `Align point of ${label}, across`, "align", "x")]),
  ].filter((line) => Number.isFinite(line.to));
}

/** Where the job stands on a line; a free axis of the shared point is found in the answer. */
export function valueOn(line, job, extractions) {
  const given = read(job, line.member);
  if (Number.isFinite(given)) return given;
  if (line.handle === "point") return sharedPoint(job, extractions, uprightSize(job.capture))[line.axis];
  return 0.5;
}

/** The sweep to ask for from one value to another: whole steps where the member counts pixels. */
export function sweepOf(line, job, now, { from, to } = line) {
  const most = Math.max(2, Math.min(STEPS, Math.floor(MOST_FRAMES / job.deliverables.length)));
  const apart = line.step === 1 ? Math.max(1, Math.ceil((to - from) / (most - 1))) : 0;
  const steps = apart ? Math.max(2, Math.floor((to - from) / apart) + 1) : most;
  return { ...write(job, line.member, now), sweep: { member: line.member, from, to: apart ? from + apart * (steps - 1) : to, steps } };
}

/** The part of a sweep where the job can be met, with a step of what lies around it; null where that is most of it. */
export function metPart(steps) {
  const met = steps.flatMap((step, place) => (step.frames.length ? [place] : []));
  if (!met.length || met.length > steps.length * 0.6) return null;
  const from = steps[Math.max(0, met[0] - 1)].value, to = steps[Math.min(steps.length - 1, met.at(-1) + 1)].value;
  return to > from ? { from, to } : null;
}

export class Strip {
  constructor(root, { onMove, onLine }) {
    this.root = root;
    const find = (name) => root.querySelector(name);
    Object.assign(this, { select: find("select"), chart: find(".trade"), slider: find("input"), words: find(".strip-words"), lines: [] });
    this.select.addEventListener("change", () => onLine(this.lines[this.select.selectedIndex].member));
    this.slider.addEventListener("input", () => onMove(this.line.member, Number(this.slider.value)));
    new ResizeObserver(() => this.#drawChart()).observe(this.chart);
  }

  show({ lines, line, now, swept, deliverables }) {
    this.root.hidden = !line;
    if (!line) return;
    const isSame = swept?.member === line.member, { slider } = this, bounds = isSame ? { from: swept.steps[0].value, to: swept.steps.at(-1).value } : {};
    Object.assign(this, { lines, line: { ...line, ...bounds }, now, swept: isSame ? swept.steps : null, deliverables });
    chooseIn(this.select, lines.map((each) => each.name), lines.findIndex((each) => each.member === line.member));
    // A hand on the slider keeps the bounds that it began with.
    if (document.activeElement !== slider || !slider.matches(":active")) Object.assign(slider, { min: this.line.from, max: this.line.to, step: line.step });
    slider.value = now;
    slider.setAttribute("aria-label", line.name);
    slider.setAttribute("aria-valuetext", line.words(now));
    this.#drawChart();
  }

  #drawChart() {
    const { line, swept, chart, deliverables } = this, wide = chart.clientWidth, high = chart.clientHeight;
    if (!line || !wide) return;
    chart.classList.toggle("is-stale", !swept);
    if (!swept) return void this.#mark(wide, high);
    const spares = swept.flatMap((step) => step.frames.map((frame) => frame.spare_pct)).filter(Number.isFinite);
    const most = Math.max(5, ...spares), least = Math.min(-5, ...spares), room = (most - least) * 0.1;
    const X = this.#across(wide), times = typeScale(), Y = (spare) => high - ((spare - least + room) / (most - least + 2 * room)) * high;
    const half = (swept.at(-1).value - swept[0].value) / (swept.length - 1 || 1) / 2;
    const parts = [element("rect", { class: "short-of", x: 0, y: Y(0), width: wide, height: high - Y(0) })];
    for (const step of swept) {
      if (step.frames.length) continue;
      const from = X(Math.max(line.from, step.value - half)), to = X(Math.min(line.to, step.value + half));
      parts.push(element("rect", { class: "nowhere", x: from, y: 0, width: Math.max(0, to - from + 0.5), height: high }));
    }
    parts.push(element("path", { class: "zero", d: `M0 ${Y(0)}H${wide}` }));
    deliverables.forEach((name, place) => {
      let d = "", pen = "M";
      for (const step of swept) {
        const spare = step.frames.find((frame) => frame.deliverable === name)?.spare_pct;
        if (Number.isFinite(spare)) d += `${pen}${X(step.value).toFixed(1)} ${Y(spare).toFixed(1)}`;
        pen = Number.isFinite(spare) ? "L" : "M";
      }
      if (d) parts.push(element("path", { class: "spare", d, stroke: colourOf(place), "stroke-dasharray": dashesOf(place) }));
    });
    const label = (y, words) => {
      const text = element("text", { x: 6, y: Math.min(high - 4, Math.max(12 * times, y)), class: "mark-text" });
      text.textContent = words;
      parts.push(text);
    };
    label(Y(most) + 4 * times, signed(most));
    label(Y(0) - 5 * times, "just enough");
    if (Y(least) - Y(0) > 20 * times) label(Y(least), signed(least));
    chart.setAttribute("viewBox", `0 0 ${wide} ${high}`);
    chart.replaceChildren(...parts, element("path", { class: "now" }));
    this.#mark(wide, high);
    this.#say(swept, spares);
  }

  #across(wide) {
    const { from, to } = this.line;
    return (value) => PAD + ((value - from) / (to - from)) * (wide - 2 * PAD);
  }

  #mark(wide, high) {
    this.chart.querySelector(".now")?.setAttribute("d", `M${this.#across(wide)(this.now)} 0V${high}`);
  }

  #say(swept, spares) {
    const { line, deliverables } = this, met = swept.filter((step) => step.frames.length);
    const parts = [made("p", `Now at ${line.words(this.now)}; from ${line.words(line.from)} at left to ${line.words(line.to)} at right.`, "hint")];
    if (!met.length) parts.push(made("p", "Nowhere along this line can the job be met."));
    else if (spares.length) {
      const judged = met.map((step) => ({ value: step.value, worst: Math.min(...step.frames.map((frame) => frame.spare_pct ?? Infinity)) }));
      const best = judged.reduce((one, two) => (two.worst > one.worst + 1e-9 ? two : one));
      const level = judged.filter((each) => each.worst > best.worst - 1e-6), span = level.length > 1 ? `${line.words(level[0].value)} to ${line.words(level.at(-1).value)}` : line.words(best.value);
      parts.push(made("p", level.length === judged.length && met.length === swept.length
        ? `The tightest frame has ${signed(best.worst)} wherever this stands.`
        : `Best at ${span}: the tightest frame then has ${signed(best.worst)}.`));
      const gaps = swept.length - met.length;
      if (gaps) parts.push(made("p", "Hatched: there the job cannot be met.", "hint"));
    }
    const key = listOf(deliverables.map((name, place) => {
      const item = made("span");
      item.append(keyOf(place), ` ${name}`);
      return item;
    }), "strip-key");
    const numbers = this.words.querySelector("details") ?? document.createElement("details");
    numbers.replaceChildren(made("summary", "As numbers"), tableOf(line.name, [line.name, ...deliverables], swept.map((step) => [
      line.words(step.value), ...deliverables.map((name) => {
        const spare = step.frames.find((frame) => frame.deliverable === name)?.spare_pct;
        return Number.isFinite(spare) ? signed(spare) : "–";
      })])));
    this.words.replaceChildren(key, ...parts, numbers);
  }
}
