"""Decode a recording in blocks and mix it to mono, all of it through files.

This is what meets foreign sound: it runs in a process of its own (`transcribe.audio.recording`
starts it), and neither the decoders nor a hostile file can take more down than that.

WAV, FLAC, OGG and AIFF go through libsndfile (``soundfile``); what it does not know (M4A, MP4,
MOV, WebM, 3GP, Opus in any of them) and MP3 go through FFmpeg's libraries (``av``). Playlists and
anything else that points to other files or the network is not opened.
"""

from __future__ import annotations

import contextlib
import os
import struct
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from transcribe.audio.level import LevelReport, clipped_share, level_report
from transcribe.audio.truncation import find_truncation
from transcribe.core.errors import AudioError
from transcribe.core.riff import Remark

__all__ = ["RATES_HZ", "Decoded", "measure", "write_mono"]

Progress = Callable[[str, float], None]

RATES_HZ = (4000, 384_000)
"""The lowest and the highest sample rate that is read."""

_BLOCK = 1 << 16  # samples per channel
_READ = 1 << 12
_KEEP = 1 << 25  # samples of all channels that may be held (128 MB) before a second decoding
_KINDS = "WAV, FLAC, OGG, MP3, AIFF, M4A, MP4, MOV, WebM, Opus or 3GP"
# FFmpeg's names of the containers that hold their own sound; no playlist or text format is here.
_CONTAINERS = (
    "mov,mp4,m4a,3gp,3g2,mj2,matroska,webm,matroska,webm,ogg,wav,w64,flac,mp3,aiff,aac,caf,amr,"
    "asf,avi,mpeg,mpegts,au"
)
# How the files begin that libsndfile reads: WAV and its big siblings, AIFF, FLAC, OGG, CAF, AU.
_SNDFILE = (b"RIFF", b"RIFX", b"RF64", b"riff", b"FORM", b"fLaC", b"OggS", b"caff", b".snd")
_MAX_LEVEL = 1e6  # times full scale; what is louder is no sound but bytes of another kind
_CLIP_PEAK = 1.0  # full scale: a block of a long take need not hold the take's highest sample


@dataclass(slots=True)
class _Stream:
    """An opened recording.

    ``length_sec`` is what the decoder expects to find, ``promised_sec`` what the header says;
    None where it is not known. ``broken`` is set where decoding stopped early.
    """

    sr: int
    length_sec: float | None
    promised_sec: float | None
    blocks: Iterator[NDArray[np.float32]] = field(default_factory=lambda: iter(()))
    broken: str | None = None


def _open(path: Path) -> _Stream:
    stream = _opened(path)
    if not RATES_HZ[0] <= stream.sr <= RATES_HZ[1]:
        raise AudioError(
            f"{path} has a sample rate of {stream.sr} Hz, which no recording of music has; "
            f"export it again with {RATES_HZ[0]} to {RATES_HZ[1]} Hz, such as 44100"
        )
    return stream


def _opened(path: Path) -> _Stream:
    """Open with libsndfile, else with FFmpeg."""
    import soundfile

    if _begins_with(path, _SNDFILE):
        with contextlib.suppress(soundfile.LibsndfileError, OSError):
            return _open_soundfile(path)
    try:
        return _open_av(path)
    except AudioError as refusal:
        with contextlib.suppress(soundfile.LibsndfileError, OSError):
            return _open_soundfile(path)
        raise refusal


def _begins_with(path: Path, marks: tuple[bytes, ...]) -> bool:
    with path.open("rb") as file:
        return file.read(16).startswith(marks)


