"""Damaged files are read, or refused in one line; nothing dies of them and nothing hangs."""

from __future__ import annotations

import io
import json
import random
import re
import zipfile
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.formats.damage import SUFFIX, damage, seeds
from tests.formats.reading import Outcome, Reader
from transcribe.audio import read_audio
from transcribe.core.errors import AudioError, FormatError
from transcribe.formats import read_any

_INPUTS = 50
_MOST_LETTERS = 400


@pytest.mark.parametrize("kind", sorted(SUFFIX))
def test_damaged_files_are_read_or_refused_in_a_line(kind: str, tmp_path: Path) -> None:
    rng = random.Random(f"suite {kind}")
    whole = seeds()[kind]
    outcomes: list[tuple[bytes, Outcome]] = []
    with Reader(tmp_path) as reader:
        assert reader.outcome(whole[0], SUFFIX[kind]).kind == "read"
        for _ in range(_INPUTS):
            data = damage(kind, whole, rng)
            outcomes.append((data, reader.outcome(data, SUFFIX[kind])))
    assert [o for _, o in outcomes if o.kind not in ("read", "refused")] == []
    lines = [o.told for _, o in outcomes if o.kind == "refused"]
    assert [line for line in lines if "\n" in line or len(line) > _MOST_LETTERS] == []
    assert lines


# Inputs that once broke a reader --------------------------------------------------------------


def _score(tmp_path: Path) -> Path:
    path = tmp_path / "one.mxl"
    path.write_bytes(seeds()["mxl"][0])
    return path


def test_an_archive_that_points_before_its_start(tmp_path: Path) -> None:
    path = _score(tmp_path)
    data = path.read_bytes()
    path.write_bytes(data[:40] + data[42:])  # places are counted back from the end
    with pytest.raises(FormatError, match="damaged archive"):
        read_any(path)


def test_an_archive_whose_packing_is_damaged(tmp_path: Path) -> None:
    path = _score(tmp_path)
    with zipfile.ZipFile(path) as archive:
        at = archive.getinfo("score.xml").header_offset + 60
    data = bytearray(path.read_bytes())
    data[at : at + 40] = b"\xff" * 40
    path.write_bytes(data)
    with pytest.raises(FormatError, match="damaged archive"):
        read_any(path)


def _jams(tmp_path: Path, **row: object) -> Path:
    whole = {"time": 4.0, "duration": 0.5, "value": 60.0, "confidence": 1.0} | row
    value = {"annotations": [{"namespace": "note_midi", "data": [whole], "sandbox": {}}]}
    path = tmp_path / "one.jams"
    path.write_text(json.dumps(value))
    return path


def test_a_note_too_short_to_end_after_its_onset(tmp_path: Path) -> None:
    with pytest.raises(FormatError, match="duration over 0"):
        read_any(_jams(tmp_path, duration=1e-300))


def test_a_note_past_what_a_document_may_hold(tmp_path: Path) -> None:
    with pytest.raises(FormatError, match=r"one\.jams: .* the most is 14400; cut the riff"):
        read_any(_jams(tmp_path, time=5e5))


def test_a_value_of_thousands_of_letters_is_cut_in_the_message(tmp_path: Path) -> None:
    with pytest.raises(FormatError) as caught:
        read_any(_jams(tmp_path, time="A" * 5000))
    assert len(str(caught.value)) < len(str(tmp_path)) + 200
    assert "..." in str(caught.value)


def test_a_tuning_of_hundreds_of_words_is_cut_in_the_message(tmp_path: Path) -> None:
    text = seeds()["tab"][0].decode()
    path = tmp_path / "one.txt"
    path.write_text(text.replace("E4 B3 G3 D3", "E4 B3 G3 D3 " * 50))
    with pytest.raises(FormatError) as caught:
        read_any(path)
    assert len(str(caught.value)) < len(str(tmp_path)) + 250
    assert "..." in str(caught.value)


def test_a_time_of_300_digits_in_midi(tmp_path: Path) -> None:
    """A time in MIDI goes on as long as its bytes have their highest bit set."""
    data = (Path(__file__).parent / "damaged" / "beats-without-end.mid").read_bytes()
    path = tmp_path / "one.mid"
    path.write_bytes(data)
    with pytest.raises(FormatError, match="time of over four bytes"):
        read_any(path)


def test_a_bar_number_of_400_digits(tmp_path: Path) -> None:
    text = seeds()["tab"][0].decode()
    line = next(line for line in text.splitlines() if line.startswith("1 "))
    path = tmp_path / "one.txt"
    path.write_text(text.replace(line, "9" * 400 + line[1:]))
    beats = [note.onset_beat for note in read_any(path).notes]
    whole = tmp_path / "whole.txt"
    whole.write_text(text)
    assert beats == [note.onset_beat for note in read_any(whole).notes]


