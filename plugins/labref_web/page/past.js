// What one transition did over the span on show: at most POINTS buckets of least, mean and
// greatest detuning, however long the span is and however fast gates come.

export const POINTS = 1000;
// A span is divided where its parts have round lengths: 15 min and 6 h in three, others in four.
export const partsOf = (spanMs) => ([900_000, 21_600_000].includes(spanMs) ? 3 : 4);

export const STATES = ["unknown", "good", "bad"];

const code = (state) => (typeof state === "number" ? state : Math.max(0, STATES.indexOf(state)));
const STEP_BACK_MS = 5000;
const WORST = [1, 0, 2]; // in one bucket bad stands before unknown, unknown before good

export class Past {
  constructor(spanMs) {
    this.begin(spanMs);
  }

  begin(spanMs) {
    this.spanMs = spanMs;
    this.stepMs = spanMs / POINTS;
    this.gateMs = null;
    this.clear();
  }

  clear() {
    this.t = [];
    this.low = [];
    this.mean = [];
    this.high = [];
    this.state = [];
    this.gates = 0; // in the newest bucket
    this.loads = (this.loads ?? 0) + 1;
  }

  // Columns from the service come before what was seen live since they were asked for.
  load(columns) {
    const later = { t: this.t, low: this.low, mean: this.mean, high: this.high, state: this.state };
    this.clear();
    this.t = columns.t_ns.map((each) => each / 1e6);
    this.low = [...columns.low_hz];
    this.mean = [...columns.mean_hz];
    this.high = [...columns.high_hz];
    this.state = columns.state.map(code);
    const last = this.t.at(-1) ?? -Infinity;
    later.t.forEach((t, i) => {
      if (t > last) this.append(t, later.low[i], later.mean[i], later.high[i], later.state[i]);
    });
  }

  append(t, low, mean, high, state) {
    this.t.push(t);
    this.low.push(low);
    this.mean.push(mean);
    this.high.push(high);
    this.state.push(code(state));
    this.gates = 1;
  }

  // One gate that ended at t; hz null where nothing was measured.
  add(t, hz, state) {
    const n = this.t.length - 1;
    const last = n < 0 ? -Infinity : this.t[n];
    if (t < last - STEP_BACK_MS) this.clear(); // the service's clock was set back
    else if (t <= last) return;
    this.join(t, hz, state);
    this.trim(t - this.spanMs);
  }

  join(t, hz, state) {
    const n = this.t.length - 1;
    const last = n < 0 ? -Infinity : this.t[n];
    if (n >= 0) this.gateMs = Math.min(this.gateMs ?? Infinity, Math.max(t - last, 1));
    const isSameBucket = n >= 0 && Math.floor(t / this.stepMs) === Math.floor(last / this.stepMs);
    if (isSameBucket && (hz === null) === (this.mean[n] === null)) this.merge(n, t, hz, code(state));
    else {
      if (t - last > this.longestMs()) this.gap(last + 1);
      this.append(t, hz, hz, hz, state);
    }
  }

  merge(n, t, hz, state) {
    this.t[n] = t;
    if (hz !== null) {
      this.low[n] = Math.min(this.low[n], hz);
      this.high[n] = Math.max(this.high[n], hz);
      this.mean[n] += (hz - this.mean[n]) / (this.gates + 1);
    }
    this.gates += 1;
    if (WORST[state] > WORST[this.state[n]]) this.state[n] = state;
  }

  gap(t) {
    if (this.t.length && this.mean.at(-1) !== null) this.append(t, null, null, null, 0);
  }

  // Farther apart than this, two points have a gap between them.
  longestMs() {
    return Math.max(2.5 * this.stepMs, 2.5 * Math.min(this.gateMs ?? 0, 10000), 1500);
  }

  trim(from) {
    let n = 0;
    while (n < this.t.length - 1 && this.t[n + 1] < from) n += 1;
    if (n < POINTS / 20) return; // not one by one
    for (const column of [this.t, this.low, this.mean, this.high, this.state]) column.splice(0, n);
  }

  // Least and greatest value since a time, or null.
  reach(fromMs) {
    let low = Infinity;
    let high = -Infinity;
    for (let i = this.t.length - 1; i >= 0 && this.t[i] >= fromMs; i -= 1) {
      if (this.mean[i] === null) continue;
      low = Math.min(low, this.low[i]);
      high = Math.max(high, this.high[i]);
    }
    return low > high ? null : [low, high];
  }
}
