"""A file that was cut off while it was copied says so, whatever it is kept in; a whole one is not
accused."""

from __future__ import annotations

import struct
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile as sf

from tests.audio.sounds import encode, riff_sound
from transcribe.audio import read_audio
from transcribe.audio.truncation import find_truncation
from transcribe.core.errors import AudioError
from transcribe.core.wording import sentence

SR = 48000


@pytest.fixture(scope="module")
def sound() -> np.ndarray:
    return riff_sound(sr=SR)


def _encoded(path: Path, y: np.ndarray, kind: str, codec: str, **options: str) -> Path:
    """A file of a container of some kind, written with the options of its muxer."""
    import av

    with av.open(str(path), "w", format=kind, options=options) as out:
        stream: Any = out.add_stream(codec, rate=SR)
        stream.layout = "mono"
        frame = av.AudioFrame.from_ndarray(y[None], format="fltp", layout="mono")
        frame.sample_rate = SR
        resampler = av.AudioResampler(
            format=stream.format.name, layout="mono", rate=SR, frame_size=960
        )
        for part in [*resampler.resample(frame), *resampler.resample(None)]:
            for packet in stream.encode(part):
                out.mux(packet)
        for packet in stream.encode(None):
            out.mux(packet)
    return path


def _live_webm(path: Path, y: np.ndarray) -> Path:
    """As a browser records: neither length nor sizes of the pieces are known beforehand."""
    return _encoded(path, y, "webm", "libopus", live="1")


def _live_mp4(path: Path, y: np.ndarray) -> Path:
    """As a browser records where it writes MP4: in fragments, the length not known beforehand."""
    flags = "frag_keyframe+empty_moov+default_base_moof"
    return _encoded(path, y, "mp4", "aac", movflags=flags, frag_duration="500000")


def _sent_mp4(path: Path, y: np.ndarray) -> Path:
    """As a phone sends it: the index stands before the sound."""
    return _encoded(path, y, "mp4", "aac", movflags="faststart")


def _plain_mp3(path: Path, y: np.ndarray) -> Path:
    """As a handheld recorder writes it: no table of contents, so no length."""
    return _encoded(path, y, "mp3", "libmp3lame", write_xing="0")


def _written(path: Path, y: np.ndarray) -> Path:
    sf.write(path, y, SR)
    return path


KINDS: dict[str, Callable[[Path, np.ndarray], Path]] = {
    "take.ogg": _written,
    "take.opus": lambda path, y: encode(path, y, SR, "libopus"),
    "take.caf": _written,
    "take.mp3": _written,
    "take.m4a": lambda path, y: encode(path, y, SR, "aac"),
    "take.webm": lambda path, y: encode(path, y, SR, "libopus"),
    "live.webm": _live_webm,
    "live.m4a": _live_mp4,
    "sent.m4a": _sent_mp4,
    "plain.mp3": _plain_mp3,
    "take.mkv": lambda path, y: encode(path, y, SR, "libopus"),
}


def _cut(path: Path, share: float) -> Path:
    data = path.read_bytes()
    cut = path.with_name(f"cut-{path.name}")
    cut.write_bytes(data[: int(share * len(data))])
    return cut


@pytest.mark.parametrize("name", KINDS)
def test_a_whole_file_is_whole(name: str, tmp_path: Path, sound: np.ndarray) -> None:
    path = KINDS[name](tmp_path / name, sound)
    assert find_truncation(path) is None
    assert not any("cut off" in sentence(w) for w in read_audio(path).warnings)


@pytest.mark.parametrize("share", [0.45, 0.83])
@pytest.mark.parametrize("name", [n for n in KINDS if n != "take.m4a"])
def test_a_file_that_is_cut_off_says_so_once(
    name: str, share: float, tmp_path: Path, sound: np.ndarray, capfd: pytest.CaptureFixture[str]
) -> None:
    cut = _cut(KINDS[name](tmp_path / name, sound), share)
    recording = read_audio(cut)
    assert 0.3 * share * 6 < recording.duration_sec < 6
    said = [w for w in map(sentence, recording.warnings) if "cut off" in w or "damaged" in w]
    assert len(said) == 1
    assert "copy it again" in said[0].lower()
    assert capfd.readouterr().err == ""


