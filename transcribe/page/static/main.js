// The way into the page: which view, and light or dark.

import { enter } from "./api.js";
import { clearNotices, h, notice, put } from "./dom.js";
import { showShelf } from "./shelf.js";

const THEMES = ["auto", "light", "dark"];
const NAMES = { auto: "Colours: as the system", light: "Colours: light", dark: "Colours: dark" };

function setTheme(theme) {
  if (theme === "auto") delete document.documentElement.dataset.theme;
  else document.documentElement.dataset.theme = theme;
  document.getElementById("theme").textContent = NAMES[theme];
  try {
    localStorage.setItem("paper", theme);
  } catch {
    /* private windows forget */
  }
  document.dispatchEvent(new Event("paper"));
}

let theme = "auto";
try {
  theme = localStorage.getItem("paper") || "auto";
} catch {
  /* as the system */
}
if (!THEMES.includes(theme)) theme = "auto";
setTheme(theme);
document.getElementById("theme").addEventListener("click", () => {
  theme = THEMES[(THEMES.indexOf(theme) + 1) % THEMES.length];
  setTheme(theme);
});
matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => {
  document.dispatchEvent(new Event("paper"));
});

let leave = () => {};
let turn = 0;
let shelfTop = 0;

async function route() {
  const mine = ++turn;
  await enter().catch(() => {}); // without a server the view says so
  if (mine !== turn) return;
  const match = /^#(riff|lesson)=([0-9a-f]{12})(?:&lesson=([0-9a-f]{12}))?$/.exec(location.hash);
  leave();
  leave = () => {};
  clearNotices();
  const main = document.getElementById("main");
  try {
    const show =
      match?.[1] === "lesson"
        ? (await import("./lesson.js")).showLesson
        : match
          ? (await import("./riff.js")).showRiff
          : showShelf;
    if (mine !== turn) return;
    const left = await show(main, match?.[2], match?.[3]);
    if (mine !== turn) {
      left?.();
      return;
    }
    leave = left || (() => {});
    // A riff begins at its top; the list is where it had been read to, and a lesson sees to itself.
    if (mine > 1 && match?.[1] !== "lesson") window.scrollTo(0, match ? 0 : shelfTop);
  } catch (error) {
    if (mine !== turn) return;
    put(
      main,
      h(
        "p",
        { class: "quiet" },
        "Nothing to show here. ",
        h("a", { href: "#" }, "Go to the list."),
      ),
    );
    notice(error.message, { kind: "error" });
  }
  document.body.dataset.ready = String(mine);
  // The view of a riff is fetched while nobody waits for it.
  if (!match)
    setTimeout(() => {
      import("./riff.js").catch(() => {});
    }, 300);
}

window.addEventListener("hashchange", route);
window.addEventListener("scroll", () => {
  if (document.querySelector(".shelf")) shelfTop = window.scrollY;
});
route();
