// What else could be taken: recording modes, lenses and rolls of the job and of a kit file. No DOM here.

import { onCapture, turned, write } from "./job.js";

const AT = " @ ";
const named = (shelf) => Object.entries(shelf ?? {});

/** The kit in a text: captures and lenses by label, a capture's lens named by its label put in. */
export function readKit(text) {
  const kit = JSON.parse(text);
  const isShelf = (shelf) => shelf === undefined || (typeof shelf === "object" && shelf !== null && !Array.isArray(shelf));
  if (!isShelf(kit) || kit === undefined || !["captures", "lenses", "rigs"].some((name) => name in kit)) throw new SyntaxError("a kit is an object with captures, lenses and rigs");
  if (![kit.captures, kit.lenses].every((shelf) => isShelf(shelf) && named(shelf).every(([, each]) => isShelf(each)))) {
    throw new SyntaxError("captures and lenses of a kit are objects by label");
  }
  const captures = named(kit.captures).map(([label, capture]) => mounted({ label, ...capture }, kit.lenses ?? {}));
  return { captures, lenses: named(kit.lenses).map(([label, lens]) => ({ label, ...lens })) };
}

function mounted(capture, lenses) {
  if (typeof capture.lens !== "string") return capture;
  const label = capture.lens, [name, focal] = label in lenses ? [label] : label.split(AT);
  if (!(name in lenses)) throw new SyntaxError(`lenses of the kit have no ${name}`);
  const setting = lenses[name].settings?.find((each) => String(each.focal_length_mm) === focal);
  if (lenses[name].settings?.length && !setting) throw new SyntaxError(`the lens ${label} is a zoom: say at which focal length`);
  return withLens({ ...capture, lens: undefined }, { label, ...lenses[name], ...setting });
}

/** A capture with a lens put on it; a squeeze that the lens names takes the place of the capture's. */
function withLens(capture, choice) {
  const { settings, squeeze, squeeze_axis: axis, ...lens } = choice;
  return { ...capture, ...(squeeze === undefined ? {} : { squeeze }), ...(axis === undefined ? {} : { squeeze_axis: axis }), lens };
}

const nameOf = (capture, fallback) => capture.label ?? `${fallback}${capture.raster?.width ? `, ${capture.raster.width} × ${capture.raster.height}` : ""}`;

/** Recording modes to choose from: the job's own first, then its alternatives, its captures and the kit's; each with the job that it makes. */
export function modesOf(job, kit) {
  const own = { name: nameOf(job.capture, "This mode"), job: () => job };
  const swapped = (job.alternatives ?? []).map((capture, place) => ({
    name: nameOf(capture, `Mode ${place + 2}`),
    // The mode that was left stays there to be taken again.
    job: () => write(onCapture(job, { roll: job.capture.roll ?? 0, ...capture }), `/alternatives/${place}`, job.capture),
  }));
  const taken = new Set([own, ...swapped].map((each) => each.name));
  const others = [...(job.captures ?? []), ...kit.captures].map((capture, place) => ({
    name: nameOf(capture, `Capture ${place + 1}`), job: () => onCapture(job, { roll: job.capture.roll ?? 0, ...capture }),
  }));
  return [own, ...swapped, ...others.filter((each) => !taken.has(each.name) && taken.add(each.name))];
}

/** Lenses to choose from, the one that is on first; a zoom gives one entry a setting. */
export function lensesOf(job, kit) {
  const own = { name: lensName(job.capture.lens), job: () => job };
  const choices = [...(job.lenses ?? []), ...kit.lenses].flatMap(({ settings, ...lens }) =>
    settings?.length ? settings.map((setting) => ({ ...lens, ...setting, label: `${lens.label}${AT}${setting.focal_length_mm}` })) : [lens]);
  const taken = new Set([own.name]);
  return [own, ...choices.map((choice) => ({ name: lensName(choice), job: () => onCapture(job, withLens(job.capture, choice)) }))
    .filter((each) => !taken.has(each.name) && taken.add(each.name))];
}

function lensName(lens) {
  if (!lens) return "no lens stated";
  const circle = lens.image_circle_mm ? `, circle ${lens.image_circle_mm} mm` : "";
  return `${lens.label ?? (lens.focal_length_mm ? `${lens.focal_length_mm} mm` : "lens")}${circle}`;
}

export const rollsOf = (job) => [0, 90, 180, 270].map((roll) => ({
  name: roll ? `turned ${roll}°` : "upright", roll, job: () => turned(job, roll - (job.capture.roll ?? 0) + 360),
}));

/** The job at the position of one pass of a plan. */
export function atPass(job, pass) {
  const capture = pass.capture_index ? job.alternatives[pass.capture_index - 1] : job.capture;
  const moved = onCapture(job, { ...capture, roll: pass.roll });
  const next = pass.minimums === "held" ? write(moved, "/framing/minimums", "held") : moved;
  return pass.capture_index ? write(next, `/alternatives/${pass.capture_index - 1}`, job.capture) : next;
}
