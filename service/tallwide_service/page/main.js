// The page: what is worked on, and who draws it. State is one object a step, so undo is a stack of them.

import { drawAdvice, drawBinds, drawBreakEven, drawCare, drawDifference } from "./advice.js";
import { summaryOf } from "./cards.js";
import { save } from "./dom.js";
import { Drawer } from "./drawer.js";
import { packed, SAMPLE, unpacked, uprightSize, write } from "./job.js";
import { Lane } from "./lane.js";
import { atPass, readKit } from "./modes.js";
import { sceneOf, sharedPoint } from "./picture.js";
import { useToken } from "./service.js";
import { linesOf, Strip, valueOn } from "./strip.js";
import { Take } from "./take.js";

const $ = (id) => document.getElementById(id);
const MOST_STEPS_BACK = 200;
const LINK_MS = 120;

let state = { jobs: [SAMPLE], active: 0 };
const past = [], future = [];
let lastMerge = null;
let picked = 0;
let plate = null; // { url, file }
let kit = { captures: [], lenses: [] };
let along = null; // the member that the strip sweeps
const lanes = [];

/* ---- state ---- */

const isTwo = () => state.jobs.length > 1;
const current = () => state.jobs[state.active];
const withJob = (job, place = state.active) => ({ ...state, jobs: state.jobs.map((each, at) => (at === place ? job : each)) });
const change = (job, merge, place) => commit(withJob(job, place), merge);

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

function step(from, to) {
  if (!from.length) return;
  to.push(state);
  state = from.pop();
  lastMerge = null;
  refresh();
}

/* ---- what lanes may do ---- */

const desk = {
  job: (place) => state.jobs[place], lane: (place) => lanes[place],
  active: () => state.active,
  isTwo,
  kit: () => kit,
  plate: () => plate,
  picked: (count) => { picked = Math.min(picked, count - 1); return picked; },
  line: (lane) => lineOf(lane),
  /** Two pictures are equally high: the shape of the higher one is that of both. */
  shape() {
    const scenes = lanes.filter((lane) => lane.answer).map((lane) => sceneOf(lane.answer.job.capture));
    const aspect = Math.min(...scenes.map((scene) => scene.width / scene.height));
    for (const lane of lanes) lane.stage.style.setProperty("--aspect", aspect);
  },
  change, pick, drag, usePlate, showBusy, drawAround,
  work: (place) => commit({ ...state, active: place }),
  letGo: () => { lastMerge = null; },
  drawn(since) {
    // From the hand to the picture: until the browser has painted it.
    if (since === null) return;
    requestAnimationFrame(() => setTimeout(() => { document.body.dataset.redrawMs = (performance.now() - since).toFixed(1); }));
  },
  drawDifference() {
    const are = isTwo() && lanes.every((lane) => lane.answer && !lane.refused);
    $("difference").hidden = !are;
    if (are) drawDifference($("difference-rows"), lanes[0].answer.margins, lanes[1].answer.margins);
  },
};

function showBusy() {
  document.body.dataset.busy = lanes.some((lane) => lane.working) ? "yes" : "no";
}

function lineOf(lane) {
  if (!lane.answer) return undefined;
  const lines = linesOf(lane.answer.job, picked);
  return lines.find((line) => line.member === along) ?? lines[0];
}

function drawAround(lane) {
  drawer.refuse(lane.refused);
  $("access").hidden = lane.refused?.problem?.status !== 401;
  const say = lane.refused ? `Not as it stands: ${drawer.wordsOf(lane.refused)}` : lane.answer ? summaryOf(lane.answer.margins) : "Asking the service …";
  if ($("summary").textContent !== say) $("summary").textContent = say;
  onNew("advice", lane.advice, (advice) => {
    for (const id of ["advice", "change", "care"]) $(id).hidden = !advice;
    if (!advice) return;
    drawAdvice($("advice-body"), advice, showBeside);
    drawCare($("care"), $("care-body"), advice);
    drawBreakEven($("change-body"), advice);
  });
  onNew("full", lane.full, (full) => {
    $("binds").hidden = !full;
    if (full) drawBinds($("binds-body"), full);
  });
  const line = lineOf(lane);
  strip.show(line ? {
    lines: linesOf(lane.answer.job, picked), line, now: valueOn(line, lane.answer.job, lane.answer.extractions),
    swept: lane.full?.swept, deliverables: lane.answer.extractions.map((each) => each.deliverable),
  } : {});
}

const shown = {};

/** Draw what is another answer than the one that is shown: a drag goes through here for every pixel. */
function onNew(name, answer, draw) {
  if (name in shown && shown[name] === answer) return;
  shown[name] = answer;
  draw(answer);
}

function pick(place) {
  picked = place;
  for (const lane of lanes) lane.draw();
  // The lines of the align point are those of the picked frame.
  if (along?.includes("/align/")) sweepAlong(`/deliverables/${place}/align/${along.at(-1)}`);
}

function usePlate(file) {
  if (plate) URL.revokeObjectURL(plate.url);
  plate = file ? { url: URL.createObjectURL(file), file } : null;
  for (const lane of lanes) lane.draw();
  take.draw();
}

