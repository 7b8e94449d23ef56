// The cards: each deliverable's verdict, what it has to spare, what it costs and what binds it; the worst first.

import { button, made } from "./dom.js";
import { keyOf } from "./picture.js";

export const WORDS = { enough: ["✓", "does"], at_limit: ["=", "just does"], short: ["✕", "falls short"] };
const URGENCY = { short: 0, at_limit: 1, enough: 2 };

export const inWords = (name) => name.replaceAll("_", " ");

function spareOf(margin) {
  if (!margin.spare_px) return "no delivery raster to hold it against";
  const { x, y } = margin.spare_px;
  if (x >= 0 && y >= 0) return `${x} × ${y} px to spare`;
  return [x < 0 && `${-x} px too narrow`, y < 0 && `${-y} lines too low`].filter(Boolean).join(", ");
}

function costOf(margin, extraction) {
  const share = `${(extraction.share_of_raster * 100).toFixed(0)} % of the raster`;
  const needed = margin.needed ? ` for ${margin.needed.width} × ${margin.needed.height}` : "";
  return `${margin.pixels.width} × ${margin.pixels.height} px${needed}; ${share}`;
}

/** Places of the margins in the order that counts: those that fall short, then those at the limit, the tightest first. */
function inOrder(margins) {
  const weight = (margin) => [URGENCY[margin.verdict] ?? 3, margin.spare_pct ?? Infinity];
  return margins.map((_, place) => place).sort((a, b) => {
    const [one, two] = [weight(margins[a]), weight(margins[b])];
    return one[0] - two[0] || (one[1] === two[1] ? 0 : one[1] - two[1]) || a - b;
  });
}

export function summaryOf(margins) {
  const short = margins.filter((each) => each.verdict === "short");
  const judged = margins.filter((each) => each.verdict);
  if (!judged.length) return "No deliverable has a raster yet, so nothing can fall short.";
  if (!short.length) return `All ${judged.length === 1 ? "of it does" : `${judged.length} frames do`}.`;
  const worst = margins[inOrder(margins)[0]];
  return `${judged.length - short.length} of ${judged.length} frames do; ${worst.deliverable} is ${spareOf(worst)}${short.length > 1 ? ", and more fall short" : ""}.`;
}

export function drawCards(list, { margins, extractions }, picked, onPick) {
  const held = list.contains(document.activeElement) ? document.activeElement.dataset.place : null;
  list.replaceChildren(...inOrder(margins).map((place) => {
    const margin = margins[place], extraction = extractions[place];
    const item = made("li"), card = button("", () => onPick(place), `card is-${margin.verdict ?? "open"}`);
    card.dataset.place = place;
    card.setAttribute("aria-pressed", String(place === picked));
    const [sign, word] = WORDS[margin.verdict] ?? ["·", "no verdict"];
    const name = made("b"), verdict = made("span", undefined, "verdict"), glyph = made("span", `${sign} `), spare = made("span", spareOf(margin), "spare");
    name.append(keyOf(place), made("span", margin.deliverable));
    glyph.ariaHidden = "true";
    verdict.append(glyph, word);
    const small = [costOf(margin, extraction), `bound by ${extraction.bound_by.map(inWords).join(", ") || "nothing"}`];
    if (margin.photosite_verdict && margin.photosite_verdict !== margin.verdict) {
      small.push(`counted in photosites it ${WORDS[margin.photosite_verdict][1]}`);
    }
    if (margin.eye_limit && margin.eye_limit.verdict !== margin.verdict) small.push(`where it is shown it ${WORDS[margin.eye_limit.verdict][1]}`);
    card.append(name, verdict, spare, ...small.map((line, at) => made("small", line, at ? undefined : "cost")));
    item.append(card);
    return item;
  }));
  if (held !== null) list.querySelector(`[data-place="${held}"]`)?.focus({ preventScroll: true });
}
