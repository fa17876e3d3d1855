// A riff that was changed elsewhere since it was read: what differs, and whose change stands.

import { ask, say } from "./dom.js";
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

/** Ask whether `edit` is made too, now that the riff is as `theirs` has it; the answer to it. */
export async function settle(riff, edit, theirs) {
  riff.saved.textContent = "Changed elsewhere";
  const differing = differences(riff.data.document, theirs.document);
  const answer = await ask(
    "This riff was changed elsewhere",
    [
      `Another window or the command has saved this riff since this window read it (${differing}). Your change is not lost yet.`,
    ],
    [
      ["Show theirs, drop my change", "theirs"],
      ["Keep theirs and make my change too", "both", true],
    ],
  );
  await riff.refresh(theirs);
  if (answer === "both") return riff.send(edit, true);
  riff.saved.textContent = "All saved";
  say("Their version is shown.");
  return null;
}
