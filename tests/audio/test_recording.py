"""Reading recordings: every kind of file, any rate, any channels, and files that are broken."""

from __future__ import annotations

import hashlib
import os
import struct
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.audio.sounds import encode, riff_sound
from tests.waiting import until
from transcribe.audio import Recording, decoding, read_audio, recording, resample
from transcribe.core.errors import AudioError, ParameterError
from transcribe.core.wording import sentence

SR = 22050


@pytest.fixture(scope="module")
def riff() -> np.ndarray:
    return riff_sound(sr=SR, sec=4.0)


def _alike(recording: Recording, y: np.ndarray, sr: int) -> float:
    """Correlation of the recording with ``y`` over a shift of up to 150 ms (coders delay)."""
    a = resample(recording.y, sr=recording.sr, to_sr=sr)
    size = min(a.size, y.size)
    reach = int(0.15 * sr)
    b = y[:size] / np.linalg.norm(y[:size])
    spectrum = np.fft.rfft(a[:size], 2 * size) * np.conj(np.fft.rfft(b, 2 * size))
    lags = np.fft.irfft(spectrum)
    near = np.concatenate([lags[: reach + 1], lags[-reach:]])
    return float(np.max(near) / np.linalg.norm(a[:size]))


@pytest.mark.parametrize("suffix", ["wav", "flac", "ogg", "mp3", "aiff"])
def test_read_audio_libsndfile_kinds(suffix: str, tmp_path: Path, riff: np.ndarray) -> None:
    path = tmp_path / f"take.{suffix}"
    soundfile.write(path, riff, SR)
    recording = read_audio(path)
    assert recording.sr == SR
    assert recording.y.dtype == np.float32
    assert recording.y.ndim == 1
    assert recording.duration_sec == pytest.approx(4.0, abs=0.06)
    assert _alike(recording, riff, SR) > 0.98
    assert recording.warnings == ()
    assert recording.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()


@pytest.mark.parametrize(
    ("name", "codec", "sr"),
    [
        ("take.m4a", "aac", 44100),
        ("clip.mp4", "aac", 48000),
        ("clip.mov", "aac", 48000),
        ("clip.3gp", "aac", 16000),
        ("clip.webm", "libopus", 48000),
        ("take.opus", "libopus", 48000),
        ("clip.mkv", "pcm_s16le", 32000),
    ],
)
def test_read_audio_phone_kinds(
    name: str, codec: str, sr: int, tmp_path: Path, riff: np.ndarray
) -> None:
    y = resample(riff, sr=SR, to_sr=sr)
    recording = read_audio(encode(tmp_path / name, y, sr, codec))
    assert recording.sr == sr
    assert recording.duration_sec == pytest.approx(4.0, abs=0.1)
    assert _alike(recording, y, sr) > 0.95
    assert recording.warnings == ()


def test_read_audio_video_with_sound(tmp_path: Path, riff: np.ndarray) -> None:
    import av

    path = tmp_path / "clip.mp4"
    with av.open(str(path), "w") as out:
        picture = out.add_stream("mpeg4", rate=5)
        picture.width, picture.height, picture.pix_fmt = 64, 48, "yuv420p"
        sound = out.add_stream("aac", rate=SR)
        sound.layout = "mono"
        for _ in range(20):
            image = av.VideoFrame.from_ndarray(np.zeros((48, 64, 3), np.uint8), format="rgb24")
            for packet in picture.encode(image):
                out.mux(packet)
        for packet in picture.encode(None):
            out.mux(packet)
        frame = av.AudioFrame.from_ndarray(riff[None, :], format="fltp", layout="mono")
        frame.sample_rate = SR
        cutter = av.AudioResampler(format="fltp", layout="mono", rate=SR, frame_size=1024)
        for part in [*cutter.resample(frame), *cutter.resample(None)]:
            for packet in sound.encode(part):
                out.mux(packet)
        for packet in sound.encode(None):
            out.mux(packet)
    assert _alike(read_audio(path), riff, SR) > 0.95


