// Asking the service: the public endpoints, relative to the page, so that a proxy may serve both under any path.

export class Refused extends Error {
  constructor(problem) {
    super(problem.detail || problem.title || "the service refused");
    this.faults = problem.errors ?? [];
    this.problem = problem;
  }
}

async function refusal(response) {
  let problem = { detail: `the service answered ${response.status}` };
  if ((response.headers.get("Content-Type") ?? "").includes("json")) problem = await response.json();
  return new Refused(problem);
}

export async function ask(endpoint, job, signal) {
  const response = await fetch(`v1/${endpoint}`, {
    method: "POST", headers: { "Content-Type": "application/json", Accept: "application/json" }, body: JSON.stringify(job), signal,
  });
  if (!response.ok) throw await refusal(response);
  return response.json();
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
  const response = await fetch(`v1/${endpoint}`, options);
  if (!response.ok) throw await refusal(response);
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
