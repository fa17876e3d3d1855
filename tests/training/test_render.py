"""Rendered notes against what the labels say, measured from the sound."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from transcribe.sound.plucked_string import pluck
from transcribe.training.banks import LEAD, SR, RecordedBank, RecordedNote, SynthBank
from transcribe.training.phrases import PlayedNote
from transcribe.training.render import (
    Touch,
    add_guitar_noise,
    add_sympathy,
    draw_touch,
    moved_cents,
    render,
)


@pytest.fixture(scope="module")
def recorded() -> RecordedBank:
    """A bank as a recorded one is laid out: a note every three semitones, none in tune."""
    notes = []
    for i, midi in enumerate(range(38, 80, 3)):
        pitch = midi + 0.07 * (-1) ** i
        y = pluck(440 * 2 ** ((pitch - 69) / 12), sr=SR, duration_sec=4.0)
        lead = np.zeros(LEAD, np.float32)
        notes.append(RecordedNote(pitch, np.concatenate([lead, y])))
    return RecordedBank("recorded", tuple(notes))


def _render(notes: list[PlayedNote], bank, *, seconds: float = 4.0, **options):
    rng = np.random.default_rng(5)
    return render(notes, bank=bank, rng=rng, duration_sec=seconds, **options)


def _note(onset: float, offset: float, midi: int, string: int = 3, **more) -> PlayedNote:
    return PlayedNote(onset, offset, midi, string, 5, **more)


def _tone(y: np.ndarray, start: float, end: float, midi: float) -> float:
    piece = y[round(start * SR) : round(end * SR)]
    t = np.arange(len(piece)) / SR
    hz = 440 * 2 ** ((midi - 69) / 12)
    return float(np.abs(np.sum(piece * np.hanning(len(piece)) * np.exp(-2j * np.pi * hz * t))))


def _pitch(y: np.ndarray, start: float, end: float, near: float) -> float:
    grid = np.arange(near - 1.5, near + 1.5, 0.01)
    return float(grid[int(np.argmax([_tone(y, start, end, m) for m in grid]))])


@pytest.mark.parametrize("midi", [40, 52, 53, 67, 76])
@pytest.mark.parametrize("offset_cents", [0.0, 35.0])
def test_recorded_notes_come_out_in_tune_and_on_time(
    recorded: RecordedBank, midi: int, offset_cents: float
) -> None:
    y, _ = _render([_note(0.5, 2.5, midi)], recorded, offset_cents=offset_cents)
    assert _pitch(y, 0.6, 2.2, midi) == pytest.approx(midi + offset_cents / 100, abs=0.02)
    loud = np.abs(y) > 0.05 * np.abs(y).max()
    assert int(np.argmax(loud)) / SR == pytest.approx(0.5, abs=0.003)


def test_onsets_hold_with_an_uneven_player() -> None:
    rng = np.random.default_rng(8)
    missed = []
    for seed in range(12):
        bank = SynthBank().for_clip(np.random.default_rng(seed))
        touch = replace(draw_touch(np.random.default_rng(seed)), pick_noise=0.0)
        onset = float(rng.uniform(0.2, 0.6))
        y, _ = render(
            [_note(onset, 1.5, int(rng.integers(40, 80)))],
            bank=bank,
            rng=np.random.default_rng(seed),
            duration_sec=2.0,
            touch=touch,
        )
        peak = np.abs(y[round(onset * SR) : round((onset + 0.08) * SR)]).max()
        at = int(np.argmax(np.abs(y) > 0.125 * peak)) / SR
        missed.append(abs(at - onset))
    assert max(missed) < 0.003


def test_a_note_ends_where_it_is_damped_or_has_died(recorded: RecordedBank) -> None:
    damped = _note(0.2, 0.8, 50)
    rings = _note(1.5, 6.0, 76)
    y, (first, second) = _render([damped, rings], recorded, seconds=6.0)
    assert first.offset_sec == 0.8
    assert second.offset_sec < 6.0
    block = SR // 50
    level = np.sqrt(np.mean(y[: len(y) // block * block].reshape(-1, block) ** 2, axis=1))
    level_db = 20 * np.log10(level / level[75:].max() + 1e-9)
    at = round(second.offset_sec * 50)
    assert level_db[at - 3] > -42.0
    assert level_db[at + 3 :].max() < -38.0
    assert level[round(0.92 * 50) : 73].max() < 1e-3 * level.max()


def test_a_restruck_string_stops_its_old_note(recorded: RecordedBank) -> None:
    y, _ = _render([_note(0.2, 1.0, 50), _note(1.0, 3.0, 57)], recorded)
    assert _tone(y, 1.2, 2.2, 57) > 30 * _tone(y, 1.2, 2.2, 50)
    ringing, _ = _render([_note(0.2, 3.0, 50, 4), _note(1.0, 3.0, 57, 3)], recorded)
    assert _tone(ringing, 1.2, 2.2, 50) > 0.05 * _tone(ringing, 1.2, 2.2, 57)


def test_a_slide_arrives_at_its_onset(recorded: RecordedBank) -> None:
    notes = [_note(0.2, 1.0, 52), _note(1.0, 2.0, 55, articulation="slide", source=0)]
    y, _ = _render(notes, recorded)
    assert _pitch(y, 0.4, 0.8, 52) == pytest.approx(52, abs=0.05)
    assert _pitch(y, 1.02, 1.9, 55) == pytest.approx(55, abs=0.05)


def test_a_bend_follows_its_curve(recorded: RecordedBank) -> None:
    curve = ((0.0, 0.0), (0.5, 0.0), (0.7, 200.0))
    bent = _note(0.2, 2.2, 60, articulation="bend", bend_cents=200.0, curve=curve)
    y, _ = _render([bent], recorded)
    assert _pitch(y, 0.25, 0.65, 60) == pytest.approx(60, abs=0.06)
    assert _pitch(y, 1.0, 2.1, 62) == pytest.approx(62, abs=0.06)


@pytest.mark.parametrize("how", ["hammer-on", "pull-off"])
def test_legato_has_a_softer_attack_than_a_stroke(recorded: RecordedBank, how: str) -> None:
    second = _note(1.0, 2.0, 55 if how == "hammer-on" else 50)
    first = _note(0.2, 1.0, 52)
    struck, _ = _render([first, second], recorded)
    carried, _ = _render([first, replace(second, articulation=how, source=0)], recorded)

    def attack(y: np.ndarray) -> float:
        edge = np.abs(np.diff(y, 2))
        return float(edge[round(1.0 * SR) : round(1.02 * SR)].max())

    assert attack(struck) > 2 * attack(carried)


def test_two_takes_of_one_phrase_differ_in_touch_only(recorded: RecordedBank) -> None:
    notes = [_note(0.2, 1.0, 52)]
    plain, _ = _render(notes, recorded)
    again, _ = _render(notes, recorded)
    coloured, _ = _render(notes, recorded, touch=Touch(colour_db=6.0))
    assert np.array_equal(plain, again)
    assert not np.allclose(plain, coloured, atol=1e-3)


def test_guitar_noise_adds_no_pitch(rng: np.random.Generator) -> None:
    y = 0.1 * rng.standard_normal(4 * SR).astype(np.float32)
    before = y.copy()
    for _ in range(4):
        add_guitar_noise(y, rng, 1.0)
    assert np.isfinite(y).all()
    assert not np.array_equal(y, before)


def test_open_strings_ring_along_with_what_they_share(recorded: RecordedBank) -> None:
    y, _ = _render([_note(0.2, 1.0, 57)], recorded)
    plain = y.copy()
    add_sympathy(y, (45.0, 51.0), np.random.default_rng(1), 0.0)
    # After the note is damped, the open A below it still answers at the pitch that they share.
    answer = y - plain
    assert _tone(answer, 1.1, 1.5, 57) > 10 * _tone(answer, 1.1, 1.5, 63)
    assert _tone(answer, 1.1, 1.5, 57) > 10 * _tone(plain, 1.1, 1.5, 57)


def test_a_soft_attack_does_not_move_the_label(recorded: RecordedBank) -> None:
    note = _note(0.5, 2.5, 52)
    hard, _ = _render([note], recorded)
    soft, (kept,) = _render([note], recorded, touch=Touch(attack_sec=0.012))
    assert kept.onset_sec == 0.5
    start = slice(round(0.5 * SR), round(0.505 * SR))
    assert np.abs(soft[start]).max() < 0.8 * np.abs(hard[start]).max()
    loud = np.abs(soft) > 0.05 * np.abs(soft).max()
    assert int(np.argmax(loud)) / SR == pytest.approx(0.5, abs=0.003)


def test_moved_cents_follow_the_curve_and_the_vibrato() -> None:
    bend = _note(0.0, 1.0, 60, curve=((0.0, 0.0), (0.2, 0.0), (0.3, 200.0)))
    since = np.array([0.1, 0.25, 0.3, 0.6])
    assert moved_cents(bend, since) == pytest.approx([0.0, 100.0, 200.0, 200.0])
    # 5 Hz and 40 cents from 0.1 s on, in full after 0.2 s more: the crests lie half a period on.
    shaken = _note(0.0, 1.0, 60, vibrato=(5.0, 40.0, 0.1))
    assert moved_cents(shaken, np.array([0.05, 0.4, 0.5])) == pytest.approx([0.0, 40.0, 0.0])
