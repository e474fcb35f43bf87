// The last hours of one transition: its way along the common axis, time running to the right.

import { fold, LIMIT, toUnits } from "./axis.js";
import { paint, stretches } from "./paint.js";
import { partsOf } from "./past.js";

/* global uPlot */

const FASTEST_MS = 500;
const SLOWEST_MS = 5000;

export class Trace {
  // told: { pick(fromMs, toMs), hover(index or null) }
  constructor(host, past, told) {
    this.host = host;
    this.past = past;
    this.told = told;
    this.tolerance = null;
    this.plot = null;
    this.from = 0;
    this.to = 1;
    this.drawn = "";
    this.drawnMs = 0;
    // Watched instead of asked for: asking would lay the page out anew in every frame.
    this.size = { width: 0, height: 0 };
    new ResizeObserver(([{ contentRect: { width, height } }]) => {
      this.size = { width: Math.round(width), height: Math.round(height) };
    }).observe(host);
  }

  build(width, height) {
    const colours = paint();
    const none = () => null;
    this.plot?.destroy();
    this.plot = new uPlot({
      width, height, padding: [0, 0, 0, 0], pxAlign: 0,
      legend: { show: false },
      axes: [{ show: false }, { show: false }],
      cursor: {
        y: false, points: { show: false }, sync: { key: "rows" },
        drag: { x: true, y: false, setScale: false },
        // The clicks of a drag belong to this plot alone.
        bind: { dblclick: none },
      },
      scales: {
        x: { time: false, range: () => [this.from, this.to] },
        y: { range: () => [-1, 1] },
      },
      series: [
        {},
        { stroke: colours.ink, width: 1, points: { show: false } },
        { stroke: colours.ink, width: 1, points: { show: false } },
        { stroke: colours.ink, width: 1.4, points: { show: false } },
      ],
      bands: [{ series: [2, 1], fill: colours.ink }],
      hooks: {
        drawClear: [(u) => this.background(u)],
        setCursor: [(u) => this.told.hover(u.cursor.idx ?? null)],
        setSelect: [(u) => this.select(u)],
      },
    }, this.columns(), this.host);
  }

  columns() {
    const { t, low, mean, high } = this.past;
    if (!this.tolerance) return [[], [], [], []];
    const folded = (column) => column.map((hz) =>
      (hz === null ? null : fold(toUnits(hz, this.tolerance))));
    return [t, folded(low), folded(high), folded(mean)];
  }

  background(u) {
    const colours = paint();
    const { left, top, width, height } = u.bbox;
    const y = (folded) => top + ((1 - folded) / 2) * height;
    u.ctx.fillStyle = colours.lane;
    u.ctx.fillRect(left, y(LIMIT), width, y(-LIMIT) - y(LIMIT));
    u.ctx.fillStyle = colours.rule;
    const parts = partsOf(this.past.spanMs);
    for (let i = 1; i < parts; i += 1) u.ctx.fillRect(left + (width * i) / parts, top, 1, height);
    stretches(u, this.past, this.from, this.to, this.past.longestMs());
    u.ctx.fillStyle = colours.soft;
    for (const at of [-LIMIT, LIMIT]) u.ctx.fillRect(left, y(at) - 0.5, width, 1);
  }

  select(u) {
    const { left, width } = u.select;
    if (width < 4) return;
    const scaleOf = (px) => u.posToVal(px, "x");
    this.told.pick(scaleOf(left), scaleOf(left + width));
    u.setSelect({ left: 0, top: 0, width: 0, height: 0 }, false);
  }

  // Draw if it would look different: another size, or time for the newest points to be seen. What
  // is a thousandth of a pixel wide need not be drawn ten times a second.
  update(nowMs, tolerance, force = false) {
    const { width, height } = this.size;
    if (width === 0 || height === 0) return false;
    const pixelMs = this.past.spanMs / width;
    const now = Math.ceil(nowMs / pixelMs) * pixelMs;
    const pauseMs = Math.min(SLOWEST_MS, Math.max(FASTEST_MS, pixelMs / 2));
    const isOld = nowMs - this.drawnMs > pauseMs || nowMs < this.drawnMs;
    const seen = `${width}x${height} ${this.past.loads}`;
    if (!force && seen === this.drawn && !isOld) return false;
    this.drawn = seen;
    this.drawnMs = nowMs;
    this.tolerance = tolerance;
    this.to = now;
    this.from = now - this.past.spanMs;
    if (!this.plot || force) this.build(width, height);
    else {
      if (this.plot.width !== width || this.plot.height !== height) this.plot.setSize({ width, height });
      this.plot.setData(this.columns());
    }
    return true;
  }
}
