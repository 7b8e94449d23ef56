// What it costs: the recommendation with its reasons, break-even rasters and cautions; the trade along a line; A against B.

import { colourOf, dashesOf, element, keyOf } from "./picture.js";

function made(name, text, className) {
  const one = document.createElement(name);
  if (text !== undefined) one.textContent = text;
  if (className) one.className = className;
  return one;
}

function listOf(lines, className) {
  const list = made("ul", undefined, className);
  list.append(...lines.map((line) => made("li", line)));
  return list;
}

const passInWords = (pass) => `${pass.capture ? `${pass.capture}, ` : ""}${pass.roll ? `camera turned ${pass.roll}°` : "camera upright"}: ${pass.deliverables.join(", ")}`;
const sizeInWords = (size) => (size ? `${size.width} × ${size.height}` : "does not fit");

export function drawAdvice(holder, answer) {
  const open = [...holder.querySelectorAll("details")].map((each) => each.open);
  const parts = [made("p", answer.recommended.text)];
  const order = [answer.recommended.plan, ...answer.plans.keys()].filter((place, at, all) => all.indexOf(place) === at);
  const boxes = order.map((place) => {
    const plan = answer.plans[place], taken = place === answer.recommended.plan, box = made("div", undefined, taken ? "plan is-taken" : "plan");
    const passes = plan.cost.passes === 1 ? "one pass" : `${plan.cost.passes} passes`;
    const turned = plan.cost.turned_passes ? `, ${plan.cost.turned_passes} turned` : "";
    const moment = plan.cost.same_moment ? "every frame shows the same moment" : "the frames show different takes";
    box.append(made("h3", `${taken ? "Take this: " : ""}${passes}${turned}; ${plan.feasible ? "every frame does" : "not every frame does"}`),
      listOf(plan.passes.map(passInWords)), made("p", moment), listOf([...new Set(plan.reasons.map((reason) => reason.text))]));
    return box;
  });
  parts.push(boxes[0]);
  if (answer.cautions.length) {
    const caution = made("div", undefined, "caution");
    caution.append(made("h3", "With care"), listOf(answer.cautions));
    parts.push(caution);
  }
  const details = (title, ...inner) => {
    const one = document.createElement("details");
    one.append(made("summary", title), ...inner);
    return one;
  };
  if (boxes.length > 1) parts.push(details(`Other plans (${boxes.length - 1})`, ...boxes.slice(1)));
  if (answer.break_even.length) {
    const table = document.createElement("table"), head = document.createElement("tr");
    for (const name of ["Frame", "Upright up to, px", "Turned up to, px", "Turning gives"]) {
      const cell = made("th", name);
      cell.scope = "col";
      head.append(cell);
    }
    table.append(head, ...answer.break_even.map((one) => {
      const row = document.createElement("tr"), name = made("th", one.deliverable);
      name.scope = "row";
      row.append(name, made("td", sizeInWords(one.upright)), made("td", sizeInWords(one.turned)),
        made("td", one.gain_of_turning ? `× ${one.gain_of_turning.toFixed(3)}` : "–"));
      return row;
    }));
    const scroll = made("div", undefined, "scroll");
    Object.assign(scroll, { tabIndex: 0, role: "region", ariaLabel: "Break-even, table" });
    scroll.append(table);
    parts.push(details("Largest raster that each frame still fills", scroll));
  }
  holder.replaceChildren(...parts);
  [...holder.querySelectorAll("details")].forEach((each, place) => { each.open = open[place] ?? false; });
}

/** Spare percent of every frame over the place of the shared line. */
export function drawStrip(holder, steps, deliverables, now) {
  const values = steps.map((step) => step.value), from = values[0], to = values.at(-1);
  const spares = steps.flatMap((step) => step.frames.map((frame) => frame.spare_pct)).filter(Number.isFinite);
  if (!spares.length) return holder.replaceChildren(made("p", "Nowhere along this line can the job be met."));
  const most = Math.max(5, ...spares), least = Math.min(-5, ...spares), room = (most - least) * 0.06;
  const X = (value) => ((value - from) / (to - from)) * 100, Y = (spare) => 100 - ((spare - least + room) / (most - least + 2 * room)) * 100;
  const lines = deliverables.map((name, place) => {
    let d = "", pen = "M";
    for (const step of steps) {
      const spare = step.frames.find((frame) => frame.deliverable === name)?.spare_pct;
      if (!Number.isFinite(spare)) pen = "M";
      else {
        d += `${pen}${X(step.value).toFixed(2)} ${Y(spare).toFixed(2)}`;
        pen = "L";
      }
    }
    return element("path", { d: d || "M0 0", stroke: colourOf(place), "stroke-dasharray": dashesOf(place) || undefined });
  });
  const best = steps.filter((step) => step.frames.length)
    .map((step) => ({ value: step.value, worst: Math.min(...step.frames.map((frame) => frame.spare_pct ?? Infinity)) }))
    .reduce((one, two) => (two.worst > one.worst ? two : one));
  const chart = element("svg", { class: "trade", viewBox: "0 0 100 100", preserveAspectRatio: "none", role: "img",
    "aria-label": `Spare pixels of each frame, percent, with the line from ${(from * 100).toFixed(0)} to ${(to * 100).toFixed(0)} % of the height; from ${least.toFixed(0)} to ${most.toFixed(0)} %` });
  chart.append(element("path", { class: "zero", d: `M0 ${Y(0)}H100` }), ...lines, element("path", { class: "now", d: `M${X(now)} 0V100` }));
  const key = made("ul", undefined, "strip-key");
  key.append(...deliverables.map((name, place) => {
    const item = document.createElement("li");
    item.append(keyOf(place), ` ${name}`);
    return item;
  }));
  holder.replaceChildren(chart, key,
    made("p", `Spare, percent, over the line's height: ${(from * 100).toFixed(0)} % at left to ${(to * 100).toFixed(0)} % at right; dashed: just enough; upright: now (${(now * 100).toFixed(1)} %).`, "hint"),
    made("p", `The tightest frame has most to spare (${best.worst.toFixed(1)} %) with the line at ${(best.value * 100).toFixed(1)} %.`));
}

const VERDICTS = { enough: "does", at_limit: "just does", short: "falls short" };

export function drawDifference(rows, one, two) {
  const names = [...new Set([...one, ...two].map((margin) => margin.deliverable))];
  rows.replaceChildren(...names.map((name) => {
    const row = document.createElement("tr"), head = made("th", name);
    head.scope = "row";
    const [a, b] = [one, two].map((margins) => margins.find((margin) => margin.deliverable === name));
    const cell = (margin) => made("td", margin ? `${VERDICTS[margin.verdict] ?? "no verdict"}, ${margin.pixels.width} × ${margin.pixels.height} px` : "not there", margin?.verdict ? `is-${margin.verdict}` : undefined);
    const change = (axis) => {
      if (!a?.spare_px || !b?.spare_px) return made("td", "–");
      const value = b.spare_px[axis] - a.spare_px[axis];
      return made("td", `${value > 0 ? "+" : value < 0 ? "−" : "±"}${Math.abs(value)} px`);
    };
    row.append(head, cell(a), cell(b), change("x"), change("y"));
    return row;
  }));
}
