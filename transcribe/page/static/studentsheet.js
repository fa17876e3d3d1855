// The sheet that goes back to a student: the handout of a riff with the verdicts on its last take.

import { make } from "./api.js";
import { busy, control, download, notice, say } from "./dom.js";

/**
 * A button that makes it and hands it over as a file. What goes wrong is told in `into`.
 * @param {{id: string, name: string}} riff
 * @param {string} words what stands on it
 * @param {{kind?: "html" | "pdf", paper?: () => string, into?: any, props?: any}} how
 */
export function studentSheet(
  riff,
  words,
  { kind = "html", paper = () => "a4", into, props = {} } = {},
) {
  const filename = `${riff.name}.take.${kind}`;
  const button = control(
    {
      onclick: () =>
        busy(button, async () => {
          try {
            const made = kind === "pdf" ? "handout-pdf" : "handout";
            download(await make(riff.id, { kind: made, take: true, paper: paper() }), filename);
            say(`${filename} is ready.`);
          } catch (error) {
            notice(error.message, { kind: "error", key: "sheet", into });
          }
        }),
      ...props,
    },
    words,
  );
  return button;
}
