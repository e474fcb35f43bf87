// One row per transition: who, how far from the limit, where on the common axis, the last hours,
// the day, the deviation against its need, and one sentence that says why.

import { margin } from "./axis.js";
import { fill, strip } from "./strip.js";
import { glyph, inWords, needAt, worst } from "./deviation.js";
import { Fairway } from "./fairway.js";
import { draw, make, put, reshape, say, shape } from "./make.js";
import { Past } from "./past.js";
import { Trace } from "./traces.js";
import { clock, digits, hz, list, ms, sentence, span, when } from "./words.js";

const WORDS = { good: "good", bad: "bad", unknown: "unknown" };

export class Row {
  // told: { look(name, fromMs, toMs) }
  constructor(name, spanMs, told) {
    this.name = name;
    this.past = new Past(spanMs);
    this.fairway = new Fairway();
    this.strip = strip();
    this.curve = draw("svg", { class: "glyph", "aria-hidden": "true", focusable: "false",
      preserveAspectRatio: "none" });
    this.curveWords = make("span", { class: "curve-words" });
    this.mark = shape();
    this.title = make("span", { class: "line" });
    this.open = make("button", { type: "button", class: "name", onclick: () => told.look(name) }, name);
    this.state = make("strong", { class: "state" });
    this.since = make("span", { class: "since" });
    this.distance = make("strong", { class: "distance" });
    this.side = make("span", { class: "side" });
    this.detuning = make("span", { class: "detuning" });
    this.why = make("p", { class: "why" });
    this.leans = make("p", { class: "leans" });
    this.words = make("div", { class: "words" }, this.why, this.leans);
    this.readout = make("span", { class: "readout" });
    this.host = make("div", { class: "trace", "aria-hidden": "true" });
    this.trace = new Trace(this.host, this.past, {
      pick: (from, to) => told.look(name, from, to),
      hover: (index) => this.hover(index),
    });
    this.node = make(
      "li", { class: "row", "data-name": name },
      make("h3", { class: "who" }, this.mark, make("span", { class: "names" }, this.open, this.title)),
      make("p", { class: "verdict" }, this.state, this.since),
      make("p", { class: "lead" }, this.distance, this.side, this.detuning),
      this.fairway.node,
      make("div", { class: "past" }, this.host, this.readout),
      make("div", { class: "slow" },
        make("p", { class: "day" }, this.strip.svg, make("span", { class: "small" }, this.strip.words, " good")),
        make("p", { class: "dev" }, this.curve, this.curveWords)),
      this.words,
    );
  }

  // The newest snapshot of this transition, as the page may show it.
  update(transition, nowMs) {
    this.now = transition;
    const { state, tolerance, detuning_hz: detuning } = transition;
    put(this.node, "data-state", state);
    const distance = margin(detuning, tolerance);
    this.node.toggleAttribute("data-doubted", state !== "good" && !(state === "bad" && distance < 0));
    reshape(this.mark, state);
    say(this.state, WORDS[state] ?? "unknown");
    say(this.title, lineOf(transition));
    const began = transition.since_ns ? ms(transition.since_ns) : null;
    say(this.since, began === null ? "" : `for ${span(nowMs - began)}, since ${when(began, nowMs, nowMs - began < 600_000)}`);
    this.lead(distance, detuning, transition);
    say(this.why, why(transition));
    say(this.leans, leans(transition));
    put(this.words, "title", `${this.why.textContent} ${this.leans.textContent}`.trim());
    this.fairway.update(transition, this.past);
  }

  lead(distance, detuning, { u_hz: u, k, state }) {
    this.distance.classList.toggle("none", distance === null);
    if (distance === null) {
      say(this.distance, "\u2014");
      say(this.side, "distance not known");
      say(this.detuning, "");
      return;
    }
    say(this.distance, digits(Math.abs(distance)));
    say(this.side, sideOf(distance, state));
    const reach = u === null || u === undefined ? "" : ` \u00b1 ${hz((k ?? 3) * u)}`;
    say(this.detuning, `${hz(detuning, true)}${reach}`);
  }

  hover(index) {
    const { t, mean, state } = this.past;
    if (index === null || index >= t.length || !this.now?.tolerance) {
      say(this.readout, "");
      return;
    }
    const distance = margin(mean[index], this.now.tolerance);
    const said = distance === null ? "nothing measured"
      : `${hz(mean[index], true)}, ${["unknown", "good", "bad"][state[index]]}`;
    say(this.readout, `${clock(t[index])}  ${said}`);
  }

  day(answer) {
    fill(this.strip, answer);
  }

  deviation(curve) {
    glyph(this.curve, curve);
    say(this.curveWords, inWords(curve));
    const used = needAt(curve.need, 1) === null ? null : worst(curve);
    this.curveWords.toggleAttribute("data-over", used !== null && used.ratio > 1);
    put(this.curveWords, "title", curve.title ?? null);
  }
}

// A number that the verdict does not stand behind must not read as one: a laser on the wrong comb
// tooth is derived in the very middle.
function sideOf(distance, state) {
  const side = distance >= 0 ? "inside" : "outside";
  if (state === "unknown") return `${side} as derived, not vouched for`;
  if (state === "bad" && distance >= 0) return "inside as derived, but not believed";
  return `${side} the limit`;
}

function lineOf({ name, title, wavelength_nm: nm }) {
  return [title === name ? "" : title, nm ? `${Math.round(nm)}\u202fnm` : ""].filter(Boolean).join(", ");
}

// Why it is not good and what clears it, each reason once.
export function why({ state, reason, clears, reasons }) {
  if (state === "good") return "";
  const all = reasons?.length ? reasons : [{ text: reason, clears }];
  return all.filter(({ text }) => text).map(({ text, clears: until }) =>
    `${sentence(text)}${until ? `; clears with ${until}` : ""}.`).join(" ");
}

export function leans({ leans_on: witnesses, unwatched, plane }) {
  // What is not claimed comes first: where there is room for one line, it is this one (M4).
  const missing = unwatched.length ? `Mean frequency only, ${list(unwatched)} not watched. ` : "";
  const at = plane && !plane.startsWith("at ") ? `at the ${plane}` : plane;
  const on = witnesses.length ? `leans on ${list(witnesses)}` : "leans on no witness";
  return `${missing}${sentence([at, on].filter(Boolean).join("; "))}.`;
}
