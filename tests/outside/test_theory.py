"""The theory against music21, and against what every player knows.

Sources: music21 (Cuthbert & Ariza 2010, ISMIR), its corpus folders `airdsAirs` and `ryansMammoth`
with the mode in the ``K:`` field. Checks marked so are common practice and have no source.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tests.bench import theory_outside as outside
from tests.bench.theory_tunes import LABELS, parse_key, read_tunes
from theory import (
    MODES,
    chord_tones,
    drone_shapes,
    find_mode,
    mode_of,
    parse_chord,
    power_shapes,
    scale_notes,
    scale_on_string,
    voicings,
)

_FAMILY = {
    "ionian": "major",
    "major pentatonic": "major",
    "aeolian": "minor",
    "harmonic minor": "minor",
    "melodic minor": "minor",
    "minor pentatonic": "minor",
    "blues": "minor",
}
_SCALES = {
    "ionian": "MajorScale",
    "dorian": "DorianScale",
    "phrygian": "PhrygianScale",
    "lydian": "LydianScale",
    "mixolydian": "MixolydianScale",
    "aeolian": "MinorScale",
    "locrian": "LocrianScale",
    "harmonic minor": "HarmonicMinorScale",
}


@pytest.mark.parametrize("name", list(_SCALES))
@pytest.mark.parametrize("tonic", ["C", "D", "Eb", "F#", "A", "Bb"])
def test_scale_notes_as_music21_spells_them(name, tonic):
    # Source: music21 scale classes.
    from music21 import scale

    theirs = getattr(scale, _SCALES[name])(tonic.replace("b", "-"))
    names = [p.name.replace("-", "b") for p in theirs.getPitches()][:7]
    assert list(scale_notes(tonic, name)) == names


@pytest.fixture(scope="module")
def cases():
    return outside.chord_cases()


def test_chord_symbols_all_roots_kinds_and_inversions(cases):
    # Source: music21 harmony.CHORD_TYPES and harmony.ChordSymbol.
    assert len(cases) > 2500
    result = outside.compare_symbols(cases)
    assert result.read >= 0.99, result.differences[:5]
    assert result.rooted >= 0.99, result.differences[:5]
    assert result.named >= 0.99, result.differences[:5]


def test_plain_chords_keep_their_name_in_root_position(cases):
    # Source: music21 chord kinds; in root position the name must come back exactly.
    kinds: tuple[str, ...] = (
        "major",
        "minor",
        "dominant-seventh",
        "minor-seventh",
        "major-seventh",
    )
    kinds += ("diminished", "augmented", "half-diminished-seventh", "power")
    kinds += ("suspended-second", "suspended-fourth", "diminished-seventh")
    from theory import name_chord

    for case in cases:
        if case.kind in kinds and case.bass == case.root:
            found = name_chord(case.midi)[0]
            assert found.kind == parse_chord(case.symbol).kind, case.symbol
            assert found.root_pc == case.root


def test_roman_numerals_against_music21():
    # Source: music21 roman.romanNumeralFromChord. In natural minor music21 counts the sixth and
    # seventh degrees from their raised forms and writes bVI and bVII for what stands on the
    # mode's own degrees; we write VI and VII, as it does itself in every other mode.
    result = outside.compare_numerals(tonics=(0, 3, 6, 9))
    assert result.count > 1300
    assert result.same >= 0.99
    assert all(line.startswith("minor: V") for line in result.differences), result.differences


def test_numerals_of_foreign_chords_against_music21():
    # Source: music21 roman.romanNumeralFromChord, accidentals left to each one's way of counting.
    assert outside.compare_foreign() >= 0.99


def test_shapes_worked_out_again():
    # Source: MIDI numbers of the open strings plus frets; Fletcher & Rossing for the stretch.
    result = outside.check_shapes(kinds=("", "m", "7", "m7", "maj7", "5", "sus4", "dim"))
    assert result.right == 1.0
    assert result.within == 1.0
    assert result.found == 1.0


def test_handbook_open_chords_among_the_first_three():
    # Common practice, no source; from memory.
    ranks = {symbol: outside.handbook_rank(symbol) for symbol in outside.HANDBOOK}
    first = [rank is not None and rank <= 3 for rank in ranks.values()]
    assert np.mean(first) >= 0.95, ranks


@pytest.fixture(scope="module")
def sample():
    """Every 60th tune of one folder, and every third that is not in major: the harder ones."""
    from music21 import __file__ as home

    folder = Path(home).parent / "corpus" / "ryansMammoth"
    files = sorted(folder.glob("*.abc"))
    chosen = []
    for i, file in enumerate(files):
        text = file.read_text(encoding="utf-8", errors="replace")
        line = next((ln for ln in text.splitlines() if ln.startswith("K:")), "")
        parsed = parse_key(line)
        if parsed is None or parsed[1] not in LABELS:
            continue
        if i % 60 == 0 or (i % 3 == 0 and parsed[1] != "major"):
            chosen.append(file)
    return read_tunes(chosen)


def test_find_mode_on_labelled_tunes_beats_the_key_finder(sample):
    # Source: the K: fields of ryansMammoth; music21's key finder as the reference.
    assert len(sample) > 40
    ours, theirs = [], []
    for tune in sample:
        found = find_mode(onset_sec=tune.onset, duration_sec=tune.duration, pitch_midi=tune.pitch)
        ours.append((found.tonic_pc, _FAMILY.get(found.name, found.name)))
        theirs.append(tuple(tune.music21_key))
    truth = [(t.tonic, t.label) for t in sample]
    for label in LABELS:
        rows = [i for i, t in enumerate(sample) if t.label == label]
        own = np.mean([ours[i] == truth[i] for i in rows])
        other = np.mean([theirs[i] == truth[i] for i in rows])
        assert own >= other, label
    ahead = [a == c for a, c in zip(ours, truth, strict=True)]
    behind = [b == c for b, c in zip(theirs, truth, strict=True)]
    assert np.mean(ahead) > np.mean(behind) + 0.1
    assert np.mean([a == b for a, b in zip(ours, truth, strict=True)]) >= 0.75


# -- common practice, no source ------------------------------------------------------------------


def test_d_mixolydian_has_the_notes_of_g_major():
    assert set(scale_notes("D", "mixolydian")) == set(scale_notes("G", "ionian"))
    assert mode_of("D", "mixolydian").parent == "G major"


def test_c_natural_rules_out_d_major():
    pitches = [62, 66, 69, 71, 72, 71, 69, 67, 66, 64, 62, 66, 69, 72, 69, 66, 62] * 2
    mode = find_mode(
        onset_sec=np.arange(len(pitches)) * 0.3,
        duration_sec=[0.3] * len(pitches),
        pitch_midi=pitches,
        drone_midi=50,
    )
    assert str(mode) == "D mixolydian"
    assert any(
        line.startswith("C natural rules out") and "D ionian" in line for line in mode.deciding
    )


@pytest.mark.parametrize("root", ["C", "D", "E", "F", "G", "A", "B", "Bb", "F#"])
def test_a_dominant_seventh_holds_a_note_foreign_to_the_major_scale_on_its_root(root):
    foreign = {n for _, n, _ in chord_tones(f"{root}7")} - set(scale_notes(root, "ionian"))
    assert len(foreign) == 1
    assert chord_tones(f"{root}7")[3][1] in foreign


@pytest.mark.parametrize(
    ("string", "note", "fret"),
    [(3, "C", 5), (3, "D", 7), (3, "G", 12), (2, "D", 15)],
)
def test_notes_on_the_neck(string, note, fret):
    found = {n.fret: n.note for n in scale_on_string(mode_of("G", "ionian"), string=string)}
    assert found[fret] == note


@pytest.mark.parametrize(("symbol", "fret"), [("C5", 8), ("D5", 10), ("G5", 3), ("A5", 5)])
def test_power_chord_roots_on_string_6(symbol, fret):
    assert fret in {shape.frets[5] for shape in power_shapes(symbol)}


def test_a_chord_over_the_open_fourth_string():
    # String 3 states C at fret 5 and D's third at fret 11 while string 4 rings.
    assert drone_shapes("C", drone_string=4, melody_string=3)[0].frets[2] == 5
    assert drone_shapes("D", drone_string=4, melody_string=3)[0].frets[2] == 11


def test_d7_without_string_1():
    shapes = voicings("D7", leave_out=(1,))
    assert "xx021x" in {shape.short for shape in shapes}


def test_modes_have_the_notes_of_their_parent():
    for name, shape in MODES.items():
        if shape.parent == "major" and len(shape.semitones) == 7:
            tonic = mode_of("A", name)
            parent = tonic.parent.split()[0]
            assert set(tonic.notes) == set(scale_notes(parent, "ionian"))
