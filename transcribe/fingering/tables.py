"""The costs of a stretch of onsets worked out at once, as tables that the search looks up.

Every cost of going on depends on where the hand was last placed, on the string of an earlier note,
or on neither. So a stretch has, for each onset, one table of the moves of the hand, by the way in
which it was placed, and one of each look back at a note, by that note's string and by the string
of the note that looks back. The formulas are those of `transcribe.fingering.moves` and of
`Beam.features`; a test holds the two together.

Inside this module strings count from 0; the string after the last one stands for none.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from transcribe.fingering.candidates import NOWHERE, Candidates
from transcribe.fingering.costs import RECENT
from transcribe.fingering.moves import (
    HAND_COSTS,
    Grip,
    hand_moves,
    hurry,
    open_in_line,
    rested,
    stops_ringing,
    voice_moves,
)
from transcribe.fingering.onsets import MEMORY, Onset

if TYPE_CHECKING:
    from transcribe.fingering.search import Beam

__all__ = ["BACK", "MELODY", "Known", "Moves", "Tables"]

MELODY = MEMORY
"""The slot after those of the notes, which holds the last string of the melody over a drone."""

BACK = 3
"""How many onsets back the hand is thought to have been placed, where open strings came since."""
_NEVER = -float("inf")
_MAX_MOVES = 1_000_000  # kept numbers of the moves of the hand, 40 MB
_MAX_STRING_TABLES = 10_000  # 5 MB
_SCALES = ("", "hurry", "rest", "box", "held")

Moves = tuple[np.ndarray, "np.ndarray | None"]
"""(ways before, candidates): what a move costs, and how much more where a note is held."""


@dataclass(slots=True)
class Known:
    """Tables that one riff after another needs, of one instrument and table of weights.

    ``moves``: by the identity of two sets of candidates, which are kept with them, the moves from
    one to the other, (len(`_SCALES`), ways before, candidates). ``voices``: by the pitches of two
    notes of a voice and whether they belong to a line on a pentatonic scale, (strings + 1,
    strings). ``same``: by what one string costs and what two cost, the same. ``rings``: by the
    pitches of two notes, the same.
    """

    moves: dict[tuple[int, int], tuple[Candidates, Candidates, np.ndarray]] = field(
        default_factory=dict
    )
    voices: dict[tuple[int, int, bool], np.ndarray] = field(default_factory=dict)
    same: dict[tuple[float, float], np.ndarray] = field(default_factory=dict)
    rings: dict[tuple[int, int], np.ndarray] = field(default_factory=dict)

    size: int = 0
    """How many numbers ``moves`` holds."""

    def trim(self) -> None:
        """Forget what has grown too large."""
        if self.size > _MAX_MOVES:
            self.moves.clear()
            self.size = 0
        for tables in (self.voices, self.same, self.rings):
            if len(tables) > _MAX_STRING_TABLES:
                tables.clear()


class Tables:
    """The tables of ``onsets``.

    ``before``: the onset before the first and those that it is reached from, the last one last.
    ``strings_count``: whether the looks back at strings are made at all.

    ``links[t]`` holds, for each note of the onset that looks back, its number and its looks: the
    slot of a string in the memory of a state, and a table, (strings + 1, strings).
    """

    def __init__(
        self, beam: Beam, onsets: Sequence[Onset], before: Sequence[Onset], strings_count: bool
    ) -> None:
        self.beam, self.onsets, self.strings_count = beam, onsets, strings_count
        beam.known.trim()
        self.weights = beam.weights
        self._strings = len(beam.open)
        self.alone = self._alone()
        self._weigh_likely(before)
        self.links: list[list[tuple[int, list[tuple[int, np.ndarray]]]]] = []
        if strings_count:
            self._make_voices()
            self.links = [self._of_onset(onset) for onset in onsets]

    def _alone(self) -> np.ndarray:
        """The costs of each candidate by itself, (onsets, candidates)."""
        many = max(len(o.candidates) for o in self.onsets)
        padded = [o.candidates.padded for o in self.onsets]
        fret = np.concatenate([p.notes[1] for p in padded])[:, :many]
        counts = [len(o.notes) for o in self.onsets]
        first = np.cumsum([0, *counts[:-1]])  # row of each onset's first note
        hand = np.stack([p.hand for p in padded])[:, :, :many]
        _, _, opens, fret_cost, own = hand.transpose(1, 0, 2)
        line = np.array([o.line for o in self.onsets])[:, None]
        lengths = np.array([length for o in self.onsets for length in o.lengths])
        long = np.add.reduceat((fret == 0) * lengths[:, None], first, axis=0)
        total = own + self.weights["open_long"] * long
        for name, values in open_in_line(opens, fret_cost, line).items():
            total += self.weights[name] * values
        for t, onset in enumerate(self.onsets):
            for name, wanted in self.beam.wanted(onset):
                total[t, : len(onset.candidates)] += self.weights[name] * wanted
        return total

    def moves(self, t: int, last: Onset | None) -> Moves:
        """The moves to onset ``t`` of a hand that was placed at ``last``; None: not yet."""
        onset = self.onsets[t]
        was, since_sec = (NOWHERE, _NEVER) if last is None else (last.candidates, last.time_sec)
        key = (id(was), id(onset.candidates))
        known = self.beam.known.moves
        if key not in known:
            self._weigh_pairs({key: (was, onset.candidates)})
        plain, hurried, rest, box, held = known[key][2]
        table = hurried * hurry(onset.time_sec - since_sec)
        table += plain
        if by := rested(onset.rest_sec):
            table += by * rest
        if onset.box:
            table += box
        return table, held if onset.sounding else None

    def _weigh_likely(self, before: Sequence[Onset]) -> None:
        """Make known the moves to every onset from those that mostly placed the hand last."""
        run = [o.candidates for o in (*before, *self.onsets)]
        known = self.beam.known.moves
        new: dict[tuple[int, int], tuple[Candidates, Candidates]] = {}
        for t in range(len(before), len(run)):
            now = run[t]
            for last in reversed(run[max(0, t - BACK) : t]):
                key = (id(last), id(now))
                if key not in known:
                    new[key] = (last, now)
                if not len(last.ways_open):
                    break
        if new:
            self._weigh_pairs(new)

    def _weigh_pairs(self, sets: Mapping[tuple[int, int], tuple[Candidates, Candidates]]) -> None:
        """Add the weighted moves of pairs of candidates to those that are known."""
        many_was = np.array([len(a) for a, _ in sets.values()])
        many_now = np.array([len(b) for _, b in sets.values()])
        sizes = many_was * many_now
        ends = np.cumsum(sizes)
        # Every move of every pair in one row: which way before and which candidate it joins.
        here = np.arange(ends[-1]) - np.repeat(ends - sizes, sizes)
        way, now = np.divmod(here, np.repeat(many_now, sizes))
        was_first = np.repeat(np.cumsum(many_was) - many_was, sizes)
        now_first = np.repeat(np.cumsum(many_now) - many_now, sizes)
        was, _ = self._grips([a for a, _ in sets.values()], was_first + way)
        goal, opens = self._grips([b for _, b in sets.values()], now_first + now)
        sums = self.weigh(hand_moves(was, goal, opens))
        self.beam.known.size += len(_SCALES) * int(ends[-1])
        table = np.stack([sums[scale] for scale in _SCALES])
        for (key, (a, b)), end, size in zip(
            sets.items(), ends.tolist(), sizes.tolist(), strict=True
        ):
            moves = table[:, end - size : end].reshape(len(_SCALES), len(a), len(b))
            self.beam.known.moves[key] = (a, b, moves)

    def weigh(self, parts: dict[str, np.ndarray]) -> dict[str, np.ndarray]:
        """The parts of `hand_moves` weighted, in a sum for each scale of `HAND_COSTS`."""
        sums: dict[str, np.ndarray] = {}
        for name, (part, scale) in HAND_COSTS.items():
            value = self.weights[name] * parts[part]
            sums[scale] = sums[scale] + value if scale in sums else value
        return sums

    def _grips(self, sets: Sequence[Candidates], which: np.ndarray) -> tuple[Grip, np.ndarray]:
        """The hands of candidates, one set after the other, and their numbers of open strings.

        Of them all those that ``which`` names are returned.
        """
        hand = np.concatenate([c.padded.hand[:3, : len(c)] for c in sets], axis=1)
        fingers = np.concatenate([c.padded.fingers[..., : len(c)] for c in sets], axis=2)
        mm = self.beam.neck(hand[1]).take(which)
        placed, position, opens = hand.take(which, axis=1)
        string, fret = fingers.take(which, axis=2)
        return Grip(placed > 0, position, mm, string, fret), opens

    def _of_onset(self, onset: Onset) -> list[tuple[int, list[tuple[int, np.ndarray]]]]:
        """The looks back of the notes of ``onset``; see ``links``."""
        weights, same = self.weights, self._same
        found: list[list[tuple[int, np.ndarray]]] = [[] for _ in onset.notes]
        voices = self.beam.known.voices
        for n, j, rise in onset.voice:
            key = (onset.pitches[n] - rise, onset.pitches[n], onset.box)
            found[n].append((j % MEMORY, voices[key]))
        for n, j, kind in onset.recent:
            found[n].append((j % MEMORY, same(weights[RECENT[kind]], 0.0)))
        for n, j in onset.same:
            next_to = weights["other_place_next"] if j in onset.previous else 0.0
            found[n].append((j % MEMORY, same(0.0, weights["other_place"] + next_to)))
        for n, j in onset.parallel:
            found[n].append((j % MEMORY, same(0.0, weights["parallel_off"])))
        for n, j in onset.legato:
            found[n].append((j % MEMORY, same(0.0, weights["legato"])))
        for n, j, pitch, share in onset.ring:
            ring = self._ring(pitch, onset.pitches[n])
            found[n].append((j % MEMORY, weights["ring_off"] * share * ring))
        for j, left, pitch in onset.sounding:
            # Whatever takes its string cuts it off; a pitch struck again does not.
            cut = same(weights["cut"] * left + weights["cut_any"], 0.0)
            again = onset.pitches.index(pitch) if pitch in onset.pitches else -1
            for n, links in enumerate(found):
                if n != again:
                    links.append((j % MEMORY, cut))
        if onset.melody:
            lead = onset.melody[-1]
            moves = weights["melody_moves"] * onset.trust[lead]
            found[lead].append((MELODY, same(0.0, moves)))
        return [(n, links) for n, links in enumerate(found) if links]

    def _make_voices(self) -> None:
        """Add to the known tables those of the voices that these onsets need."""
        known = self.beam.known.voices
        new = {
            (onset.pitches[n] - rise, onset.pitches[n], onset.box)
            for onset in self.onsets
            for n, _, rise in onset.voice
        } - known.keys()
        if not new:
            return
        pitch_was, pitch, box = np.array(sorted(new), dtype=np.int64).T[:, :, None, None]
        strings = np.arange(self._strings)
        costs = np.zeros((len(new), self._strings + 1, self._strings))
        for name, values in voice_moves(
            strings[:, None],
            self.beam.frets_of(pitch_was, strings[:, None]),
            strings,
            self.beam.frets_of(pitch, strings),
            np.abs(pitch - pitch_was),
            box > 0,
            self.beam.by_pitch,
        ):
            if weight := self.weights[name]:
                costs[:, :-1] += weight * values
        known.update(zip(sorted(new), costs, strict=True))

    def _ring(self, pitch_was: int, pitch: int) -> np.ndarray:
        """Where a note ends one before it that should ring on."""
        known = self.beam.known.rings
        if (pitch_was, pitch) not in known:
            before, string = np.arange(self._strings)[:, None], np.arange(self._strings)
            frets = self.beam.frets_of(pitch_was, before), self.beam.frets_of(pitch, string)
            table = np.zeros((self._strings + 1, self._strings))
            table[:-1] = stops_ringing(before, frets[0], string, frets[1])
            known[pitch_was, pitch] = table
        return known[pitch_was, pitch]

    def _same(self, one: float, two: float) -> np.ndarray:
        """What counts only whether two notes share a string: ``one`` string or ``two``."""
        known = self.beam.known.same
        if (one, two) not in known:
            table = np.full((self._strings + 1, self._strings), two)
            np.fill_diagonal(table, one)
            table[-1] = 0.0
            known[one, two] = table
        return known[one, two]
