// Take the riff away: files for other programs, sound at any speed, and a printed sheet.

import { make } from "./api.js";
import { busy, control, download, h, notice, put, say } from "./dom.js";
import { drawSheet, sheetFile } from "./sheet.js";

const FILES = [
  ["tab", ".tab.txt", "Text tab"],
  ["musicxml", ".musicxml", "MusicXML"],
  ["midi", ".mid", "MIDI"],
  ["jams", ".jams", "JAMS"],
  ["riff", ".riff.json", "Riff document"],
  ["handout", ".handout.html", "Handout"],
  ["handout-pdf", ".handout.pdf", "Handout as PDF"],
];

const VOICES = [
  ["tab", "the tab"],
  ["take", "the take"],
  ["drone", "the drone"],
  ["chords", "the chord loop"],
];

export function awayPane(riff) {
  const fetchFile = (button, body, filename) =>
    busy(button, async () => {
      try {
        download(await make(riff.id, body), filename);
        say(`${filename} is ready.`);
      } catch (error) {
        notice(error.message, { kind: "error", key: "away" });
      }
    });
  const files = FILES.map(([kind, suffix, label]) => {
    const button = control(
      {
        onclick: () =>
          fetchFile(button, { kind, paper: paper.value }, `${riff.data.name}${suffix}`),
      },
      label,
    );
    return button;
  });
  const speed = h("input", { type: "number", min: "25", max: "200", step: "5", value: "100" });
  const wav = control(
    {
      onclick: () => {
        const percent = Math.min(200, Math.max(25, Number(speed.value) || 100));
        fetchFile(wav, { kind: "wav", speed: percent / 100 }, `${riff.data.name}-${percent}.wav`);
      },
    },
    "WAV of the tab",
  );
  const play = h(
    "select",
    {},
    VOICES.filter(([voice]) => voice !== "take" || riff.data.take.there).map(([voice, text]) =>
      h("option", { value: voice }, text),
    ),
  );
  const speeds = h("input", { type: "text", value: "60 75 90 100", size: "12" });
  const times = h("input", { type: "number", min: "1", max: "99", value: "4" });
  const bars = h("input", { type: "text", placeholder: "all", size: "5" });
  const practice = control(
    {
      onclick: () => {
        const [first, last] = bars.value.match(/\d+/g) || [];
        const body = {
          kind: "practice",
          play: play.value,
          speeds: (speeds.value.match(/\d+/g) || []).map((percent) => Number(percent) / 100),
          times: Number(times.value),
          bars: first ? [Number(first), Number(last || first)] : null,
        };
        fetchFile(practice, body, `${riff.data.name}-practice-${play.value}.mp3`);
      },
    },
    "Practice sound",
  );
  const paper = h(
    "select",
    { onchange: () => preview() },
    h("option", { value: "a4" }, "A4"),
    h("option", { value: "letter" }, "Letter"),
  );
  const sheet = h("div", {
    class: "sheet-preview",
    tabindex: "0",
    role: "group",
    "aria-label": "Preview of the sheet",
  });
  let pages = [];
  const preview = () => {
    riff.paper = paper.value;
    pages = drawSheet(riff, paper.value);
    put(sheet, pages);
  };
  const element = h(
    "div",
    { class: "away" },
    h(
      "section",
      {},
      h("h3", {}, "Files"),
      h(
        "p",
        { class: "hint" },
        "The text tab reads anywhere; MusicXML opens in notation programs, MIDI in sequencers, JAMS in research tools; the riff document keeps everything, pins and history too. The handout is a page for students that plays by itself, without this program; as PDF it is for the paper that is chosen below.",
      ),
      h("div", { class: "row" }, files),
      h(
        "div",
        { class: "row" },
        wav,
        h("label", { class: "field inline" }, h("span", {}, "at this speed, %"), speed),
      ),
      h(
        "div",
        { class: "row" },
        practice,
        h("label", { class: "field inline" }, h("span", {}, "of"), play),
        h("label", { class: "field inline" }, h("span", {}, "in bars"), bars),
        h("label", { class: "field inline" }, h("span", {}, "at these speeds in turn, %"), speeds),
        h("label", { class: "field inline" }, h("span", {}, "times each"), times),
      ),
      h(
        "p",
        { class: "hint" },
        "Practice sound is counted in, with a click. Begin quietly, above all in headphones: loud sound can harm your hearing.",
      ),
    ),
    h(
      "section",
      {},
      h("h3", {}, "Sheet"),
      h(
        "div",
        { class: "row" },
        h("label", { class: "field inline" }, h("span", {}, "Paper"), paper),
        control({ class: "main", onclick: () => window.print() }, "Print"),
        control(
          {
            onclick: () =>
              pages.forEach((page, k) =>
                saveBlob(
                  sheetFile(page),
                  `${riff.data.name}${pages.length > 1 ? `-${k + 1}` : ""}.svg`,
                ),
              ),
          },
          "SVG",
        ),
      ),
      sheet,
    ),
  );
  preview();
  return { element, refresh: preview };
}

function saveBlob(blob, filename) {
  const url = URL.createObjectURL(blob);
  download(url, filename);
  setTimeout(() => URL.revokeObjectURL(url), 10000);
}
