// Asking for less movement, which may need the acting token: asked for where it is refused, kept
// until the page is closed once it was taken, and never in the place of the reading token.

import { ask } from "./ask.js";
import { make, say } from "./make.js";
import { remembered } from "./alarms.js";

let taken = "";

export class Acting {
  constructor() {
    this.field = make("input", {
      type: "password", autocomplete: "off", "aria-label": "Acting token", placeholder: "acting token", hidden: true,
    });
  }

  async post(what, body) {
    const typed = this.field.value.trim();
    try {
      const answer = await ask(`act/${what}`, { body, other: typed || taken });
      if (typed) taken = typed;
      this.field.hidden = true;
      this.field.value = "";
      return answer;
    } catch (problem) {
      if (problem.status !== 401) throw problem;
      if (!typed) taken = ""; // it was taken once: the service has another now
      this.field.hidden = false;
      this.field.focus();
      throw new Error(typed ? "this is not the acting token" : "this needs the acting token");
    }
  }
}

// Disarming is always safe and needs no name; arming is not done from here.
export class Disarm {
  constructor(section) {
    this.acting = new Acting();
    this.said = make("span", { class: "small", role: "status" });
    this.form = make("form", { class: "disarm", hidden: true, onsubmit: (event) => { event.preventDefault(); this.press(); } },
      this.acting.field, make("button", { type: "submit" }, "Disarm all"));
    section.append(this.form, this.said);
  }

  show(isArmed) {
    if (isArmed && this.form.hidden) say(this.said, "");
    this.form.hidden = !isArmed;
  }

  async press() {
    say(this.said, "");
    try {
      await this.acting.post("disarm", { by: remembered() || "somebody at the page", actuator: null });
      say(this.said, "All is disarmed.");
    } catch (problem) {
      say(this.said, `Not disarmed: ${problem.message}`);
    }
  }
}
