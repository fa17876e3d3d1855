"""Training end to end on the processor, with a tiny network and clips of plain tones."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

torch = pytest.importorskip("torch")

from transcribe.core.errors import HandspanError  # noqa: E402
from transcribe.core.riff import ARTICULATIONS  # noqa: E402
from transcribe.notes import features as feat  # noqa: E402
from transcribe.notes.network import FIRST_MIDI, OUTPUTS, PITCHES, run_network  # noqa: E402
from transcribe.notes.note_decoding import FRAME_SEC  # noqa: E402
from transcribe.training.export import export  # noqa: E402
from transcribe.training.model import NoteNet, Settings  # noqa: E402
from transcribe.training.pool import Pool, label, render_pool  # noqa: E402
from transcribe.training.score import match, score_pool  # noqa: E402
from transcribe.training.targets import loss, make_targets  # noqa: E402
from transcribe.training.train import Plan, load_net, train  # noqa: E402

TINY = Settings(stem=8, width=16, steps=(1, 2), mix_after=(0,), rivals=4, head=16)
SECONDS = 2.0


@dataclass
class Played:
    """A note as the phrase generator gives it, as far as training looks."""

    onset_sec: float
    offset_sec: float
    pitch_midi: int
    articulation: str = "picked"
    curve: tuple[tuple[float, float], ...] = ()
    vibrato: tuple[float, float, float] | None = None


@dataclass
class Tones:
    """A clip of decaying tones."""

    y: np.ndarray
    notes: tuple[Played, ...]
    instrument: Any = field(default_factory=lambda: SimpleNamespace(offset_cents=0.0))
    rough: Any = field(default_factory=lambda: SimpleNamespace(talk_db=None))
    voice: np.ndarray | None = None


def tones(seed: int, group: str = "rest") -> Tones:
    """Six notes, one after another, over two seconds."""
    del group
    rng = np.random.default_rng(seed)
    t = np.arange(int(SECONDS * feat.SR)) / feat.SR
    y = 0.0005 * rng.standard_normal(t.size)
    notes = []
    for k in range(6):
        pitch, onset = int(rng.integers(45, 76)), 0.1 + 0.3 * k + 0.05 * rng.random()
        note = Played(onset, onset + 0.25, pitch)
        since = t - onset
        on = (since >= 0) & (since < 0.25)
        for n in range(1, 6):
            hz = 440.0 * 2.0 ** ((pitch - 69) / 12.0) * n
            y[on] += 0.2 / n * np.sin(2 * np.pi * hz * since[on]) * np.exp(-4.0 * since[on])
        notes.append(note)
    return Tones(y.astype(np.float32), tuple(notes))


@pytest.fixture(scope="module")
def pool_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with 32 clips, made by the pool's own worker."""
    folder = tmp_path_factory.mktemp("clips")
    workers = render_pool(
        folder, tones, groups={"rest": 1.0}, workers=1, seconds=60.0, most_files=4
    )
    for worker in workers:
        worker.join()
    return folder


