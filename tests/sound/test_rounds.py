"""Practice sound: where rounds, clicks and notes lie, how loud it is, what is refused."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest

import transcribe
from transcribe.audio import read_audio
from transcribe.core.clock import Clock
from transcribe.core.errors import FormatError, ParameterError
from transcribe.core.riff import Riff
from transcribe.formats.document import read_riff
from transcribe.sound import render_riff
from transcribe.sound.rounds import CEILING

SR = 22050
MOORING = Path(__file__).parent.parent.parent / "fixtures" / "takes" / "mooring"


@pytest.fixture(scope="module")
def riff() -> Riff:
    return read_riff(MOORING / "truth.riff.json")


@pytest.fixture(scope="module")
def take(riff) -> np.ndarray:
    return 0.05 * render_riff(riff, sr=SR)  # a recording far too soft


def _loudness_db(y: np.ndarray) -> float:
    sounding = y[np.abs(y) > 0.003 * np.abs(y).max()]
    return float(20 * np.log10(np.sqrt(np.mean(sounding**2))))


@pytest.mark.parametrize("play", ["tab", "take"])
def test_notes_lie_where_rounds_and_tempo_put_them(riff, take, play) -> None:
    made = transcribe.practice_sound(
        riff, play=play, take=take, speeds=(0.6, 0.9), times=2, bars=(2, 3), sr=SR, click=False
    )
    clock = Clock(riff.rhythm)
    start, end = clock.sec(4), clock.sec(12)
    assert [each.speed for each in made.rounds] == [0.6, 0.6, 0.9, 0.9]
    # A bar of clicks comes before each speed, and the rounds follow each other in tempo.
    bar = (clock.sec(5) - start) * 4
    wanted = [bar / 0.6, bar / 0.6 + (end - start) / 0.6]
    wanted.append(wanted[1] + (end - start) / 0.6 + bar / 0.9)
    assert [each.start_sec for each in made.rounds[:3]] == pytest.approx(wanted)
    onsets = np.array([note.onset_sec for note in riff.notes])
    errors = []
    for each in made.rounds:
        truth = render_riff(riff, sr=SR, speed=each.speed)
        for note in riff.notes:
            beat = clock.beat(note.onset_sec)
            alone = not np.any((onsets < note.onset_sec) & (onsets > note.onset_sec - 0.08))
            if not 3.9 < beat < 11.9 or note.articulation != "picked" or not alone:
                continue
            own = _attack(truth, note.onset_sec / each.speed)
            found = _attack(made.y, each.start_sec + (note.onset_sec - start) / each.speed)
            if own is not None:
                errors.append(found - each.start_sec - own + start / each.speed)
    assert len(errors) == 4 * 10
    assert np.abs(errors).max() < 0.010


def _attack(y: np.ndarray, near_sec: float) -> float | None:
    from tests.sound.test_slowing import attack_sec

    return attack_sec(y, near_sec, 0.03)


def test_clicks_lie_on_the_beats_and_the_count(riff) -> None:
    made = transcribe.practice_sound(riff, speeds=(0.5,), times=3, bars=(1, 1), sr=SR)
    beat = np.diff(Clock(riff.rhythm).sec(np.arange(5.0)))
    assert len(made.clicks_sec) == 4 + 3 * 4
    steps = np.diff(made.clicks_sec)
    assert steps == pytest.approx(np.tile(beat / 0.5, 4)[: len(steps)], abs=0.01)
    silent = transcribe.practice_sound(
        riff, speeds=(0.5,), times=3, bars=(1, 1), sr=SR, click=False, count_in=False
    )
    assert silent.clicks_sec == ()
    assert silent.rounds[0].start_sec == 0


def test_nothing_clips_and_levels_agree(riff, take) -> None:
    told = transcribe.theory_report(riff).as_document()
    riff = dataclasses.replace(riff, theory=told)
    loud = []
    for play in ("tab", "take", "drone", "chords"):
        options: dict = {"play": play, "take": take, "speeds": (0.6, 1.0), "times": 2, "sr": SR}
        assert np.abs(transcribe.practice_sound(riff, **options).y).max() <= CEILING
        bare = transcribe.practice_sound(riff, click=False, count_in=False, **options)
        loud.append(_loudness_db(bare.y))
    assert np.ptp(loud) < 2.0


def test_the_drone_and_the_chords_are_those_of_the_riff(riff) -> None:
    from tests.sound.test_slowing import pitch_midi

    options: dict = {"sr": SR, "times": 1, "click": False, "count_in": False}
    drone = transcribe.practice_sound(riff, play="drone", **options)
    low = riff.instrument.pitch_midi(riff.drone.string, 0)
    assert pitch_midi(drone.y, 0.2, 1.5, low) == pytest.approx(low, abs=0.1)
    bar = 4 * 60 / riff.rhythm.bpm
    assert drone.rounds[0].end_sec == pytest.approx(4 * bar)
    chords = transcribe.practice_sound(riff, play="chords", speeds=(0.5,), **options)
    bars = transcribe.theory_report(riff).loop.bars
    assert chords.rounds[0].end_sec == pytest.approx(bars * bar / 0.5, rel=1e-3)


def test_a_phrase_is_played_by_its_letter(riff) -> None:
    phrase = riff.rhythm.phrases[0]
    made = transcribe.practice_sound(riff, phrase=phrase.label, times=1, sr=SR)
    clock = Clock(riff.rhythm)
    wanted = clock.sec(phrase.end_beat) - clock.sec(phrase.start_beat)
    assert made.rounds[0].end_sec - made.rounds[0].start_sec == pytest.approx(wanted)


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"bars": (3, 99)}, "bars 3 to 99 are not there; the riff has bars 1 to"),
        ({"bars": (4, 2)}, "bars 4 to 2 are not there"),
        ({"phrase": "Z"}, "no phrase is called 'Z'; there are A"),
        ({"speeds": (0.1,)}, "a speed is 25% to 200%"),
        ({"speeds": ()}, "not none"),
        ({"times": 0}, "1 to 99 times"),
        ({"times": 99, "speeds": (0.25, 0.3)}, "an hour is the most"),
        ({"play": "take"}, "there is no recording"),
        ({"play": "take", "take": np.zeros(SR, np.float32)}, "the recording is silent"),
        ({"play": "bagpipe"}, "cannot be played; choose one of tab"),
    ],
)
def test_what_cannot_be_played_is_refused(riff, options, words) -> None:
    with pytest.raises(ParameterError, match=words):
        transcribe.practice_sound(riff, sr=SR, **options)


def test_a_riff_without_bars_is_played_whole(riff) -> None:
    bare = dataclasses.replace(
        riff,
        rhythm=None,
        notes=tuple(dataclasses.replace(n, onset_beat=None) for n in riff.notes),
    )
    made = transcribe.practice_sound(bare, times=2, sr=SR)
    assert made.clicks_sec == ()
    assert len(made.rounds) == 2
    with pytest.raises(ParameterError, match="has no bars yet"):
        transcribe.practice_sound(bare, bars=(1, 2), sr=SR)
    with pytest.raises(ParameterError, match="no notes"):
        transcribe.practice_sound(Riff())


@pytest.mark.parametrize("kind", ["wav", "flac", "ogg", "mp3"])
def test_a_file_is_read_back_as_it_was_made(riff, tmp_path, kind) -> None:
    made = transcribe.practice_sound(riff, speeds=(0.8,), times=1, bars=(1, 2), sr=44100)
    path = tmp_path / f"bars.{kind}"
    transcribe.write_sound(made, path)
    heard = read_audio(path)
    assert heard.sr == 44100
    assert abs(len(heard.y) - len(made.y)) <= 2400  # frames of MP3 are whole
    assert np.abs(heard.y).max() < 1.0
    size = min(len(heard.y), len(made.y))
    error = heard.y[:size] - made.y[:size]
    assert np.std(error) < 0.12 * np.std(made.y)


def test_an_unknown_suffix_and_a_missing_folder_are_refused(riff, tmp_path) -> None:
    made = transcribe.practice_sound(riff, times=1, bars=(1, 1), sr=SR)
    with pytest.raises(ParameterError, match=r"choose wav, flac, ogg, mp3"):
        transcribe.write_sound(made, tmp_path / "bars.xyz")
    with pytest.raises(FormatError, match="cannot be written"):
        transcribe.write_sound(made, tmp_path / "none" / "bars.wav")
    assert list(tmp_path.iterdir()) == []
