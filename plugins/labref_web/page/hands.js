// Somebody works on a laser: said and ended from the page, as `labref hands-on` does.

import { Acting } from "./acting.js";
import { remember, remembered } from "./alarms.js";
import { make, say } from "./make.js";

// `name()` is the transition whose laser is meant.
export function hands(name) {
  const by = make("input", { id: "hands-by", autocomplete: "name", maxlength: 60, required: true });
  const hours = make("input", { id: "hands-h", type: "number", min: "0.1", max: "720", step: "0.1", value: "2", required: true });
  const acting = new Acting();
  const said = make("span", { class: "small", role: "status" });
  const act = async (what, more, done) => {
    const who = by.value.trim();
    if (!who) { say(said, "Say who you are first."); by.focus(); return; }
    remember(who);
    try {
      const { lasers } = await acting.post(what, { name: name(), by: who, ...more });
      say(said, lasers.length ? `${done} ${lasers.join(", ")}.` : "No hands were on it.");
    } catch (problem) {
      say(said, `Not done: ${problem.message}`);
    }
  };
  const form = make("form", {
    class: "look-times",
    onsubmit: (event) => {
      event.preventDefault();
      act("hands-on-laser", { seconds: Number(hours.value) * 3600 }, "Unknown until hands are off:");
    },
  },
  make("label", { for: "hands-by" }, "Hands on by"), by,
  make("label", { for: "hands-h" }, "for h"), hours, acting.field,
  make("button", { type: "submit" }, "Hands on"),
  make("button", { type: "button", onclick: () => act("hands-off-laser", {}, "Hands off:") }, "Hands off"), said);
  return { form, open() { by.value = remembered(); say(said, ""); } };
}
