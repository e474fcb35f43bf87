// The running deviation against what the transition needs: both on logarithmic axes, the need as
// a broken line, uncertainty bounds as a band. Small in every row, large in the closer look.

import { draw } from "./make.js";
import { digits, span } from "./words.js";

const W = 120;
const H = 48;
const DEEP = 3; // decades below the need that are shown at least

// The need at each tau: a number for all of them, or a curve of its own.
export function needAt(need, tau) {
  if (need === null || need === undefined) return null;
  if (typeof need === "number") return need;
  if (Array.isArray(need)) return null;
  const { tau_s: taus, value } = need;
  if (!taus?.length) return null;
  if (tau <= taus[0]) return value[0];
  for (let i = 1; i < taus.length; i += 1) {
    if (tau <= taus[i]) {
      const part = Math.log(tau / taus[i - 1]) / Math.log(taus[i] / taus[i - 1]);
      return value[i - 1] * (value[i] / value[i - 1]) ** part;
    }
  }
  return value.at(-1);
}

// The part of the need that is used up, at its worst tau: { ratio, tau } or null.
export function worst({ tau_s: taus, value, need }) {
  let found = null;
  taus.forEach((tau, i) => {
    const limit = needAt(need, tau);
    if (limit && value[i] !== null && (found === null || value[i] / limit > found.ratio)) {
      found = { ratio: value[i] / limit, tau };
    }
  });
  return found;
}

export function inWords(curve) {
  const used = worst(curve);
  if (!curve.tau_s.length) return "no deviation yet";
  if (used === null) return `${exponent(curve.value[0])} at ${span(curve.tau_s[0] * 1000)}; no need stated`;
  const side = used.ratio > 1 ? "above" : "of";
  return `${digits(used.ratio)} ${side === "of" ? "of the need" : "times the need"} at ${seconds(used.tau)}`;
}

export function seconds(tau) {
  return tau < 60 ? `${digits(tau).replace(/\.?0+$/, "")}\u202fs` : span(tau * 1000);
}

export function exponent(value) {
  const power = Math.floor(Math.log10(value));
  const raised = String(power).replace("-", "\u2212");
  return `${(value / 10 ** power).toFixed(1)}\u00b710^${raised}`;
}

// A picture without numbers: the words beside it carry them.
export function glyph(svg, curve) {
  const points = curve.tau_s.map((tau, i) => [tau, curve.value[i], i])
    .filter(([tau, value]) => tau > 0 && value > 0);
  svg.setAttribute("viewBox", `0 0 ${W} ${H}`);
  if (points.length < 2) {
    svg.replaceChildren();
    return;
  }
  const needs = points.map(([tau]) => needAt(curve.need, tau)).filter((need) => need > 0);
  const all = [...points.map(([, value]) => value), ...needs];
  const top = Math.log10(Math.max(...all)) + 0.2;
  const bottom = Math.min(Math.log10(Math.min(...all)) - 0.2, top - DEEP / 2);
  const first = Math.log10(points[0][0]);
  const last = Math.log10(points.at(-1)[0]);
  const x = (tau) => 3 + (W - 6) * ((Math.log10(tau) - first) / (last - first || 1));
  const y = (value) => Math.min(H, Math.max(0, H * ((top - Math.log10(value)) / (top - bottom))));
  const path = (pairs) => pairs.map(([tau, value], i) =>
    `${i ? "L" : "M"}${x(tau).toFixed(1)} ${y(value).toFixed(1)}`).join("");
  const bounded = points.filter(([, , i]) => curve.low?.[i] > 0 && curve.high?.[i] > 0);
  const band = [
    ...bounded.map(([tau, , i]) => [tau, curve.high[i]]),
    ...bounded.map(([tau, , i]) => [tau, curve.low[i]]).reverse(),
  ];
  svg.replaceChildren(
    draw("path", { class: "bounds", d: band.length ? `${path(band)}Z` : "" }),
    draw("path", { class: "need", d: needs.length === points.length
      ? path(points.map(([tau]) => [tau, needAt(curve.need, tau)])) : "" }),
    draw("path", { class: "curve", d: path(points.map(([tau, value]) => [tau, value])) }),
    ...points.filter(([tau, value]) => value > (needAt(curve.need, tau) ?? Infinity))
      .map(([tau, value]) => draw("circle", { class: "over", cx: x(tau), cy: y(value), r: 3 })),
  );
}
