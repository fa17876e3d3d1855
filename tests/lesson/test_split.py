"""A session is cut into its parts, and the playings of one part are told as one."""

from __future__ import annotations

import dataclasses
import itertools
import json
import shutil
from pathlib import Path

import mir_eval
import numpy as np
import pytest
import soundfile

from tests.lesson.sessions import (
    BUOY,
    FERRY,
    PIER,
    line,
    recorded,
    small_session,
    write_session,
)
from transcribe.core.errors import AudioError, FormatError, HandspanError
from transcribe.core.lesson import Lesson, LessonPart, Playing
from transcribe.core.pitch import midi_to_hz
from transcribe.core.riff import Note, Rhythm, Riff
from transcribe.correct.pins import pin
from transcribe.formats.document import read_riff, write_riff
from transcribe.formats.lesson_document import read_lesson, write_lesson
from transcribe.lesson.lesson_edits import change_part
from transcribe.lesson.lesson_files import Made, following, join_takes, make_lesson, use_playing
from transcribe.lesson.part_riffs import read_parts
from transcribe.lesson.split import labels, rank, split, uneven_sec
from transcribe.training.banks import SR


@pytest.fixture(scope="module")
def ferry(tmp_path_factory: pytest.TempPathFactory) -> Made:
    """The shipped session, split once for all the tests here."""
    return make_lesson(FERRY / "ferry.ogg", tmp_path_factory.mktemp("ferry"))


TRUTH = read_lesson(FERRY / "truth.lesson.json")


def _labels(made: Lesson) -> list[str]:
    """Label of the part of ``made`` that each true playing is found in, in order of time."""
    found = []
    for truth in sorted((p for part in TRUTH.parts for p in part.playings), key=_start):
        hits = [
            part.label
            for part in made.parts
            for one in part.playings
            if abs(one.start_sec - truth.start_sec) <= 0.5
            and abs(one.end_sec - truth.end_sec) <= 0.5
        ]
        assert len(hits) == 1, f"{truth.start_sec:.1f} s: {hits}"
        found += hits
    return found


def _start(playing: Playing) -> float:
    return playing.start_sec


def test_every_part_of_the_shipped_session_is_found(ferry: Made) -> None:
    assert sum(len(part.playings) for part in ferry.lesson.parts) == 10
    assert _labels(ferry.lesson) == list("AABBBCDDCB")
    assert ferry.split.left_out == ()


def test_the_best_playing_is_the_one_without_a_slip(ferry: Made) -> None:
    main = ferry.lesson.part("B")
    assert main.take == main.playings[1]  # the first and the last have slips, the third is slow
    intro = ferry.lesson.part("A")
    assert intro.take == intro.playings[0]


def test_tempi_are_told_against_the_take(ferry: Made) -> None:
    slow = ferry.lesson.part("B").playings[2]
    assert slow.bpm == pytest.approx(0.65 * 104, rel=0.03)
    assert ferry.lesson.part("B").start_bpm == pytest.approx(0.65 * 104, rel=0.03)
    assert ferry.lesson.part("C").start_bpm is None  # never shown slowly
    assert all(p.alike > 0.9 for part in ferry.lesson.parts for p in part.playings)


def test_the_notes_of_the_parts_are_those_that_were_played(ferry: Made) -> None:
    """By mir_eval, onset within 50 ms and the exact semitone, for each part over .9."""
    for part, riff in zip(
        ferry.lesson.parts, read_parts(ferry.lesson, ferry.path.parent), strict=True
    ):
        truth_part = TRUTH.part(part.label)
        truth = read_riff(FERRY / truth_part.riff)
        assert part.take is not None
        assert truth_part.take is not None
        if abs(part.take.start_sec - truth_part.take.start_sec) > 0.5:
            continue  # another playing was kept, of which no notes ship
        begins = truth_part.take.start_sec - min(n.onset_sec for n in truth.notes)
        score = mir_eval.transcription.precision_recall_f1_overlap(
            *_scored(truth, begins), *_scored(riff, part.take.start_sec), offset_ratio=None
        )
        assert score[2] > 0.9, part.label


