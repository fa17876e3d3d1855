"""The shipped takes: truth that hangs together, and sound that bears it out."""

from __future__ import annotations

import hashlib
import itertools
import json
from pathlib import Path

import numpy as np
import pytest

from transcribe.core.errors import ParameterError
from transcribe.core.riff import LEGATO, Riff, legato_sources
from transcribe.formats.document import read_riff
from transcribe.training.boathouse import RIFFS, read_cell
from transcribe.training.fixtures import make_take, written_notes
from transcribe.training.phrases import MODES

TAKES = Path(__file__).resolve().parents[2] / "fixtures" / "takes"
NAMES = sorted(path.name for path in TAKES.iterdir() if path.is_dir())
CLASSES = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
# Triads by their symbols: music theory that every primer gives, common practice, no source.
TRIADS = {"": (0, 4, 7), "m": (0, 3, 7)}


def _class(name: str) -> int:
    return (CLASSES[name[0]] + name.count("#") - name.count("b")) % 12


def _truth(name: str) -> Riff:
    return read_riff(TAKES / name / "truth.riff.json")


def test_the_takes_are_there() -> None:
    assert set(RIFFS) < set(NAMES)
    meant = {(r.tonic, r.mode) for r in RIFFS.values()}
    assert len(meant) == len(RIFFS)
    assert ("D", "mixolydian") not in meant
    assert len({r.bpm for r in RIFFS.values()}) == len(RIFFS)
    drones = [r.drone_string for r in RIFFS.values() if r.drone_string]
    assert len(set(drones)) == len(drones) >= 3


@pytest.mark.parametrize("name", NAMES)
def test_truth_fits_the_file(name: str) -> None:
    riff = _truth(name)
    assert riff.source is not None
    assert riff.source.duration_sec is not None
    data = (TAKES / name / riff.source.file).read_bytes()
    assert hashlib.sha256(data).hexdigest() == riff.source.sha256
    assert 8.0 <= riff.source.duration_sec <= 20.1
    assert riff.notes[-1].onset_sec < riff.source.duration_sec
    assert "CC-BY 3.0" in (TAKES / name / "SOURCE.md").read_text(encoding="utf-8")


@pytest.mark.parametrize("name", NAMES)
def test_a_string_sounds_one_note(name: str) -> None:
    riff = _truth(name)
    for string in range(1, 7):
        line = [n for n in riff.notes if n.string == string]
        for a, b in itertools.pairwise(line):
            assert a.offset_sec <= b.onset_sec + 1e-4


@pytest.mark.parametrize("name", sorted(RIFFS))
def test_the_mode_that_is_meant_is_played(name: str) -> None:
    riff, written = _truth(name), RIFFS[name]
    assert riff.theory is not None
    assert riff.theory["mode"]["tonic"] == written.tonic
    tonic = _class(written.tonic)
    sounding = {(n.pitch_midi - tonic) % 12 for n in riff.notes}
    assert sounding <= set(MODES[written.mode])
    # No other mode on the same tonic holds all the notes that sound.
    fitting = [mode for mode, scale in MODES.items() if sounding <= set(scale)]
    assert fitting == [written.mode]


@pytest.mark.parametrize("name", [n for n in sorted(RIFFS) if RIFFS[n].drone_string])
def test_a_drone_stays_open_beside_one_string(name: str) -> None:
    riff = _truth(name)
    assert riff.drone is not None
    strokes = [n for n in riff.notes if n.string == riff.drone.string]
    assert all(n.fret == 0 for n in strokes)
    assert len(strokes) > 8
    melody = {n.string for n in riff.notes} - {riff.drone.string}
    assert len(melody) == 1
    assert abs(melody.pop() - riff.drone.string) == 1


@pytest.mark.parametrize("name", [n for n in sorted(RIFFS) if RIFFS[n].chords])
def test_the_chords_that_are_meant_are_played(name: str) -> None:
    riff, written = _truth(name), RIFFS[name]
    assert riff.theory is not None
    assert riff.theory["loop"]["symbols"] == [symbol for symbol, _ in written.chords]
    for chord in riff.theory["chords"]:
        symbol = chord["symbol"]
        root, kind = symbol.rstrip("m"), "m" if symbol.endswith("m") else ""
        wanted = {(_class(root) + step) % 12 for step in TRIADS[kind]}
        middle = (chord["start_sec"] + chord["end_sec"]) / 2
        inside = {
            n.pitch_midi % 12
            for n in riff.notes
            if chord["start_sec"] - 0.05 <= n.onset_sec < chord["end_sec"] - 0.05
            and n.onset_sec < middle + 10
        }
        assert inside == wanted, symbol


