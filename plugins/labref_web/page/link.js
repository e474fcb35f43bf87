// The live link: server-sent events read by fetch, resumed where they broke off.
//
// Theory of operation. The link is `live` or `lost`. Every byte that arrives, comments too, is a
// sign of life. Silence for PROBE_MS makes the page ask for the state by itself; silence for
// LOST_MS, or a connection that cannot be made, is `lost`: whoever listens then shows nothing but
// unknown. Wall clock and monotonic clock are both watched, so that a laptop that slept wakes up
// as lost, not with yesterday's answer. Reading goes on by itself, with the number of the last
// event, so that the service can send what was missed.

import { ask, headers } from "./ask.js";

const PROBE_MS = 1200;
const LOST_MS = 2200; // with the pauses of `watch` well within 3 s
const WAITS_MS = [0, 250, 500, 1000];

export class Link {
  // told: { state(snapshot), event(kind, value), life(isLive, sinceMs), refused(status) }
  constructor(told) {
    this.told = told;
    this.lastId = null;
    this.isLive = false;
    this.heard = [performance.now(), Date.now()];
    this.isProbing = false;
    this.failures = 0;
  }

  start() {
    setInterval(() => this.watch(), 200);
    this.run();
  }

  alive() {
    this.heard = [performance.now(), Date.now()];
    if (!this.isLive) {
      this.isLive = true;
      this.told.life(true, Date.now());
    }
  }

  lose() {
    if (this.isLive) {
      this.isLive = false;
      this.told.life(false, this.heard[1]);
    }
  }

  silence() {
    return Math.max(performance.now() - this.heard[0], Date.now() - this.heard[1]);
  }

  watch() {
    const silent = this.silence();
    if (silent > LOST_MS) {
      this.lose();
      this.abort?.abort(); // a stream that hangs is given up, so that a new one is tried
    } else if (silent > PROBE_MS && this.isLive && !this.isProbing) this.probe();
  }

  async probe() {
    this.isProbing = true;
    const before = this.heard;
    try {
      const state = await ask("state", { timeoutMs: LOST_MS - PROBE_MS });
      if (this.heard === before) this.told.state(state); // else the stream brought a newer one
      this.alive();
    } catch { /* silence goes on, and is counted */ }
    this.isProbing = false;
  }

  async run() {
    for (;;) {
      try {
        await this.read();
        this.failures = 0;
      } catch (problem) {
        if (problem.status) this.told.refused(problem.status);
        this.failures += 1;
        // A stream may break; a second refusal says that nobody is there.
        if (this.failures > 1 || problem instanceof TypeError) this.lose();
      }
      const wait = WAITS_MS[Math.min(this.failures, WAITS_MS.length - 1)];
      await new Promise((done) => { setTimeout(done, wait + 50); });
    }
  }

  async read() {
    this.abort = new AbortController();
    this.heard = this.isLive ? this.heard : [performance.now(), Date.now()];
    const more = { Accept: "text/event-stream" };
    if (this.lastId !== null) more["Last-Event-ID"] = this.lastId;
    const reply = await fetch("api/v1/stream", {
      headers: headers(more), signal: this.abort.signal, cache: "no-store",
    });
    if (!reply.ok) throw Object.assign(new Error("refused"), { status: reply.status });
    const lines = reply.body.pipeThrough(new TextDecoderStream()).getReader();
    const events = new Events((kind, data, id) => this.heed(kind, data, id));
    for (;;) {
      const { value, done } = await lines.read();
      if (done) return;
      this.failures = 0;
      events.feed(value);
      this.alive();
    }
  }

  heed(kind, data, id) {
    if (id !== null) this.lastId = id;
    const value = JSON.parse(data);
    if (kind === "state") this.told.state(value);
    else this.told.event(kind, value);
  }
}

// Pieces of text in, events out, by the rules of server-sent events.
export class Events {
  constructor(each) {
    this.each = each;
    this.rest = "";
    this.clear();
  }

  clear() {
    this.kind = "message";
    this.data = [];
    this.id = null;
  }

  feed(text) {
    const lines = (this.rest + text).split("\n");
    this.rest = lines.pop();
    for (const line of lines) this.line(line.endsWith("\r") ? line.slice(0, -1) : line);
  }

  line(line) {
    if (line === "") {
      const { kind, data, id } = this;
      this.clear();
      if (data.length) this.each(kind, data.join("\n"), id);
      return;
    }
    const colon = line.indexOf(":");
    if (colon === 0) return;
    const field = colon < 0 ? line : line.slice(0, colon);
    const value = colon < 0 ? "" : line.slice(colon + 1).replace(/^ /, "");
    if (field === "event") this.kind = value;
    else if (field === "data") this.data.push(value);
    else if (field === "id") this.id = value;
  }
}