def test_a_stream_that_goes_from_one_channel_to_two(tmp_path: Path) -> None:
    """Two MP3 streams one after the other, as a recorder that was plugged in leaves them."""
    time = np.arange(24_000) / 24_000
    tone = 0.3 * np.sin(2 * np.pi * 220 * time)
    data = b""
    for samples in (tone, np.stack([tone, tone], axis=1)):
        file = io.BytesIO()
        soundfile.write(file, samples, 24_000, format="MP3")
        data += file.getvalue()
    path = tmp_path / "two.mp3"
    path.write_bytes(data)
    recording = read_audio(path)
    assert recording.y.ndim == 1
    assert recording.duration_sec > 1.5
    assert float(np.sqrt(np.mean(recording.y[30_000:40_000] ** 2))) == pytest.approx(0.21, abs=0.04)


def test_a_recorder_that_changes_its_rate_on_the_way(tmp_path: Path) -> None:
    """Frames of another rate and of two channels, in a kind that libsndfile does not read."""
    av = pytest.importorskip("av")
    tone = 0.3 * np.sin(2 * np.pi * 220 * np.arange(48_000) / 48_000).astype(np.float32)
    data = b""
    for rate, layout in ((24_000, "mono"), (48_000, "stereo")):
        file = io.BytesIO()
        with av.open(file, "w", format="adts") as container:
            stream = container.add_stream("aac", rate=rate, layout=layout)
            channels = 1 if layout == "mono" else 2
            samples = np.tile(tone[:rate], (channels, 1))
            frame = av.AudioFrame.from_ndarray(samples, format="fltp", layout=layout)
            frame.sample_rate = rate
            for packet in (*stream.encode(frame), *stream.encode(None)):
                container.mux(packet)
        data += file.getvalue()
    path = tmp_path / "two.aac"
    path.write_bytes(data)
    assert read_audio(path).duration_sec > 1.5


def test_endings_that_nothing_leads_to(tmp_path: Path) -> None:
    path = tmp_path / "one.txt"
    text = next(t for t in map(bytes.decode, seeds()["tab"]) if re.search(r"(?m)^1$", t))
    path.write_text(re.sub(r"(?m)^1$", "1.2.3", text))
    with pytest.raises(FormatError, match="endings without a repeat"):
        read_any(path)


def test_a_title_of_half_a_character_in_jams(tmp_path: Path) -> None:
    value = json.loads(seeds()["jams"][0])
    value["file_metadata"]["title"] = "\ud800"
    path = tmp_path / "one.jams"
    path.write_text(json.dumps(value))
    with pytest.raises(FormatError, match="half a character"):
        read_any(path)


def test_a_chord_beyond_all_time(tmp_path: Path) -> None:
    value = json.loads(next(data for data in seeds()["riff"] if b'"chords"' in data))
    value["theory"]["chords"][0]["start_sec"] = -1e308
    path = tmp_path / "one.riff.json"
    path.write_text(json.dumps(value))
    with pytest.raises(FormatError, match="expected at most 14400 seconds"):
        read_any(path)


def test_a_wav_of_a_kind_that_no_decoder_knows(tmp_path: Path) -> None:
    file = io.BytesIO()
    soundfile.write(file, np.zeros(4_000), 24_000, format="WAV", subtype="PCM_16")
    data = file.getvalue()
    at = data.index(b"fmt ") + 8
    path = tmp_path / "one.wav"
    path.write_bytes(data[:at] + b"\x7b\x5a" + data[at + 2 :])  # a format tag that nobody took
    with pytest.raises(AudioError, match="not a recording that can be decoded"):
        read_audio(path)


def test_a_tuning_of_a_hundred_strings_in_jams(tmp_path: Path) -> None:
    value = json.loads(seeds()["jams"][0])
    text = json.dumps(value)
    start = text.index('"open_midi": [') + len('"open_midi": [')
    path = tmp_path / "one.jams"
    path.write_text(text[:start] + "40, " * 200 + text[start:])
    with pytest.raises(FormatError, match="open_midi") as caught:
        read_any(path)
    assert len(str(caught.value)) < len(str(path)) + 150


def test_a_length_of_hundreds_of_digits_in_midi(tmp_path: Path) -> None:
    whole = seeds()["midi"][0]
    first = whole.index(b"MTrk") + 8
    path = tmp_path / "one.mid"
    path.write_bytes(whole[:first] + b"\x00\xff\x01" + b"\xff" * 900 + b"\x00" + whole[first:])
    with pytest.raises(FormatError, match="damaged MIDI file") as caught:
        read_any(path)
    assert len(str(caught.value)) < len(str(path)) + 200
