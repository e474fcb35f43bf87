// Beside the rows: what the lab rests on, who may move what, and what happened.

import { now } from "./clock.js";
import { make, shape } from "./make.js";
import { ms, when } from "./words.js";

// Rebuild a part only when what it shows has changed, so that focus and selection stay.
export class Part {
  constructor(id, build) {
    this.section = document.getElementById(id);
    this.body = this.section.querySelector(".body");
    this.build = build;
    this.seen = null;
  }

  show(value, ...more) {
    const key = JSON.stringify([value, ...more]);
    if (key === this.seen) return;
    this.seen = key;
    const nodes = this.build(value, ...more);
    this.section.hidden = nodes === null;
    this.body.replaceChildren(...(nodes ?? []));
  }
}

function line(each, nowMs) {
  const since = each.since_ns ? `since ${when(ms(each.since_ns), nowMs, false)}` : "";
  const said = [each.text, each.state === "good" ? "" : since].filter(Boolean).join(", ");
  return make(
    "li", { "data-state": each.state }, shape(each.state),
    make("span", { class: "thing" }, each.name),
    make("span", { class: "word" }, each.state),
    make("span", { class: "said" }, said),
  );
}

// References first: everything else hangs on them.
export function basis({ references, instruments }, nowMs) {
  const group = (title, things) => (things?.length ? [
    make("h3", {}, title),
    make("ul", { class: "things" }, ...things.map((each) => line(each, nowMs))),
  ] : []);
  const found = [...group("References", references), ...group("Instruments", instruments)];
  return found.length ? found : [make("p", { class: "none" }, "Nothing is said about instruments.")];
}

// null (hidden) where nothing can move and nobody has hands on.
export function outputs({ hands_on: hands, actuators }, isLive) {
  if (!isLive && actuators?.length) {
    return [make("p", { class: "none" }, "Connection lost: what is armed is not known.")];
  }
  if (!hands && !actuators?.length) return null;
  const held = hands
    ? make("p", { class: "hands" }, make("strong", {}, "Nothing moves: "), hands)
    : make("p", { class: "none" }, "Nobody has hands on.");
  const lines = (actuators ?? []).map((each) => make(
    "li", { "data-armed": String(Boolean(each.armed_by)) },
    make("span", { class: "thing" }, each.name),
    make("span", { class: "word" }, each.armed_by ? "armed" : "not armed"),
    make("span", { class: "said" }, outputText(each)),
  ));
  return [held, ...(lines.length ? [make("ul", { class: "things outputs" }, ...lines)] : [])];
}

function outputText({ armed_by: by, running, waits_for: waits }) {
  const parts = [];
  if (by) parts.push(`by ${by}`);
  if (running) parts.push("at work now");
  if (waits) parts.push(`waits for ${waits}`);
  return parts.join(", ");
}

export function notes(all) {
  if (!all.length) return null;
  return [make("ul", { class: "things notes" }, ...all.map((each) => make(
    "li", {},
    make("span", { class: "thing" }, when(ms(each.time_ns), now())),
    make("span", { class: "said" }, each.text),
  )))];
}
