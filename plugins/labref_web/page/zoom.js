// The trace of one transition over any interval that the trace files hold: drag to go deeper,
// or walk with the keys.

import { now } from "./clock.js";
import { paint, stretches } from "./paint.js";
import { clock, day, isUtc, ms, ns, unitFor } from "./words.js";
import { ask } from "./ask.js";
import { STATES } from "./past.js";

/* global uPlot */

const LEAST_MS = 2000;

export class Zoom {
  // told: { moved(fromMs, toMs, columns), failed(text) }
  constructor(host, told) {
    this.host = host;
    this.told = told;
    this.plot = null;
    this.asked = 0;
    new ResizeObserver(() => this.resize()).observe(host);
    host.addEventListener("keydown", (event) => this.key(event));
  }

  show(transition, from, to) {
    this.transition = transition;
    this.go(from, to);
  }

  close() {
    this.asked += 1;
    this.plot?.destroy();
    this.plot = null;
  }

  get span() {
    return this.to - this.from;
  }

  async go(from, to) {
    const middle = (from + to) / 2;
    const half = Math.max(to - from, LEAST_MS) / 2;
    this.from = middle - half;
    this.to = middle + half;
    this.asked += 1;
    const mine = this.asked;
    const points = Math.min(2000, Math.max(200, Math.round(this.host.clientWidth)));
    const at = `start_ns=${ns(this.from)}&stop_ns=${ns(this.to)}&points=${points}`;
    try {
      const columns = await ask(`transitions/${encodeURIComponent(this.transition.name)}/history?${at}`);
      if (mine !== this.asked) return;
      this.columns = {
        t: columns.t_ns.map(ms), low: columns.low_hz, mean: columns.mean_hz, high: columns.high_hz,
        state: columns.state.map((each) => (typeof each === "number" ? each : Math.max(0, STATES.indexOf(each)))),
      };
      this.build();
      this.told.moved(this.from, this.to);
    } catch (problem) {
      if (mine === this.asked) this.told.failed(problem.message);
    }
  }

  walk(part) {
    this.go(this.from + part * this.span, this.to + part * this.span);
  }

  deeper(factor) {
    const middle = (this.from + this.to) / 2;
    this.go(middle - (this.span * factor) / 2, middle + (this.span * factor) / 2);
  }

  latest() {
    const stop = now();
    this.go(stop - this.span, stop);
  }

  key(event) {
    const act = {
      ArrowLeft: () => this.walk(-0.25), ArrowRight: () => this.walk(0.25),
      "+": () => this.deeper(0.5), "=": () => this.deeper(0.5), "-": () => this.deeper(2),
      End: () => this.latest(),
    }[event.key];
    if (!act || event.ctrlKey || event.metaKey || event.altKey) return;
    event.preventDefault();
    act();
  }

  // Limits always in sight would hide a quiet line between them; the choice is the person's.
  setLimits(yes) {
    this.withLimits = yes;
    if (this.columns) this.build();
  }

  reach() {
    const { low, high } = this.columns;
    const values = [...low, ...high].filter((each) => each !== null);
    const { tolerance } = this.transition;
    if ((this.withLimits || !values.length) && tolerance) values.push(tolerance.low_hz, tolerance.high_hz);
    if (!values.length) return [-1, 1];
    const least = values.reduce((a, b) => Math.min(a, b));
    const greatest = values.reduce((a, b) => Math.max(a, b));
    const room = (greatest - least) * 0.08 || Math.abs(greatest) * 0.1 || 1;
    return [least - room, greatest + room];
  }

  build() {
    this.plot?.destroy();
    const colours = paint();
    const { width, height } = this.size();
    const [factor, unit] = unitFor(Math.max(...this.reach().map(Math.abs)));
    const font = `${Math.max(12, parseFloat(getComputedStyle(this.host).fontSize) * 0.85)}px sans-serif`;
    const axis = { stroke: colours.soft, font, grid: { stroke: colours.rule, width: 1 }, ticks: { show: false } };
    this.plot = new uPlot({
      width, height, legend: { show: false }, ms: 1,
      tzDate: (t) => (isUtc() ? uPlot.tzDate(new Date(t), "Etc/UTC") : new Date(t)),
      cursor: { y: false, drag: { x: true, y: false, setScale: false } },
      scales: { x: { range: () => [this.from, this.to] }, y: { range: () => this.reach() } },
      axes: [
        { ...axis, values: (u, splits, i, space, step) => splits.map((t) => label(t, step)), space: 90 },
        {
          ...axis, size: 74, label: `detuning, ${unit}`, labelFont: font, labelSize: 24,
          values: (u, splits) => splits.map((hz) => String(Number((hz / factor).toPrecision(6))).replace("-", "\u2212")),
        },
      ],
      series: [
        {}, { stroke: colours.soft, width: 1, points: { show: false } },
        { stroke: colours.soft, width: 1, points: { show: false } },
        { stroke: colours.ink, width: 1.6, points: { show: this.columns.t.length < 120, fill: colours.ink, size: 5 } },
      ],
      bands: [{ series: [2, 1], fill: colours.rule }],
      hooks: { drawClear: [(u) => this.background(u)], setSelect: [(u) => this.select(u)] },
    }, [this.columns.t, this.columns.low, this.columns.high, this.columns.mean], this.host);
  }

  background(u) {
    const { tolerance } = this.transition;
    const { left, top, width, height } = u.bbox;
    u.ctx.save();
    u.ctx.beginPath();
    u.ctx.rect(left, top, width, height);
    u.ctx.clip();
    if (tolerance) {
      const high = u.valToPos(tolerance.high_hz, "y", true);
      const low = u.valToPos(tolerance.low_hz, "y", true);
      u.ctx.fillStyle = paint().lane;
      u.ctx.fillRect(left, high, width, low - high);
    }
    stretches(u, this.columns, this.from, this.to, this.longest());
    if (tolerance) {
      u.ctx.fillStyle = paint().soft;
      for (const hz of [tolerance.low_hz, tolerance.high_hz]) {
        u.ctx.fillRect(left, u.valToPos(hz, "y", true) - 1, width, 2);
      }
    }
    u.ctx.restore();
  }

  longest() {
    const { t } = this.columns;
    const steps = t.slice(1).map((each, i) => each - t[i]).sort((a, b) => a - b);
    return 2.5 * (steps[Math.floor(steps.length / 2)] ?? this.span);
  }

  select(u) {
    const { left, width } = u.select;
    if (width < 4) return;
    const [from, to] = [left, left + width].map((px) => u.posToVal(px, "x"));
    u.setSelect({ left: 0, top: 0, width: 0, height: 0 }, false);
    this.go(from, to);
  }

  size() {
    return { width: Math.max(200, this.host.clientWidth), height: Math.max(160, this.host.clientHeight) };
  }

  resize() {
    if (this.plot && this.host.clientWidth) this.plot.setSize(this.size());
  }
}

function label(t, stepMs) {
  if (stepMs >= 86_400_000) return day(t);
  if (stepMs < 1000) return `${clock(t)}.${String(Math.floor(t % 1000)).padStart(3, "0")}`;
  return clock(t, stepMs < 60_000);
}
