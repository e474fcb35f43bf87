// The closer look at one transition: any past interval, what may be said of it, and everything
// that the row had no room for.

import { now } from "./clock.js";
import { ask } from "./ask.js";
import { amount, glyph, inWords, needAt, seconds } from "./deviation.js";
import { hands } from "./hands.js";
import { draw, make, reshape, say, shape } from "./make.js";
import { leans, why } from "./rows.js";
import { fieldMs, fieldText, hz, list, ns, span, zoneName } from "./words.js";
import { Zoom } from "./zoom.js";

const HOUR = 3_600_000;
const SPANS = [[60_000, "1 min"], [HOUR, "1 h"], [6 * HOUR, "6 h"], [24 * HOUR, "1 d"], [168 * HOUR, "7 d"]];

export class Look {
  constructor() {
    this.dialog = document.getElementById("look");
    this.dialog.addEventListener("close", () => this.zoom.close());
    this.mark = shape();
    this.title = make("h2", { id: "look-title" });
    this.host = make("div", {
      class: "zoom", tabindex: "0", role: "application",
      "aria-label": "Trace. Left and right arrow walk in time, plus and minus go deeper or wider, End goes to now.",
    });
    this.answer = make("p", { class: "zoom-answer", role: "status" });
    this.from = make("input", { type: "datetime-local", step: "1", id: "look-from" });
    this.to = make("input", { type: "datetime-local", step: "1", id: "look-to" });
    this.zone = make("span", { class: "small" });
    this.hands = hands(() => this.name);
    this.facts = make("dl", { class: "facts" });
    this.curve = draw("svg", { class: "glyph", "aria-hidden": "true", focusable: "false", preserveAspectRatio: "none" });
    this.curveTitle = make("h3", {}, "Deviation");
    this.curveWords = make("p", { class: "curve-words" });
    this.curveTable = make("table", { class: "curve-table" });
    this.zoom = new Zoom(this.host, {
      moved: (from, to) => this.moved(from, to), failed: (text) => say(this.answer, `Not answered: ${text}`),
    });
    this.build();
  }

  build() {
    const button = (text, label, act) =>
      make("button", { type: "button", "aria-label": label, onclick: act }, text);
    const limits = make("input", { type: "checkbox", id: "look-limits", onchange: () => this.zoom.setLimits(limits.checked) });
    this.dialog.append(
      make("header", { class: "look-head" }, this.mark, this.title,
        make("button", { type: "button", class: "close", onclick: () => this.dialog.close() }, "Close")),
      make("form", { class: "look-times", onsubmit: (event) => this.typed(event) },
        make("label", { for: "look-from" }, "from"), this.from,
        make("label", { for: "look-to" }, "to"), this.to, this.zone,
        make("button", { type: "submit" }, "Show"),
        button("\u25c2", "Earlier", () => this.zoom.walk(-0.5)), button("\u25b8", "Later", () => this.zoom.walk(0.5)),
        button("+", "Deeper", () => this.zoom.deeper(0.5)), button("\u2212", "Wider", () => this.zoom.deeper(2)),
        ...SPANS.map(([ms, text]) => button(text, `The last ${text}`, () => this.zoom.go(now() - ms, now()))),
        make("span", { class: "check" }, limits, make("label", { for: "look-limits" }, "limits in sight"))),
      this.host, this.answer, this.hands.form,
      make("div", { class: "look-more" }, this.facts,
        make("div", { class: "look-dev" }, this.curveTitle, this.curve, this.curveWords, this.curveTable)),
    );
  }

  open(transition, from, to) {
    this.name = transition.name;
    this.update(transition);
    this.hands.open();
    this.facts.replaceChildren(...facts(transition));
    if (!this.dialog.open) this.dialog.showModal();
    this.zoom.show(transition, from, to);
    this.deviation();
  }

  // The verdict of this moment stays live while the person looks at the past.
  update(transition) {
    if (transition.name !== this.name) return;
    reshape(this.mark, transition.state);
    say(this.title, `${transition.name} is ${transition.state} now`);
  }

