// Where the light is, on the common axis: the fairway between the limits, a marker with its
// expanded uncertainty, how far it wandered in the last ten minutes, forbidden intervals, and a
// tick at the target. Positions are percentages, so nothing is computed when the window changes.

import { now } from "./clock.js";
import { FARTHEST, fold, halfWidth, LIMIT, toUnits } from "./axis.js";
import { draw, make, put, reshape, shape } from "./make.js";

export const WANDER_MS = 600_000;
const percent = (folded) => `${(50 + 50 * folded).toFixed(1)}%`;

export class Fairway {
  constructor() {
    this.forbidden = draw("g", { class: "forbidden" });
    this.target = draw("line", { class: "target", y1: "30%", y2: "70%" });
    this.wander = draw("line", { class: "wander", y1: "50%", y2: "50%" });
    this.whisker = draw("line", { class: "whisker", y1: "50%", y2: "50%" });
    this.ends = [0, 1].map(() =>
      draw("svg", { class: "end", y: "50%", overflow: "visible" }, draw("line", { class: "whisker", y1: -6, y2: 6 })));
    this.mark = shape();
    this.pin = make("span", { class: "pin" }, this.mark);
    this.svg = draw(
      "svg", { class: "fairway", "aria-hidden": "true", focusable: "false" },
      draw("rect", { class: "lane", x: percent(-LIMIT), width: `${100 * LIMIT}%`, y: 0, height: "100%" }),
      this.forbidden, this.target,
      ...[-LIMIT, LIMIT].map((at) =>
        draw("line", { class: "limit", x1: percent(at), x2: percent(at), y1: 0, y2: "100%" })),
      this.wander, this.whisker, ...this.ends,
    );
    this.node = make("div", { class: "where" }, this.svg, this.pin);
  }

  update(transition, past) {
    const { detuning_hz: hz, tolerance, u_hz: u, k, state } = transition;
    this.node.toggleAttribute("data-empty", hz === null || hz === undefined);
    reshape(this.mark, state);
    if (!tolerance) return;
    this.fixed(tolerance);
    if (hz === null || hz === undefined) return;
    const at = toUnits(hz, tolerance);
    this.pin.style.left = percent(fold(at));
    const reach = u === null || u === undefined ? 0 : ((k ?? 3) * u) / halfWidth(tolerance);
    this.line(this.whisker, at - reach, at + reach);
    put(this.ends[0], "x", percent(fold(at - reach)));
    put(this.ends[1], "x", percent(fold(at + reach)));
    const span = past.reach(now() - WANDER_MS);
    this.wander.toggleAttribute("hidden", span === null);
    if (span) this.line(this.wander, toUnits(span[0], tolerance), toUnits(span[1], tolerance));
  }

  line(node, from, to) {
    put(node, "x1", percent(fold(from)));
    put(node, "x2", percent(fold(to)));
  }

  // What changes only with the lab file.
  fixed(tolerance) {
    const key = JSON.stringify(tolerance);
    if (key === this.key) return;
    this.key = key;
    this.line(this.target, toUnits(0, tolerance), toUnits(0, tolerance));
    this.forbidden.replaceChildren(...(tolerance.forbidden ?? []).map(([low, high]) => {
      const a = 50 + 50 * fold(toUnits(low, tolerance));
      const b = 50 + 50 * fold(toUnits(high, tolerance));
      return draw("rect", { x: `${a}%`, width: `${b - a}%`, y: "14%", height: "72%" });
    }));
  }
}

// The scale above all rows.
export function scale() {
  const ticks = [
    [-FARTHEST, "\u2212100", "start"], [-1, "limit", "middle"], [0, "0", "middle"],
    [1, "limit", "middle"], [FARTHEST, "+100", "end"],
  ];
  return draw(
    "svg", { class: "scale", "aria-hidden": "true", focusable: "false" },
    ...ticks.map(([at, text, anchor]) => {
      const label = draw("text", { x: percent(fold(at)), y: "88%", "text-anchor": anchor });
      label.textContent = text;
      return label;
    }),
  );
}
