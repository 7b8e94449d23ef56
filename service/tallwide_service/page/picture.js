// The picture: raster, region, frames, protection, subject and safe areas as SVG, and the places that can be dragged.
//
// Three kinds of coordinates: recorded px (rect, protection_rect, usable area, circle), upright px (upright_rect, subject),
// and the scene, which is the upright picture with its squeezed axis stretched. Drawing happens in the scene.

import { element } from "./dom.js";
import { uprightSize } from "./job.js";
import { circleOf, coveredOf, regionOf, usableOf } from "./region.js";

// The overlay's own colours and dashes, so that a frame is the same frame on paper: Okabe and Ito, "Color Universal Design" (2008).
const COLOURS = ["#e69f00", "#56b4e9", "#f0e442", "#009e73", "#cc79a7", "#d55e00", "#0072b2"];
const DASHES = [14, 8, 22, 5, 30, 11, 3, 40];
// Half a handle's side on the screen: a mouse needs 24 px at least (WCAG 2.2, 2.5.8), a finger more.
const HIT = matchMedia("(pointer: coarse)").matches ? 22 : 15;

export const colourOf = (place) => COLOURS[place % COLOURS.length];
/** Dashes of a frame; none for the first. They grow with the type, as on a wall. */
export function dashesOf(place, times = typeScale()) {
  const turn = place % (4 * DASHES.length);
  if (turn === 0) return undefined;
  return [DASHES[Math.floor(turn / 4)], 3, ...Array(turn % 4).fill([2, 3]).flat()].map((dash) => dash * times).join(" ");
}

export const typeScale = () => parseFloat(getComputedStyle(document.documentElement).fontSize) / 16;

/** A small line in the colour and the dash of a frame. */
export function keyOf(place) {
  const line = element("path", { d: "M1 5H31", stroke: colourOf(place), "stroke-width": 3, "stroke-dasharray": dashesOf(place, 1) });
  return element("svg", { class: "key", viewBox: "0 0 32 10", "aria-hidden": "true" }, line);
}

/** How the pictures of one capture lie in the scene. */
export function sceneOf(capture) {
  const roll = capture.roll ?? 0;
  const squeeze = capture.squeeze ?? 1;
  const { width: W, height: H } = capture.raster;
  const imager = capture.photosites ?? capture.raster;
  let wide = (capture.squeeze_axis === "sensor_height" ? 1 / squeeze : squeeze) * (imager.width * H) / (W * imager.height);
  if (roll % 180) wide = 1 / wide;
  const [sx, sy] = wide >= 1 ? [wide, 1] : [1, 1 / wide];
  const upright = uprightSize(capture);
  const turn = { 0: [1, 0, 0, 1, 0, 0], 90: [0, 1, -1, 0, H, 0], 180: [-1, 0, 0, -1, W, H], 270: [0, -1, 1, 0, 0, W] }[roll];
  const [a, b, c, d, e, f] = turn;
  return {
    sx, sy, upright, width: upright.width * sx, height: upright.height * sy,
    matrix: [a * sx, b * sy, c * sx, d * sy, e * sx, f * sy],
    rect: (r) => ({ x: r.x * sx, y: r.y * sy, width: r.width * sx, height: r.height * sy }),
    point: (x, y) => [(a * x + c * y + e) * sx, (b * x + d * y + f) * sy],
    recordedRect(r) {
      const [x1, y1] = this.point(r.x, r.y), [x2, y2] = this.point(r.x + r.width, r.y + r.height);
      return { x: Math.min(x1, x2), y: Math.min(y1, y2), width: Math.abs(x2 - x1), height: Math.abs(y2 - y1) };
    },
  };
}

const box = (name, r, more = {}) => element("rect", { class: name, x: r.x, y: r.y, width: r.width, height: r.height, ...more });

const drawnAs = (corners) => corners.map(([x, y]) => `${x} ${y}`).join("L");