def _scored(riff: Riff, offset_sec: float) -> tuple[np.ndarray, np.ndarray]:
    spans = np.array([(n.onset_sec, n.offset_sec) for n in riff.notes]) + offset_sec
    return spans, midi_to_hz(np.array([n.pitch_midi for n in riff.notes]))


def test_each_part_has_its_sound_beside_it(ferry: Made) -> None:
    folder = ferry.path.parent
    for part, riff in zip(ferry.lesson.parts, read_parts(ferry.lesson, folder), strict=True):
        assert riff.source is not None
        assert part.take is not None
        info = soundfile.info(folder / riff.source.file)
        assert info.duration == pytest.approx(part.take.end_sec - part.take.start_sec, abs=0.01)
        assert max(note.offset_sec for note in riff.notes) <= info.duration + 0.01
        assert all(note.string is not None for note in riff.notes)
    assert sorted(path.name for path in folder.iterdir()) == sorted(
        path.name for path in ferry.files
    )


# Small sessions --------------------------------------------------------------------------------


def test_talk_and_pauses_cut_and_the_same_line_is_one_part() -> None:
    stages: list[str] = []
    found = split(small_session(), sr=SR, name="pier", progress=lambda s, _: stages.append(s))
    assert [len(part.playings) for part in found.lesson.parts] == [2, 1]
    first = found.lesson.parts[0]
    assert [round(p.start_sec) for p in first.playings] == [0, 19]
    assert first.playings[1].alike > 0.8
    pitches = [[n.pitch_midi for n in riff.notes] for riff in found.riffs.values()]
    assert pitches == [list(PIER), list(BUOY)]
    assert list(dict.fromkeys(stages)) == ["notes", "finding the parts", "fingering"]


def test_a_few_stray_notes_are_no_part() -> None:
    found = split(recorded([*line((57, 60), 0.5), *line(PIER, 6.0)]), sr=SR)
    assert [len(part.playings) for part in found.lesson.parts] == [1]
    assert [round(segment.start_sec) for segment in found.left_out] == [0]


def test_a_session_of_nothing_but_a_sound_check_is_refused() -> None:
    with pytest.raises(AudioError, match="nothing in it is played for long enough to be a part"):
        split(recorded(line((57, 60, 62), 0.5)), sr=SR)


@pytest.mark.parametrize("what", ["silence", "noise", "text", "empty"])
def test_what_is_no_session_gives_one_line_and_no_files(what: str, tmp_path: Path) -> None:
    path = tmp_path / "session.wav"
    if what == "text":
        path.write_text("a letter\n" * 100)
    elif what == "empty":
        path.write_bytes(b"")
    else:
        noise = 0.01 * np.random.default_rng(1).standard_normal(3 * SR) * (what == "noise")
        soundfile.write(path, noise, SR)
    with pytest.raises(HandspanError) as caught:
        make_lesson(path, tmp_path / "out")
    assert "\n" not in str(caught.value)
    assert not (tmp_path / "out").exists()


def test_labels_go_on_after_the_alphabet() -> None:
    first = list(itertools.islice(labels(), 28))
    assert first[0] == "A"
    assert first[25:] == ["Z", "A2", "B2"]


def test_uneven_is_the_distance_from_an_even_beat() -> None:
    late = [0.0, 0.03, 0.0, 0.0, 0.03, 0.0, 0.03, 0.03]
    notes = [
        Note(k, 0.5 * k + off, 0.5 * k + 0.4, 50, onset_beat=float(k)) for k, off in enumerate(late)
    ]
    assert uneven_sec(Riff(notes=tuple(notes))) == pytest.approx(0.015, abs=0.004)
    assert uneven_sec(Riff(notes=tuple(notes[:2]))) is None


