"""`theory.find_mode` and the words it gives."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from tests.bench import theory_riffs as riffs
from theory import MODES, TheoryError, find_mode, mode_of, scale_notes
from theory.arrays import as_notes
from theory.drone_pitches import find_drone_pitches
from theory.mode_reasons import mode_text
from theory.scales import degree_label, parent_of, parse_note, spell, tonic_name


def find(pitches, *, drone=None, durations=None, step=0.25):
    n = len(pitches)
    return find_mode(
        onset_sec=[i * step for i in range(n)],
        duration_sec=durations or [step] * n,
        pitch_midi=pitches,
        drone_midi=drone,
    )


def run_over(tonic, name):
    """Up and down a mode from its tonic with the fifth held in the middle."""
    steps = MODES[name].semitones
    up = [tonic + s for s in steps] + [tonic + 12]
    return up + up[-2::-1]


@pytest.mark.parametrize(
    "name", ["ionian", "dorian", "phrygian", "lydian", "mixolydian", "aeolian", "locrian"]
)
@pytest.mark.parametrize("drone", [40, 45, 50, 55])
def test_find_mode_seven_modes_over_their_drone(name, drone):
    mode = find(run_over(drone + 12, name), drone=drone)
    assert (mode.tonic_pc, mode.name) == (drone % 12, name)
    assert mode.confidence > 0.5


@pytest.mark.parametrize(
    ("line", "name"),
    [
        # Licks as players of these scales know them; common practice, no source.
        ((57, 60, 62, 64, 67, 64, 62, 60, 57, 55, 57), "A minor pentatonic"),
        ((57, 60, 62, 63, 64, 67, 69, 67, 64, 63, 62, 60, 57), "A blues"),
        ((55, 57, 59, 62, 64, 62, 59, 57, 55, 52, 50, 55), "G major pentatonic"),
    ],
)
def test_a_scale_of_five_or_six_notes_is_named_as_that(line, name):
    mode = find_mode(onset_sec=range(len(line)), duration_sec=[1] * len(line), pitch_midi=line)
    assert str(mode) == name
    rivals = [c for c in mode.runners_up if c.tonic == mode.tonic]
    assert rivals
    assert len(MODES[rivals[0].name].semitones) == 7


def test_a_sixth_note_makes_a_pentatonic_lick_a_mode():
    line = [57, 60, 62, 64, 66, 67, 64, 62, 60, 57, 55, 57]
    mode = find_mode(onset_sec=range(12), duration_sec=[1] * 12, pitch_midi=line)
    assert str(mode) == "A dorian"


@pytest.mark.parametrize("name", ["harmonic minor", "melodic minor", "minor pentatonic", "blues"])
def test_find_mode_other_scales_over_their_drone(name):
    mode = find(run_over(57, name) * 2, drone=45)
    assert (mode.tonic, mode.name) == ("A", name)


def test_find_mode_posterior_is_a_distribution():
    mode = find(run_over(62, "dorian"))
    total = sum(c.probability for c in mode.posterior)
    assert total == pytest.approx(1.0)
    assert len(mode.posterior) == 12 * len(MODES)
    ranked = [c.probability for c in mode.posterior]
    assert ranked == sorted(ranked, reverse=True)
    assert mode.confidence == ranked[0]


def test_find_mode_without_the_deciding_degree_says_so_and_stays_unsure():
    heard = [62, 64, 66, 67, 69, 71, 69, 67, 66, 64, 62] * 2
    without = find(heard, drone=50)
    with_seventh = find([*heard, 72, 71, 69, 72, 69, 66, 62], drone=50)
    assert any("seventh" in line and "ionian" in line for line in without.undecided)
    assert not with_seventh.undecided
    pair = {c.name: c.probability for c in without.posterior if c.tonic == "D"}
    assert pair["ionian"] > 0.05
    assert pair["mixolydian"] > 0.05
    assert with_seventh.name == "mixolydian"


def test_find_mode_names_passing_notes():
    pitches = [62, 64, 66, 67, 69, 71, 72, 69, 67, 66, 65, 64, 62, 64, 66, 62] * 2
    mode = find(pitches, drone=50)
    assert str(mode) == "D mixolydian"
    foreign = {d.note: d for d in mode.degrees if d.role not in ("tonic", "scale")}
    assert foreign["F"].role == "passing"
    assert foreign["F"].label == "b3"
    assert "F (b3) is a passing note" in mode_text(mode)


def test_find_mode_does_not_depend_on_the_unit_of_time_or_the_order_of_notes():
    pitches = run_over(57, "dorian")
    slow = find(pitches, step=1.0)
    fast = find(pitches, step=0.1)
    assert slow.confidence == pytest.approx(fast.confidence)
    order = np.random.default_rng(3).permutation(len(pitches))
    onsets = np.arange(len(pitches)) * 1.0
    shuffled = find_mode(
        onset_sec=onsets[order],
        duration_sec=[1.0] * len(pitches),
        pitch_midi=np.array(pitches)[order],
    )
    assert shuffled == slow


def test_find_mode_moves_with_the_notes():
    base = find(run_over(57, "dorian"))
    for shift in range(1, 12):
        moved = find([p + shift for p in run_over(57, "dorian")])
        assert moved.tonic_pc == (base.tonic_pc + shift) % 12
        assert moved.name == base.name
        assert moved.confidence == pytest.approx(base.confidence)


def test_find_mode_keeps_its_answer_with_a_few_wrong_notes():
    rng = np.random.default_rng(5)
    pitches = run_over(57, "dorian") * 3
    for i in rng.choice(len(pitches), 4, replace=False):
        pitches[i] += int(rng.choice((-1, 1)))
    assert str(find(pitches, drone=45)) == "A dorian"


def test_find_mode_trusts_sure_notes_more():
    pitches = run_over(57, "dorian") * 2
    doubtful = [p + (1 if i % 4 == 3 else 0) for i, p in enumerate(pitches)]
    weight = [0.02 if i % 4 == 3 else 1.0 for i in range(len(pitches))]
    n = len(pitches)
    common: dict[str, Any] = {
        "onset_sec": list(range(n)),
        "duration_sec": [1] * n,
        "drone_midi": 45,
    }
    unsure = find_mode(pitch_midi=doubtful, confidence=weight, **common)
    clean = find_mode(pitch_midi=pitches, **common)
    assert (unsure.tonic, unsure.name) == (clean.tonic, clean.name)


def test_find_mode_text_reads_as_a_teacher_says_it():
    text = mode_text(find([62, 64, 66, 67, 69, 71, 72, 69, 67, 66, 64, 62] * 2, drone=50))
    assert "D mixolydian" in text
    assert "The notes of G major, starting and ending on D" in text
    assert "the drone D is the tonic" in text
    assert "C natural rules out D ionian" in text


def over_drone(drone, line):
    """A line in quarters of a second, with the drone struck on every second note."""
    notes = [(0.25 * i, 0.24, p) for i, p in enumerate(line)]
    notes += [(0.25 * i, 0.48, drone) for i in range(0, len(line), 2)]
    onset, duration, pitch = zip(*notes, strict=True)
    return {"onset_sec": onset, "duration_sec": duration, "pitch_midi": pitch}


AT_HOME_ON_G = [67, 69, 71, 67, 72, 71, 69, 67, 71, 74, 72, 71, 69, 66, 69, 67]


def test_find_mode_hears_home_in_the_melody_where_the_drone_is_the_fifth():
    mode = find_mode(**over_drone(50, AT_HOME_ON_G * 2), drone_midi=50)
    assert str(mode) == "G ionian"
    assert "the drone D is the fifth of G" in mode.evidence
    assert "the melody ends on G" in mode.evidence
    same = find_mode(**over_drone(43, AT_HOME_ON_G * 2), drone_midi=43)
    assert str(same) == "G ionian"
    assert same.confidence > mode.confidence


def test_find_mode_believes_a_short_line_that_comes_home_over_the_fifth():
    line = [67, 69, 71, 74, 72, 71, 69, 71, 72, 69, 66, 69, 67]
    assert str(find_mode(**over_drone(50, line), drone_midi=50)) == "G ionian"


def test_find_mode_says_where_the_drone_and_the_melody_disagree():
    line = [67, 69, 71, 72, 74, 72, 71, 69, 74, 72, 71, 69, 67, 66, 69, 67]
    torn = find_mode(**over_drone(50, line), drone_midi=50)
    homes = {torn.posterior[0].tonic, torn.posterior[1].tonic}
    assert homes == {"D", "G"}
    assert any("home may be the drone D or the melody's G" in why for why in torn.undecided)
    settled = find_mode(**over_drone(50, run_over(62, "mixolydian") * 2), drone_midi=50)
    assert not any("home may be" in line for line in settled.undecided)


def test_find_mode_finds_a_drone_that_nobody_named():
    played = over_drone(50, run_over(62, "lydian") * 2)
    assert find_mode(**played) == find_mode(**played, drone_midi=50)


def test_pedals_are_no_bass_of_chords_and_no_note_of_a_melody():
    chords = [
        (0.5 * i + 0.01 * k, 0.5, p) for i in range(24) for k, p in enumerate((40, 47, 52, 56))
    ]
    assert find_drone_pitches(as_notes(*zip(*chords, strict=True))) == ()
    alone = run_over(57, "dorian") * 3
    assert find_drone_pitches(as_notes(range(len(alone)), [1] * len(alone), alone)) == ()


def test_find_mode_of_strummed_loops_starts_at_home():
    right = []
    for seed in range(0, 48, 2):
        case = riffs.strum(seed)
        mode = find_mode(onset_sec=case.onset, duration_sec=case.duration, pitch_midi=case.pitch)
        assert not any("the riff starts" in why for why in mode.evidence)
        right.append(str(mode) in riffs.LOOP_MODES[" ".join(case.loop)])
    assert np.mean(right) >= 0.75


def test_find_mode_says_on_which_chord_a_loop_starts():
    case = riffs.strum(2)
    mode = find_mode(onset_sec=case.onset, duration_sec=case.duration, pitch_midi=case.pitch)
    assert case.loop[0] == mode.tonic == "C"
    assert "the first chord is built on C" in mode.evidence
    assert "drone" not in mode_text(mode)


def test_held_out_tunes_keep_their_variants_together():
    from tests.bench.theory_fit import FOLDS, folds_of, groups
    from tests.bench.theory_tunes import Tune

    def tune(name, pitch):
        n = len(pitch)
        onset, length = tuple(float(i) for i in range(n)), (1.0,) * n
        return Tune(name, name, "K:C", 0, "major", onset, length, tuple(pitch), (), (0, ""), 1.0, 1)

    rng = np.random.default_rng(4)
    lines = [list(60 + rng.integers(0, 12, 40)) for _ in range(30)]
    tunes = [tune(f"tune {'abcdefghij'[i % 10]}{'klm'[i // 10]}", p) for i, p in enumerate(lines)]
    tunes += [tune("Another name", [p + 5 for p in lines[0]]), tune("tune ak -- Reel", lines[1])]
    group = groups(tunes)
    assert group[30] == group[0]  # the same line in another key
    assert group[31] == group[0] == group[1]  # the title of one, the line of another
    assert len(set(group)) == 29
    fold = folds_of(group)
    assert set(fold) == set(range(FOLDS))
    assert fold[30] == fold[31] == fold[0] == fold[1]


def test_find_mode_single_note_has_no_confident_mode():
    assert find([60]).confidence < 0.5


@pytest.mark.parametrize(
    ("change", "match"),
    [
        ({"onset_sec": []}, "give one per note"),
        ({"duration_sec": [0.0]}, r"duration_sec\[0\]"),
        ({"pitch_midi": [float("nan")]}, r"pitch_midi\[0\]"),
        ({"pitch_midi": [200]}, "0 to 127"),
        ({"onset_sec": [float("inf")]}, "finite"),
        ({"drone_midi": 400}, "drone_midi"),
        ({"confidence": [2.0]}, "confidence"),
        ({"downbeats_sec": [1.0, 1.0]}, "downbeats_sec"),
    ],
)
def test_find_mode_refuses(change, match):
    good = {"onset_sec": [0.0], "duration_sec": [1.0], "pitch_midi": [60]}
    with pytest.raises(TheoryError, match=match):
        find_mode(**(good | change))


def test_find_mode_refuses_no_notes():
    with pytest.raises(TheoryError, match="no notes"):
        find_mode(onset_sec=[], duration_sec=[], pitch_midi=[])


@pytest.mark.parametrize("name", list(MODES))
@pytest.mark.parametrize("pc", range(12))
def test_scale_notes_use_each_letter_once(name, pc):
    tonic = tonic_name(pc, name)
    notes = scale_notes(tonic, name)
    if len(notes) == 7:
        assert len({n[0] for n in notes}) == 7
    assert len(tonic) <= 2
    assert tonic not in ("E#", "B#", "Cb", "Fb")


@pytest.mark.parametrize(
    ("tonic", "name", "parent"),
    [
        ("D", "mixolydian", "G major"),  # common practice, no source
        ("A", "dorian", "G major"),
        ("E", "phrygian", "C major"),
        ("F", "lydian", "C major"),
        ("B", "locrian", "C major"),
        ("A", "aeolian", "C major"),
        ("Eb", "dorian", "Db major"),
        ("A", "minor pentatonic", "C major"),
        ("A", "harmonic minor", "A harmonic minor"),
    ],
)
def test_parent_of(tonic, name, parent):
    assert parent_of(tonic, name) == parent
    if parent.endswith("major"):
        tonic_of_parent = parent.split()[0]
        assert set(scale_notes(tonic, name)) <= set(scale_notes(tonic_of_parent, "ionian"))


def test_spelling_follows_the_key():
    assert spell(10, "D", "aeolian") == "Bb"
    assert spell(10, "B", "ionian") == "A#"
    assert spell(1, "D", "harmonic minor") == "C#"
    assert spell(8, "C", "ionian", rising=True) == "G#"
    assert spell(8, "C", "ionian") == "Ab"
    assert degree_label(6, "aeolian") == "b5"
    assert degree_label(6, "ionian") == "#4"


def test_mode_of_refuses_unknown_names():
    with pytest.raises(TheoryError, match="no mode is called"):
        mode_of("A", "doric")
    with pytest.raises(TheoryError, match="not a note"):
        mode_of("H", "dorian")
    assert mode_of("a", "minor").name == "aeolian"


@pytest.mark.parametrize("heard", [[52], [52, 52], [52, 59], [59, 52, 59]])
def test_find_mode_of_one_or_two_notes_takes_one_of_them_for_home(heard):
    mode = find(heard)
    assert mode.tonic in {"E", "B"} & {spell(p % 12, "E", "aeolian") for p in heard}
    assert mode.confidence < 0.5
    assert sum(c.probability for c in mode.posterior) == pytest.approx(1.0)


def test_find_mode_of_two_notes_over_a_drone_takes_the_drone_for_home():
    """A shuffle on the low E string: fifth, fifth, sixth, sixth."""
    upper = [47, 47, 49, 49] * 4
    mode = find_mode(
        onset_sec=[0.25 * i for i in range(16)] * 2,
        duration_sec=[0.25] * 32,
        pitch_midi=[40] * 16 + upper,
    )
    assert (mode.tonic, mode.drone_midi) == ("E", (40,))


def test_find_mode_speaks_of_no_melody_where_only_the_drone_sounds():
    mode = find([40] * 20, drone=40)
    assert "the drone E is the tonic" in mode.evidence
    assert not any("melody" in why or "beside" in why for why in mode.evidence)


def test_find_mode_claims_no_longest_note_that_another_equals():
    tied = find([57, 61, 64, 61, 57, 59, 61, 62, 64, 68, 66, 57], step=1.0)
    assert (tied.tonic, tied.name) == ("A", "ionian")
    said = " ".join(tied.evidence)
    assert "no note sounds longer than A" in said
    assert "no note comes more often than A" in said
    assert "longest" not in said
    assert "most often" not in said


def test_find_mode_rules_no_mode_out_that_it_holds_likely():
    line = [57, 58, 60, 64, 62, 60, 58, 57, 64, 65, 67, 69, 67, 65, 64, 60, 62, 58, 60, 57]
    mode = find([*line, 67, 64, 60, 57])
    likely = {str(c) for c in mode.runners_up if c.probability >= 0.15}
    assert likely
    ruled_out = " ".join(why for why in mode.deciding if "rules out" in why)
    assert not any(name in ruled_out for name in likely)
    assert any("speaks against" in why for why in mode.deciding)


def test_pedals_sound_under_the_line_and_not_between_its_notes():
    assert find_drone_pitches(as_notes(range(16), [1] * 16, [40] * 15 + [52])) == ()
    rings = [(0.5 * i, 4.0, 40) for i in range(0, 24, 6)]
    line = [(0.5 * i, 0.5, 57 + i % 5) for i in range(24)]
    held = as_notes(*zip(*rings, *line, strict=True))
    assert find_drone_pitches(held) == ()  # struck too seldom
    often = [(1.0 * i, 0.9, 40) for i in range(12)]
    assert find_drone_pitches(as_notes(*zip(*often, *line, strict=True))) == (40,)
    # The same strokes, each over before the next note of the line, are no drone beneath it.
    apart = [(2.0 * i + 1.8, 0.1, 40) for i in range(8)]
    sparse = [(2.0 * i + 0.25 * k, 0.25, 57 + k) for i in range(8) for k in range(5)]
    assert find_drone_pitches(as_notes(*zip(*apart, *sparse, strict=True))) == ()


PENTATONIC = [62, 64, 67, 69, 67, 64, 62, 60, 57, 60, 62, 67, 69, 72, 69, 67, 64, 62]  # A C D E G


@pytest.mark.parametrize(
    ("line", "name"),
    [
        ([57, 60, 62, 64, 67, 69, 67, 64, 62, 60, 57, 64, 60, 57], "A minor pentatonic"),
        ([60, 62, 64, 67, 69, 67, 64, 62, 60, 67, 64, 60, 55, 60], "C major pentatonic"),
        ([57, 60, 62, 63, 64, 67, 69, 67, 64, 63, 62, 60, 57, 64, 60, 57], "A blues"),
    ],
)
def test_find_mode_names_a_scale_of_five_or_six_notes_that_alone_sounds(line, name):
    mode = find_mode(onset_sec=range(len(line)), duration_sec=[1] * len(line), pitch_midi=line)
    assert str(mode) == name


@pytest.mark.parametrize("up", range(0, 12, 3))
def test_find_mode_five_notes_at_home_on_another_of_them_are_still_a_pentatonic(up):
    """The five notes of A minor pentatonic that begin, stay and end on D."""
    line = [up + pitch for pitch in PENTATONIC]
    mode = find_mode(onset_sec=range(len(line)), duration_sec=[1] * len(line), pitch_midi=line)
    assert "pentatonic" in mode.name
    assert set(mode.pitch_classes) == {pitch % 12 for pitch in line}
    likely = [c for c in mode.posterior[:2] if c.name == "suspended pentatonic"]
    assert [parse_note(c.tonic) for c in likely] == [(2 + up) % 12]
    assert any("home may be" in words for words in mode.undecided)
    over = find_mode(
        onset_sec=range(len(line)),
        duration_sec=[1] * len(line),
        pitch_midi=line,
        drone_midi=38 + up,
    )
    assert (over.name, over.tonic_pc) == ("suspended pentatonic", (2 + up) % 12)
    assert over.full_name in ("dorian", "mixolydian", "aeolian")
    assert "dorian" in over.undecided[0]
    assert "minor pentatonic, starting and ending on" in mode_text(over)


def test_full_name_holds_the_notes_of_the_scale():
    """A shuffle on E, whose sixth the dorian has too, has the third of its own scale."""
    mode = find_mode(
        onset_sec=[0, 1, 2, 3, 4, 5, 6, 7],
        duration_sec=[1] * 8,
        pitch_midi=[47, 49] * 4,
        drone_midi=40,
    )
    own = set(MODES[mode.name].semitones)
    assert own <= set(MODES[mode.full_name].semitones)


def test_find_mode_tells_a_drone_on_the_tonic_from_one_on_the_fifth():
    """Lines that break a chord a bar over their tonic, and riffs over their mode's fifth.

    What speaks for one must not cost the other; the seeds are none of the bench's.
    """

    def right(case: riffs.Played) -> bool:
        mode = find_mode(
            onset_sec=case.onset,
            duration_sec=case.duration,
            pitch_midi=case.pitch,
            drone_midi=case.drone,
            downbeats_sec=case.downbeats,
        )
        return (mode.tonic_pc, mode.name) == (case.tonic, case.mode)

    lines = [right(riffs.broken_over_drone(seed)) for seed in range(6000, 6048)]
    fifths = [
        right(riffs.drone_riff(seed, mode, string, fifth=True))
        for mode in riffs.SEVEN
        for string in riffs.DRONE_STRINGS
        for seed in (6000, 6001)
    ]
    assert np.mean(lines) >= 0.9, np.mean(lines)
    assert np.mean(fifths) >= 0.85, np.mean(fifths)


def test_find_mode_names_no_pentatonic_where_two_of_its_notes_never_sound():
    """A chord of A minor alone is A minor; with the fourth or the seventh it may be pentatonic."""
    strum = [45, 52, 57, 60, 64]
    mode = find_mode(onset_sec=[0] * 5, duration_sec=[2] * 5, pitch_midi=strum)
    assert str(mode) == "A aeolian"
    assert not any("pentatonic" in c.name for c in mode.runners_up)
