// Asking the service: the public endpoints, relative to the page, so that a proxy may serve both under any path.

export class Refused extends Error {
  constructor(problem) {
    super(problem.detail || problem.title || "the service refused");
    this.faults = problem.errors ?? [];
    this.problem = problem;
  }
}

async function refusal(response) {
  let problem = { status: response.status, detail: `the service answered ${response.status}` };
  if ((response.headers.get("Content-Type") ?? "").includes("json")) problem = await response.json();
  return new Refused(problem);
}

const TRIES = 4;
let token = null; // of a service that asks for one; kept in this page's memory alone

export function useToken(given) { token = given || null; }

const authorized = (headers) => (token ? { ...headers, Authorization: `Bearer ${token}` } : headers);

/** Answer of the service; where it is busy, asked again when it says. */
async function asked(path, options) {
  for (let tried = 1; ; tried += 1) {
    const response = await fetch(`v1/${path}`, { ...options, headers: authorized(options.headers) });
    if (response.ok) return response;
    const after = Number(response.headers.get("Retry-After") ?? NaN);
    if (![429, 503].includes(response.status) || tried === TRIES || !(after <= 10)) throw await refusal(response);
    await new Promise((resolve) => setTimeout(resolve, 1000 * after * (1 + Math.random() / 5)));
    options.signal?.throwIfAborted();
  }
}

export async function ask(endpoint, job, signal) {
  const headers = { "Content-Type": "application/json", Accept: "application/json" };
  return (await asked(endpoint, { method: "POST", headers, body: JSON.stringify(job), signal })).json();
}

/** A file made by the service: its bytes, the name that it gives, and what it cannot carry. */
export async function fetchFile(endpoint, job, accept, still) {
  const options = { method: "POST", headers: { Accept: accept } };
  if (still) {
    options.body = new FormData();
    options.body.append("job", new Blob([JSON.stringify(job)], { type: "application/json" }), "job.json");
    options.body.append("still", still);
  } else {
    options.headers["Content-Type"] = "application/json";
    options.body = JSON.stringify(job);
  }
  const response = await asked(endpoint, options);
  const name = /filename="?([^";]+)"?/.exec(response.headers.get("Content-Disposition") ?? "")?.[1];
  return { blob: await response.blob(), name, lost: response.headers.get("Tallwide-Lost")?.replaceAll("_", " ") };
}

/** Where the frames lie, from the flat rows: they hold no more than is drawn, so that they come at the pace of a hand. */
export async function placed(job, signal) {
  const rows = await ask("extractions?view=table", job, signal);
  const rect = (row, name) => Object.fromEntries(["x", "y", "width", "height"].map((side) => [side, row[`${name}_${side}_px`]]));
  return rows.map((row) => ({
    deliverable: row.deliverable, rect: rect(row, "rect"), upright_rect: rect(row, "upright_rect"), protection_rect: rect(row, "protection_rect"),
    share_of_raster: row.share_of_raster, bound_by: row.bound_by ? row.bound_by.split(" ") : [],
  }));
}
