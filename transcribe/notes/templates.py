"""Notes by non-negative templates over a constant-Q spectrum: plain, and no learning in it.

Each semitone has a fixed template of eight partials that fall by 1 / n. The spectrum is written
as a non-negative sum of templates by multiplicative updates for the Euclidean distance (Lee &
Seung 1999, Nature 401); onsets are rises of a template's gain.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from transcribe.riff import Instrument, Note

__all__ = ["template_notes"]

_SR = 22050
_HOP = 512
_BINS = 3  # per semitone
_LOW = 36  # MIDI of the lowest bin
_OCTAVES = 7
_PARTIALS = 8
_ROUNDS = 60


def template_notes(
    y: np.ndarray,
    *,
    sr: int,
    offset_cents: float,
    instrument: Instrument,
    progress: Callable[[str, float], None] | None = None,
) -> tuple[Note, ...]:
    """Notes of ``y`` (n,) within the instrument's pitches. Shapes and units as `find_notes`."""
    import librosa

    if y.size < sr // 20 or float(np.abs(y).max()) < 1e-5:
        return ()
    if progress is not None:
        progress("notes", 0.0)
    audio = librosa.resample(y, orig_sr=sr, target_sr=_SR) if sr != _SR else y
    spectrum = np.abs(
        librosa.cqt(
            audio,
            sr=_SR,
            hop_length=_HOP,
            fmin=440.0 * 2.0 ** ((_LOW - 69 + offset_cents / 100.0) / 12.0),
            n_bins=12 * _OCTAVES * _BINS,
            bins_per_octave=12 * _BINS,
        )
    ).astype(np.float32)
    if progress is not None:
        progress("notes", 0.5)
    pitches = np.arange(
        min(instrument.open_midi) + instrument.capo,
        max(instrument.open_midi) + instrument.frets + 1,
    )
    pitches = pitches[(pitches >= _LOW) & (pitches < _LOW + 12 * (_OCTAVES - 1))]
    gains = _gains(spectrum, _templates(pitches))
    notes = _drop_neighbours(_pick(gains, pitches))
    if progress is not None:
        progress("notes", 1.0)
    return tuple(
        Note(
            id=i + 1,
            onset_sec=float(on * _HOP / _SR),
            offset_sec=float(off * _HOP / _SR),
            pitch_midi=int(pitch),
            loudness_db=float(20.0 * np.log10(peak / gains.max() + 1e-9)),
            confidence=float(min(1.0, 0.4 + peak / gains.max())),
        )
        for i, (on, pitch, off, peak) in enumerate(sorted(notes))
    )


def _templates(pitches: np.ndarray) -> np.ndarray:
    bins = np.arange(12 * _OCTAVES * _BINS)
    table = np.zeros((bins.size, pitches.size), np.float32)
    for k, pitch in enumerate(pitches):
        for n in range(1, _PARTIALS + 1):
            centre = (pitch - _LOW + 12.0 * np.log2(n)) * _BINS
            table[:, k] += np.exp(-0.5 * ((bins - centre) / 0.8) ** 2) / n
    return table / np.linalg.norm(table, axis=0)


def _gains(spectrum: np.ndarray, table: np.ndarray) -> np.ndarray:
    gains = np.maximum(table.T @ spectrum, 1e-9)
    top = table.T @ spectrum
    inner = table.T @ table
    # The small constant is a sparsity price: partials then go to one low template, not to many.
    price = 0.02 * float(spectrum.max())
    for _ in range(_ROUNDS):
        gains *= top / (inner @ gains + price)
    return gains


def _pick(gains: np.ndarray, pitches: np.ndarray) -> list[tuple[int, int, int, float]]:
    floor = 0.06 * gains.max()
    frames = gains.shape[1]
    found = []
    for k, pitch in enumerate(pitches):
        row = gains[k]
        rise = np.zeros(frames, np.float32)
        rise[2:] = row[2:] - row[:-2]
        last = -10
        for t in range(1, frames):
            local = rise[max(0, t - 3) : t + 4]
            if rise[t] < local.max() or rise[t] < floor or t - last < 4:
                continue
            peak = float(row[t : t + 4].max())
            if rise[t] < 0.3 * peak:
                continue
            later = np.flatnonzero(row[t + 2 :] < max(0.1 * peak, 0.3 * floor))
            off = int(later[0]) + t + 2 if later.size else frames
            if off - t < 3:
                continue
            if found and found[-1][1] == int(pitch) and found[-1][2] > t:
                found[-1] = (*found[-1][:2], t, found[-1][3])
            found.append((max(t - 1, 0), int(pitch), off, peak))
            last = t
    return found


def _drop_neighbours(
    notes: list[tuple[int, int, int, float]],
) -> list[tuple[int, int, int, float]]:
    """Without the short notes a semitone beside a stronger one: the smear of its attack."""
    return [
        note
        for note in notes
        if not any(
            abs(other[1] - note[1]) == 1 and abs(other[0] - note[0]) <= 5 and other[3] > note[3]
            for other in notes
        )
    ]
