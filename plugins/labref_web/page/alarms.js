// Alarms that stand: what, since when, what clears it, what hangs on it, and who has seen it.

import { ask } from "./ask.js";
import { make, say } from "./make.js";
import { list, ms, sentence, when } from "./words.js";

const NAME = "labref-name";
export const remembered = () => localStorage.getItem(NAME) ?? "";
export const remember = (name) => localStorage.setItem(NAME, name);

// With the link lost they are what stood then, and nobody can be told that somebody has seen them.
export function alarms(standing, seenMs, lostMs, done) {
  if (lostMs !== null) {
    return [
      make("p", { class: "none" }, `Connection lost: these stood at ${when(lostMs, seenMs)}.`),
      make("ul", { class: "alarm-list" }, ...standing.map((each) => item(each, seenMs, null))),
    ];
  }
  if (!standing.length) return [make("p", { class: "none" }, "No alarm stands.")];
  const sorted = [...standing].sort((a, b) =>
    Boolean(a.acknowledged_by) - Boolean(b.acknowledged_by) || b.since_ns - a.since_ns);
  const said = make("p", { class: "answer", role: "status" });
  const name = make("input", {
    id: "ack-name", autocomplete: "name", value: remembered(), maxlength: 60,
    onchange: () => localStorage.setItem(NAME, name.value.trim()),
  });
  const items = sorted.map((each) => item(each, seenMs, async () => {
    const by = name.value.trim();
    if (!by) {
      say(said, "Say who you are first.");
      name.focus();
      return;
    }
    localStorage.setItem(NAME, by);
    await acknowledge(each, by, said, done);
  }));
  const isOpen = sorted.some((each) => !each.acknowledged_by);
  const who = make("p", { class: "who-acks" }, make("label", { for: "ack-name" }, "Acknowledge as"), name);
  return [make("ul", { class: "alarm-list" }, ...items), ...(isOpen ? [who] : []), said];
}

async function acknowledge(alarm, by, said, done) {
  try {
    await ask(`alarms/${encodeURIComponent(alarm.id)}/acknowledge`, { body: { by } });
    done(alarm.id, by);
  } catch (problem) {
    say(said, `Not acknowledged: ${problem.message}`);
  }
}

function item(alarm, seenMs, press) {
  const { subject, kind, message, clears, consequences, acknowledged_by: by } = alarm;
  const since = ms(alarm.since_ns);
  const after = consequences?.length ? `Because of it: ${list(consequences.map(named))}.` : "";
  return make(
    "li", { class: "alarm", "data-id": alarm.id, "data-seen": String(Boolean(by)) },
    make("p", { class: "alarm-head" }, make("strong", {}, subject), ` ${kind ?? ""}`),
    make("p", {}, message && message !== kind ? `${sentence(message)}.` : null,
      clears ? ` Clears with ${clears}.` : null),
    after ? make("p", { class: "said" }, after) : null,
    make("p", { class: "alarm-foot" },
      make("span", { class: "said" }, `since ${when(since, seenMs)}`),
      by ? make("span", { class: "seen" }, `\u2713 acknowledged by ${by}`)
        : press && make("button", { type: "button", "aria-label": `Acknowledge ${subject} ${kind ?? ""}`, onclick: press }, "Acknowledge")),
  );
}

const named = (each) => (typeof each === "string" ? each : [each.subject, each.kind].filter(Boolean).join(" "));