def test_an_m4a_that_lost_the_end_of_its_index_is_cut_off(
    tmp_path: Path, sound: np.ndarray
) -> None:
    cut = _cut(KINDS["take.m4a"](tmp_path / "take.m4a", sound), 0.99)
    with pytest.raises(AudioError, match="cut off before any sound"):
        read_audio(cut)


def test_an_ogg_without_its_end_mark_may_be_cut_off(tmp_path: Path, sound: np.ndarray) -> None:
    """RFC 3533, section 6: bit 0x04 of byte 5 marks the last page of a stream (section and bit from
    memory). Here the file is cut between two pages, each of them whole."""
    path = _written(tmp_path / "take.ogg", sound)
    data = path.read_bytes()
    path.write_bytes(data[: data.rfind(b"OggS")])
    assert find_truncation(path) == "open"
    (said,) = [w for w in map(sentence, read_audio(path).warnings) if "cut off" in w]
    assert "may be cut off" in said


@pytest.mark.parametrize("tail", [b"\0\0\0\0", b"TAG" + bytes(125), b"\0"])
@pytest.mark.parametrize("name", ["take.mp3", "take.m4a"])
def test_tags_and_padding_behind_the_sound_are_no_cut(
    name: str, tail: bytes, tmp_path: Path, sound: np.ndarray
) -> None:
    path = KINDS[name](tmp_path / name, sound)
    path.write_bytes(path.read_bytes() + tail)
    assert find_truncation(path) is None


@pytest.mark.parametrize(
    "head",
    [
        b"OggS",
        b"\x1a\x45\xdf\xa3",
        b"\0\0\0\x08ftyp",
        b"caff",
        b"ID3\x04\0\0\x7f\x7f\x7f\x7f",
        b"\xff\xfb",
    ],
)
def test_no_bytes_break_the_walk(head: bytes, tmp_path: Path, rng: np.random.Generator) -> None:
    for length in (0, 1, 7, 40, 500):
        path = tmp_path / f"noise-{length}"
        path.write_bytes(head + rng.bytes(length))
        assert find_truncation(path) in (None, "cut", "open")


def test_takes_that_ship_are_whole(takes: Path) -> None:
    paths = [p for p in takes.glob("*/*") if p.suffix in (".ogg", ".m4a", ".flac")]
    assert len(paths) >= 5
    assert [p.name for p in paths if find_truncation(p) is not None] == []


@pytest.mark.parametrize("peak", [1e30, 3e38, -1e7])
def test_a_float_file_of_other_bytes_is_refused_in_one_line(
    peak: float, tmp_path: Path, sound: np.ndarray
) -> None:
    path = tmp_path / "take.wav"
    y = sound.copy()
    y[1000:1004] = peak
    sf.write(path, y, SR, subtype="FLOAT")
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        with pytest.raises(AudioError, match="full scale is 1, which is no sound") as refusal:
            read_audio(path)
    assert "\n" not in str(refusal.value)
    assert f"{abs(peak):.0e}" in str(refusal.value)


@pytest.mark.parametrize("peak", [2.0, 32768.0])
def test_a_float_file_over_full_scale_is_read(
    peak: float, tmp_path: Path, sound: np.ndarray
) -> None:
    path = tmp_path / "take.wav"
    sf.write(path, sound * np.float32(peak / 0.5), SR, subtype="FLOAT")
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        recording = read_audio(path)
    assert np.abs(recording.y).max() == pytest.approx(peak, rel=0.1)


def test_a_double_file_beyond_single_precision_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "take.wav"
    data = np.full(SR, 1e300)
    head = struct.pack(
        "<4sI4s4sIHHIIHH4sI",
        b"RIFF",
        36 + 8 * SR,
        b"WAVE",
        b"fmt ",
        16,
        3,
        1,
        SR,
        8 * SR,
        8,
        64,
        b"data",
        8 * SR,
    )
    path.write_bytes(head + data.tobytes())
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        with pytest.raises(AudioError, match="not numbers"):
            read_audio(path)
