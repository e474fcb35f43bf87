// All rows: their common heads, what is asked of the service for them, and who draws when.

import { now } from "./clock.js";
import { ask } from "./ask.js";
import { scale } from "./fairway.js";
import { draw, make } from "./make.js";
import { partsOf, POINTS } from "./past.js";
import { Row } from "./rows.js";
import { CELLS, DAY_MS } from "./strip.js";
import { ms, ns, span } from "./words.js";

const HOUR = 3_600_000;
const SPANS = [[HOUR / 4, "15 min"], [HOUR, "1 h"], [6 * HOUR, "6 h"], [24 * HOUR, "24 h"]];
const AT_ONCE = 2; // traces drawn in one frame, so that no frame is long

export class Board {
  constructor(look) {
    this.look = look;
    this.rows = new Map();
    this.host = document.getElementById("rows");
    this.spanMs = Number(localStorage.getItem("labref-span")) || HOUR;
    this.next = 0;
    this.heads();
    this.host.addEventListener("keydown", (event) => this.step(event));
  }

  heads() {
    this.ago = draw("svg", { class: "scale", "aria-hidden": "true", focusable: "false" });
    this.marks();
    const choice = make("div", { class: "spans", role: "group", "aria-label": "Span of the traces" });
    for (const [length, text] of SPANS) {
      choice.append(make("button", {
        type: "button", class: "switch", "aria-pressed": String(length === this.spanMs),
        onclick: () => this.choose(length, choice),
      }, text));
    }
    document.getElementById("heads").append(
      make("div", { class: "head-lead" }, make("p", {}, "to the limit,"), make("p", {}, "in tolerances")),
      make("div", { class: "head-where" },
        make("p", { class: "ends" }, make("span", {}, "\u2190 red"), make("span", {}, "in tolerances"), make("span", {}, "blue \u2192")), scale()),
      make("div", { class: "head-past" }, make("p", {}, "the last"), choice, this.ago),
      make("p", { class: "head-day" }, "the day; deviation and need"),
    );
  }

  // How long ago, above the parts of the traces.
  marks() {
    const parts = partsOf(this.spanMs);
    this.ago.replaceChildren(...Array.from({ length: parts + 1 }, (_, i) => {
      const anchor = { 0: "start", [parts]: "end" }[i] ?? "middle";
      const label = draw("text", { x: `${(100 * i) / parts}%`, y: "88%", "text-anchor": anchor });
      label.textContent = i === parts ? "now" : `\u2212${span(this.spanMs * (1 - i / parts))}`;
      return label;
    }));
  }

  choose(length, choice) {
    this.spanMs = length;
    this.marks();
    localStorage.setItem("labref-span", length);
    for (const [i, button] of [...choice.children].entries()) {
      button.setAttribute("aria-pressed", String(SPANS[i][0] === length));
    }
    for (const row of this.rows.values()) row.past.begin(length);
    this.refill();
  }

  // Arrow keys go from row to row.
  step(event) {
    const way = { ArrowDown: 1, ArrowUp: -1 }[event.key];
    if (!way || !event.target.classList.contains("name")) return;
    const names = [...this.host.querySelectorAll(".name")];
    names[names.indexOf(event.target) + way]?.focus();
    event.preventDefault();
  }

  // A fresh snapshot from the service: its points join the traces.
  take(snapshot) {
    for (const each of snapshot.transitions) {
      const row = this.row(each.name);
      const stop = each.stop_ns ?? snapshot.now_ns;
      row.past.add(ms(stop), each.detuning_hz ?? null, each.state);
    }
    this.drop(new Set(snapshot.transitions.map((each) => each.name)));
  }

  // What the page shows, which is all unknown when the link is lost.
  show(snapshot, nowMs) {
    for (const each of snapshot.transitions) this.row(each.name).update(each, nowMs);
  }

  row(name) {
    let row = this.rows.get(name);
    if (!row) {
      row = new Row(name, this.spanMs, { look: (...what) => this.look(...what) });
      this.rows.set(name, row);
      this.host.append(row.node);
      this.host.style.setProperty("--count", this.rows.size);
      this.host.toggleAttribute("data-dense", this.rows.size > 7);
      this.fill(row);
    }
    return row;
  }

  drop(names) {
    for (const [name, row] of this.rows) {
      if (names.has(name)) continue;
      row.node.remove();
      this.rows.delete(name);
    }
  }

  // A few traces a frame, in turn; those whose verdict just changed look no different from others.
  draw(nowMs, force = false) {
    const rows = [...this.rows.values()];
    let drawn = 0;
    for (let i = 0; i < rows.length && (force || drawn < AT_ONCE); i += 1) {
      this.next = (this.next + 1) % rows.length;
      const row = rows[this.next];
      if (row.now && row.trace.update(nowMs, row.now.tolerance, force)) drawn += 1;
    }
  }

  refill() {
    for (const row of this.rows.values()) this.fill(row);
  }

  async fill(row) {
    await Promise.all([this.fillPast(row), this.fillDay(row), this.fillDeviation(row)]);
  }

  async fillPast(row) {
    const stop = now();
    const length = row.past.spanMs;
    const at = `start_ns=${ns(stop - length)}&stop_ns=${ns(stop)}&points=${POINTS}`;
    await quietly(async () => {
      const columns = await ask(`transitions/${encodeURIComponent(row.name)}/history?${at}`);
      if (row.past.spanMs === length) row.past.load(columns);
    });
  }

  async fillDay(row) {
    const stop = now();
    const at = `start_ns=${ns(stop - DAY_MS)}&stop_ns=${ns(stop)}&cells=${CELLS}`;
    await quietly(async () => row.day(await ask(`transitions/${encodeURIComponent(row.name)}/strip?${at}`)));
  }

  async fillDeviation(row) {
    await quietly(async () => row.deviation(await ask(`transitions/${encodeURIComponent(row.name)}/deviation`)));
  }

  // Days and deviations change slowly: one row at a time, each about once a minute.
  async slowly() {
    const rows = [...this.rows.values()];
    if (!rows.length) return;
    this.turn = ((this.turn ?? -1) + 1) % rows.length;
    await Promise.all([this.fillDay(rows[this.turn]), this.fillDeviation(rows[this.turn])]);
  }
}

// What is asked in the background may fail; the link says whether the service is there.
async function quietly(work) {
  try {
    await work();
  } catch (problem) {
    console.info("not answered:", problem.message);
  }
}
