"""Scores a network on a folder of clips, for choosing among networks while training.

The benchmark ``tests/bench/notes.py`` measures the whole way from audio with mir_eval; here the
features are made on the device and the matching is the same rule written out: onsets at most 50 ms
apart, the same semitone, every note matched at most once.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import Any

import numpy as np
import torch

from transcribe.core.riff import ARTICULATIONS
from transcribe.notes import features as feat
from transcribe.notes.network import FIRST_MIDI, OUTPUTS, Activations, articulation_rows
from transcribe.notes.note_decoding import decode
from transcribe.training.model import NoteNet
from transcribe.training.pool import Pool
from transcribe.training.spectra import Spectra

__all__ = ["activations_of", "match", "score_pool"]

_FRAME_SEC = feat.HOP / feat.SR
_DEAD = ARTICULATIONS.index("dead")


def match(
    truth: Sequence[tuple[float, int]],
    found: Sequence[tuple[float, int]],
    *,
    near_sec: float = 0.05,
) -> list[tuple[int, int]]:
    """Pairs (truth, found) of (onset, pitch) notes: as many as can be, each used once."""
    from scipy.sparse import csr_matrix
    from scipy.sparse.csgraph import maximum_bipartite_matching

    if not truth or not found:
        return []
    a = np.array(truth, float)
    b = np.array(found, float)
    ok = (np.abs(a[:, :1] - b[None, :, 0]) <= near_sec + 1e-4) & (a[:, 1:] == b[None, :, 1])
    columns = maximum_bipartite_matching(csr_matrix(ok), perm_type="column")
    return [(i, int(j)) for i, j in enumerate(columns) if j >= 0]


def activations_of(answer: np.ndarray, seen: np.ndarray) -> Activations:
    """A network's raw output (OUTPUTS, frames, PITCHES), and the features (CHANNELS, frames,
    SEMITONES) that it saw, as decoding takes them."""
    share = 0.5 * (1.0 + np.tanh(0.5 * answer[:3]))
    return Activations(
        onset=share[0],
        sounding=share[1],
        offset=share[2],
        shift=answer[3],
        bend=answer[4],
        articulation=answer[articulation_rows()].transpose(1, 2, 0),
        level=feat.middle_level(seen),
        voice=0.5 * (1.0 + np.tanh(0.5 * answer[OUTPUTS - 1].mean(axis=-1))),
    )


def score_pool(
    net: NoteNet,
    pool: Pool,
    *,
    device: torch.device | None = None,
    thresholds: Sequence[float] = (),
) -> dict[str, Any]:
    """F1 of notes over every clip in ``pool``, and how often their articulation is right.

    Dead notes have no pitch to be right about: they are left out of the truth, and notes that are
    heard as dead out of the answer. Returns plain values; ``f1`` is at the best of ``thresholds``.
    """
    device = next(net.parameters()).device if device is None else device
    thresholds = thresholds or (0.5, 0.6, 0.7)
    net, spectra = net.to(device).eval(), Spectra().to(device)
    right: Counter[float] = Counter()
    given: Counter[float] = Counter()
    total = clips = 0
    confusion = np.zeros((len(ARTICULATIONS), len(ARTICULATIONS)), int)
    while files := pool.fresh():
        for arrays in files:
            for i in range(len(arrays["audio"])):
                activations = _hear(net, spectra, arrays, i, device)
                notes_heard = decode(activations)
                notes = arrays["notes"][i]
                notes = notes[(notes[:, 0] >= 0) & (notes[:, 3] != _DEAD)]
                truth = [(float(n[0]) * _FRAME_SEC, int(n[2])) for n in notes]
                total += len(truth)
                clips += 1
                for threshold in thresholds:
                    found = [
                        (n, m)
                        for n in notes_heard
                        if n.confidence >= threshold
                        and (m := _articulation(activations, n.frame, n.pitch_midi)) != _DEAD
                    ]
                    pairs = match(truth, [(n.onset_sec, n.pitch_midi) for n, _ in found])
                    right[threshold] += len(pairs)
                    given[threshold] += len(found)
                    if abs(threshold - 0.5) < 1e-9:
                        for a, b in pairs:
                            confusion[int(notes[a, 3]), found[b][1]] += 1
    f1 = {t: 2.0 * right[t] / max(1, total + given[t]) for t in thresholds}
    best = max(f1, key=lambda t: f1[t])
    hits = np.diag(confusion)
    articulation = {
        name: round(float(2 * hits[k] / max(1, confusion[k].sum() + confusion[:, k].sum())), 4)
        for k, name in enumerate(ARTICULATIONS)
    }
    return {
        "clips": clips,
        "notes": total,
        "f1": round(f1[best], 4),
        "threshold": best,
        "precision": round(right[best] / max(1, given[best]), 4),
        "recall": round(right[best] / max(1, total), 4),
        "f1_by_threshold": {str(t): round(v, 4) for t, v in f1.items()},
        "articulation_f1": articulation,
    }


def _articulation(activations: Activations, frame: int, pitch_midi: int) -> int:
    near = activations.articulation[max(0, frame - 1) : frame + 10, pitch_midi - FIRST_MIDI]
    return int(near.astype(np.float32).mean(axis=0).argmax())


@torch.no_grad()
def _hear(
    net: NoteNet, spectra: Spectra, arrays: dict[str, np.ndarray], i: int, device: torch.device
) -> Activations:
    audio = torch.from_numpy(arrays["audio"][i]).to(device).float() / 32768.0
    frames = feat.frame_count(audio.numel())
    padded = torch.nn.functional.pad(audio, (feat.REACH, feat.REACH + feat.HOP))[None]
    x = spectra(
        padded,
        frames=frames,
        reference=torch.tensor([float(arrays["reference"][i])], device=device),
        offset_cents=torch.tensor([float(arrays["offset_cents"][i])], device=device),
    )
    return activations_of(net(x)[0].float().cpu().numpy(), x[0].cpu().numpy())
