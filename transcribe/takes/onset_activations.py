"""A second listening: was a note that is expected there after all?

A note tracker that knows nothing of the piece must be sure before it names a note. Where the
reference says which pitch is due and when, much weaker evidence will do: the note network's onset
share for one pitch around one moment.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from transcribe.core.riff import Instrument

__all__ = ["OnsetActivations", "onset_activations"]

_TAKEN_SEC = 0.06  # frames this close to a known onset belong to it
_MAX_SHIFT_FRAMES = 1.2  # frames; the network's shift of an onset within its frame is held to this


@dataclass(frozen=True)
class OnsetActivations:
    """What the note network makes of a take: ``onset`` (frames, pitches) from 0 to 1, ``shift``.

    Row k is centred at ``k * frame_sec`` and moved by ``shift`` frames; column 0 is MIDI
    ``first_midi``.
    """

    onset: np.ndarray
    shift: np.ndarray
    frame_sec: float
    first_midi: int

    def reaches(self, pitch_midi: int) -> bool:
        """Whether the network knows a pitch."""
        return 0 <= pitch_midi - self.first_midi < self.onset.shape[1]

    def strongest(
        self, pitch_midi: int, time_sec: float, *, window_sec: float, taken: np.ndarray
    ) -> tuple[float, float]:
        """Greatest onset share of a pitch within ``window_sec`` of a time, and when it was.

        Frames within 60 ms of a time in ``taken`` (onsets of that pitch that are known already) do
        not count. Returns (0.0, ``time_sec``) where the pitch is out of range.
        """
        column = pitch_midi - self.first_midi
        frames = self.onset.shape[0]
        if not 0 <= column < self.onset.shape[1] or frames == 0:
            return 0.0, time_sec
        first = max(0, int(np.floor((time_sec - window_sec) / self.frame_sec)))
        last = min(frames, int(np.ceil((time_sec + window_sec) / self.frame_sec)) + 1)
        if first >= last:
            return 0.0, time_sec
        share = self.onset[first:last, column].astype(float)
        at = np.arange(first, last) * self.frame_sec
        for known in taken:
            share = np.where(np.abs(at - known) < _TAKEN_SEC, 0.0, share)
        k = int(np.argmax(share))
        moved = float(np.clip(self.shift[first + k, column], -_MAX_SHIFT_FRAMES, _MAX_SHIFT_FRAMES))
        return float(share[k]), float((first + k + moved) * self.frame_sec)


def onset_activations(
    y: np.ndarray,
    *,
    sr: int,
    offset_cents: float = 0.0,
    instrument: Instrument | None = None,
    weights: Path | None = None,
) -> OnsetActivations | None:
    """The onset shares of a take; None where it is silent or no network is installed.

    Parameters
    ----------
    y : np.ndarray, shape (n,)
        Mono samples.
    sr : int
        Samples per second.
    offset_cents : float
        How far the guitar sounds above A4 = 440 Hz.
    instrument : Instrument, optional
        Its strings; a bass is listened to an octave up, as `find_notes` does.
    weights : Path, optional
        Another network than the one that ships.
    """
    from transcribe.audio import resample
    from transcribe.notes import features, network
    from transcribe.notes.find import octaves_up, raised

    samples = np.asarray(y, dtype=np.float32)
    if sr != features.SR:
        samples = np.asarray(resample(samples, sr=sr, to_sr=features.SR), dtype=np.float32)
    weights = weights or network.WEIGHTS
    if not weights.is_file():
        return None
    octaves = octaves_up(instrument)
    pieces = network.run_in_pieces(
        raised(samples, octaves), offset_cents=offset_cents, weights=weights
    )
    # Of a long take no more than these two is held.
    answers = [(piece.onset, piece.shift) for piece in pieces]
    if not answers:
        return None
    onset, shift = (np.concatenate(rows) for rows in zip(*answers, strict=True))
    frame_sec = 2**octaves * features.HOP / features.SR
    return OnsetActivations(onset, shift, frame_sec, network.FIRST_MIDI - 12 * octaves)
