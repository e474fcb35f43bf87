// One block per session of the site and one line per transition in it, renewed in place: what a
// person has selected or focused stays while the numbers change.

import { make, put, reshape, say, shape } from "./make.js";
import { hz, ms, sentence, span, when } from "./words.js";

const ORDER = { bad: 0, unknown: 1, good: 2 };
const inOrder = (a, b) => ORDER[a.state] - ORDER[b.state] || (a.name < b.name ? -1 : 1);

// Nodes of a kind by name, in the order given; only what stands elsewhere is moved.
export class Nodes {
  constructor(parent, build) {
    this.parent = parent;
    this.build = build;
    this.all = new Map();
  }

  show(values, ...more) {
    const names = new Set(values.map((each) => each.name));
    for (const [name, { node }] of this.all) {
      if (!names.has(name)) {
        node.remove();
        this.all.delete(name);
      }
    }
    values.forEach((each, i) => {
      if (!this.all.has(each.name)) this.all.set(each.name, this.build(each.name));
      const one = this.all.get(each.name);
      one.show(each, ...more);
      const there = this.parent.children[i] ?? null;
      if (there !== one.node) this.parent.insertBefore(one.node, there);
    });
  }
}

export class Session {
  constructor(name) {
    this.link = make("a", {}, name); // without an address it is no link
    this.alarms = make("span", { class: "small" });
    this.under = make("p");
    const rows = make("ol");
    this.lines = new Nodes(rows, (each) => new Line(each));
    this.node = make("section", { "aria-label": name },
      make("h2", {}, this.link, this.alarms), this.under, rows);
  }

  show(session, nowMs) {
    const { url, answers, alarms, transitions } = session;
    put(this.node, "data-answers", String(answers));
    put(this.link, "href", url || null);
    say(this.alarms, alarms ? `${alarms} alarm${alarms > 1 ? "s" : ""}` : "");
    // Stamps are by the session's own clock, which may be ahead of its asker's.
    const aheadMs = 1000 * (session.clock_ahead_s ?? 0);
    say(this.under, under(session, aheadMs, nowMs));
    this.lines.show([...transitions].sort(inOrder), aheadMs, nowMs, answers);
  }
}

function sinceText({ since_ns: sinceNs }, aheadMs, nowMs) {
  const began = ms(sinceNs) - aheadMs;
  return `for ${span(nowMs - began)}, since ${when(began, nowMs)}`;
}

// Why a session is silent is said once, at its head.
function under({ name, lab, answers, why, transitions }, aheadMs, nowMs) {
  const reason = why.startsWith(`${name}: `) ? why.slice(name.length + 2) : why;
  const since = transitions.length ? ` ${sinceText(transitions[0], aheadMs, nowMs)}` : "";
  const said = answers ? sentence(reason) : `Unknown${since}: ${reason}`;
  return [lab, said].filter(Boolean).map((each) => `${each}.`).join(" ");
}

class Line {
  constructor(name) {
    this.mark = shape();
    this.state = make("span", { class: "unseen" });
    this.number = make("span", { class: "number" });
    this.why = make("span", { class: "why" });
    this.node = make("li", {}, this.mark,
      make("span", { class: "name" }, name, this.state), this.number, this.why);
  }

  show(each, aheadMs, nowMs, answers) {
    const { state, detuning_hz: detuning, u_hz: u, distance } = each;
    const since = sinceText(each, aheadMs, nowMs);
    put(this.node, "data-state", state);
    put(this.node, "title", `${each.title || each.name}: ${state} ${since}${u > 0 ? `; \u00b1 ${hz(u)} (one sigma)` : ""}`);
    reshape(this.mark, state);
    say(this.state, ` is ${state}`);
    say(this.number, detuning === null || detuning === undefined ? "" : hz(detuning, true));
    // A number that the verdict does not stand behind must not read as one.
    this.number.toggleAttribute("data-doubted", state !== "good" && !(state === "bad" && distance > 1));
    this.why.hidden = !answers || state === "good";
    say(this.why, this.why.hidden ? "" : `${sentence(each.reason || state)}, ${since}.`);
  }
}
