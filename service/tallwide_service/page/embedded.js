// An example for pages that show what the service says: its picture inline, and its rows as a table.

import { tableOf } from "./dom.js";
import { packed } from "./job.js";

const JOB = {
  capture: { raster: { width: 4800, height: 3200 } },
  deliverables: [
    { label: "wide", raster: { width: 3840, height: 2160 } },
    { label: "tall", raster: { width: 1080, height: 1920 } },
  ],
  picture: "upright",
  // Two pictures inline on one page keep apart by their prefix.
  overlay: { id_prefix: "example", labels: "short", line_share: 0.006 },
};
const COLUMNS = ["deliverable", "pixels_width_px", "pixels_height_px", "spare_x_px", "spare_y_px", "spare_pct", "verdict"];

const written = (cell) => (typeof cell === "number" ? cell.toLocaleString("en", { maximumFractionDigits: 1 }) : String(cell ?? "–"));

const job = await packed(JOB);
const picture = await (await fetch(`../v1/overlay?job=${job}`)).text();
document.getElementById("inline").append(new DOMParser().parseFromString(picture, "image/svg+xml").documentElement);

const rows = await (await fetch(`../v1/margins?job=${job}&view=table`)).json();
document.getElementById("rows").append(tableOf("Margins", COLUMNS, rows.map((row) => COLUMNS.map((name) => written(row[name])))));
document.body.dataset.busy = "no";
