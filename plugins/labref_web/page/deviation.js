// The running deviation against what the transition needs: both on logarithmic axes, the need as
// a broken line, uncertainty bounds as a band. Small in every row, large in the closer look.

import { draw } from "./make.js";
import { digits, hz, span } from "./words.js";

const W = 120;
const H = 48;
const LEAST = 1.5; // decades of height at least, so that a flat curve does not look like a cliff
const RAISED = "\u207b\u2070\u00b9\u00b2\u00b3\u2074\u2075\u2076\u2077\u2078\u2079";

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
  if (used === null) return `${amount(curve.value[0], curve.unit)} at ${seconds(curve.tau_s[0])}, no need stated`;
  return `${digits(used.ratio)} \u00d7 need at ${seconds(used.tau)}`;
}

export function seconds(tau) {
  return tau < 60 ? `${digits(tau).replace(/\.?0+$/, "")}\u202fs` : span(tau * 1000);
}

// Hertz with a prefix, anything else (a fractional deviation) as a power of ten.
export function amount(value, unit) {
  if (unit === "Hz") return hz(value);
  if (!(value > 0)) return value === 0 ? "0" : "not known";
  const power = Math.floor(Math.log10(value));
  const raised = [...String(power)].map((each) => RAISED["-0123456789".indexOf(each)]).join("");
  return `${(value / 10 ** power).toFixed(1)}\u202f\u00d7\u202f10${raised}${unit && unit !== "1" ? ` ${unit}` : ""}`;
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
  const [greatest, least] = [Math.log10(Math.max(...all)), Math.log10(Math.min(...all))];
  const room = Math.max(0.2, (LEAST - (greatest - least)) / 2);
  const [top, bottom] = [greatest + room, least - room];
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
