"""Slowed sound held against the synthesis played at that tempo, beside two other ways to slow it.

python -m tests.bench.slowing

Strokes: distance from where the tempo puts them, in ms. Pitch: between strokes, distance from the
synthesis at that tempo, in cents. Level: of the whole, in dB.
"""

from __future__ import annotations

import time
from typing import Any

import numpy as np

from tests.sound.test_slowing import SR, TAKES, held_against_the_synthesis
from transcribe.formats.document import read_riff
from transcribe.sound import render_riff
from transcribe.sound.slowing import change_speed


def _librosa(y: np.ndarray, speed: float, onsets: list[float]) -> np.ndarray:
    import librosa

    return np.asarray(librosa.effects.time_stretch(y, rate=speed))


def _ffmpeg(y: np.ndarray, speed: float, onsets: list[float]) -> np.ndarray:
    """FFmpeg's filter atempo, which cuts and overlaps the samples themselves."""
    import av

    graph = av.filter.Graph()
    source = graph.add_abuffer(format="flt", sample_rate=SR, layout="mono")
    tempo, sink = graph.add("atempo", str(speed)), graph.add("abuffersink")
    source.link_to(tempo)
    tempo.link_to(sink)
    graph.configure()
    frame = av.AudioFrame.from_ndarray(y[None], format="flt", layout="mono")
    frame.sample_rate, frame.pts = SR, 0
    source.push(frame)
    source.push(None)
    parts = []
    while True:
        try:
            made: Any = sink.pull()
            parts.append(made.to_ndarray()[0])
        except (av.BlockingIOError, av.EOFError):
            return np.concatenate(parts)


def _own(y: np.ndarray, speed: float, onsets: list[float]) -> np.ndarray:
    return change_speed(y, sr=SR, speed=speed, onsets_sec=onsets)


def main() -> None:
    ways = {"change_speed": _own, "librosa": _librosa, "atempo": _ffmpeg}
    print(
        "way           speed  strokes  middle     95 %  largest | pitches  largest |  level  secs"
    )
    for name, way in ways.items():
        way(np.zeros(SR, np.float32), 0.5, [])  # what is compiled at the first call is not timed
        for speed in (0.6, 0.75, 0.9):
            late, cents, level, took = [], [], [], 0.0
            for riff_name in ("mooring", "tide-table", "lantern", "rope-walk"):
                riff = read_riff(TAKES / riff_name / "truth.riff.json")
                y = render_riff(riff, sr=SR)
                begun = time.perf_counter()
                slow = way(y, speed, [note.onset_sec for note in riff.notes])
                took += time.perf_counter() - begun
                a, b = held_against_the_synthesis(riff, y, slow, speed)
                late += list(1000 * np.abs(a))
                cents += list(np.abs(b))
                level.append(20 * np.log10(np.std(slow) / np.std(y)))
            finite = [min(each, 50.0) for each in late]  # none found within 50 ms counts as 50
            print(
                f"{name:12}  {speed:5.2f}  {len(late):7d}  {np.median(finite):6.1f}  "
                f"{np.percentile(finite, 95):7.1f}  {max(finite):7.1f} | {len(cents):7d}  "
                f"{max(cents):7.2f} | {np.mean(level):6.2f}  {took:4.1f}"
            )


if __name__ == "__main__":
    main()