def test_legato_has_its_source() -> None:
    riff = _truth("gangplank")
    carried = [n for n in riff.notes if n.articulation in LEGATO]
    assert {n.articulation for n in carried} == LEGATO
    assert set(legato_sources(riff.notes)) == {n.id for n in carried}


@pytest.mark.parametrize("name", NAMES)
def test_notes_sound_where_truth_says(name: str) -> None:
    import librosa

    from transcribe.audio import read_audio

    riff = _truth(name)
    assert riff.source is not None
    recording = read_audio(TAKES / name / riff.source.file)
    y = librosa.resample(recording.y, orig_sr=recording.sr, target_sr=22050)
    flux = librosa.onset.onset_strength(y=y, sr=22050, hop_length=128, n_fft=1024)
    times = librosa.times_like(flux, sr=22050, hop_length=128)

    def rise(shift_sec: float) -> float:
        onsets = [n.onset_sec + shift_sec for n in riff.notes if n.articulation == "picked"]
        at = [flux[np.abs(times - onset) < 0.02].max(initial=0.0) for onset in onsets]
        return float(np.median(at))

    assert rise(0.0) > 2.0 * max(rise(-0.1), rise(0.09))


def test_student_takes_say_what_is_wrong() -> None:
    reference = _truth("mooring")
    for name in ("mooring-steady", "mooring-slips"):
        take = _truth(name)
        truth = json.loads((TAKES / name / "mistakes.json").read_text(encoding="utf-8"))
        rows = truth["notes"]
        assert sorted(r["reference"] for r in rows if r["reference"] is not None) == list(
            range(len(reference.notes))
        )
        assert sorted(r["take"] for r in rows if r["take"] is not None) == list(
            range(len(take.notes))
        )
        assert sum(truth["summary"].values()) == len(rows)
        assert take.rhythm is not None
        assert reference.rhythm is not None
        assert truth["tempo_ratio"] == pytest.approx(
            take.rhythm.bpm / reference.rhythm.bpm, abs=1e-3
        )
        for row in rows:
            if row["reference"] is None or row["take"] is None:
                assert row["verdict"] == ("extra" if row["reference"] is None else "missed")
                continue
            a, b = reference.notes[row["reference"]], take.notes[row["take"]]
            assert (a.pitch_midi == b.pitch_midi) is (row["verdict"] != "wrong")
        slips = {r["verdict"] for r in rows} - {"right"}
        if name == "mooring-steady":
            assert not slips
        else:
            assert slips == {"wrong", "missed", "extra", "early", "late"}
            assert truth["drone"]["left_to_die"]["string"] == 5


@pytest.mark.parametrize("name", sorted(RIFFS))
def test_a_take_can_be_rendered_again(name: str) -> None:
    from transcribe.sound import pluck
    from transcribe.training.banks import LEAD, SR, RecordedBank, RecordedNote

    notes = []
    for midi in range(38, 76, 3):
        y = pluck(440 * 2 ** ((midi - 69) / 12), sr=SR, duration_sec=2.0)
        notes.append(RecordedNote(float(midi), np.concatenate([np.zeros(LEAD, np.float32), y])))
    _, riff, verdicts = make_take(RIFFS[name], bank=RecordedBank("stand-in", tuple(notes)))
    shipped = _truth(name)
    assert verdicts == []
    assert len(riff.notes) == len(shipped.notes) == len(written_notes(RIFFS[name]))
    for a, b in zip(riff.notes, shipped.notes, strict=True):
        assert (a.string, a.fret, a.articulation) == (b.string, b.fret, b.articulation)
        assert a.onset_sec == pytest.approx(b.onset_sec, abs=1e-4)


def test_a_cell_that_cannot_be_read_is_named() -> None:
    assert read_cell("0 1 4/7, 1 .5 4/9h")[1].articulation == "hammer-on"
    with pytest.raises(ParameterError, match="'1 4/9' is not a note"):
        read_cell("0 1 4/7, 1 4/9")


def test_ogg_files_come_out_the_same_and_whole(rng: np.random.Generator) -> None:
    import io

    import soundfile

    from transcribe.training.fixtures import encoded

    y = (0.1 * rng.standard_normal(22050)).astype(np.float32)
    first, second = (encoded(y, "take.ogg", 22050) for _ in range(2))
    assert first == second
    # The reader drops pages whose checksum (RFC 3533) is wrong, so all samples must come back.
    back, rate = soundfile.read(io.BytesIO(first))
    assert (rate, len(back)) == (22050, 22050)
    spoiled = bytearray(first)
    spoiled[-1] ^= 0xFF
    short, _ = soundfile.read(io.BytesIO(bytes(spoiled)))
    assert len(short) < 22050
