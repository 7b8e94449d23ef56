// The job document: reading and writing by pointer, the sample, other captures, and the link that carries it. No DOM here.

export const SAMPLE = {
  version: 1,
  id: "harbour-spring",
  capture: {
    label: "Full height 3:2", raster: { width: 4800, height: 3200 }, photosite_pitch_um: 5.8, roll: 0,
    lens: { label: "32", focal_length_mm: 32, image_circle_mm: 33 },
  },
  deliverables: [
    { label: "cinema", raster: { width: 4096, height: 1714 }, align: { x: 0.5, y: 0.33 } },
    { label: "broadcast", raster: { width: 3840, height: 2160 }, align: { x: 0.5, y: 0.33 }, safe_area_sets: ["ebu_r95"] },
    { label: "phone", raster: { width: 1080, height: 1920 }, align: { x: 0.5, y: 0.33 }, protection: { each_side: 0.02 } },
    { label: "billboard", raster: { width: 2400, height: 3600 }, align: { x: 0.5, y: 0.33 } },
  ],
  framing: {
    arrangement: "shared_point", point: { x: 0.5, y: 0.36 }, objective: "in_order",
    subject: { x: 2240, y: 940, width: 320, height: 460 },
  },
  alternatives: [
    { label: "Full width 16:9", raster: { width: 4800, height: 2700 }, photosite_pitch_um: 5.8, lens: { label: "32", focal_length_mm: 32, image_circle_mm: 33 } },
    { label: "Camera B, 4:3", raster: { width: 4096, height: 3072 }, photosite_pitch_um: 6.4, lens: { label: "32", focal_length_mm: 32, image_circle_mm: 33 } },
  ],
  lenses: [
    { label: "32", focal_length_mm: 32, image_circle_mm: 33 },
    { label: "40", focal_length_mm: 40, image_circle_mm: 31 },
  ],
  production: { shots: 12, takes_per_shot: 3, minutes_per_take: 2, minutes_per_changeover: 15, minutes_available: 480 },
};

const steps = (pointer) => pointer.split("/").slice(1).map((step) => step.replaceAll("~1", "/").replaceAll("~0", "~"));

export function read(job, pointer) {
  return steps(pointer).reduce((value, step) => value?.[step], job);
}

// Objects that stay even when they are empty: the service asks for them, or an entry would vanish.
const LISTS = ["deliverables", "alternatives", "lenses"];
const stays = (path) => path.length === 0 || path[0] === "capture" && path.length === 1 || (LISTS.includes(path[0]) && path.length <= 2);

/** A copy of the job with another value at a pointer; `undefined` takes the member out, and what became empty by that. */
export function write(job, pointer, value) {
  const copy = structuredClone(job);
  const path = steps(pointer);
  const parents = [copy];
  for (const step of path.slice(0, -1)) {
    const parent = parents.at(-1);
    if (typeof parent[step] !== "object" || parent[step] === null) parent[step] = {};
    parents.push(parent[step]);
  }
  const last = path.at(-1);
  if (value !== undefined) parents.at(-1)[last] = value;
  else if (Array.isArray(parents.at(-1))) parents.at(-1).splice(Number(last), 1);
  else {
    delete parents.at(-1)[last];
    for (let depth = path.length - 1; depth > 0; depth -= 1) {
      if (stays(path.slice(0, depth)) || Object.keys(parents[depth]).length) break;
      delete parents[depth - 1][path[depth - 1]];
    }
  }
  return copy;
}

export const uprightSize = ({ raster, roll = 0 }) =>
  roll % 180 ? { width: raster.height, height: raster.width } : { width: raster.width, height: raster.height };

/** How much scene one upright pixel shows, across and down, in units that both captures share. */
function sceneAPixel(capture, other) {
  const { raster } = capture, imager = capture.photosites ?? raster, squeeze = capture.squeeze ?? 1;
  let across = imager.width / raster.width, down = imager.height / raster.height;
  if (capture.squeeze_axis === "sensor_height") down *= squeeze;
  else across *= squeeze;
  const both = (pointer) => [capture, other].every((each) => read(each, pointer) > 0);
  let scale = both("/photosite_pitch_um") ? capture.photosite_pitch_um : 1;
  if (both("/lens/focal_length_mm")) scale /= capture.lens.focal_length_mm;
  if ((capture.roll ?? 0) % 180) [across, down] = [down, across];
  return [across * scale, down * scale];
}

/** A subject in the picture of another capture: its offset from the picture's centre is kept in the scene, as the service's plans keep it. */
export function carriedSubject(subject, origin, target) {
  const [one, other] = [sceneAPixel(origin, target), sceneAPixel(target, origin)];
  const before = uprightSize(origin), after = uprightSize(target);
  // A whole pixel is one, whatever doubles make of it.
  const floor = (value) => Math.floor(value + 1e-6), ceil = (value) => Math.ceil(value - 1e-6);
  const along = (axis, side, start) => {
    const ratio = one[axis] / other[axis], from = after[side] / 2 + (subject[start] - before[side] / 2) * ratio;
    return [floor(from), ceil(from + subject[side] * ratio)];
  };
  const [x, right] = along(0, "width", "x"), [y, bottom] = along(1, "height", "y");
  return { x, y, width: right - x, height: bottom - y };
}

/** The job on another capture, or on its own at another roll; the subject goes along. */
export function onCapture(job, capture) {
  const next = write(job, "/capture", capture), subject = job.framing?.subject;
  return subject ? write(next, "/framing/subject", { ...subject, ...carriedSubject(subject, job.capture, capture) }) : next;
}

export const turned = (job, by = 90) => onCapture(job, { ...job.capture, roll: ((job.capture.roll ?? 0) + by) % 360 });

async function through(bytes, stream) {
  const body = new Blob([bytes]).stream().pipeThrough(stream);
  return new Uint8Array(await new Response(body).arrayBuffer());
}

/** Deflated (zlib) and base64url: the form that the service's own `?job=` takes. */
export async function packed(job) {
  const bytes = await through(new TextEncoder().encode(JSON.stringify(job)), new CompressionStream("deflate"));
  let text = "";
  for (const byte of bytes) text += String.fromCharCode(byte);
  return btoa(text).replaceAll("+", "-").replaceAll("/", "_").replace(/=+$/, "");
}

export async function unpacked(text) {
  const bytes = Uint8Array.from(atob(text.replaceAll("-", "+").replaceAll("_", "/")), (letter) => letter.charCodeAt(0));
  return JSON.parse(new TextDecoder().decode(await through(bytes, new DecompressionStream("deflate"))));
}
