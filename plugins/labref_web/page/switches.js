// Light or dark, local time or UTC: chosen by the person, remembered by the browser.

import { say } from "./make.js";
import { forget } from "./paint.js";
import { isUtc, setUtc } from "./words.js";

const THEMES = ["", "light", "dark"];
const NAMES = { "": "as the system", light: "light", dark: "dark" };

export function switches(changed) {
  const theme = document.getElementById("theme");
  const zone = document.getElementById("zone");
  let chosen = localStorage.getItem("labref-theme") ?? "";
  const apply = () => {
    document.documentElement.toggleAttribute("data-theme", chosen !== "");
    if (chosen) document.documentElement.setAttribute("data-theme", chosen);
    say(theme, `colours: ${NAMES[chosen] ?? NAMES[""]}`);
    say(zone, `times: ${isUtc() ? "UTC" : "local"}`);
    forget();
    changed();
  };
  theme.addEventListener("click", () => {
    chosen = THEMES[(THEMES.indexOf(chosen) + 1) % THEMES.length];
    localStorage.setItem("labref-theme", chosen);
    apply();
  });
  zone.addEventListener("click", () => {
    setUtc(!isUtc());
    apply();
  });
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", apply);
  apply();
}