def test_read_audio_video_without_sound(tmp_path: Path) -> None:
    import av

    path = tmp_path / "silent-film.mp4"
    with av.open(str(path), "w") as out:
        picture = out.add_stream("mpeg4", rate=5)
        picture.width, picture.height, picture.pix_fmt = 64, 48, "yuv420p"
        image = av.VideoFrame.from_ndarray(np.zeros((48, 64, 3), np.uint8), format="rgb24")
        for packet in [*picture.encode(image), *picture.encode(None)]:
            out.mux(packet)
    with pytest.raises(AudioError, match="no sound track"):
        read_audio(path)


@pytest.mark.parametrize("sr", [8000, 11025, 44100, 96000, 192000])
def test_read_audio_keeps_the_rate(sr: int, tmp_path: Path, riff: np.ndarray) -> None:
    path = tmp_path / "take.wav"
    y = resample(riff, sr=SR, to_sr=sr)
    soundfile.write(path, y, sr, subtype="FLOAT")
    recording = read_audio(path)
    assert recording.sr == sr
    np.testing.assert_allclose(recording.y, y, atol=1e-6)


@pytest.mark.parametrize("subtype", ["PCM_U8", "PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE"])
def test_read_audio_sample_formats(subtype: str, tmp_path: Path, riff: np.ndarray) -> None:
    path = tmp_path / "take.wav"
    soundfile.write(path, riff, SR, subtype=subtype)
    np.testing.assert_allclose(read_audio(path).y, riff, atol=0.01)


def test_read_audio_to_sr(tmp_path: Path) -> None:
    y = riff_sound(sr=48000, sec=4.0)
    path = tmp_path / "take.wav"
    soundfile.write(path, y, 48000, subtype="FLOAT")
    recording = read_audio(path, to_sr=SR)
    assert recording.sr == SR
    whole = resample(y, sr=48000, to_sr=SR)
    assert abs(recording.y.size - whole.size) <= 1
    size = min(recording.y.size, whole.size)
    np.testing.assert_allclose(recording.y[:size], whole[:size], atol=1e-3)


# Channels ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "gains",
    [(1.0, 1.0), (1.0, -1.0), (-1.0, 1.0), (1.0, 0.0), (0.0, 1.0), (0.3, -1.0), (1.0, -1.0, 1.0)],
)
def test_read_audio_channels_never_cancel(
    gains: tuple[float, ...], tmp_path: Path, riff: np.ndarray, rng: np.random.Generator
) -> None:
    channels = riff[:, None] * np.array(gains)
    channels += rng.normal(0, 0.001, channels.shape)
    path = tmp_path / "take.wav"
    soundfile.write(path, channels, SR)
    recording = read_audio(path)
    loudest = max(abs(g) for g in gains)
    assert np.abs(recording.y).max() > 0.6 * loudest * np.abs(riff).max()
    likeness = abs(np.corrcoef(recording.y, riff)[0, 1])
    assert likeness > 0.99


def test_read_audio_opposite_phase_under_rumble(tmp_path: Path, riff: np.ndarray) -> None:
    """Rumble that both channels share must not decide the sign."""
    t = np.arange(riff.size) / SR
    rumble = 0.4 * np.sin(2 * np.pi * 7.0 * t)[:, None]
    channels = 0.5 * np.stack([riff, -riff], axis=1) + rumble
    path = tmp_path / "take.wav"
    soundfile.write(path, channels, SR)
    recording = read_audio(path)
    clean = np.diff(recording.y)
    assert abs(np.corrcoef(clean, np.diff(riff))[0, 1]) > 0.95


def test_read_audio_keeps_both_sides(tmp_path: Path) -> None:
    """A drone in one channel and a melody in the other are both kept."""
    left, right = riff_sound(seed=1), riff_sound(seed=2)[::-1].copy()
    path = tmp_path / "take.wav"
    soundfile.write(path, np.stack([left, right], axis=1), SR)
    y = read_audio(path).y
    assert abs(np.corrcoef(y, left)[0, 1]) > 0.5
    assert abs(np.corrcoef(y, right)[0, 1]) > 0.5


