// Every session of the site on one page: what is not good first, nothing good that is not fresh.

import { ask, useToken } from "./ask.js";
import { heard, now, toService } from "./clock.js";
import { put, say } from "./make.js";
import { Nodes, Session } from "./sessions.js";
import { switches } from "./switches.js";
import { clock, list, ms, zoneName } from "./words.js";

const EVERY_MS = 1000;
const SHOW_MS = 250; // also while the service hangs
const LOST_MS = 3000; // counted from the question, as the service counts for its neighbours

const [headline, link, token, time] = ["headline", "link", "token", "time"].map((id) => document.getElementById(id));
const sessions = new Nodes(document.getElementById("sessions"), (name) => new Session(name));
let latest = null;
let askedAt = [-Infinity, -Infinity]; // when the newest answer was asked for: monotonic, by the clock
let wake = () => {};

const silence = () => Math.max(performance.now() - askedAt[0], Date.now() - askedAt[1]);

async function look() {
  const at = [performance.now(), Date.now()];
  try {
    const answer = await ask("site", { timeoutMs: LOST_MS - SHOW_MS });
    heard(ms(answer.now_ns));
    latest = answer;
    askedAt = at;
    token.hidden = true;
  } catch (problem) {
    if (problem.status === 401 || problem.status === 403) token.hidden = false;
  }
  show();
}

// The only loop that asks; a token only wakes it.
async function listen() {
  for (;;) {
    await look();
    await new Promise((done) => {
      wake = done;
      setTimeout(done, EVERY_MS);
    });
  }
}

function show() {
  const isLive = silence() < LOST_MS;
  put(document.documentElement, "data-link", isLive ? "live" : "lost");
  say(link, isLive ? "live" : latest ? "connection lost, trying again" : "connecting");
  const all = (latest?.sessions ?? []).map((each) => (isLive ? each : lost(each)));
  const said = inWords(all, isLive);
  say(headline, said);
  document.title = `${said} \u2013 the site`;
  say(time, latest ? `${isLive ? "" : "last answer at "}${clock(isLive ? now() : ms(latest.now_ns))} ${zoneName()}` : "");
  sessions.show(all, now());
}

function lost(session) {
  const nothing = { state: "unknown", reason: "connection lost", detuning_hz: null, since_ns: toService(askedAt[1]) * 1e6 };
  return {
    ...session, answers: false, why: "this page's own service does not answer", alarms: 0, clock_ahead_s: 0,
    transitions: session.transitions.map((each) => ({ ...each, ...nothing })),
  };
}

// Names are written as they are, also where a sentence begins.
function inWords(all, isLive) {
  if (!latest) return "Connecting to the service";
  if (!isLive) return "Connection lost, everything is unknown";
  const answering = all.filter((one) => one.answers);
  const of = (state) => answering.flatMap((one) => one.transitions.filter((each) => each.state === state)
    .map(({ name }) => (one.url ? `${name} (${one.name})` : name)));
  const [bad, unknown, good] = ["bad", "unknown", "good"].map(of);
  const silent = all.filter((one) => !one.answers).map(({ name }) => name);
  const count = all.reduce((sum, one) => sum + one.transitions.length, 0);
  const named = (names) => (names.length < 4 ? list(names) : names.length);
  const parts = [];
  if (bad.length) parts.push(`${named(bad)} bad`);
  if (silent.length) parts.push(`${parts.length ? "n" : "N"}othing known of ${list(silent)}`);
  if (unknown.length) parts.push(`${named(unknown)} unknown`);
  if (!parts.length && count > 1) return `All ${count} are good`;
  return [...parts, `${good.length} of ${count} good`].join(", ");
}

token.addEventListener("submit", (event) => {
  event.preventDefault();
  useToken(document.getElementById("token-text").value.trim());
  wake();
});
switches(show);
setInterval(show, SHOW_MS);
listen();
