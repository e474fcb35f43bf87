// The page: a link brings snapshots, and one frame at a time shows the newest.
//
// What is shown is never the last good answer: while the link is lost, every state on the page is
// unknown, and so is everything before the first answer.

import { Disarm } from "./acting.js";
import { alarms } from "./alarms.js";
import { ask, useToken } from "./ask.js";
import { Board } from "./board.js";
import { heard, now, toService } from "./clock.js";
import { Top } from "./headline.js";
import { Link } from "./link.js";
import { Look } from "./look.js";
import { basis, notes, outputs, Part } from "./rail.js";
import { Shots } from "./shots.js";
import { switches } from "./switches.js";
import { ms } from "./words.js";

const link = { isLive: false, isFirst: true, sinceMs: Date.now() };
const shots = new Shots();
const look = new Look();
const top = new Top();
const board = new Board((name, from, to) => {
  const stop = now();
  const transition = shown.transitions.find((each) => each.name === name);
  if (transition) look.open(transition, from ?? stop - board.spanMs, to ?? stop);
});
const parts = {
  alarms: new Part("alarms", (standing, seenMs, lostMs) => alarms(standing, seenMs, lostMs, acknowledged)),
  outputs: new Part("outputs", outputs),
  shots: new Part("shots", () => shots.nodes()),
  basis: new Part("basis", basis),
  notes: new Part("notes", notes),
};
const disarm = new Disarm(document.getElementById("outputs"));

const NEWS = 12;
const NUMBERS_MS = 250;
const news = []; // faults, attempts and notes, newest first
const attempted = ({ actuator, phase, text, rehearsal }) =>
  `${rehearsal ? "Rehearsal: " : ""}${actuator} ${phase}${text ? `: ${text}` : ""}`;

let latest = null; // the service's newest snapshot
let shown = { transitions: [] }; // what the page may say
let isStale = true; // something changed since the last frame
let shownStates = ""; // the verdicts of the last frame that showed any
let shownAt = -Infinity; // when that was

function allUnknown(snapshot) {
  const lost = { state: "unknown", since_ns: link.sinceMs * 1e6 };
  const why = { reason: "connection lost", clears: "an answer of the service", reasons: [] };
  const nothing = { detuning_hz: null, u_hz: null, distance: null };
  return {
    ...snapshot,
    transitions: snapshot.transitions.map((each) => ({ ...each, ...lost, ...why, ...nothing })),
    references: (snapshot.references ?? []).map((each) => ({ ...each, ...lost, text: "connection lost" })),
    instruments: (snapshot.instruments ?? []).map((each) => ({ ...each, ...lost, text: "connection lost" })),
    hands_on: null,
  };
}

function acknowledged(id, by) {
  const alarm = latest.alarms.find((each) => each.id === id);
  if (alarm) alarm.acknowledged_by = by;
  isStale = true;
}

function show() {
  top.show(latest, link, now());
  if (!latest) return;
  shown = link.isLive ? latest : allUnknown(latest);
  board.show(shown, now());
  shown.transitions.forEach((each) => look.update(each));
  const minute = Math.ceil(now() / 60_000) * 60_000;
  parts.alarms.show(shown.alarms, minute, link.isLive ? null : link.sinceMs);
  parts.outputs.show({ hands_on: shown.hands_on, actuators: shown.actuators }, link.isLive);
  disarm.show(link.isLive && shown.actuators.some((each) => each.armed_by));
  parts.basis.show({ references: shown.references, instruments: shown.instruments }, minute);
  parts.notes.show(news.map(({ text, time_ns }) => ({ text, time_ns })));
  parts.shots.show(shots.all.map((each) => [each.shot, each.start_ns, each.state]));
}

// A changed verdict is shown in the next frame, a changed number within a quarter of a second:
// nobody reads digits that change faster.
function frame(at) {
  const states = latest ? latest.transitions.map((each) => each.state).join() : "";
  if (isStale && (states !== shownStates || at - shownAt > NUMBERS_MS)) {
    isStale = false;
    shownStates = states;
    shownAt = at;
    show();
  }
  board.draw(now());
  requestAnimationFrame(frame);
}

async function loadShots() {
  try {
    const answer = await ask("shots?limit=100");
    shots.load(answer.shots);
    isStale = true;
  } catch { /* none are shown; the link says whether the service is there */ }
}

// What people noted before this page was opened.
async function loadNotes() {
  try {
    tell(...(await ask(`notes?limit=${NEWS}`)).notes);
  } catch { /* as with the shots */ }
}

// Each thing once, the newest first: the stream may bring again what was loaded.
function tell(...things) {
  for (const each of things) {
    if (!news.some(({ text, time_ns }) => text === each.text && time_ns === each.time_ns)) news.push(each);
  }
  news.sort((a, b) => b.time_ns - a.time_ns).splice(NEWS);
  isStale = true;
}

new Link({
  state(snapshot) {
    if (latest === null) performance.mark("first-value");
    latest = snapshot;
    heard(ms(snapshot.now_ns));
    document.getElementById("token").hidden = true;
    board.take(snapshot);
    isStale = true;
  },
  event(kind, value) {
    if (kind === "shot") shots.add(value);
    if (kind === "note") tell(value);
    if (kind === "fault") tell({ ...value, text: `Fault in ${value.where}: ${value.what}` });
    if (kind === "attempt") tell({ ...value, text: attempted(value) });
    isStale = true;
  },
  life(isLive, sinceMs) {
    const isBack = isLive && !link.isFirst;
    link.isLive = isLive;
    link.sinceMs = toService(sinceMs);
    if (isLive) link.isFirst = false;
    isStale = true;
    show(); // at once: a hidden window draws no frames
    if (isBack) board.refill();
    if (isLive) {
      loadShots();
      loadNotes();
    }
  },
  refused(status) {
    document.getElementById("token").hidden = status !== 401 && status !== 403;
  },
}).start();

document.getElementById("token").addEventListener("submit", (event) => {
  event.preventDefault();
  useToken(document.getElementById("token-text").value.trim());
});

switches(() => {
  isStale = true;
  board.draw(now(), true);
});
setInterval(() => {
  isStale = true;
  if (document.hidden) show(); // no frames are drawn then, but the tab's title is read
}, 1000);
setInterval(() => board.slowly(), 5000);
requestAnimationFrame(frame);