def test_read_audio_long_file_is_decoded_in_blocks(
    tmp_path: Path, riff: np.ndarray, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Past the size that may be held, a second decoding gives the same samples."""
    channels = np.stack([riff, -0.5 * riff], axis=1)
    path = tmp_path / "take.wav"
    soundfile.write(path, channels, SR, subtype="FLOAT")
    whole = read_audio(path).y
    monkeypatch.setattr(decoding, "_KEEP", 4096)
    monkeypatch.setattr(decoding, "_BLOCK", 1000)
    decoding.write_mono(path, tmp_path / "mono", max_sec=60.0, say=lambda *_: None)
    np.testing.assert_allclose(np.fromfile(tmp_path / "mono", np.float32), whole, atol=1e-7)


def test_read_audio_memory_is_bounded(tmp_path: Path) -> None:
    """Ten minutes of six channels take neither all channels nor the mono samples."""
    import tracemalloc

    sr, minutes, channels = 8000, 10, 6
    path = tmp_path / "long.flac"
    block = np.tile(riff_sound(sr=sr, sec=6.0)[:, None], (1, channels))
    with soundfile.SoundFile(path, "w", sr, channels) as file:
        for _ in range(10 * minutes):
            file.write(block)
    tracemalloc.start()
    try:
        mono = decoding.write_mono(path, tmp_path / "mono", max_sec=900.0, say=lambda *_: None)
        _, decoding_peak = tracemalloc.get_traced_memory()
        tracemalloc.reset_peak()
        out = tmp_path / "out"
        decoding.measure(tmp_path / "mono", mono, out, to_sr=SR, say=lambda *_: None)
        _, measuring_peak = tracemalloc.get_traced_memory()
        tracemalloc.reset_peak()
        recording = read_audio(path)
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert recording.duration_sec == pytest.approx(60 * minutes)
    assert decoding_peak < 4 * decoding._KEEP * 1.2
    assert measuring_peak < recording.y.nbytes
    assert peak < recording.y.nbytes / 4


# Limits ------------------------------------------------------------------------------------


def test_read_audio_too_long_is_refused_by_its_header(
    tmp_path: Path, riff: np.ndarray, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "take.wav"
    soundfile.write(path, riff, SR)
    with pytest.raises(AudioError, match=r"longer than the limit of 0\.05 min"):
        read_audio(path, max_sec=3.0)
    monkeypatch.setattr(soundfile.SoundFile, "read", lambda *a, **k: pytest.fail("was decoded"))
    with pytest.raises(AudioError, match=r"longer than the limit of 0\.05 min"):
        decoding.write_mono(path, tmp_path / "mono", max_sec=3.0, say=lambda *_: None)


def test_read_audio_too_long_without_a_header_stops_at_the_limit(
    tmp_path: Path, riff: np.ndarray
) -> None:
    """A live stream's file does not tell its length."""
    path = encode(tmp_path / "take.aac", np.tile(riff, 4), SR, "aac")
    seen: list[float] = []
    with pytest.raises(AudioError, match="longer than the limit"):
        read_audio(path, max_sec=3.0, progress=lambda stage, share: seen.append(share))
    assert max(seen) < 1.0


def test_read_audio_progress_rises_to_one(tmp_path: Path, riff: np.ndarray) -> None:
    path = tmp_path / "take.wav"
    soundfile.write(path, np.tile(riff, 5), SR)
    seen: list[tuple[str, float]] = []
    read_audio(path, progress=lambda stage, share: seen.append((stage, share)))
    shares = [share for _, share in seen]
    assert {stage for stage, _ in seen} == {"reading"}
    assert shares == sorted(shares)
    assert shares[0] == 0.0
    assert shares[-1] == 1.0
    assert len(shares) > 3


def test_read_audio_parameters() -> None:
    with pytest.raises(ParameterError, match="max_sec"):
        read_audio("take.wav", max_sec=0)
    with pytest.raises(ParameterError, match="max_sec"):
        read_audio("take.wav", max_sec=float("nan"))
    with pytest.raises(ParameterError, match="to_sr"):
        read_audio("take.wav", to_sr=-1)


# Bad input ---------------------------------------------------------------------------------


def _refused(path: Path, match: str) -> None:
    with pytest.raises(AudioError, match=match) as caught:
        read_audio(path)
    assert "\n" not in str(caught.value)
    assert str(path) in str(caught.value)


def test_read_audio_missing(tmp_path: Path) -> None:
    _refused(tmp_path / "none.wav", "no such file")


def test_read_audio_folder(tmp_path: Path) -> None:
    _refused(tmp_path, "is a folder")


@pytest.mark.skipif(os.geteuid() == 0, reason="root may read everything")
def test_read_audio_forbidden(tmp_path: Path) -> None:
    path = tmp_path / "take.wav"
    path.write_bytes(b"RIFF")
    path.chmod(0)
    _refused(path, "cannot be read")


def test_read_audio_empty(tmp_path: Path) -> None:
    path = tmp_path / "take.m4a"
    path.touch()
    _refused(path, "empty")


@pytest.mark.parametrize("suffix", ["wav", "mp3", "m4a", "flac", "ogg", "webm", "mov", "xyz"])
def test_read_audio_text_is_not_audio(suffix: str, tmp_path: Path) -> None:
    path = tmp_path / f"notes.{suffix}"
    path.write_text("Bring a capo and a spare set of strings on Thursday.\n" * 40)
    _refused(path, "not a recording")


def test_read_audio_noise_bytes_are_not_audio(tmp_path: Path, rng: np.random.Generator) -> None:
    path = tmp_path / "take.wav"
    path.write_bytes(rng.bytes(20_000))
    _refused(path, "not a recording|no sound")


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("list.m3u8", "#EXTM3U\n#EXTINF:4,\n{take}\n#EXT-X-ENDLIST\n"),
        ("list.wav", "ffconcat version 1.0\nfile '{take}'\n"),
        ("talk.sdp", "v=0\no=- 0 0 IN IP4 127.0.0.1\nm=audio 5004 RTP/AVP 0\n"),
    ],
)
def test_read_audio_opens_nothing_that_points_elsewhere(
    name: str, text: str, tmp_path: Path, riff: np.ndarray
) -> None:
    take = tmp_path / "take.wav"
    soundfile.write(take, riff, SR)
    path = tmp_path / name
    path.write_text(text.format(take=take))
    _refused(path, "not a recording")


