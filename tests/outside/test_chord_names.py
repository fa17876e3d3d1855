"""Names of pitches, chords and keys against libraries that share no code with the project.

Sources: mir_eval reads Harte's chord syntax (Harte et al., ISMIR 2005); music21 reads the kinds of
MusicXML 4.0, spells pitches and knows the key signatures.
"""

from __future__ import annotations

import mir_eval
import pytest

from theory.chord_symbols import KINDS as THEORY_KINDS
from transcribe.core.pitch import (
    FLATS,
    SHARPS,
    fifths_of,
    key_alteration,
    note_at_fifths,
    parse_pitch,
    pitch_class,
    pitch_name,
    spell,
)
from transcribe.formats.chord_names import CHORDS, key_of

MUSIC21_KINDS = {
    "dominant": "dominant-seventh",
    "major-minor": "minor-major-seventh",
    "half-diminished": "half-diminished-seventh",
}
"""What music21 calls some kinds of MusicXML inside."""

EXTENSIONS = {2, 5, 9}  # ninth, eleventh and thirteenth, which mir_eval leaves out of a chord


def _steps(suffix: str) -> set[int]:
    """Semitones above the root that the project's theory gives a chord."""
    synonyms = {"+": "aug", "mmaj7": "mMaj7"}
    return set(THEORY_KINDS[synonyms.get(suffix, suffix)].steps)


@pytest.mark.parametrize("suffix", CHORDS)
def test_a_harte_label_sounds_the_chord_it_stands_for(suffix: str) -> None:
    _, bits, _ = mir_eval.chord.encode(f"C:{CHORDS[suffix][1]}", reduce_extended_chords=True)
    sounded = {step for step in range(12) if bits[step]}
    extended = any(number in suffix for number in ("9", "11", "13"))
    left_out = EXTENSIONS if extended else set()
    assert sounded - left_out == _steps(suffix) - left_out


@pytest.mark.parametrize("suffix", CHORDS)
def test_a_musicxml_kind_sounds_the_chord_it_stands_for(suffix: str) -> None:
    import music21

    kind = MUSIC21_KINDS.get(CHORDS[suffix][0], CHORDS[suffix][0])
    chord = music21.harmony.ChordSymbol(root="C", kind=kind)
    assert {pitch.pitchClass for pitch in chord.pitches} == _steps(suffix)


@pytest.mark.parametrize("letter", list("ABCDEFG"))
@pytest.mark.parametrize("sign", ["", "#", "b", "##", "bb"])
@pytest.mark.parametrize("octave", [1, 4])
def test_pitch_names_are_read_as_music21_reads_them(letter: str, sign: str, octave: int) -> None:
    import music21

    other = music21.pitch.Pitch(f"{letter}{sign.replace('b', '-')}{octave}")
    assert parse_pitch(f"{letter}{sign}{octave}") == other.midi
    assert pitch_class(f"{letter}{sign}") == other.pitchClass


@pytest.mark.parametrize("midi", range(36, 97))
def test_names_of_pitches_are_those_of_the_same_key_of_a_piano(midi: int) -> None:
    import music21

    for names in (SHARPS, FLATS):
        name = pitch_name(midi, names)
        assert music21.pitch.Pitch(name.replace("b", "-")).midi == midi
        assert parse_pitch(name) == midi


@pytest.mark.parametrize("sharps", range(-7, 8))
def test_keys_are_those_of_their_signatures(sharps: int) -> None:
    import music21

    signature = music21.key.KeySignature(sharps)
    scale = signature.getScale("major")
    assert note_at_fifths(sharps) == scale.tonic.name.replace("-", "b")
    assert fifths_of(note_at_fifths(sharps)) == sharps
    altered = {p.step: int(p.alter) for p in signature.alteredPitches}
    assert {n: key_alteration(n, sharps) for n in "ABCDEFG"} == {
        n: altered.get(n, 0) for n in "ABCDEFG"
    }
    for pitch in scale.getPitches("C4", "B4"):
        assert spell(pitch.midi, sharps) == (pitch.step, int(pitch.alter), pitch.octave)
    minor = signature.asKey("minor").tonic.name.replace("-", "b")
    theory = {"mode": {"tonic": minor, "name": "aeolian"}}
    assert key_of(theory) == (sharps, "aeolian")
    assert key_of({"mode": {"tonic": "X", "name": "blues", "parent": "B major"}}) == (5, None)
