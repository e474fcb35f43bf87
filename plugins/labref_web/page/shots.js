// Shots as they come: a ribbon of the last hundred, and the latest in words.

import { draw, make, shape } from "./make.js";
import { clock, hz, ms, span } from "./words.js";

const RIBBON = 100;
const WRITTEN = 6;

export class Shots {
  constructor() {
    this.all = [];
  }

  // Oldest first or newest first, as the service has them; one name and start is one shot.
  load(list) {
    for (const each of list) this.add(each);
  }

  add(shot) {
    const key = keyOf(shot);
    this.all = this.all.filter((each) => keyOf(each) !== key);
    this.all.push(shot);
    this.all.sort((a, b) => a.start_ns - b.start_ns);
    this.all.splice(0, this.all.length - RIBBON);
  }

  nodes() {
    if (!this.all.length) return [make("p", { class: "none" }, "No shot was recorded yet.")];
    const good = this.all.filter((each) => each.state === "good").length;
    return [
      ribbon(this.all),
      make("p", { class: "small" }, `${good} of the last ${this.all.length} good`),
      make("ol", { class: "things shots" }, ...this.all.slice(-WRITTEN).reverse().map(written)),
    ];
  }
}

const keyOf = ({ shot, start_ns: start }) => `${shot} ${start}`;

function ribbon(shots) {
  const svg = draw("svg", {
    class: "strip", viewBox: `0 0 ${RIBBON} 20`, preserveAspectRatio: "none",
    "aria-hidden": "true", focusable: "false",
  });
  const height = { good: 6, unknown: 13, bad: 20 };
  shots.forEach((each, i) => {
    const h = height[each.state] ?? height.unknown;
    svg.append(draw("rect", { class: `cell-${each.state}`, x: i + RIBBON - shots.length, width: 0.8, y: 20 - h, height: h }));
  });
  return svg;
}

function written(shot) {
  const length = shot.stop_ns - shot.start_ns;
  const took = length < 1e9 ? `${Math.round(length / 1e6)}\u202fms` : span(length / 1e6);
  return make(
    "li", { "data-state": shot.state }, shape(shot.state),
    make("span", { class: "thing" }, String(shot.shot)),
    make("span", { class: "word" }, shot.state),
    make("span", { class: "said" }, `${clock(ms(shot.start_ns))}, ${took}${why(shot)}`),
  );
}

// A good shot says where the light was, any other why it was not good.
function why({ means, state }) {
  const parts = means.filter((each) => state === "good" || each.state !== "good")
    .map(({ transition, detuning_hz: detuning, reason }) => {
      const text = state !== "good" ? reason : detuning === null ? "" : hz(detuning, true);
      return [transition, text].filter(Boolean).join(" ");
    });
  return parts.length ? `: ${parts.join("; ")}` : "";
}