def test_read_audio_silent(tmp_path: Path) -> None:
    path = tmp_path / "take.wav"
    soundfile.write(path, np.zeros(SR), SR)
    _refused(path, "only silence")


def test_read_audio_silent_but_for_an_offset(tmp_path: Path, rng: np.random.Generator) -> None:
    """A constant offset and a converter's last bit are silence too."""
    path = tmp_path / "take.wav"
    soundfile.write(path, 0.01 + rng.normal(0, 1e-5, SR), SR, subtype="PCM_24")
    _refused(path, "only silence")


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
def test_read_audio_not_a_number(bad: float, tmp_path: Path, riff: np.ndarray) -> None:
    y = riff.copy()
    y[1234] = bad
    path = tmp_path / "take.wav"
    soundfile.write(path, y, SR, subtype="FLOAT")
    _refused(path, "not numbers")


def test_read_audio_wav_without_samples(tmp_path: Path) -> None:
    path = tmp_path / "take.wav"
    soundfile.write(path, np.zeros(0), SR)
    _refused(path, "no sound")


def test_read_audio_pipe(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "take.wav")
    _refused(tmp_path / "take.wav", "is no file")


@pytest.mark.parametrize("sr", [200, 500_000])
def test_read_audio_rate_of_no_recording(sr: int, tmp_path: Path, riff: np.ndarray) -> None:
    path = tmp_path / "take.wav"
    soundfile.write(path, riff, sr)
    _refused(path, f"sample rate of {sr} Hz")


# The process that decodes ------------------------------------------------------------------

_LIMITED = (
    "from transcribe.audio import decoding_process as process; "
    "process.limit_memory(process._MEMORY, for_good=False); "
)