/** What may be used of the raster: the rest is dimmed, and each of its limits is a line. */
function regionPartsOf(capture, scene) {
  const { width, height } = capture.raster, region = regionOf(capture), circle = circleOf(capture);
  const whole = `M0 0H${width}V${height}H0z`, kept = region.length ? `M${drawnAs(region)}z` : "";
  const parts = [element("path", { class: "unusable", "fill-rule": "evenodd", d: whole + kept })];
  for (const corners of [usableOf(capture), coveredOf(capture)].filter(Boolean)) parts.push(element("path", { class: "area", d: `M${drawnAs(corners)}z` }));
  if (circle) parts.push(element("ellipse", { class: "circle", ...circle }));
  if (parts.length > 1) parts.push(element("path", { class: "region", d: kept || "M0 0" }));
  return [element("g", { transform: `matrix(${scene.matrix.join(" ")})` }, ...parts)];
}

function frameOf(place, extraction, scene, picked) {
  const r = scene.rect(extraction.upright_rect), colour = colourOf(place);
  const parts = [box("frame-edge", r)];
  const p = scene.recordedRect(extraction.protection_rect);
  if (p.width !== r.width || p.height !== r.height) parts.push(box("protection", p, { stroke: colour }));
  if (picked) parts.push(box("frame-fill", r, { fill: colour }));
  parts.push(box(picked ? "frame is-picked" : "frame", r, { stroke: colour, "stroke-dasharray": dashesOf(place) }));
  return element("g", {}, ...parts);
}

const ruler = document.createElement("canvas").getContext("2d");
const TAG_PX = 12.5;

function widthOf(text, weight) {
  ruler.font = `${weight} ${TAG_PX}px ${getComputedStyle(document.body).fontFamily}`;
  return ruler.measureText(text).width;
}

function tagsOf(extractions, scene, unit, picked) {
  const taken = [];
  return extractions.map((extraction, place) => {
    const r = scene.rect(extraction.upright_rect), high = 19 * unit, weight = place === picked ? 700 : 400;
    const wide = (widthOf(extraction.deliverable, weight) + 13) * unit;
    const free = (x, y) => !taken.some((t) => x < t.x + t.wide && t.x < x + wide && y < t.y + high && t.y < y + high);
    let [x, y] = [r.x + 4 * unit, r.y + 4 * unit];
    for (let turn = 0; turn < 40 && !free(x, y); turn += 1) y += high + 2 * unit;
    taken.push({ x, y, wide });
    const text = element("text", { class: "tag-text", x: x + 6 * unit, y: y + 13.5 * unit, "font-size": TAG_PX * unit, "font-weight": weight });
    text.textContent = extraction.deliverable;
    return element("g", {}, element("rect", { class: "tag", x, y, width: wide, height: high, stroke: colourOf(place), "stroke-width": unit }), text);
  });
}

function handle(name, label, value, x, y, mark, unit) {
  const hit = element("rect", { class: "hit", x: x - HIT * unit, y: y - HIT * unit, width: 2 * HIT * unit, height: 2 * HIT * unit });
  return element("g", {
    class: "handle", "data-handle": name, tabindex: 0, role: "slider", "aria-label": label, "aria-valuetext": value.text,
    "aria-valuenow": value.now, "aria-valuemin": value.least, "aria-valuemax": value.most,
  }, hit, ...mark);
}

const shares = (x, y) => ({ text: `${(x * 100).toFixed(1)} % across, ${(y * 100).toFixed(1)} % down`, now: Number(y.toFixed(4)), least: 0, most: 1 });

/** Where the frames' common scene point lies in the upright picture, as shares; found in the answer where an axis is free. */
export function sharedPoint(job, extractions, upright) {
  const first = extractions[0], align = job.deliverables[0].align ?? {};
  const { x, y, width, height } = first.upright_rect;
  const point = job.framing?.point ?? {};
  return {
    x: point.x ?? (x + (align.x ?? 0.5) * width) / upright.width, y: point.y ?? (y + (align.y ?? 0.5) * height) / upright.height,
  };
}

