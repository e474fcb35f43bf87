// The whole lab in one sentence, readable from the door, and what stands beside it.

import { put, say } from "./make.js";
import { clock, list, ms, span, when, zoneName } from "./words.js";

const NUMBERS = ["No", "One", "Two", "Three", "Four", "Five", "Six", "Seven", "Eight", "Nine", "Ten", "Eleven", "Twelve"];

export function headline(transitions) {
  const of = (state) => transitions.filter((each) => each.state === state).map((each) => each.name);
  const [good, bad, unknown] = ["good", "bad", "unknown"].map(of);
  const count = (names) => NUMBERS[names.length] ?? String(names.length);
  if (!transitions.length) return "This lab file has no transition";
  if (good.length === transitions.length) {
    return good.length === 1 ? `${good[0]} is good` : `All ${count(good).toLowerCase()} are good`;
  }
  const parts = [];
  if (bad.length) parts.push(bad.length < 4 ? `${list(bad)} bad` : `${count(bad)} bad`);
  if (unknown.length) parts.push(unknown.length < 4 ? `${list(unknown)} unknown` : `${count(unknown)} unknown`);
  parts.push(good.length ? `${count(good).toLowerCase()} good` : "none good");
  return parts.join(", ");
}

export class Top {
  constructor() {
    for (const id of ["lab", "headline", "link", "session", "standing"]) this[id] = document.getElementById(id);
  }

  show(snapshot, link, nowMs) {
    const lost = !link.isLive;
    put(document.documentElement, "data-link", lost ? "lost" : "live");
    if (!snapshot) {
      say(this.headline, link.isFirst ? "Connecting to the service" : "Connection lost, everything is unknown");
      say(this.link, link.isFirst ? "connecting" : "connection lost");
      return;
    }
    say(this.lab, snapshot.lab ?? "labref");
    document.title = `${lost ? "connection lost" : headline(snapshot.transitions)} \u2013 labref`;
    if (lost) {
      say(this.headline, "Connection lost, everything is unknown");
      say(this.link, `connection lost since ${when(link.sinceMs, nowMs)}, trying again`);
    } else {
      say(this.headline, headline(snapshot.transitions));
      say(this.link, "live");
    }
    say(this.session, session(snapshot, lost, nowMs));
    say(this.standing, lost ? "alarms not known" : standing(snapshot.alarms));
  }
}

function standing(alarms) {
  if (!alarms.length) return "no alarm stands";
  const open = alarms.filter((each) => !each.acknowledged_by).length;
  const all = alarms.length === 1 ? "1 alarm stands" : `${alarms.length} alarms stand`;
  return `${all}, ${open ? `${open} not acknowledged` : "acknowledged"}`;
}

function session({ session: now, now_ns }, lost, nowMs) {
  const at = `${clock(lost ? ms(now_ns) : nowMs)} ${zoneName()}`;
  if (!now || lost) return lost ? `last answer at ${at}` : at;
  const parts = [at];
  if (now.started_ns) parts.push(`running for ${span(nowMs - ms(now.started_ns))}`);
  if (now.recording === false) parts.push("not recording");
  else if (now.recording) parts.push("recording");
  if (now.rehearsal) parts.push("rehearsal: nothing moves");
  if (now.problem) parts.push(now.problem);
  return parts.join(" \u00b7 ");
}
