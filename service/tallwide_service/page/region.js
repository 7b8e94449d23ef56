// What part of the raster may be used: raster, usable area, image circle and covered rectangle, as the contract words them.
// Recorded px; no DOM here.

const CIRCLE_SIDES = 360;

/** Half axes of a length in mm on the sensor, in recorded px. */
function pixelsAMm({ raster, photosites, photosite_pitch_um: pitch }) {
  const imager = photosites ?? raster;
  return { across: (1000 / pitch) * (raster.width / imager.width), down: (1000 / pitch) * (raster.height / imager.height) };
}

function axisOf(capture) {
  const { across, down } = pixelsAMm(capture), offset = capture.lens?.offset_mm ?? {};
  return { x: capture.raster.width / 2 + (offset.x ?? 0) * across, y: capture.raster.height / 2 + (offset.y ?? 0) * down, across, down };
}

/** The image circle, which is an ellipse where photosites are no pixels; null where it is not known. */
export function circleOf(capture) {
  const diameter = capture.lens?.image_circle_mm;
  if (!(diameter > 0) || !(capture.photosite_pitch_um > 0)) return null;
  const { x, y, across, down } = axisOf(capture);
  return { cx: x, cy: y, rx: (diameter / 2) * across, ry: (diameter / 2) * down };
}

/** The rectangle that a lens covers around its axis, as corners; null where it is not known. */
export function coveredOf(capture) {
  const { width, height } = capture.lens?.covered_mm ?? {};
  if (!(width > 0) || !(height > 0) || !(capture.photosite_pitch_um > 0)) return null;
  const { x, y, across, down } = axisOf(capture), half = (width / 2) * across, tall = (height / 2) * down;
  return [[x - half, y - tall], [x + half, y - tall], [x + half, y + tall], [x - half, y + tall]];
}

export const usableOf = (capture) => (Array.isArray(capture.usable_area) && capture.usable_area.length > 2 ? capture.usable_area : null);

const isClockwise = (corners) => corners.reduce((sum, [x, y], at) => {
  const [nx, ny] = corners[(at + 1) % corners.length];
  return sum + x * ny - nx * y;
}, 0) > 0;

/** What two convex polygons share: the first, cut by each side of the second (Sutherland and Hodgman, 1974). */
export function shared(polygon, cutter) {
  const sides = isClockwise(cutter) ? cutter : [...cutter].reverse();
  return sides.reduce((rest, [ax, ay], at) => {
    const [bx, by] = sides[(at + 1) % sides.length];
    const inside = ([x, y]) => (bx - ax) * (y - ay) - (by - ay) * (x - ax);
    return rest.flatMap((corner, place) => {
      const next = rest[(place + 1) % rest.length], here = inside(corner), there = inside(next);
      const cut = () => [corner[0] + ((next[0] - corner[0]) * here) / (here - there), corner[1] + ((next[1] - corner[1]) * here) / (here - there)];
      return [...(here >= 0 ? [corner] : []), ...(here >= 0 !== there >= 0 ? [cut()] : [])];
    });
  }, polygon);
}

const polygonOf = ({ cx, cy, rx, ry }) => Array.from({ length: CIRCLE_SIDES }, (_, side) => {
  const angle = (2 * Math.PI * side) / CIRCLE_SIDES;
  return [cx + rx * Math.cos(angle), cy + ry * Math.sin(angle)];
});

let last = { key: "", corners: [] };

/** Corners of the region; none where nothing of the raster may be used. */
export function regionOf(capture) {
  const key = JSON.stringify([capture.raster, capture.photosites, capture.photosite_pitch_um, capture.usable_area, capture.lens]);
  if (key === last.key) return last.corners;
  const { width, height } = capture.raster, circle = circleOf(capture);
  const cutters = [usableOf(capture), coveredOf(capture), circle && polygonOf(circle)].filter(Boolean);
  last = { key, corners: cutters.reduce(shared, [[0, 0], [width, 0], [width, height], [0, height]]) };
  return last.corners;
}