def _as_played(pitches: list[int], unsure: int = 0, waver: float = 0.0) -> tuple[Playing, Riff]:
    rng = np.random.default_rng(len(pitches))
    notes = tuple(
        Note(
            k,
            0.5 * k + waver * float(rng.uniform(-1, 1)),
            0.5 * k + 0.4,
            pitch,
            confidence=0.5 if k < unsure else 1.0,
            onset_beat=float(k),
            duration_beat=0.8,
        )
        for k, pitch in enumerate(pitches)
    )
    riff = Riff(notes=notes, rhythm=Rhythm(120.0, (4, 4), tuple(0.5 * k for k in range(20))))
    return Playing(0.0, 9.0, len(notes), unsure, uneven_sec(riff), 120.0), riff


def test_the_best_playing_by_slips_then_doubt_then_evenness() -> None:
    tune = [*PIER, *BUOY]
    slip = [pitch + (k == 6) for k, pitch in enumerate(tune)]
    assert rank([_as_played(slip), _as_played(tune), _as_played(tune)])[0] == 1
    assert rank([_as_played(tune, unsure=4), _as_played(tune)])[0] == 1
    assert rank([_as_played(tune, waver=0.05), _as_played(tune)])[0] == 1
    assert rank([_as_played(tune[:6]), _as_played(tune, unsure=4)])[0] == 1  # half of it only


# On disk ---------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def small_once(tmp_path_factory: pytest.TempPathFactory) -> Made:
    folder = tmp_path_factory.mktemp("class")
    return make_lesson(write_session(folder / "class.wav", small_session()), folder / "out")


@pytest.fixture
def small(small_once: Made, tmp_path: Path) -> Made:
    """A small session and its lesson, a copy of its own for each test."""
    shutil.copytree(small_once.path.parent.parent, tmp_path, dirs_exist_ok=True)
    return dataclasses.replace(small_once, path=tmp_path / "out" / small_once.path.name)


def test_a_second_split_keeps_what_was_said_and_corrected(small: Made, tmp_path: Path) -> None:
    folder = small.path.parent
    told = change_part(small.lesson, "A", name="pier", note="Slowly.")
    told = dataclasses.replace(told, title="Pier", form=("A", "B", "A"), extra={"mood": "foggy"})
    write_lesson(told, small.path)
    document = folder / told.part("A").riff
    riff = read_riff(document)
    corrected = pin(riff, {riff.notes[0].id: riff.instrument.places(riff.notes[0].pitch_midi)[-1]})
    write_riff(corrected, document)
    said: list[str] = []
    again = make_lesson(tmp_path / "class.wav", folder, say=said.append)
    assert again.lesson == told
    assert read_riff(document) == corrected
    assert any("was corrected and stays as it is" in sentence for sentence in said)


def test_a_lesson_of_another_session_is_not_replaced(small: Made, tmp_path: Path) -> None:
    folder = small.path.parent
    write_session(tmp_path / "class.wav", recorded(line(BUOY, 0.5)))
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    with pytest.raises(HandspanError, match="is the lesson of another session"):
        make_lesson(tmp_path / "class.wav", folder)
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == before


def test_an_old_document_that_cannot_be_read_is_refused_first(small: Made, tmp_path: Path) -> None:
    small.path.write_text(json.dumps({"handspan_lesson": 9}))
    before = {path.name: path.read_bytes() for path in small.path.parent.iterdir()}
    with pytest.raises(FormatError, match="handspan_lesson: 9"):
        make_lesson(tmp_path / "class.wav", small.path.parent)
    assert {path.name: path.read_bytes() for path in small.path.parent.iterdir()} == before


def test_another_playing_becomes_the_take(small: Made) -> None:
    folder = small.path.parent
    part = small.lesson.parts[0]
    assert part.take is not None
    other = 2 - part.playings.index(part.take)
    lesson = use_playing(small.lesson, folder, "A", other)
    assert lesson.part("A").take == part.playings[other - 1]
    riff = read_riff(folder / part.riff)
    assert [n.pitch_midi for n in riff.notes] == list(PIER)
    step = np.median(np.diff([n.onset_sec for n in riff.notes]))
    assert step == pytest.approx((0.4, 0.5)[other - 1], abs=0.02)


