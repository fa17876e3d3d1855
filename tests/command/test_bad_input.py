"""Bad input: one clear line on stderr, exit code 1, no half-written file."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile as sf

from transcribe.command.main import main

SR = 22050


def _text(path: Path) -> None:
    path.write_text("this is a shopping list, not a recording\n", encoding="utf-8")


def _empty(path: Path) -> None:
    path.write_bytes(b"")


def _no_samples(path: Path) -> None:
    sf.write(path, np.zeros(0, dtype=np.float32), SR)


def _silent(path: Path) -> None:
    sf.write(path, np.zeros(3 * SR, dtype=np.float32), SR)


def _noise(path: Path) -> None:
    rng = np.random.default_rng(3)
    sf.write(path, 0.1 * rng.standard_normal(4 * SR).astype(np.float32), SR)


def _not_a_number(path: Path) -> None:
    samples = np.full(3 * SR, np.nan, dtype=np.float32)
    sf.write(path, samples, SR, subtype="FLOAT")


def _header_only(path: Path) -> None:
    sf.write(path, np.zeros(SR, dtype=np.float32), SR)
    path.write_bytes(path.read_bytes()[:30])


RECORDINGS: dict[str, Callable[[Path], None]] = {
    "not audio": _text,
    "empty": _empty,
    "no samples": _no_samples,
    "silent": _silent,
    "noise only": _noise,
    "NaN": _not_a_number,
    "cut off in the header": _header_only,
}


def _assert_one_line(capsys: pytest.CaptureFixture[str]) -> str:
    captured = capsys.readouterr()
    lines = [line for line in captured.err.splitlines() if line.startswith("handspan: ")]
    assert len(lines) == 1
    assert "Traceback" not in captured.err
    assert captured.out == ""
    assert len(lines[0]) > len("handspan: ") + 20
    return lines[0]


@pytest.mark.parametrize("kind", RECORDINGS)
def test_bad_recording(kind: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    take = tmp_path / "take.wav"
    RECORDINGS[kind](take)
    assert main(["transcribe", str(take)]) == 1
    _assert_one_line(capsys)
    assert [path.name for path in tmp_path.iterdir()] == ["take.wav"]


def test_missing_recording(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["transcribe", str(tmp_path / "none.wav")]) == 1
    assert "none.wav" in _assert_one_line(capsys)


def test_long_recording_is_refused_before_the_work(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    take = tmp_path / "take.wav"
    sf.write(take, np.zeros(10 * SR, dtype=np.float32), SR)
    assert main(["transcribe", str(take), "--max-minutes", "0.1"]) == 1
    _assert_one_line(capsys)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--tuning", "E4,H3"], "H3"),
        (["--tuning", "banjo-ish"], "banjo-ish"),
        (["--capo", "40"], "40"),
        (["--frets", "99"], "99"),
    ],
)
def test_wrong_instrument(
    arguments: list[str], words: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    take = tmp_path / "take.wav"
    _silent(take)
    assert main(["transcribe", str(take), *arguments]) == 1
    assert words in _assert_one_line(capsys)


_NOTE = {"id": 1, "onset_sec": 0.0, "offset_sec": 1.0, "pitch_midi": 62}


@pytest.mark.parametrize(
    ("document", "words"),
    [
        ("{", "not JSON"),
        ("[]", "expected an object"),
        ('{"handspan": 9, "notes": []}', "handspan"),
        ('{"handspan": 1, "notes": [{"id": 1}]}', "notes[0]"),
        (json.dumps({"handspan": 1, "notes": [_NOTE, _NOTE]}), "share an id"),
        (json.dumps({"handspan": 1, "notes": [_NOTE | {"onset_sec": "NaN"}]}), "onset_sec"),
        ('{"handspan": 1, "notes": [{"id": 1, "onset_sec": NaN}]}', "onset_sec"),
        (json.dumps({"handspan": 1, "notes": [_NOTE | {"string": 3, "fret": 5}]}), "sounds"),
    ],
)
@pytest.mark.parametrize("command", ["show", "refinger", "theory"])
def test_malformed_document(
    command: str, document: str, words: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "bad.riff.json"
    path.write_text(document, encoding="utf-8")
    assert main([command, str(path)]) == 1
    assert words in _assert_one_line(capsys)
    assert path.read_text(encoding="utf-8") == document
    assert [p.name for p in tmp_path.iterdir()] == ["bad.riff.json"]


@pytest.mark.parametrize("pin", ["99=1/3", "1=3/8", "1=9/1", "1", "x=1/2"])
def test_bad_pin(pin: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "one.riff.json"
    text = json.dumps({"handspan": 1, "notes": [_NOTE | {"string": 3, "fret": 7}]})
    path.write_text(text, encoding="utf-8")
    assert main(["refinger", str(path), "--pin", pin]) == 1
    _assert_one_line(capsys)
    assert path.read_text(encoding="utf-8") == text


@pytest.mark.parametrize(
    ("name", "data"),
    [
        ("bad.mid", b"MThd\x00\x00\x00\x06\x00\x01"),
        ("bad.musicxml", b"<score-partwise><part></score-partwise>"),
        ("bad.tab.txt", b"no tab lines at all\n"),
        ("bad.jams", b"{}"),
    ],
)
def test_malformed_notes_file(
    name: str, data: bytes, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / name
    path.write_bytes(data)
    assert main(["finger", str(path)]) == 1
    assert name in _assert_one_line(capsys)
    assert [p.name for p in tmp_path.iterdir()] == [name]


def test_a_folder_that_cannot_be_made(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "one.riff.json"
    path.write_text(
        json.dumps({"handspan": 1, "notes": [_NOTE | {"string": 3, "fret": 7}]}), encoding="utf-8"
    )
    assert main(["finger", str(path), "-o", str(path / "below")]) == 1
    _assert_one_line(capsys)


def test_wrong_usage_is_one_line_that_names_the_help(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as stop:
        main(["transcribe", "take.wav", "--bpm", "0"])
    assert stop.value.code == 2
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert "0 is not within 20 to 600; handspan transcribe --help" in said


def test_a_name_that_begins_with_a_dash_is_told_how_to_write(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    _empty(tmp_path / "-take.wav")
    with pytest.raises(SystemExit):
        main(["transcribe", "-take.wav"])
    assert "write ./-take.wav" in capsys.readouterr().err


def test_another_recording_of_the_same_name_leaves_the_old_riff(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    takes = Path(__file__).parent.parent.parent / "fixtures" / "takes"
    for folder, take in (("one", "gangplank/gangplank.flac"), ("two", "lantern/lantern.ogg")):
        (tmp_path / folder).mkdir()
        path = tmp_path / folder / f"recording{Path(take).suffix}"
        path.write_bytes((takes / take).read_bytes())
        assert main(["transcribe", str(path), "-o", str(tmp_path / "riffs"), "--quiet"]) == 0
    kept = json.loads((tmp_path / "riffs" / "recording.kept-1.riff.json").read_text("utf-8"))
    assert kept["source"]["file"] == "recording.flac"
    assert "kept as" in capsys.readouterr().err


def test_a_take_too_long_for_the_memory_is_told_in_one_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    from transcribe import api

    def fails(*_: object, **__: object) -> None:
        raise MemoryError

    monkeypatch.setattr(api, "transcribe", fails)
    take = tmp_path / "take.wav"
    take.write_bytes(b"RIFF")
    assert main(["transcribe", str(take)]) == 1
    told = capsys.readouterr().err
    assert told == "handspan: there is not enough memory for this take; try a shorter one\n"
    assert list(tmp_path.iterdir()) == [take]
