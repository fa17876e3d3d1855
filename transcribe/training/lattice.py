"""Lattices of the likely ways to play a piece, and what the fit asks of them.

Conventions: costs are in the order of `costs.FITTED`; onsets, states and edges count from 0.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np

from transcribe.core.riff import sort_notes
from transcribe.fingering.candidates import Chooser
from transcribe.fingering.costs import FITTED, PLACE
from transcribe.fingering.hand import Hand
from transcribe.fingering.plan import plan_onsets
from transcribe.fingering.search import Beam
from transcribe.training.editions import ROWS, Piece

__all__ = ["Lattice", "lay_out", "passes"]

_OF_STATE = {*PLACE, "open_long", "open_in_line", "fret_in_line"}
"""Costs that the state alone decides, whatever came before it."""
_OWN = np.array([i for i, name in enumerate(FITTED) if name in _OF_STATE])
_BETWEEN = np.array([i for i, name in enumerate(FITTED) if name not in _OF_STATE])


@dataclass(slots=True)
class Lattice:
    """A piece's likely ways to be played: the states of every onset, and the edges between.

    A cost that the state alone decides is kept once a state, any other once an edge.
    """

    edges: np.ndarray  # (edges, 2): state before and state after, counted within their onsets
    edge_start: np.ndarray  # (onsets + 1,)
    state_start: np.ndarray  # (onsets + 1,)
    after: np.ndarray  # (edges,): state after, counted over the piece
    between: np.ndarray  # (edges, costs): costs of `_BETWEEN`
    own: np.ndarray  # (states, costs): costs of `_OWN`
    fixed: np.ndarray  # (edges,): costs that are not fitted
    hits: np.ndarray  # (states, len(ROWS)): labels met by the state

    def costs(self, weight: np.ndarray) -> np.ndarray:
        """The cost of every edge under ``weight``, in the order of `FITTED`."""
        w = weight.astype(np.float32)
        return (self.between @ w[_BETWEEN] + self.fixed) + (self.own @ w[_OWN])[self.after]

    def slope(self, coef: np.ndarray) -> np.ndarray:
        """The sum over edges of ``coef`` times each cost."""
        out = np.zeros(len(FITTED))
        out[_BETWEEN] = coef.astype(np.float32) @ self.between
        out[_OWN] = np.bincount(self.after, coef, len(self.own)).astype(np.float32) @ self.own
        return out


def lay_out(
    piece: Piece,
    weights: Mapping[str, float],
    width: int,
    places: Mapping[int, tuple[int, int]] | None = None,
) -> Lattice:
    """The lattice of a piece under ``weights``, at most ``width`` states an onset.

    ``places``: note id -> (string, fret) that is held, so that only the fingers are left open.
    """
    chooser = Chooser(piece.instrument, Hand(), weights)
    beam = Beam(piece.instrument, weights, width=width)
    notes = sort_notes(piece.notes)
    plan = plan_onsets(notes, piece.instrument, chooser, drone=None, pins=places or {})
    states = beam.start()
    column = {name: i for i, name in enumerate(FITTED)}
    weight = np.array([weights[name] for name in FITTED])
    edges, between, own, fixed, hits, widths = [], [], [], [], [], []
    for onset in plan.onsets:
        cand = onset.candidates
        shape = (len(states.cost), len(cand))
        table = np.zeros((*shape, len(FITTED)), dtype=np.float32)
        table[:, :, : len(PLACE)] = cand.static[None, :, :]
        rest = np.zeros(shape)
        for name, values in beam.features(states, onset):
            if name in column:
                table[:, :, column[name]] += values
            else:
                rest += weights[name] * np.broadcast_to(values, shape)
        local = table @ weight + rest
        parents, choices = beam.survivors(states, onset, local)
        free = ~cand.fretted[choices]
        # A state of open strings only goes on from one state; any other from all of them.
        before = np.repeat(np.arange(shape[0])[:, None], len(choices), axis=1)
        after = np.broadcast_to(np.arange(len(choices))[None, :], before.shape)
        keep = ~free[None, :] | (before == parents[None, :])
        before, after = before[keep], after[keep]
        edges.append(np.stack([before, after], axis=1))
        between.append(table[:, :, _BETWEEN][before, choices[after]])
        own.append(table[0][choices][:, _OWN])
        fixed.append(rest[before, choices[after]])
        hits.append(_hits(piece, [notes[i].id for i in onset.notes], cand, choices))
        widths.append(len(choices))
        states = beam.follow(states, onset, local, parents, choices)
        states.cost -= states.cost.min()
    starts = np.cumsum([0, *widths])
    return Lattice(
        edges=np.concatenate(edges),
        edge_start=np.cumsum([0, *(len(e) for e in edges)]),
        state_start=starts,
        after=np.concatenate([e[:, 1] + s for e, s in zip(edges, starts, strict=False)]),
        between=np.concatenate(between),
        own=np.concatenate(own),
        fixed=np.concatenate(fixed),
        hits=np.concatenate(hits),
    )


def _hits(piece: Piece, ids: Sequence[int], cand: Any, choices: np.ndarray) -> np.ndarray:
    out = np.zeros((len(choices), len(ROWS)))
    for n, note_id in enumerate(ids):
        for r, row in enumerate(ROWS):
            label = piece.labels[row][note_id]
            if label is None:
                continue
            table = cand.fingers if row == "finger" else cand.strings + 1
            out[:, r] += table[choices, n] == label
    return out


@lru_cache(maxsize=1)
def passes() -> Callable[..., tuple[float, float]]:
    """The forward and backward pass over a lattice, compiled."""
    import numba

    @numba.njit(cache=False)
    def run(edges, edge_start, state_start, cost, gain, coef):  # type: ignore[no-untyped-def]
        onsets = len(state_start) - 1
        states = state_start[-1]
        logf = np.full(states, -1e30)
        expf = np.zeros(states)
        for t in range(onsets):
            s0 = state_start[t]
            p0 = state_start[t - 1] if t else 0
            for e in range(edge_start[t], edge_start[t + 1]):
                a = s0 + edges[e, 1]
                v = -cost[e] + (logf[p0 + edges[e, 0]] if t else 0.0)
                logf[a] = max(logf[a], v)
            total = np.zeros(state_start[t + 1] - s0)
            for e in range(edge_start[t], edge_start[t + 1]):
                a = edges[e, 1]
                p = p0 + edges[e, 0]
                v = -cost[e] + (logf[p] if t else 0.0)
                w = np.exp(v - logf[s0 + a])
                total[a] += w
                expf[s0 + a] += w * (expf[p] if t else 0.0)
            for a in range(len(total)):
                expf[s0 + a] = expf[s0 + a] / total[a] + gain[s0 + a]
                logf[s0 + a] += np.log(total[a])
        last = state_start[onsets - 1]
        top = logf[last:].max()
        z = 0.0
        mean = 0.0
        for a in range(last, states):
            w = np.exp(logf[a] - top)
            z += w
            mean += w * expf[a]
        mean /= z
        logz = top + np.log(z)
        logb = np.zeros(states)
        expb = np.zeros(states)
        for t in range(onsets - 1, -1, -1):
            s0 = state_start[t]
            p0 = state_start[t - 1] if t else 0
            n_before = s0 - p0 if t else 1
            top_b = np.full(n_before, -1e30)
            for e in range(edge_start[t], edge_start[t + 1]):
                a = s0 + edges[e, 1]
                p = edges[e, 0]
                before = logf[p0 + p] if t else 0.0
                mass = np.exp(before - cost[e] + logb[a] - logz)
                through = (expf[p0 + p] if t else 0.0) + gain[a] + expb[a]
                coef[e] = mass * (through - mean)
                top_b[p] = max(top_b[p], -cost[e] + logb[a])
            if t:
                total = np.zeros(n_before)
                for e in range(edge_start[t], edge_start[t + 1]):
                    a = s0 + edges[e, 1]
                    p = edges[e, 0]
                    w = np.exp(-cost[e] + logb[a] - top_b[p])
                    total[p] += w
                    expb[p0 + p] += w * (gain[a] + expb[a])
                for p in range(n_before):
                    if total[p] > 0:
                        expb[p0 + p] /= total[p]
                        logb[p0 + p] = top_b[p] + np.log(total[p])
                    else:
                        logb[p0 + p] = -1e30
        return mean, logz

    return run