function handlesOf(job, extractions, picked, scene, unit) {
  const made = [], framing = job.framing ?? {}, cross = 9 * unit;
  const subject = framing.subject;
  if (subject && [subject.x, subject.y, subject.width, subject.height].every(Number.isFinite)) {
    const r = scene.rect(subject);
    const value = { text: `from ${subject.x}, ${subject.y}; ${subject.width} by ${subject.height} px`, now: subject.y, least: 0, most: scene.upright.height };
    const square = (x, y, s) => element("rect", { class: "mark", x: x - s, y: y - s, width: 2 * s, height: 2 * s });
    // At a corner: its middle is where the shared point often lies.
    made.push(handle("subject", "Subject, place", value, r.x, r.y, [square(r.x, r.y, 7 * unit)], unit));
    const corner = [r.x + r.width, r.y + r.height];
    made.push(handle("subject-size", "Subject, size", value, ...corner, [square(...corner, 5 * unit)], unit));
  }
  const extraction = extractions[picked];
  if (extraction) {
    const r = scene.rect(extraction.upright_rect), align = job.deliverables[picked]?.align ?? {};
    const ax = align.x ?? 0.5, ay = align.y ?? 0.5;
    if (Number.isFinite(ax) && Number.isFinite(ay)) {
      // Beside the shared point where both would lie on each other, with a line to where it belongs.
      const x = r.x + ax * r.width, y = r.y + ay * r.height, off = framing.arrangement === "shared_point" ? 34 * unit : 0;
      const d = `M${x} ${y}L${x + off} ${y - off}M${x + off} ${y - off - cross}l${cross} ${cross}l${-cross} ${cross}l${-cross} ${-cross}z`;
      made.push(handle("align", `Align point of ${extraction.deliverable}`, shares(ax, ay), x + off, y - off, [element("path", { class: "mark", d })], unit));
    }
  }
  if (framing.arrangement === "shared_point" && extractions.length) {
    const at = sharedPoint(job, extractions, scene.upright), x = at.x * scene.width, y = at.y * scene.height;
    const mark = [element("circle", { class: "mark", cx: x, cy: y, r: cross }),
      element("path", { class: "mark", d: `M${x - 2 * cross} ${y}H${x - cross}M${x + cross} ${y}H${x + 2 * cross}M${x} ${y - 2 * cross}V${y - cross}M${x} ${y + cross}V${y + 2 * cross}` })];
    made.push(handle("point", "Shared point", shares(at.x, at.y), x, y, mark, unit));
  }
  return made;
}

function pixelLines(scene, view, unit) {
  if (unit * 8 > Math.min(scene.sx, scene.sy)) return [];
  let d = "";
  const from = { x: Math.max(0, Math.floor(view.x / scene.sx)), y: Math.max(0, Math.floor(view.y / scene.sy)) };
  const to = { x: Math.min(scene.upright.width, (view.x + view.width) / scene.sx), y: Math.min(scene.upright.height, (view.y + view.height) / scene.sy) };
  for (let x = from.x; x <= to.x; x += 1) d += `M${x * scene.sx} ${from.y * scene.sy}V${to.y * scene.sy}`;
  for (let y = from.y; y <= to.y; y += 1) d += `M${from.x * scene.sx} ${y * scene.sy}H${to.x * scene.sx}`;
  return [element("path", { class: "grid", d })];
}

/** A safe area where its frame lies now: as it lay in its frame when the service placed it. */
function areaIn(frame, { upright_rect: area, within }) {
  const wide = frame.width / within.width, high = frame.height / within.height;
  return { x: frame.x + (area.x - within.x) * wide, y: frame.y + (area.y - within.y) * high, width: area.width * wide, height: area.height * high };
}

