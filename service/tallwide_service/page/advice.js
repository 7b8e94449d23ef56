// What it costs: the recommendation with its reasons, what would change it, cautions; what binds the frames; A against B.

import { inWords, WORDS } from "./cards.js";
import { button, folded, listOf, made, refill, tableOf } from "./dom.js";

const number = (value, digits = 0) => value.toLocaleString("en", { maximumFractionDigits: digits });
const many = (count, one, more = `${one}s`) => `${number(count)} ${count === 1 ? one : more}`;

const positionInWords = (pass) => `${pass.capture ? `${pass.capture}, ` : pass.capture_index ? `other mode ${pass.capture_index}, ` : ""}${pass.roll ? `turned ${pass.roll}°` : "upright"}`;
const passInWords = (pass) => `${positionInWords(pass)}: ${pass.deliverables.join(", ")}`;

function chip(margin) {
  const one = made("li", undefined, `chip is-${margin.verdict ?? "open"}`), sign = made("span", `${WORDS[margin.verdict]?.[0] ?? "·"} `);
  sign.ariaHidden = "true";
  const over = margin.oversampling ? `, ${margin.oversampling.smaller.toFixed(2)} ×` : "";
  one.append(sign, `${margin.deliverable} ${WORDS[margin.verdict]?.[1] ?? "has no verdict"}${over}`);
  return one;
}

function passBox(pass, onBeside) {
  const one = made("div", undefined, "pass"), title = made("p"), chips = made("ul", undefined, "chips");
  title.append(made("b", positionInWords(pass)), pass.data ? ` (${number(pass.data.megabytes_a_minute)} MB a minute)` : "");
  chips.append(...pass.margins.map(chip));
  one.append(title, chips, button("Show beside", () => onBeside(pass), "small"));
  return one;
}

function costInWords({ cost }) {
  return [
    many(cost.passes, "pass", "passes") + (cost.turned_passes ? `, ${cost.turned_passes} turned` : ""),
    cost.changeovers ? many(cost.changeovers, "change-over") : "no change-over",
    cost.minutes === null ? null : `${number(cost.minutes)} minutes`, cost.megabytes === null ? null : `${number(cost.megabytes)} MB`,
    cost.same_moment ? "every frame shows the same moment" : "the frames show different takes",
  ].filter(Boolean).join("; ");
}

function planBox(plan, onBeside) {
  const box = made("div", undefined, "plan"), byFrame = plan.reasons.filter((reason) => reason.deliverable !== null);
  const whole = [...new Set(plan.reasons.filter((reason) => reason.deliverable === null).map((reason) => reason.text))];
  box.append(made("h3", plan.feasible ? "Take this: every frame does" : "The best there is: not every frame does"),
    made("p", costInWords(plan)), ...plan.passes.map((pass) => passBox(pass, onBeside)), made("h3", "Why"), listOf(whole));
  if (byFrame.length) box.append(folded("frames", "Frame by frame", listOf([...new Set(byFrame.map((reason) => reason.text))])));
  return box;
}

function plansList(answer, onBeside) {
  const list = made("ol", undefined, "plans");
  list.append(...answer.plans.map((plan, place) => {
    const item = made("li"), beside = button("Show beside", () => onBeside(plan.passes[0]), "small");
    beside.setAttribute("aria-label", `Show beside: ${positionInWords(plan.passes[0])}, plan ${place + 1}`);
    const tightest = plan.smallest_oversampling === null ? "" : `; the tightest ${plan.smallest_oversampling.toFixed(2)} ×`;
    item.append(made("b", plan.passes.map(passInWords).join("; then ")), `. ${plan.feasible ? "Every frame does" : "Not every frame does"}${tightest}; ${costInWords(plan)}. `);
    if (place === answer.recommended.plan) item.append("This is the one to take. ");
    item.append(beside);
    return item;
  }));
  return list;
}

/** The recommendation: the plan to take, what it asks, why, and what stands behind it. */
export function drawAdvice(holder, answer, onBeside) {
  const { considered } = answer, plan = answer.plans[answer.recommended.plan];
  const parts = [made("p", answer.recommended.text), planBox(plan, onBeside)];
  if (plan.changeover.length) {
    const steps = made("ol");
    steps.append(...plan.changeover.map((step) => made("li", step.text)));
    parts.push(folded("changeover", `Change-over, ${many(plan.changeover.length, "step")}`, steps));
  }
  if (answer.plans.length > 1) parts.push(folded("plans", `All plans (${answer.plans.length})`, plansList(answer, onBeside)));
  const skipped = considered.skipped.map((each) => each.text);
  parts.push(folded("considered", `Weighed ${number(considered.plans_weighed)} of ${many(considered.plans_possible, "possible plan")}`,
    made("p", `${considered.rule[0].toUpperCase()}${considered.rule.slice(1)}.`), ...(skipped.length ? [listOf([...new Set(skipped)])] : [])));
  refill(holder, parts);
}

