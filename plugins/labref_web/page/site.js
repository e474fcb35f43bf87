// Every session of the site on one page: what is not good first, nothing good that is not fresh.

import { ask, useToken } from "./ask.js";
import { make, put, say, shape } from "./make.js";
import { switches } from "./switches.js";
import { hz, list, ms, sentence, span, when } from "./words.js";

const EVERY_MS = 1000;
const LOST_MS = 4000;
const ORDER = { bad: 0, unknown: 1, good: 2 };

const host = document.getElementById("sessions");
const headline = document.getElementById("headline");
const link = document.getElementById("link");
const token = document.getElementById("token");
let latest = null;
let heardAt = -Infinity;

async function look() {
  try {
    latest = await ask("site", { timeoutMs: LOST_MS });
    heardAt = performance.now();
    token.hidden = true;
  } catch (problem) {
    if (problem.status === 401 || problem.status === 403) token.hidden = false;
  }
  show();
  setTimeout(look, EVERY_MS);
}

function show() {
  const isLive = performance.now() - heardAt < LOST_MS;
  put(document.documentElement, "data-link", isLive ? "live" : "lost");
  say(link, isLive ? "live" : "connection lost");
  const sessions = (latest?.sessions ?? []).map((each) => (isLive ? each : lost(each)));
  say(headline, sentence(inWords(sessions, isLive)));
  host.replaceChildren(...sessions.map(section));
}

function lost(session) {
  const nothing = { state: "unknown", reason: "connection lost", detuning_hz: null };
  return {
    ...session, answers: false, why: "this page's own service does not answer", alarms: 0,
    transitions: session.transitions.map((each) => ({ ...each, ...nothing })),
  };
}

function inWords(sessions, isLive) {
  if (!latest) return "connecting to the service";
  if (!isLive) return "connection lost: nothing is known";
  const of = (state) => sessions.flatMap((s) => s.transitions.filter((t) => t.state === state));
  const [bad, unknown, good] = ["bad", "unknown", "good"].map(of);
  const silent = sessions.filter((each) => !each.answers).map((each) => each.name);
  const parts = [];
  if (bad.length) parts.push(`${bad.length} bad`);
  if (unknown.length) parts.push(`${unknown.length} unknown`);
  parts.push(`${good.length} of ${good.length + bad.length + unknown.length} good`);
  if (silent.length) parts.push(`${list(silent)} ${silent.length > 1 ? "do" : "does"} not answer`);
  return parts.join(", ");
}

function section(session) {
  const rows = [...session.transitions].sort((a, b) => ORDER[a.state] - ORDER[b.state] || (a.name < b.name ? -1 : 1));
  const alarms = session.alarms ? `${session.alarms} alarm${session.alarms > 1 ? "s" : ""}` : "";
  const title = session.url ? make("a", { href: session.url }, session.name) : session.name;
  const under = [session.lab, session.answers ? session.why : `no answer: ${session.why}`].filter(Boolean).join(". ");
  return make("section", { "data-answers": String(session.answers), "aria-label": session.name },
    make("h2", {}, make("span", {}, title), make("span", { class: "small" }, alarms)),
    make("p", {}, under),
    make("ol", {}, ...rows.map(row)));
}

function row(each) {
  const u = each.u_hz === null || each.u_hz === undefined ? "" : ` \u00b1 ${hz(each.u_hz)}`;
  const number = each.detuning_hz === null ? "" : hz(each.detuning_hz, true) + u;
  const since = `since ${when(ms(each.since_ns), Date.now())} (${span(Date.now() - ms(each.since_ns))})`;
  return make("li", { "data-state": each.state, title: `${each.title || each.name}: ${each.state} ${since}` },
    shape(each.state),
    make("span", { class: "name" }, each.name, make("span", { class: "unseen" }, ` is ${each.state}`)),
    make("span", { class: "number" }, number),
    each.state === "good" ? null : make("span", { class: "why" }, sentence(each.reason) || each.state));
}

token.addEventListener("submit", (event) => {
  event.preventDefault();
  useToken(document.getElementById("token-text").value);
  look();
});
switches(show);
look();
