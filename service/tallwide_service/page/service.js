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