/** Cautions stand open: they are about people. */
export function drawCare(section, holder, answer) {
  const rigs = answer.rig.flatMap((check) => check.reasons.map((reason) => `${check.roll ? `Turned ${check.roll}°` : "Upright"}: ${reason.text}`));
  section.hidden = !answer.cautions.length && !rigs.length;
  refill(holder, [...(answer.cautions.length ? [listOf(answer.cautions)] : []), ...(rigs.length ? [made("h3", "The rig"), listOf(rigs)] : [])]);
}

const sizeInWords = (size) => (size ? `${size.width} × ${size.height}` : "does not fit");

export function drawBreakEven(holder, answer) {
  const { stricter, looser, changeover, mends } = answer.what_would_change;
  const lines = [stricter, looser, changeover, ...mends].filter(Boolean).map((each) => each.text);
  const parts = [lines.length ? listOf(lines) : made("p", "Nothing that is known here would change it.")];
  if (answer.break_even.length) {
    parts.push(made("h3", "Largest raster that each frame still fills"), tableOf("Break-even", ["Frame", "Upright, px", "Turned, px", "Turning gives"],
      answer.break_even.map((one) => [one.deliverable, sizeInWords(one.upright), sizeInWords(one.turned),
        one.gain_of_turning ? `× ${one.gain_of_turning.toFixed(2)}` : "–"])));
  }
  refill(holder, parts);
}

const CONSTRAINTS = {
  "/capture/raster/width": "A wider raster", "/capture/raster/height": "A higher raster", "/capture/grid": "The grid",
  "/capture/lens/image_circle_mm": "The image circle", "/capture/lens/covered_mm": "What the lens covers",
  "/capture/lens/covered_mm/width": "The width that the lens covers", "/capture/lens/covered_mm/height": "The height that the lens covers", "/capture/usable_area": "The usable area",
  "/framing/point/x": "The shared point across", "/framing/point/y": "The shared point down", "/framing/subject": "The subject",
  "/framing/match": "Equal sizes", "/framing/arrangement": "Sharing one point",
};
const LET_GO = { one_step: "by one grid step", one_mm: "by one mm", entirely: "given up" };

function constraintInWords(pointer, job) {
  const [, kind, place] = pointer.split("/"), label = job.deliverables[place]?.label;
  if (kind === "deliverables") return `Protection of ${label}`;
  if (pointer.startsWith("/framing/nest/")) return job.framing.nest[Number(pointer.split("/")[3])].join(" inside ");
  return CONSTRAINTS[pointer] ?? pointer;
}

/** What letting each constraint go would bring each frame; for frames on their own, what bounds them. */
export function drawBinds(holder, { what_binds: binds, what_binds_left_out: untold, extractions, job }) {
  if (!binds) {
    const words = extractions.map((each) => `${each.deliverable}: ${each.bound_by.map(inWords).join(", ") || "nothing"}`);
    return refill(holder, [made("p", "Each frame lies on its own and is bound by:"), listOf(words)]);
  }
  const number = ({ value }) => (value == null ? "" : `, ${Math.round(value * 1e5) / 1e5}`);
  const letGo = (each) => `${constraintInWords(each.pointer, job)}, ${LET_GO[each.let_go]}${number(each)}`;
  const rest = untold.length ? [made("p", "The work that one answer may take did not tell about:"), listOf([...new Set(untold.map(letGo))])] : [];
  if (!binds.length) return refill(holder, [made("p", rest.length ? "Nothing is known to bind." : "Nothing that could be let go would make a frame larger."), ...rest]);
  const gain = ({ width_gain: x, height_gain: y }) => {
    const cell = made("td", x || y ? [x, y].map((value) => `${value < 0 ? "−" : "+"}${Math.abs(value)}`).join(" × ") : "·");
    if (x > 0 || y > 0) cell.className = "is-enough";
    else if (x < 0 || y < 0) cell.className = "is-short";
    return cell;
  };
  return refill(holder, [made("p", "Let one go, and the frames change by (width × height, px):"),
    tableOf("What binds", ["Constraint", ...binds[0].frames.map((frame) => frame.deliverable)],
      binds.map((each) => [letGo(each), ...each.frames.map(gain)])), ...rest]);
}

export function drawDifference(rows, one, two) {
  const names = [...new Set([...one, ...two].map((margin) => margin.deliverable))];
  rows.replaceChildren(...names.map((name) => {
    const row = document.createElement("tr"), head = made("th", name);
    head.scope = "row";
    const [a, b] = [one, two].map((margins) => margins.find((margin) => margin.deliverable === name));
    const cell = (margin) => made("td", margin ? `${WORDS[margin.verdict]?.[1] ?? "no verdict"}, ${margin.pixels.width} × ${margin.pixels.height} px` : "not there", margin?.verdict ? `is-${margin.verdict}` : undefined);
    const change = (axis) => {
      if (!a?.spare_px || !b?.spare_px) return made("td", "–");
      const value = b.spare_px[axis] - a.spare_px[axis];
      return made("td", `${value > 0 ? "+" : value < 0 ? "−" : "±"}${Math.abs(value)} px`);
    };
    row.append(head, cell(a), cell(b), change("x"), change("y"));
    return row;
  }));
}