def _open_soundfile(path: Path) -> _Stream:
    import soundfile

    file = soundfile.SoundFile(os.fspath(path))
    frames = file.frames if 0 < file.frames < (1 << 62) else None
    length = None if frames is None else frames / file.samplerate
    stream = _Stream(file.samplerate, length, _promised_sec(path, file.samplerate) or length)

    def blocks() -> Iterator[NDArray[np.float32]]:
        with file:
            going = True
            while going:
                # Small reads: where the file breaks off, only the last one is lost.
                held: list[NDArray[np.float32]] = []
                while going and sum(map(len, held)) < _BLOCK:
                    try:
                        held.append(file.read(_READ, dtype="float32", always_2d=True))
                        going = len(held[-1]) > 0
                    except (soundfile.LibsndfileError, RuntimeError) as error:
                        stream.broken = str(error)
                        going = False
                if sum(map(len, held)):
                    yield np.concatenate(held)

    stream.blocks = blocks()
    return stream


def _promised_sec(path: Path, sr: int) -> float | None:
    """Length that a WAV or AIFF header promises; None for other files or where it tells none."""
    with path.open("rb") as file:
        head = file.read(12)
        order = {b"RIFF": "<", b"FORM": ">"}.get(head[:4])
        if order is None or head[8:] not in (b"WAVE", b"AIFF"):
            return None
        rate = 0
        for _ in range(64):
            chunk = file.read(8)
            if len(chunk) < 8:
                return None
            name, size = chunk[:4], struct.unpack(order + "I", chunk[4:])[0]
            start = file.tell()
            if name == b"COMM":
                frames = file.read(6)[2:]
                return struct.unpack(">I", frames)[0] / sr if len(frames) == 4 else None
            if name == b"fmt ":
                bytes_per_sec = file.read(12)[8:]
                rate = struct.unpack("<I", bytes_per_sec)[0] if len(bytes_per_sec) == 4 else 0
            if name == b"data":
                # 0 and the all-ones sizes are what recorders write before they are closed.
                unfinished = size == 0 or size >= 0xFFFFFF00
                return None if unfinished or rate == 0 else size / rate
            file.seek(start + size + (size & 1))
    return None


def _open_av(path: Path) -> _Stream:
    import av

    av.logging.set_level(None)
    refusal = AudioError(
        f"{path} is not a recording that can be decoded, or is cut off before any sound; "
        f"give {_KINDS}"
    )
    try:
        container = av.open(
            os.fspath(path.resolve()),
            options={"format_whitelist": _CONTAINERS, "protocol_whitelist": "file"},
            **_tags(),
        )
    except (av.FFmpegError, OSError, ValueError):
        raise refusal from None
    tracks = container.streams.audio
    if not tracks:
        container.close()
        raise AudioError(f"{path} has no sound track; give {_KINDS}")
    track = tracks[0]
    codec = track.codec_context  # None of a kind of sound that no decoder knows
    rate = int(codec.sample_rate or 0) if codec is not None else 0
    channels = int(codec.channels or 0) if codec is not None else 0
    if not (rate and channels):
        container.close()
        raise refusal
    announced = None
    if track.duration is not None and track.time_base is not None:
        announced = float(track.duration * track.time_base)
    elif container.duration is not None:
        announced = container.duration / av.time_base
    stream = _Stream(rate, announced, announced)
    stream.blocks = _av_blocks(container, track, channels, stream)
    return stream


def _tags() -> dict[str, Any]:
    """Arguments for `av.open` that let a title in another encoding than UTF-8 pass."""
    import av

    # From version 19 on it lets them pass by itself, and knows the argument no more.
    return {"metadata_errors": "replace"} if int(av.__version__.split(".")[0]) < 19 else {}


def _in_channels(samples: NDArray[Any], channels: int) -> NDArray[np.float32]:
    """``samples`` (n, c) as (n, channels): a stream may go from one channel to two on its way."""
    if samples.shape[1] == channels:
        return samples
    return np.repeat(samples.mean(axis=1, keepdims=True), channels, axis=1)