  typed(event) {
    event.preventDefault();
    const [from, to] = [fieldMs(this.from.value), fieldMs(this.to.value)];
    if (from < to) this.zoom.go(from, to);
    else say(this.answer, "The interval must end after it begins.");
  }

  async moved(from, to) {
    this.from.value = fieldText(from);
    this.to.value = fieldText(to);
    say(this.zone, zoneName());
    say(this.answer, `${span(to - from)} on show.`);
    const at = `transitions/${encodeURIComponent(this.name)}`;
    const window = `start_ns=${ns(from)}&stop_ns=${ns(Math.min(to, now()))}`;
    try {
      const [was, mean] = await Promise.all([ask(`${at}/was-good?${window}`), ask(`${at}/frequency?${window}`)]);
      if (this.zoom.from === from && this.zoom.to === to) say(this.answer, inInterval(was, mean, to - from));
    } catch (problem) {
      say(this.answer, `${span(to - from)} on show. Nothing can be said of it as a whole: ${problem.message}`);
    }
  }

  async deviation() {
    const name = this.name;
    try {
      const curve = await ask(`transitions/${encodeURIComponent(name)}/deviation`);
      if (name !== this.name) return;
      say(this.curveTitle, curve.title || "Deviation");
      glyph(this.curve, curve);
      say(this.curveWords, inWords(curve));
      this.curveTable.replaceChildren(...table(curve));
    } catch (problem) {
      say(this.curveWords, `No deviation: ${problem.message}`);
    }
  }
}

function inInterval(was, mean, length) {
  const reason = was.reason ? `: ${was.reason}` : "";
  const parts = [`Over these ${span(length)} it was ${was.state}${reason}.`];
  if (mean && mean.offset_hz !== null && mean.offset_hz !== undefined) {
    const u = mean.u_hz === null || mean.u_hz === undefined ? "of unknown uncertainty" : `\u00b1 ${hz(mean.u_hz)} (one sigma)`;
    parts.push(`Mean ${mean.nominal_hz} Hz ${mean.offset_hz < 0 ? "\u2212" : "+"} ${hz(Math.abs(mean.offset_hz))} ${u}.`);
  }
  return parts.join(" ");
}

function facts(transition) {
  const { tolerance, k, target_hz: target, lasers, nominal_hz: nominal } = transition;
  const pairs = [
    ["Now", transition.state === "good" ? "Nothing stands against it." : why(transition)],
    ["Rests on", leans(transition)],
    ["Tolerance", tolerance ? `${hz(tolerance.low_hz, true)} to ${hz(tolerance.high_hz, true)}, judged with ${k ?? 3} standard uncertainties` : ""],
    ["Forbidden", (tolerance?.forbidden ?? []).map(([a, b]) => `${hz(a, true)} to ${hz(b, true)}`).join("; ")],
    ["Target", target ? `${target.nominal ?? nominal} Hz${target.offset ? ` ${hz(target.offset, true)}` : ""}` : ""],
    ["Plane", transition.plane],
    ["Light", lasers?.length ? list(lasers) : ""],
  ];
  return pairs.filter(([, text]) => text).flatMap(([key, text]) => [make("dt", {}, key), make("dd", {}, text)]);
}

function table(curve) {
  const rows = curve.tau_s.map((tau, i) => [tau, curve.value[i], needAt(curve.need, tau)])
    .filter(([, value]) => value > 0);
  if (!rows.length) return [];
  const cells = (tag, texts, scope) => make("tr", {}, ...texts.map((text) => make(tag, scope ? { scope } : {}, text)));
  return [
    make("caption", { class: "unseen" }, "Deviation at each averaging time"),
    make("thead", {}, cells("th", ["tau", "deviation", "need"], "col")),
    make("tbody", {}, ...rows.map(([tau, value, need]) =>
      cells("td", [seconds(tau), amount(value, curve.unit), need ? amount(need, curve.unit) : "not stated"]))),
  ];
}
