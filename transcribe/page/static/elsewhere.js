// A riff or a lesson that was changed elsewhere since it was read: what differs, and whose change
// stands. Its view has a `what`, a place for `saved`, and takes over another state by `takeOver`.

import { ask, notice, say } from "./dom.js";
import { plural } from "./music.js";

/** How two states of a document differ, in a few words. */
function differences(ours, theirs) {
  const mine = new Map(ours.notes.map((note) => [note.id, note]));
  let moved = 0;
  let added = 0;
  for (const note of theirs.notes) {
    const old = mine.get(note.id);
    if (!old) added += 1;
    else if (
      ["string", "fret", "pinned", "pitch_midi", "articulation", "onset_sec"].some(
        (key) => old[key] !== note[key],
      )
    )
      moved += 1;
    mine.delete(note.id);
  }
  const parts = [];
  if (moved) parts.push(`${plural(moved, "note")} changed`);
  if (added) parts.push(`${plural(added, "note")} added`);
  if (mine.size) parts.push(`${plural(mine.size, "note")} removed`);
  return parts.join(", ") || "its notes are the same";
}

const SAVED = "Changed elsewhere";

/** Tell that another state is there, which `show` shows. */
export function tellNewer(view, show) {
  view.saved.textContent = SAVED;
  notice(`This ${view.what} was changed in another window or by the command.`, {
    key: "elsewhere",
    actions: [["Show the new version", show]],
  });
}

/**
 * Ask what becomes of a change, now that the document is as `theirs` has it: `again` makes it too.
 * Without that, theirs can only be shown. Resolves to what `again` gives, or null.
 */
export async function settle(view, theirs, again = null) {
  view.saved.textContent = SAVED;
  const { document } = view.data;
  const differing = document ? ` (${differences(document, theirs.document)})` : "";
  const answer = await ask(
    `This ${view.what} was changed elsewhere`,
    `Another window or the command has saved this ${view.what} since this window read it${differing}.${again ? " Your change is not lost yet." : ""}`,
    again
      ? [
          ["Show theirs, drop my change", "theirs"],
          ["Keep theirs and make my change too", "both", true],
        ]
      : [["Show theirs", "theirs", true]],
  );
  const both = answer === "both";
  await view.takeOver(theirs, { dropped: !both });
  if (both) return again();
  say("Their version is shown.");
  return null;
}