@pytest.mark.parametrize(
    "does",
    [
        "import os; os.abort()",
        "import time; from transcribe.audio import decoding_process as it; "
        "it._MAX_SILENT_SEC = 2.0; it.write_mono = lambda *given, **options: time.sleep(60); "
        "it.main(sys.argv[2])",
        "raise ValueError",
        _LIMITED + "bytearray(2 << 30)",
        _LIMITED + "import numpy; numpy.ones(1 << 28)",
    ],
    ids=["dies", "hangs", "fails", "takes memory", "takes memory in C"],
)
def test_read_audio_outlives_its_decoder(
    does: str, tmp_path: Path, riff: np.ndarray, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "take.wav"
    soundfile.write(path, riff, SR)
    code = "import json, sys; sys.path[:] = json.loads(sys.argv[1]); " + does
    monkeypatch.setattr(recording, "_CHILD", code)
    _refused(path, "cannot be decoded: .*; play it in another program and export it as WAV")


def test_read_audio_that_is_killed_leaves_nothing(tmp_path: Path, rng: np.random.Generator) -> None:
    """The decoding process ends with the one that it works for, and takes its files along."""
    take, held = tmp_path / "take.flac", tmp_path / "held"
    held.mkdir()
    soundfile.write(take, 0.1 * rng.normal(size=300 * SR), SR)
    code = "import sys; from transcribe.audio import read_audio; read_audio(sys.argv[1])"
    parent = subprocess.Popen(
        [sys.executable, "-c", code, str(take)], env=os.environ | {"TMPDIR": str(held)}
    )
    assert until(lambda: any(path.stat().st_size for path in held.glob("*/mono")))
    parent.kill()
    parent.wait()
    assert until(lambda: not any(held.iterdir()))


def test_read_audio_full_disk(
    tmp_path: Path, riff: np.ndarray, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "take.wav"
    soundfile.write(path, riff, SR)
    code = recording._CHILD.replace(
        "import main;",
        "import main; import resource, signal; "
        "signal.signal(signal.SIGXFSZ, signal.SIG_IGN); "
        "resource.setrlimit(resource.RLIMIT_FSIZE, (1000, 1000));",
    )
    monkeypatch.setattr(recording, "_CHILD", code)
    _refused(path, "File too large, in .*; make room there")


def test_read_audio_takes_a_module_from_no_folder_of_takes(
    tmp_path: Path, riff: np.ndarray, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A folder of takes may hold any file, also one called like a module."""
    soundfile.write(tmp_path / "take.wav", riff, SR)
    (tmp_path / "numpy.py").write_text("raise SystemExit")
    monkeypatch.chdir(tmp_path)
    assert read_audio("take.wav").sr == SR


def test_read_audio_copy_to_be_heard(tmp_path: Path) -> None:
    y = 1.6 * riff_sound(sr=48000, sec=4.0) / np.abs(riff_sound(sr=48000, sec=4.0)).max()
    path = tmp_path / "take.wav"
    soundfile.write(path, y, 48000, subtype="FLOAT")
    read_audio(path, to_sr=SR, copy=tmp_path / "copy.wav")
    copied, sr = soundfile.read(tmp_path / "copy.wav")
    assert sr == 48000
    np.testing.assert_allclose(copied, y / 1.6, atol=1e-4)


# Cut off -----------------------------------------------------------------------------------


@pytest.mark.parametrize("suffix", ["wav", "flac", "aiff"])
def test_read_audio_cut_off_says_so(suffix: str, tmp_path: Path, riff: np.ndarray) -> None:
    path = tmp_path / f"take.{suffix}"
    soundfile.write(path, riff, SR)
    data = path.read_bytes()
    path.write_bytes(data[: len(data) // 2])
    recording = read_audio(path)
    assert 1.0 < recording.duration_sec < 3.0
    np.testing.assert_allclose(recording.y[:SR], riff[:SR], atol=1e-3)
    assert len(recording.warnings) == 1
    assert "cut off" in sentence(recording.warnings[0])
    assert "4.0 s" in sentence(recording.warnings[0])


@pytest.mark.parametrize(
    ("name", "codec"), [("clip.webm", "libopus"), ("take.opus", "libopus"), ("take.aac", "aac")]
)
def test_read_audio_cut_off_stream_is_read_as_far_as_it_goes(
    name: str, codec: str, tmp_path: Path, riff: np.ndarray
) -> None:
    path = encode(tmp_path / name, resample(riff, sr=SR, to_sr=48000), 48000, codec)
    data = path.read_bytes()
    path.write_bytes(data[: len(data) // 2])
    recording = read_audio(path)
    assert 0.7 < recording.duration_sec < 3.5


def test_read_audio_cut_off_m4a_without_its_index(tmp_path: Path, riff: np.ndarray) -> None:
    """A phone writes the index last: without it there is nothing to read."""
    path = encode(tmp_path / "take.m4a", riff, SR, "aac")
    data = path.read_bytes()
    path.write_bytes(data[: len(data) // 2])
    _refused(path, "cut off before any sound")


def test_read_audio_wav_that_was_never_closed(tmp_path: Path, riff: np.ndarray) -> None:
    """A recorder that lost power leaves sizes of zero; all of the sound is read, no warning."""
    path = tmp_path / "take.wav"
    soundfile.write(path, riff, SR)
    data = bytearray(path.read_bytes())
    at = data.index(b"data") + 4
    data[at : at + 4] = struct.pack("<I", 0xFFFFFFFF)
    path.write_bytes(bytes(data))
    recording = read_audio(path)
    assert recording.duration_sec == pytest.approx(4.0, abs=0.01)
    assert recording.warnings == ()


def test_read_audio_damaged_middle(tmp_path: Path, riff: np.ndarray) -> None:
    """Damage inside a file costs a piece of it, not the rest, or is refused in one line."""
    path = encode(tmp_path / "take.m4a", riff, SR, "aac")
    data = bytearray(path.read_bytes())
    start = data.index(b"mdat") + 4
    middle = start + 12_000
    data[middle : middle + 400] = bytes(400)
    path.write_bytes(bytes(data))
    recording = read_audio(path)
    assert recording.duration_sec > 3.0


# Resample ----------------------------------------------------------------------------------


def test_resample_length_and_content() -> None:
    t = np.arange(44100) / 44100
    y = np.sin(2 * np.pi * 440 * t).astype(np.float32)
    out = resample(y, sr=44100, to_sr=22050)
    assert out.shape == (22050,)
    want = np.sin(2 * np.pi * 440 * np.arange(22050) / 22050)
    np.testing.assert_allclose(out[500:-500], want[500:-500], atol=2e-3)


def test_resample_takes_out_what_the_new_rate_cannot_hold() -> None:
    t = np.arange(44100) / 44100
    out = resample(np.sin(2 * np.pi * 15000 * t), sr=44100, to_sr=22050)
    assert np.abs(out[500:-500]).max() < 1e-3


@pytest.mark.parametrize(
    ("y", "error"),
    [
        (np.zeros((2, 100)), ParameterError),
        (np.zeros(0), AudioError),
        (np.array([0.0, np.nan]), AudioError),
    ],
)
def test_resample_refuses(y: np.ndarray, error: type[Exception]) -> None:
    with pytest.raises(error):
        resample(y, sr=44100, to_sr=22050)


@pytest.mark.parametrize(("sr", "to_sr"), [(0, 22050), (44100, -1), (float("nan"), 22050)])
def test_resample_refuses_rates(sr: float, to_sr: float) -> None:
    with pytest.raises(ParameterError):
        resample(np.ones(100), sr=sr, to_sr=to_sr)


def test_read_audio_mp3_is_read_without_remarks(
    tmp_path: Path, riff: np.ndarray, capfd: pytest.CaptureFixture[str]
) -> None:
    # A low rate and a low bitrate: frames here borrow bits from those before them.
    path = tmp_path / "take.mp3"
    encode(path, riff, SR, "libmp3lame", bit_rate=48000)
    assert _alike(read_audio(path), riff, SR) > 0.98
    assert capfd.readouterr() == ("", "")


def test_a_decoder_keeps_its_remarks_to_itself(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "words.mp3"
    path.write_text("Slack water at six; bring the second rope.\n" * 200, encoding="utf-8")
    with pytest.raises(AudioError):
        read_audio(path)
    assert capfd.readouterr() == ("", "")
    os.write(2, b"the terminal is back")
    assert capfd.readouterr().err == "the terminal is back"