def test_parts_that_follow_each_other_are_joined(small: Made) -> None:
    lesson = dataclasses.replace(small.lesson, form=("A", "B", "A"))
    # The tab of A is of its second playing, and the first is the one right before B.
    first = dataclasses.replace(lesson.parts[0], take=lesson.parts[0].playings[1])
    lesson = dataclasses.replace(lesson, parts=(first, *lesson.parts[1:]))
    whole = join_takes(lesson, small.path.parent, "A", "B")
    assert [part.label for part in whole.parts] == ["A"]
    assert whole.form == ("A", "A")
    riff = read_parts(whole, small.path.parent)[0]
    assert [n.pitch_midi for n in riff.notes] == [*PIER, *BUOY]


def test_a_pair_of_playings_that_follow_each_other_is_found() -> None:
    def part(label: str, *starts: int, take: int = 0) -> LessonPart:
        playings = tuple(Playing(start, start + 8.0) for start in starts)
        return LessonPart(label, f"{label}.riff.json", take=playings[take], playings=playings)

    lesson = Lesson(
        parts=(
            part("intro", 0, 10),
            part("main", 20, 40, take=1),
            part("verse", 30),
            part("end", 60),
            part("lead", 50),
        )
    )
    intro, main, verse, end, _ = lesson.parts
    # The second intro is right before the first main.
    assert following(lesson, intro, main) == (intro.playings[1], main.playings[0])
    assert following(lesson, main, verse) == (main.playings[0], verse.playings[0])
    with pytest.raises(HandspanError, match="'main' is played between them"):
        following(lesson, intro, verse)
    with pytest.raises(HandspanError, match="'lead' is played between them"):
        following(lesson, main, end)
    with pytest.raises(HandspanError, match="'intro' is never played after 'end'"):
        following(lesson, end, intro)


def test_joined_parts_keep_their_pins(small: Made) -> None:
    folder = small.path.parent
    first = dataclasses.replace(small.lesson.parts[0], take=small.lesson.parts[0].playings[0])
    lesson = dataclasses.replace(small.lesson, parts=(first, *small.lesson.parts[1:]))
    # The riffs of the two takes that follow each other, each with a pin on its third note.
    use_playing(lesson, folder, "A", 1)
    wanted = []
    for part in lesson.parts[:2]:
        riff = read_riff(folder / part.riff)
        note = riff.notes[2]
        places = riff.instrument.places(note.pitch_midi)
        place = next(each for each in reversed(places) if each != (note.string, note.fret))
        write_riff(pin(riff, {note.id: place}), folder / part.riff)
        wanted.append((note.pitch_midi, place))
    whole = join_takes(lesson, folder, "A", "B")
    notes = read_parts(whole, folder)[0].notes
    kept = [(n.pitch_midi, (n.string, n.fret)) for n in notes if n.pinned]
    assert kept == wanted
    assert [i for i, n in enumerate(notes) if n.pinned] == [2, len(PIER) + 2]


def test_parts_that_do_not_follow_each_other_are_not_joined(small: Made) -> None:
    first = small.lesson.parts[0]
    once = dataclasses.replace(first, take=first.playings[0], playings=first.playings[:1])
    lesson = dataclasses.replace(small.lesson, parts=(once, *small.lesson.parts[1:]))
    with pytest.raises(
        HandspanError, match=r"do not follow each other .*'A' is never played after"
    ):
        join_takes(lesson, small.path.parent, "B", "A")
    with pytest.raises(HandspanError, match="cannot be joined with itself"):
        join_takes(lesson, small.path.parent, "A", "A")


def test_the_sound_of_a_lesson_that_is_gone(small: Made, tmp_path: Path) -> None:
    (tmp_path / "class.wav").unlink()
    with pytest.raises(AudioError, match="not there any more"):
        use_playing(small.lesson, small.path.parent, "A", 1)