/** Put the position of a plan's pass beside what is worked on. */
function showBeside(pass) {
  const job = current();
  commit({ jobs: [job, atPass(job, pass)], active: 1 });
  $("lanes").scrollIntoView({ block: "start" });
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
  const line = linesOf(begun.job, picked).find((each) => each.handle === name && each.axis === (Math.abs(by.x) > Math.abs(by.y) ? "x" : "y"));
  along = line?.member ?? along;
  change(job, `${merge} ${place}`, place);
}

function sweepAlong(member) {
  if (along === member) return;
  along = member;
  lanes[state.active].draw();
  lanes[state.active].askStrip();
}

const strip = new Strip($("strip"), {
  onMove: (member, value) => change(write(current(), member, value), `strip ${member}`),
  onLine: sweepAlong,
});

/* ---- drawer ---- */

const drawer = new Drawer({
  form: $("fields"), problems: $("problems"),
  onWrite: (pointer, value) => change(write(current(), pointer, value(current())), `field ${pointer}`),
  onJob: (job) => change(job),
  onPick: pick,
});

function openDrawer(open) {
  document.body.classList.toggle("is-drawer-open", open);
  $("drawer-toggle").setAttribute("aria-expanded", String(open));
  // The drawer covers the lower part of a phone: the picture goes to the upper one.
  if (open) lanes[state.active].stage.scrollIntoView({ block: "start" });
}
$("drawer-toggle").addEventListener("click", () => openDrawer(!document.body.classList.contains("is-drawer-open")));
$("drawer").addEventListener("keydown", (event) => {
  if (event.key !== "Escape" || !document.body.classList.contains("is-drawer-open")) return;
  openDrawer(false);
  $("drawer-toggle").focus();
});

$("json-apply").addEventListener("click", () => useJson($("json").value));
const loads = (input, use) => input.addEventListener("change", async () => {
  const file = input.files[0];
  if (file) use(await file.text());
  input.value = "";
});
loads($("json-load"), useJson);
loads($("kit-load"), useKit);
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

/** A kit stays in the browser: only what is chosen from it becomes part of a job. */
function useKit(written) {
  const say = $("kit-note");
  try {
    kit = readKit(written);
    say.textContent = `${kit.captures.length} modes and ${kit.lenses.length} lenses to choose from, at the picture.`;
    say.className = "hint";
    for (const lane of lanes) lane.draw();
  } catch (error) {
    say.textContent = `This is not a kit: ${error.message}`;
    say.className = "problem";
  }
}

/* ---- the bar on top ---- */

const take = new Take($("take-buttons"), $("take-note"), { job: current, plate: () => plate });
$("undo").addEventListener("click", () => step(past, future));
$("redo").addEventListener("click", () => step(future, past));
$("compare").addEventListener("click", () =>
  commit(isTwo() ? { jobs: [current()], active: 0 } : { jobs: [current(), structuredClone(current())], active: 1 }));
$("link").addEventListener("click", async () => {
  await keepLink();
  try {
    await navigator.clipboard.writeText(location.href);
    say("The link is copied. It carries the job itself; no server sees that part of it.");
  } catch {
    say("The address of this page is the link: copy it from the address bar.");
  }
});
$("access").addEventListener("submit", (event) => {
  event.preventDefault();
  useToken($("token").value.trim());
  for (const lane of lanes) lane.ask();
});
$("theme").addEventListener("change", (event) => { document.documentElement.dataset.theme = event.target.value; });

function say(words) { $("notice").textContent = words; }

document.addEventListener("keydown", (event) => {
  if (!(event.ctrlKey || event.metaKey) || event.key.toLowerCase() !== "z" || event.target.matches("input:not([type=range]), textarea")) return;
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
    say("The link could not be read, perhaps because it was cut; this is the sample job.");
  }
}

let linkTimer;
let asked = [], activeBefore = 0;

function refresh() {
  const since = window.event?.timeStamp ?? performance.now(), two = isTwo(); // from the hand, not from here
  while (lanes.length < state.jobs.length) lanes.push(new Lane(lanes.length, desk));
  lanes.length = state.jobs.length;
  if ($("lanes").children.length !== lanes.length) $("lanes").replaceChildren(...lanes.map((lane) => lane.root));
  $("lanes").classList.toggle("is-two", two);
  document.body.classList.toggle("is-comparing", two);
  $("compare").setAttribute("aria-pressed", String(two));
  $("undo").disabled = !past.length;
  $("redo").disabled = !future.length;
  drawer.show(current(), two ? `${lanes[state.active].letter}: ` : "");
  if (document.activeElement !== $("json")) $("json").value = JSON.stringify(current(), null, 1);
  lanes.forEach((lane, place) => {
    const isNewlyActive = place === state.active && place !== activeBefore;
    if (asked[place] !== state.jobs[place] || !lane.answer || isNewlyActive) lane.ask(since);
    else lane.draw();
  });
  asked = [...state.jobs];
  activeBefore = state.active;
  clearTimeout(linkTimer);
  linkTimer = setTimeout(keepLink, LINK_MS);
}

await readLink();
refresh();
addEventListener("hashchange", async () => {
  const before = JSON.stringify(state);
  await readLink();
  if (JSON.stringify(state) !== before) refresh();
});
