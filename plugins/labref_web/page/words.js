// Numbers, times and states in words.

const MINUS = "\u2212";
const SPACE = "\u202f"; // narrow, does not break between number and unit

const PREFIXES = [[1e12, "THz"], [1e9, "GHz"], [1e6, "MHz"], [1e3, "kHz"], [1, "Hz"], [1e-3, "mHz"]];

export function unitFor(size) {
  return PREFIXES.find(([factor]) => Math.abs(size) >= factor) ?? PREFIXES.at(-1);
}

// Three significant digits; a sign always, where asked for.
export function digits(value, signed = false) {
  const size = Math.abs(value);
  const places = size >= 100 ? 0 : size >= 10 ? 1 : 2;
  const text = size.toFixed(places);
  const isZero = Number(text) === 0;
  return (value < 0 && !isZero ? MINUS : signed && !isZero ? "+" : "") + text;
}

export function hz(value, signed = false) {
  if (value === 0) return `0${SPACE}Hz`;
  const [factor, unit] = unitFor(value);
  return digits(value / factor, signed) + SPACE + unit;
}

// A time span in at most two units.
export function span(ms) {
  const s = Math.max(0, Math.round(ms / 1000));
  if (s < 60) return `${s}${SPACE}s`;
  const min = Math.floor(s / 60);
  if (min < 60) return `${min}${SPACE}min`;
  const h = Math.floor(min / 60);
  if (h < 48) return `${h}${SPACE}h${min % 60 ? ` ${min % 60}${SPACE}min` : ""}`;
  const d = Math.floor(h / 24);
  return `${d}${SPACE}d${h % 24 ? ` ${h % 24}${SPACE}h` : ""}`;
}

// Local time or UTC, as the person chose; the choice is remembered.
let utc = localStorage.getItem("labref-zone") === "utc";

export function isUtc() {
  return utc;
}

export function setUtc(yes) {
  utc = yes;
  localStorage.setItem("labref-zone", yes ? "utc" : "local");
}

export function zoneName() {
  if (utc) return "UTC";
  const part = new Intl.DateTimeFormat("en-GB", { timeZoneName: "short" })
    .formatToParts(new Date()).find((each) => each.type === "timeZoneName");
  return part ? part.value : "local time";
}

const two = (n) => String(n).padStart(2, "0");

function parts(ms) {
  const d = new Date(ms);
  return utc
    ? [d.getUTCFullYear(), d.getUTCMonth() + 1, d.getUTCDate(), d.getUTCHours(), d.getUTCMinutes(), d.getUTCSeconds()]
    : [d.getFullYear(), d.getMonth() + 1, d.getDate(), d.getHours(), d.getMinutes(), d.getSeconds()];
}

export function clock(ms, seconds = true) {
  const [, , , h, min, s] = parts(ms);
  return `${two(h)}:${two(min)}${seconds ? `:${two(s)}` : ""}`;
}

export function day(ms) {
  const [y, m, d] = parts(ms);
  return `${y}-${two(m)}-${two(d)}`;
}

// The time alone when it was today, with its day otherwise.
export function when(ms, nowMs, seconds = true) {
  return day(ms) === day(nowMs) ? clock(ms, seconds) : `${day(ms)} ${clock(ms, false)}`;
}

// What a date-and-time field shows and takes, in the chosen zone.
export function fieldText(ms) {
  return `${day(ms)}T${clock(ms)}`;
}

export function fieldMs(text) {
  return Date.parse(utc ? `${text}Z` : text);
}

// Nanoseconds: a JavaScript number is exact to 256 ns today, which is far below a pixel. Requests
// are written as whole nanoseconds.
export const ms = (ns) => ns / 1e6;
export const ns = (milliseconds) => (BigInt(Math.round(milliseconds)) * 1000000n).toString();

export function list(names) {
  if (names.length < 2) return names.join("");
  return `${names.slice(0, -1).join(", ")} and ${names.at(-1)}`;
}

export function sentence(text) {
  return text ? text[0].toUpperCase() + text.slice(1) : "";
}

export function shareText(share) {
  if (share === null || share === undefined || Number.isNaN(share)) return "not known";
  const percent = share * 100;
  if (percent === 100 || percent === 0) return `${percent}${SPACE}%`;
  // Never rounded up to all of it.
  const floor = Math.floor(percent * 100) / 100;
  return `${floor.toFixed(percent < 99 ? 1 : 2)}${SPACE}%`;
}
