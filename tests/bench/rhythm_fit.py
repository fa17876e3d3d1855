"""Fit the network of ``transcribe/rhythm/meter.py`` on invented takes and on published tunes.

``python -m tests.bench.rhythm_fit`` draws takes (`tests.bench.rhythm_takes`, and riffs of
`tests.bench.rhythm_riffs` in all meters alike; seeds that no bench uses), lists every reading of
each with its features, marks the readings whose beats and downbeats are the true ones, and fits a
softmax over the readings by maximum likelihood (torch, in the extra ``train``). Prints, for takes
of other seeds and for tunes that were not fitted on, how often the best reading is right in all, in
its meter and in its tempo, before and after; ``--write`` writes ``meter_weights.json``.

``--measure`` only measures the network that ships. ``--without KIND`` leaves a kind of take out of
the fit: what is then right of that kind is right of music that the fit knows nothing of.
"""

from __future__ import annotations

import argparse
import dataclasses
import itertools
import json
import multiprocessing
import os
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from tests.bench import rhythm_takes
from tests.bench.rhythm_riffs import Truth, make_riff
from tests.bench.rhythm_tunes import UNSEEN, BarredTune, load_barred, training_part
from transcribe.rhythm import meter as meters
from transcribe.rhythm.beats import TICKS, track
from transcribe.rhythm.events import group_events, skip_cost

FIRST_SEED, FIRST_TEST = 1_000_000, 9_000_000
DRAWN = {
    "tune": 5000,
    "picked": 3000,
    "lick": 2800,
    "riff": 3600,
    "strum": 1200,
    "phrase": 2000,
    "any meter": 1400,
}
"""Takes of each kind that are fitted on. ``any meter``: riffs with 5/4 and 7/8 as often as 4/4."""
TESTED = 300
UNITS, PASSES, BATCH, RATE, DECAY, DROPPED = 64, 40, 128, 6e-3, 3e-3, 0.2
"""Units of the network; passes over the takes, takes a step, greatest rate of learning, decay of
the weights and share of units left out while learning."""


@dataclass(frozen=True)
class Readings:
    """Every reading of one take: features (n, f), and whether it is right in all, in its meter and
    in its tempo, (n,) of bool each."""

    kind: str
    fitted: bool
    values: np.ndarray
    right: np.ndarray
    meter: np.ndarray
    tempo: np.ndarray


def right(candidates: meters.Candidates, truth: Truth) -> np.ndarray:
    """Which candidates have the true meter, beats and downbeats, (n,) of bool."""
    out = np.zeros(len(candidates), dtype=bool)
    true_len = 60 / truth.bpm
    for i in range(len(candidates)):
        if candidates.meters[candidates.meter[i]] != truth.meter:
            continue
        if abs(np.log(candidates.bpm[i] / truth.bpm)) > 0.1:
            continue
        grid = candidates.grids[candidates.track[i]]
        tick = grid.tick(truth.downbeats_sec) - candidates.offset[i]
        beat = tick / (TICKS * candidates.factor[i]) - candidates.down[i]
        bar = truth.meter[0]
        off = np.abs((beat + bar / 2) % bar - bar / 2) * true_len
        out[i] = np.mean(off < 0.07) > 0.85
    return out


def _as_good(truth: Truth) -> list[Truth]:
    """The truth, and for a tune in 2/4 the two ways to write it in 4/4."""
    out = [truth]
    if truth.kind.startswith("tune") and truth.meter == (2, 4):
        pairs = dataclasses.replace(truth, meter=(4, 4), downbeats_sec=truth.downbeats_sec[::2])
        out += [pairs, dataclasses.replace(truth, meter=(4, 4), bpm=2 * truth.bpm)]
    return out


def read(truth: Truth, kind: str, *, fitted: bool) -> Readings | None:
    """The readings of a take; None where there are none."""
    events = group_events(truth.bare)
    tracks = track(events.onset_sec, skip_cost=skip_cost(events))
    found = meters.read_candidates(events, tracks) if tracks else None
    if not found:
        return None
    ways = _as_good(truth)
    named = [found.meters.index(way.meter) for way in ways]
    tempo = np.abs(np.log(found.bpm[:, None] / [way.bpm for way in ways])) < 0.05
    return Readings(
        kind,
        fitted,
        found.values.astype(np.float32),
        np.any([right(found, way) for way in ways], axis=0),
        np.isin(found.meter, named),
        np.any(tempo, axis=1),
    )


_tunes: dict[str, list[BarredTune]] = {}


def _job(job: tuple[str, int, bool]) -> Readings | None:
    kind, seed, fitted = job
    if kind == "any meter":
        riff = make_riff(seed)
        heard = rhythm_takes.as_heard(riff, seed) if seed % 2 else riff
        return read(heard, kind, fitted=fitted)
    tunes = _tunes["fitted" if fitted else kind]
    truth = rhythm_takes.make_take("tune" if kind == "unseen" else kind, seed, tunes)
    return read(truth, kind, fitted=fitted)


def gather(drawn: dict[str, int], tested: int) -> list[Readings]:
    """Readings of ``drawn`` takes of each kind to fit on, and of ``tested`` that are not."""
    tunes = load_barred()
    _tunes["fitted"] = training_part(tunes)
    held_out = [t for t in tunes if t.held_out and t.name.split("/")[0] not in UNSEEN]
    _tunes.update(dict.fromkeys(rhythm_takes.KINDS, held_out))
    _tunes["unseen"] = [t for t in tunes if t.name.split("/")[0] in UNSEEN]
    jobs = [(kind, FIRST_SEED + k, True) for kind, n in drawn.items() for k in range(n)]
    jobs += [(kind, FIRST_TEST + k, False) for kind in (*DRAWN, "unseen") for k in range(tested)]
    np.random.default_rng(0).shuffle(jobs)  # so that every process has long and short ones
    mixed = [(kind, int(seed), fitted == "True") for kind, seed, fitted in np.array(jobs)]
    with multiprocessing.get_context("fork").Pool(os.cpu_count()) as pool:
        return [r for r in pool.imap_unordered(_job, mixed, chunksize=4) if r is not None]


