// A day in one line: a thin foot where it was good, hatched to half height where nothing was
// known, solid to full height where it was bad. A short bad stretch is never too small to see.

import { draw, make, say } from "./make.js";
import { shareText } from "./words.js";

export const DAY_MS = 86_400_000;
export const CELLS = 96;

export function strip() {
  const svg = draw("svg", {
    class: "strip", viewBox: `0 0 ${CELLS} 20`, preserveAspectRatio: "none",
    "aria-hidden": "true", focusable: "false",
  });
  const words = make("span", { class: "share" });
  return { svg, words };
}

export function fill({ svg, words }, answer) {
  const cells = answer.cells.map(cellOf);
  svg.setAttribute("viewBox", `0 0 ${Math.max(1, cells.length)} 20`);
  svg.replaceChildren(...cells.flatMap((cell, i) => bars(cell, i)));
  say(words, shareText(answer.availability));
}

function cellOf({ good_s: good, bad_s: bad, unknown_s: unknown }) {
  const all = good + bad + unknown || 1;
  return { good: good / all, bad: bad / all, unknown: (good + bad + unknown ? unknown : 1) / all };
}

function bars({ good, bad, unknown }, i) {
  const found = [];
  const bar = (kind, height, x = i, width = 1) =>
    found.push(draw("rect", { class: `cell-${kind}`, x, width, y: 20 - height, height }));
  if (good > 0) bar("good", 4);
  if (unknown > 0) bar("unknown", 4 + 8 * Math.max(unknown, 0.25));
  if (bad > 0) bar("bad", 10 + 10 * Math.max(bad, 0.2));
  return found;
}