def _av_blocks(
    container: Any, track: Any, channels: int, stream: _Stream
) -> Iterator[NDArray[np.float32]]:
    import av

    resampler = taken = None
    held: list[NDArray[Any]] = []
    with container:
        packets = container.demux(track)
        while True:
            try:
                packet = next(packets, None)
            except (av.FFmpegError, OSError) as error:
                stream.broken = str(error)
                break
            if packet is None:
                break
            try:
                for frame in packet.decode():
                    kind = (frame.format.name, frame.layout.name, frame.sample_rate)
                    if resampler is None or kind != taken:  # it may change on the way
                        resampler, taken = av.AudioResampler(format="fltp", rate=stream.sr), kind
                    parts = [part.to_ndarray().T for part in resampler.resample(frame)]
                    held += [_in_channels(part, channels) for part in parts]
            except (av.FFmpegError, OSError) as error:
                stream.broken = str(error)  # a damaged packet is left out
                taken = None
                continue
            if sum(map(len, held)) >= _BLOCK:
                yield np.concatenate(held)
                held = []
        if held:
            yield np.concatenate(held)


@dataclass(slots=True)
class _Tally:
    """What the blocks of one recording add up to while they pass."""

    count: int = 0  # samples per channel
    clipped: float = 0.0  # samples, of the channel that is clipped most
    power: NDArray[np.float64] | None = None  # sum of squares of each channel
    cross: NDArray[np.float64] | None = None  # products of the channels' first differences

    def add(self, block: NDArray[np.float32], path: Path) -> None:
        if not np.isfinite(block).all():
            raise AudioError(
                f"{path} holds samples that are not numbers (NaN or infinite); export it again"
            )
        if (peak := float(np.abs(block).max(initial=0.0))) > _MAX_LEVEL:
            raise AudioError(
                f"{path} holds samples up to {peak:.0e} where full scale is 1, which is no sound; "
                "export it again as 16- or 24-bit WAV"
            )
        self.count += len(block)
        self.clipped += max(clipped_share(c, _CLIP_PEAK) for c in block.T) * len(block)
        # Differences, so that rumble and a constant offset do not decide the sign.
        steps = np.diff(block, axis=0).astype(np.float64)
        product = steps.T @ steps
        power = np.square(block - block.mean(axis=0), dtype=np.float64).sum(axis=0)
        self.cross = product if self.cross is None else self.cross + product
        self.power = power if self.power is None else self.power + power

    def weights(self) -> NDArray[np.float32]:
        """Weight of each channel in the mix, signs aligned, magnitudes summing to 1.

        The sign is the one of a channel's correlation with the strongest channel; channels that
        have nothing in common with it (correlation under 0.05) keep theirs.
        """
        assert self.cross is not None
        assert self.power is not None
        strongest = int(self.power.argmax())
        steps = np.diag(self.cross)
        scale = np.sqrt(steps * steps[strongest])
        alike = np.divide(self.cross[strongest], scale, out=np.zeros_like(scale), where=scale > 0)
        # A dead channel, 30 dB or more below, would only halve the level.
        alive = self.power > 1e-3 * self.power[strongest]
        weight = np.where(alike < -0.05, -1.0, 1.0) * alive
        total = float(np.abs(weight).sum())
        return (weight / total if total > 0 else np.full(len(weight), 1 / len(weight))).astype(
            np.float32
        )


@dataclass(frozen=True, slots=True)
class Decoded:
    """What `write_mono` wrote: ``count`` mono samples at ``sr`` Hz, the share of them that is
    clipped, 0 to 1, and a remark where the file is cut off or damaged."""

    count: int
    sr: int
    clipped: float
    broken: Remark | None