def fit(data: Sequence[Readings], *, seed: int = 0) -> meters.Network:
    """The network that makes the right readings likely."""
    import torch

    data = [d for d in data if d.right.any()]
    every = np.concatenate([d.values for d in data])
    mean, spread = every.mean(axis=0), every.std(axis=0) + 1e-3
    device = "cuda" if torch.cuda.is_available() else "cpu"
    x = torch.tensor((every - mean) / spread, device=device)
    good = torch.tensor(np.concatenate([d.right for d in data]), device=device)
    ends = np.cumsum([len(d.values) for d in data])
    rows = [torch.arange(a, b, device=device) for a, b in itertools.pairwise([0, *ends.tolist()])]

    torch.manual_seed(seed)
    direct = torch.nn.Linear(x.shape[1], 1, bias=False, device=device)
    hidden = torch.nn.Linear(x.shape[1], UNITS, device=device)
    out = torch.nn.Linear(UNITS, 1, bias=False, device=device)
    learned = [*direct.parameters(), *hidden.parameters(), *out.parameters()]
    steps = PASSES * len(data) // BATCH
    optimiser = torch.optim.AdamW(learned, lr=RATE, weight_decay=DECAY)
    rate = torch.optim.lr_scheduler.OneCycleLR(optimiser, RATE, steps + 1)
    rng = np.random.default_rng(seed)
    for _ in range(steps):
        drawn = [rows[i] for i in rng.choice(len(rows), min(BATCH, len(rows)), replace=False)]
        index = torch.cat(drawn)
        sizes = torch.tensor([len(d) for d in drawn], device=device)
        owner = torch.repeat_interleave(torch.arange(len(drawn), device=device), sizes)
        unit = torch.nn.functional.dropout(torch.relu(hidden(x[index])), DROPPED)
        score = (direct(x[index]) + out(unit))[:, 0]
        top = torch.full((len(drawn),), -torch.inf, device=device)
        top = top.scatter_reduce(0, owner, score.detach(), "amax")
        share = torch.exp(score - top[owner])
        total = torch.zeros(len(drawn), device=device)
        all_of = total.index_add(0, owner, share)
        right_of = total.index_add(0, owner, share * good[index])
        loss = (torch.log(all_of) - torch.log(right_of + 1e-12)).mean()
        optimiser.zero_grad()
        loss.backward()
        optimiser.step()
        rate.step()
    return meters.Network(
        mean.astype(float),
        spread.astype(float),
        *(
            tensor.detach().cpu().numpy().astype(float)
            for tensor in (direct.weight[0], hidden.weight.T, hidden.bias, out.weight[0])
        ),
    )


def table(data: Iterable[Readings], network: meters.Network | None) -> dict[str, list[float]]:
    """Share of the takes of each kind, not fitted on, whose best reading is right in all, in its
    meter, in its tempo."""
    rows: dict[str, list[tuple[bool, bool, bool]]] = {}
    for d in data:
        if not d.fitted:
            best = int(np.argmax((network or meters.shipped_network()).score(d.values)))
            row = (bool(d.right[best]), bool(d.meter[best]), bool(d.tempo[best]))
            rows.setdefault(d.kind, []).append(row)
    return {kind: np.mean(row, axis=0).tolist() for kind, row in sorted(rows.items())}


def print_tables(before: dict[str, list[float]], after: dict[str, list[float]]) -> None:
    """Both tables side by side."""
    print(f"{'':10s} {'right in all':>17s} {'meter':>17s} {'tempo':>17s}")
    for kind in after:
        pairs = zip(before.get(kind, [np.nan] * 3), after[kind], strict=True)
        print(f"{kind:10s} " + " ".join(f"{a:8.3f} ->{b:6.3f}" for a, b in pairs), flush=True)


def write(network: meters.Network) -> None:
    """Put the network beside the module that reads it."""
    path = Path(meters.__file__).with_name("meter_weights.json")
    numbers = {
        field.name: np.round(getattr(network, field.name), 4).tolist()
        for field in dataclasses.fields(network)
    }
    note = "fitted by tests/bench/rhythm_fit.py; in the order of FEATURES in meter.py"
    path.write_text(json.dumps({"note": note, "network": numbers}, separators=(",", ":")) + "\n")


def main() -> None:
    """Fit, print, write."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--share", type=float, default=1.0, help="of the takes, for a quick try")
    parser.add_argument("--without", action="append", default=[], metavar="KIND", help="not fitted")
    parser.add_argument("--write", action="store_true", help="write meter_weights.json")
    parser.add_argument("--measure", action="store_true", help="the shipped network, without a fit")
    options = parser.parse_args()
    if options.measure:
        shipped = table(gather({}, max(1, int(options.share * TESTED))), None)
        print_tables(shipped, shipped)
        return
    drawn = {kind: max(1, int(options.share * n)) for kind, n in DRAWN.items()}
    data = gather(drawn, max(1, int(options.share * TESTED)))
    network = fit([d for d in data if d.fitted and d.kind not in options.without])
    print_tables(table(data, None), table(data, network))
    if options.write:
        write(network)


if __name__ == "__main__":
    main()
