// The job document: reading and writing by pointer, the sample, and the link that carries it. No DOM here.

export const SAMPLE = {
  version: 1,
  id: "harbour-spring",
  capture: {
    label: "Full height 3:2", raster: { width: 4800, height: 3200 }, photosite_pitch_um: 5.8, roll: 0,
    lens: { label: "32", focal_length_mm: 32 },
  },
  deliverables: [
    { label: "cinema", raster: { width: 4096, height: 1714 }, align: { x: 0.5, y: 0.33 } },
    { label: "broadcast", raster: { width: 3840, height: 2160 }, align: { x: 0.5, y: 0.33 }, safe_area_sets: ["ebu_r95"] },
    { label: "phone", raster: { width: 1080, height: 1920 }, align: { x: 0.5, y: 0.33 }, protection: { each_side: 0.02 } },
    { label: "billboard", raster: { width: 2400, height: 3600 }, align: { x: 0.5, y: 0.33 } },
  ],
  framing: { arrangement: "shared_point", point: { x: 0.5, y: 0.36 }, objective: "in_order" },
};

const steps = (pointer) => pointer.split("/").slice(1).map((step) => step.replaceAll("~1", "/").replaceAll("~0", "~"));

export function read(job, pointer) {
  return steps(pointer).reduce((value, step) => value?.[step], job);
}

// Objects that stay even when they are empty: the service asks for them, or an entry would vanish.
const stays = (path) => path.length === 0 || (path.length === 1) || (path[0] === "deliverables" && path.length === 2);

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

/** The job with the camera turned by a quarter. The scene keeps its size about the raster's centre, so the subject moves along. */
export function turned(job) {
  const before = uprightSize(job.capture);
  const next = write(job, "/capture/roll", ((job.capture.roll ?? 0) + 90) % 360);
  const after = uprightSize(next.capture);
  const subject = next.framing?.subject;
  if (subject) {
    subject.x += Math.round((after.width - before.width) / 2);
    subject.y += Math.round((after.height - before.height) / 2);
  }
  return next;
}

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