def write_mono(path: Path, out: Path, *, max_sec: float, say: Progress) -> Decoded:
    """Write the mono samples of a recording to ``out``, as float32 and nothing else.

    Raises
    ------
    AudioError
        If the file is not a recording, is longer than ``max_sec``, or holds samples that are not
        numbers.
    """
    stream = _open(path)
    tally, kept, held = _Tally(), [], 0
    for block in _limited(stream, path, max_sec, say):
        tally.add(block, path)
        held += block.size
        # Few takes are so long; those that are get decoded twice rather than held whole.
        if held <= _KEEP:
            kept.append(block)
        else:
            kept.clear()
    if tally.count == 0:
        raise AudioError(f"{path} holds no sound, or is cut off before any; copy it again")
    weights = tally.weights()
    # The second time nothing is said of how far it is; it still shows that work goes on.
    blocks = kept or _limited(_open(path), path, max_sec, lambda stage, _: say(stage, 0.95))
    with out.open("wb") as file:
        for block in blocks:
            file.write((block @ weights).tobytes())
    cut = _cut_off(stream, tally.count, path)
    return Decoded(tally.count, stream.sr, tally.clipped / tally.count, cut)


def measure(
    mono: Path,
    decoded: Decoded,
    out: Path,
    *,
    to_sr: int,
    copy: Path | None = None,
    say: Progress,
) -> LevelReport:
    """The level of what `write_mono` wrote; the same sound at ``to_sr`` Hz goes to ``out``.

    ``copy`` names a file for the sound at its own rate as 16-bit WAV, to be listened to.
    """
    y = np.memmap(mono, np.float32, "r")
    level = level_report(y, sr=decoded.sr)
    with out.open("wb") as file:
        for part in _resampled(y, decoded.sr, to_sr):
            file.write(part.tobytes())
            say("reading", 0.95)
    if copy is not None:
        _write_wav(y, decoded.sr, copy)
    return replace(level, clipped_share=max(level.clipped_share, decoded.clipped))


def _resampled(y: NDArray[np.float32], sr: int, to_sr: int) -> Iterator[NDArray[np.float32]]:
    blocks = (y[first : first + _BLOCK] for first in range(0, y.size, _BLOCK))
    if to_sr == sr:
        yield from blocks
        return
    import soxr

    stream = soxr.ResampleStream(sr, to_sr, 1, dtype="float32", quality="HQ")
    yield from (stream.resample_chunk(np.asarray(block)) for block in blocks)
    yield stream.resample_chunk(np.zeros(0, np.float32), last=True)


def _write_wav(y: NDArray[np.float32], sr: int, path: Path) -> None:
    import soundfile

    top = max(1.0, float(y.max()), -float(y.min()))
    with soundfile.SoundFile(path, "w", sr, 1, "PCM_16", format="WAV") as file:
        for first in range(0, y.size, _BLOCK):
            file.write(y[first : first + _BLOCK] / top)


def _limited(
    stream: _Stream, path: Path, max_sec: float, say: Progress
) -> Iterator[NDArray[np.float32]]:
    def refuse(sec: float | None) -> AudioError:
        length = f" ({sec / 60:.1f} min)" if sec is not None else ""
        return AudioError(
            f"{path} is longer than the limit of {max_sec / 60:g} min{length}; cut it to the riff"
        )

    if stream.length_sec is not None and stream.length_sec > max_sec:
        raise refuse(stream.length_sec)
    count = 0
    for block in stream.blocks:
        count += len(block)
        if count > max_sec * stream.sr:
            raise refuse(None)
        there = count / stream.sr
        say("reading", 0.95 * min(1.0, there / stream.length_sec) if stream.length_sec else 0.0)
        yield block


def _cut_off(stream: _Stream, count: int, path: Path) -> Remark | None:
    """A warning where decoding stopped early, the header promises more, or the end is missing."""
    there = count / stream.sr
    announced = stream.promised_sec
    if announced is not None and announced - there > max(0.15, 0.02 * announced):
        return Remark("cut-off", {"promised_sec": announced, "there_sec": there})
    end = find_truncation(path)
    if end == "cut":
        return Remark("cut-off", {"there_sec": there})
    if stream.broken is not None:
        return Remark("damaged", {"there_sec": there})
    if end == "open":
        return Remark("no-end-mark", {"there_sec": there})
    return None