/** One picture: an SVG that is drawn anew for each answer, and its view. */
export class Picture {
  constructor(svg, { onDrag, onDone, onKey, onPick }) {
    Object.assign(this, { svg, onDrag, onDone, onKey, onPick, zoom: 1, centre: null, drawn: null, fingers: new Map() });
    svg.addEventListener("pointerdown", (event) => this.#grab(event));
    svg.addEventListener("pointerdown", (event) => this.#finger(event));
    svg.addEventListener("pointermove", (event) => this.#finger(event));
    for (const end of ["pointerup", "pointercancel"]) svg.addEventListener(end, (event) => this.fingers.delete(event.pointerId));
    svg.addEventListener("click", (event) => this.#pick(event));
    svg.addEventListener("wheel", (event) => this.#wheel(event), { passive: false });
    svg.addEventListener("keydown", (event) => this.#key(event));
    new ResizeObserver(() => this.redraw()).observe(svg);
  }

  draw(drawn) {
    if (this.drawn && (drawn.scene.width !== this.drawn.scene.width || drawn.scene.height !== this.drawn.scene.height)) {
      this.zoom = 1;
      this.centre = null;
    }
    this.drawn = drawn;
    this.redraw();
  }

  get view() {
    const { scene } = this.drawn, margin = 1.04;
    const wide = this.svg.clientWidth || 1, high = this.svg.clientHeight || 1;
    const fit = Math.max((scene.width * margin) / wide, (scene.height * margin) / high);
    const unit = fit / this.zoom, centre = this.centre ?? { x: scene.width / 2, y: scene.height / 2 };
    return { x: centre.x - (wide * unit) / 2, y: centre.y - (high * unit) / 2, width: wide * unit, height: high * unit, unit, fit };
  }

  redraw() {
    if (!this.drawn) return;
    const { job, scene, extractions, safeAreas, common, picked, plate } = this.drawn, view = this.view, { unit } = view;
    // Labels and handles grow with the type, as on a wall.
    const mark = unit * typeScale();
    const held = document.activeElement?.closest?.("[data-handle]");
    const focus = held && this.svg.contains(held) ? held.dataset.handle : null;
    this.svg.classList.toggle("is-near", this.zoom > 1);
    this.svg.setAttribute("viewBox", `${view.x} ${view.y} ${view.width} ${view.height}`);
    const whole = { x: 0, y: 0, width: scene.width, height: scene.height };
    const parts = [box("raster", whole)];
    if (plate) {
      parts.push(element("image", {
        href: plate, width: job.capture.raster.width, height: job.capture.raster.height, preserveAspectRatio: "none",
        transform: `matrix(${scene.matrix.join(" ")})`, class: unit < 1 ? "pixelated" : undefined,
      }));
    }
    parts.push(...regionPartsOf(job.capture, scene), ...pixelLines(scene, view, unit));
    if (job.framing?.subject && [job.framing.subject.x, job.framing.subject.width].every(Number.isFinite)) {
      parts.push(box("subject", scene.rect(job.framing.subject)));
    }
    extractions.forEach((extraction, place) => place !== picked && parts.push(frameOf(place, extraction, scene, false)));
    if (extractions[picked]) parts.push(frameOf(picked, extractions[picked], scene, true));
    if (common) parts.push(box("common", scene.recordedRect(common)));
    for (const area of safeAreas) {
      const place = extractions.findIndex((each) => each.deliverable === area.deliverable);
      if (place >= 0) parts.push(box("safe", scene.rect(areaIn(extractions[place].upright_rect, area)), { stroke: colourOf(place) }));
    }
    parts.push(...tagsOf(extractions, scene, mark, picked), ...handlesOf(job, extractions, picked, scene, mark));
    this.svg.replaceChildren(...parts);
    if (focus) this.svg.querySelector(`[data-handle="${focus}"]`)?.focus();
    this.onView?.(this.percent);
  }

  get percent() { return this.drawn ? Math.round((100 * window.devicePixelRatio) / this.view.unit) : 100; }

  zoomTo(zoom, about) {
    if (!this.drawn) return;
    const before = this.view, most = Math.max(1, 32 * before.fit);
    const point = about ?? { x: before.x + before.width / 2, y: before.y + before.height / 2 };
    this.zoom = Math.min(Math.max(zoom, 1), most);
    if (this.zoom === 1) this.centre = null;
    else {
      const ratio = this.view.unit / before.unit;
      this.centre = { x: point.x + (before.x + before.width / 2 - point.x) * ratio, y: point.y + (before.y + before.height / 2 - point.y) * ratio };
    }
    this.redraw();
  }

  fit() { this.zoomTo(1); }
  pixels() {
    if (!this.drawn) return;
    const looked = this.#looked();
    this.zoomTo(this.view.fit / window.devicePixelRatio);
    if (looked && this.zoom > 1) {
      this.centre = looked;
      this.redraw();
    }
  }

  /** What somebody who zooms to pixels wants to see: the picked frame's middle. */
  #looked() {
    const r = this.drawn.extractions[this.drawn.picked];
    if (!r) return undefined;
    const s = this.drawn.scene.rect(r.upright_rect);
    return { x: s.x + s.width / 2, y: s.y + s.height / 2 };
  }

  pan(dx, dy) {
    const view = this.view;
    if (this.zoom === 1) return;
    const { scene } = this.drawn, held = (value, most) => Math.min(Math.max(value, 0), most);
    this.centre = { x: held(view.x + view.width / 2 + dx, scene.width), y: held(view.y + view.height / 2 + dy, scene.height) };
    this.redraw();
  }

  #place(event) {
    const frame = this.svg.getBoundingClientRect(), view = this.view;
    return { x: view.x + (event.clientX - frame.left) * view.unit, y: view.y + (event.clientY - frame.top) * view.unit };
  }

  /** Two fingers zoom about the middle between them. */
  #finger(event) {
    if (event.pointerType !== "touch" || !this.drawn || (event.type === "pointermove" && !this.fingers.has(event.pointerId))) return;
    const apart = () => {
      const [one, two] = [...this.fingers.values()];
      return Math.hypot(one.clientX - two.clientX, one.clientY - two.clientY);
    };
    const before = this.fingers.size === 2 ? apart() : null;
    this.fingers.set(event.pointerId, event);
    if (event.type !== "pointermove" || before === null) return;
    const [one, two] = [...this.fingers.values()];
    this.zoomTo(this.zoom * (apart() / Math.max(1, before)), this.#place({ clientX: (one.clientX + two.clientX) / 2, clientY: (one.clientY + two.clientY) / 2 }));
  }

  #grab(event) {
    if (!this.drawn || event.button !== 0 || this.fingers.size > 1) return;
    const name = event.target.closest("[data-handle]")?.dataset.handle;
    this.moved = false;
    if (!name && this.zoom === 1) return;
    event.preventDefault();
    event.target.closest("[data-handle]")?.focus();
    this.svg.setPointerCapture(event.pointerId);
    const begun = this.#place(event), job = this.drawn.job, extractions = this.drawn.extractions;
    let last = { x: event.clientX, y: event.clientY };
    const move = (moved) => {
      this.moved ||= Math.hypot(moved.clientX - event.clientX, moved.clientY - event.clientY) > 3;
      if (this.fingers.size > 1) return;
      if (name) {
        const now = this.#place(moved);
        this.onDrag(name, { x: now.x - begun.x, y: now.y - begun.y }, { job, extractions });
      } else {
        this.pan((last.x - moved.clientX) * this.view.unit, (last.y - moved.clientY) * this.view.unit);
        last = { x: moved.clientX, y: moved.clientY };
      }
    };
    const end = () => {
      this.svg.removeEventListener("pointermove", move);
      this.svg.removeEventListener("pointerup", end);
      this.svg.removeEventListener("pointercancel", end);
      this.onDone();
    };
    this.svg.addEventListener("pointermove", move);
    this.svg.addEventListener("pointerup", end);
    this.svg.addEventListener("pointercancel", end);
  }

  /** A click picks the smallest frame under it, or the next larger one where that is picked already. */
  #pick(event) {
    if (!this.drawn || event.target.closest("[data-handle]") || this.moved) return;
    const { scene, extractions, picked } = this.drawn, at = this.#place(event);
    const under = extractions.map((each, place) => ({ place, r: scene.rect(each.upright_rect) }))
      .filter(({ r }) => at.x >= r.x && at.y >= r.y && at.x <= r.x + r.width && at.y <= r.y + r.height)
      .sort((one, two) => one.r.width * one.r.height - two.r.width * two.r.height).map(({ place }) => place);
    if (under.length) this.onPick(under[(under.indexOf(picked) + 1) % under.length]);
  }

  #wheel(event) {
    if (!this.drawn || !(event.ctrlKey || event.metaKey)) return; // a plain wheel scrolls the page
    event.preventDefault();
    this.zoomTo(this.zoom * Math.exp(-event.deltaY / 300), this.#place(event));
  }

  #key(event) {
    if (!this.drawn || event.ctrlKey || event.metaKey || event.altKey) return;
    const arrows = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
    const name = event.target.closest("[data-handle]")?.dataset.handle;
    if (arrows[event.key]) {
      const [x, y] = arrows[event.key];
      const step = (event.shiftKey ? 10 : 1) * Math.max(2, this.drawn.scene.upright.height / 400);
      if (name) this.onKey(name, { x: x * step * this.drawn.scene.sx, y: y * step * this.drawn.scene.sy }, this.drawn);
      else this.pan((x * this.view.width) / 10, (y * this.view.height) / 10);
    } else if (event.key === "+" || event.key === "=") this.zoomTo(this.zoom * 1.5);
    else if (event.key === "-") this.zoomTo(this.zoom / 1.5);
    else if (event.key === "0") this.fit();
    else if (event.key === "1") this.pixels();
    else return;
    event.preventDefault();
  }
}