@pytest.fixture(scope="module")
def trained(pool_folder: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    """A tiny network after 60 steps, and the folder with its weights and log."""
    out = tmp_path_factory.mktemp("run")
    threads = torch.get_num_threads()
    torch.set_num_threads(1)
    plan = Plan(
        seconds=120.0,
        steps=60,
        batch=8,
        frames=64,
        rate=1e-2,
        warm_steps=5,
        average=0.9,
        first_clips=32,
        capacity=32,
        transpose=1,
        settings=TINY,
    )
    net = train(
        plan,
        Pool(pool_folder),
        out=out,
        device=torch.device("cpu"),
        samples=int(SECONDS * feat.SR),
    )
    yield net, out
    torch.set_num_threads(threads)


def test_pool_gives_each_file_once_and_skips_groups(pool_folder: Path) -> None:
    pool = Pool(pool_folder)
    first = pool.fresh(at_most=3)
    assert len(first) == 3
    assert first[0]["audio"].shape == (8, int(SECONDS * feat.SR))
    assert len(pool.fresh()) == 1
    assert pool.fresh() == []
    assert Pool(pool_folder, skip=frozenset({"rest"})).fresh() == []


def test_label_keeps_the_notes_in_frames() -> None:
    clip = tones(3)
    bent = Played(0.5, 1.0, 60, "bend", curve=((0.0, 0.0), (0.2, 200.0)))
    labelled = label(Tones(clip.y, (*clip.notes, bent)))
    assert labelled.notes[0, 0] * FRAME_SEC == pytest.approx(clip.notes[0].onset_sec)
    assert ARTICULATIONS[int(labelled.notes[-1, 3])] == "bend"
    assert labelled.moved[:, 2].max() == pytest.approx(2.0)
    assert set(labelled.moved[:, 1]) == {60.0}


def test_make_targets_says_when_where_and_how() -> None:
    notes = torch.full((1, 3, 4), -1e9)
    notes[0, 0] = torch.tensor([10.3, 20.0, 60 - FIRST_MIDI, ARTICULATIONS.index("slide")])
    notes[0, 1] = torch.tensor([20.0, 30.0, 60 - FIRST_MIDI, 0.0])
    notes[0, 2] = torch.tensor([5.0, 9.0, PITCHES + 3, 0.0])  # off the pitch axis
    moved = torch.tensor([[[12.0, 60.0 - FIRST_MIDI, 1.5], [-1e9, 0.0, 0.0]]])
    targets = make_targets(notes, moved, torch.zeros(1, 40), frames=40)
    column = 60 - FIRST_MIDI
    assert targets.onset.sum() == targets.onset[0, :, column].sum()
    assert targets.onset[0, 10, column] == 1.0
    assert targets.shift[0, 10, column] == pytest.approx(0.3)
    assert targets.sounding[0, 10:30, column].all()
    assert targets.sounding.sum() == 20
    assert targets.articulation[0, 11, column] == ARTICULATIONS.index("slide")
    assert targets.moved[0, 12, column] == 1.5


def test_loss_is_least_for_the_right_answer() -> None:
    notes = torch.tensor([[[10.0, 20.0, 25.0, 0.0]]])
    targets = make_targets(notes, torch.full((1, 1, 3), -1e9), torch.zeros(1, 32), frames=32)
    answer = torch.zeros(1, OUTPUTS, 32, PITCHES)
    for row, plane in enumerate((targets.onset, targets.sounding, targets.offset)):
        answer[:, row] = 12.0 * (2.0 * plane - 1.0)
    answer[:, 5] = 9.0
    answer[:, -1] = -9.0  # nobody talks
    right, parts = loss(answer, targets)
    assert float(right) < 0.1
    assert set(parts) == {"onset", "sounding", "offset", "shift", "moved", "articulation", "voice"}
    answer[:, 0] = -answer[:, 0]
    assert float(loss(answer, targets)[0]) > float(right) + 1.0


def test_train_learns_and_keeps_a_log(trained: Any) -> None:
    net, out = trained
    log = json.loads((out / "log.json").read_text())
    assert log["steps"] == 60
    assert log["clips"] == 32
    assert log["plan"]["settings"]["width"] == TINY.width
    fresh = NoteNet(TINY)
    notes = torch.from_numpy(label(tones(999)).notes)[None].clone()
    notes[..., 2] -= FIRST_MIDI
    frames = feat.frame_count(int(SECONDS * feat.SR))
    still = torch.full((1, 1, 3), -1e9)
    targets = make_targets(notes, still, torch.zeros(1, frames), frames=frames)
    y = tones(999).y
    x = feat.features(y, first=0, last=frames, reference=feat.reference_power(y))
    with torch.no_grad():
        before = float(loss(fresh.eval()(torch.from_numpy(x)[None]), targets)[0])
        after = float(loss(net(torch.from_numpy(x)[None]), targets)[0])
    assert after < 0.6 * before


def test_export_answers_as_the_network_does(trained: Any, tmp_path: Path) -> None:
    net, out = trained
    again = load_net(out / "weights.pt")
    path = tmp_path / "tiny.onnx"
    export(again, path)
    y = tones(5).y
    frames = feat.frame_count(y.size)
    x = feat.features(y, first=0, last=frames, reference=feat.reference_power(y))
    with torch.no_grad():
        answer = net(torch.from_numpy(x)[None])[0].numpy()
    for piece in (1024, 30):
        heard = run_network(y, weights=path, piece_frames=piece)
        assert heard is not None
        assert np.abs(heard.bend - answer[4]).max() < 1e-3
        assert np.abs(heard.onset - 1.0 / (1.0 + np.exp(-answer[0]))).max() < 1e-3
    assert not list(tmp_path.glob("*.part"))


def test_export_refuses_weights_that_are_too_large(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("transcribe.training.export.MAX_BYTES", 1000)
    with pytest.raises(HandspanError, match="smaller"):
        export(NoteNet(TINY), tmp_path / "tiny.onnx")
    assert not (tmp_path / "tiny.onnx").exists()


def test_score_pool_counts_every_note(trained: Any, pool_folder: Path) -> None:
    net, _ = trained
    scores = score_pool(net, Pool(pool_folder), device=torch.device("cpu"), thresholds=(0.5,))
    assert scores["clips"] == 32
    assert scores["notes"] == 32 * 6
    assert 0.0 <= scores["f1"] <= 1.0


def test_match_uses_each_note_once() -> None:
    truth = [(1.0, 60), (1.04, 60), (2.0, 64)]
    found = [(1.02, 60), (2.0, 65), (2.049, 64), (2.2, 64)]
    assert sorted(match(truth, found))[-1] == (2, 2)
    assert len(match(truth, found)) == 2
    assert match([], found) == []
