"""What a player asks of a fingering in words, and another fingering taken: steps of the history."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pytest

from tests.formats.riffs import make_riff
from transcribe import api
from transcribe.command.main import main
from transcribe.core.errors import ParameterError
from transcribe.core.riff import Note, Phrase, Request, Rhythm, Riff, places_of
from transcribe.core.wording import sentence
from transcribe.correct.history import redo, undo
from transcribe.correct.pins import pin
from transcribe.correct.requests import ask, request_of, take, withdraw
from transcribe.formats.document import from_json, read_riff, to_json, write_riff

PHRASE = (64, 67, 69, 71, 72, 71, 69, 67)


@pytest.fixture(scope="module")
def riff() -> Riff:
    """A phrase of two bars, played twice."""
    notes = [
        Note(i + 1, 0.5 * i, 0.5 * i + 0.5, p, onset_beat=float(i), duration_beat=1.0)
        for i, p in enumerate(PHRASE * 2)
    ]
    beats = tuple(0.5 * k for k in range(17))
    phrases = (Phrase("A", 0, 8), Phrase("A", 8, 16, repeats_beat=0))
    rhythm = Rhythm(120.0, beats_sec=beats, downbeats_sec=beats[::4], phrases=phrases)
    return api.finger(Riff(notes=tuple(notes), rhythm=rhythm), drone="off")


def places(riff: Riff) -> dict[int, tuple[int | None, int | None]]:
    return {note.id: (note.string, note.fret) for note in riff.notes}


def document(riff: Riff) -> object:
    return to_json(dataclasses.replace(riff, history=()))


@pytest.mark.parametrize(
    ("text", "kind", "number", "notes"),
    [
        ("7th position", "position", 7, None),
        ("in the seventh position", "position", 7, None),
        ("Position 5, bar 2", "position", 5, (5, 6, 7, 8)),
        ("bars 3 to 4: no open strings", "no-open-strings", None, tuple(range(9, 17))),
        ("let it ring in bar 1", "let-ring", None, (1, 2, 3, 4)),
        ("along string 3", "along-string", 3, None),
        ("highest fret 12 in phrase A", "highest-fret", 12, tuple(range(1, 9))),
        ("three notes a string", "three-a-string", None, None),
    ],
)
def test_words_are_a_request(
    riff: Riff, text: str, kind: str, number: int | None, notes: tuple[int, ...] | None
) -> None:
    assert request_of(riff, text, repeats=False) == Request(kind, number, notes)


def test_what_is_asked_of_a_bar_is_asked_of_its_repeats(riff: Riff) -> None:
    assert request_of(riff, "let it ring in bar 1").notes == (1, 2, 3, 4, 9, 10, 11, 12)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("play it nicely", "nothing that can be asked"),
        ("40th position", "a position on this neck is 1 to 22"),
        ("along string 0", "a string on this neck is 1 to 6"),
        ("let it ring in bar 9", "bar 9 holds no notes"),
        ("let it ring in bars 4 to 2", "run backwards"),
        ("let it ring in bars 1 to 999999999", "there is no bar 999999999"),
        ("let it ring in phrase X", "no phrase 'X'"),
    ],
)
def test_words_that_cannot_be_asked_are_refused(riff: Riff, text: str, message: str) -> None:
    with pytest.raises(ParameterError, match=message):
        request_of(riff, text)


def test_a_request_is_a_step_that_is_kept_until_it_is_undone(riff: Riff) -> None:
    high = ask(riff, [request_of(riff, "seventh position")])
    assert all(fret == 0 or 6 <= (fret or 0) <= 11 for _, fret in places(high).values())
    assert places(high) != places(riff)
    assert not high.unmet
    again = from_json(to_json(high))
    assert again.player.requests == (Request("position", 7),)
    back = undo(again)
    assert document(back) == document(riff)
    assert document(redo(back)) == document(high)
    # Whatever is corrected afterwards, what was asked stays.
    later = pin(high, {2: (1, 3)}, repeats=False)
    kept = places(later)
    assert kept.pop(2) == (1, 3)
    assert all(6 <= (fret or 0) <= 11 for _, fret in kept.values())
    assert "it is pinned" in sentence(later.unmet[0])
    assert places(withdraw(high)) == places(riff)


def test_a_request_takes_the_place_of_one_of_its_kind(riff: Riff) -> None:
    asked = ask(riff, [request_of(riff, "7th position"), request_of(riff, "no open strings")])
    asked = ask(asked, [request_of(riff, "5th position")])
    assert asked.player.requests == (Request("no-open-strings"), Request("position", 5))
    asked = withdraw(asked, [1])
    assert asked.player.requests == (Request("position", 5),)
    with pytest.raises(ParameterError, match="no request 2; asked are: 1 5th position"):
        withdraw(asked, [2])
    with pytest.raises(ParameterError, match="nothing is asked"):
        withdraw(riff)


def test_an_alternative_is_taken_whole_and_pins_stay(riff: Riff) -> None:
    assert len(riff.alternatives) >= 2
    for number, other in enumerate(riff.alternatives, 1):
        taken = take(riff, number)
        assert places(taken) == dict(other.positions)
        assert not any(note.pinned for note in taken.notes)
        assert document(undo(taken)) == document(riff)
        # Another one takes its place, and 0 goes back.
        assert places(take(taken, len(riff.alternatives) + 1 - number)) == dict(
            riff.alternatives[-number].positions
        )
        assert places(take(taken, 0)) == places(riff)
        with pytest.raises(ParameterError, match="like that already"):
            take(taken, number)


def test_a_pin_made_before_or_after_an_alternative_is_taken_is_kept(riff: Riff) -> None:
    pinned = pin(riff, {1: (3, 9)})
    number = 1 + [other.name for other in riff.alternatives].index("along one string")
    taken = take(pinned, number)
    want = dict(riff.alternatives[number - 1].positions) | {1: (3, 9), 9: (3, 9)}
    assert places(taken) == want
    assert [n.id for n in taken.notes if n.pinned] == [1, 9]
    after = pin(take(riff, number), {1: (3, 9)})
    assert places(after) == want
    assert not after.unmet


def test_there_is_no_such_alternative(riff: Riff) -> None:
    with pytest.raises(ParameterError, match=f"there are {len(riff.alternatives)}"):
        take(riff, 99)


def test_finger_and_refinger_take_requests(
    riff: Riff, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "ferry.riff.json"
    write_riff(dataclasses.replace(riff, alternatives=(), history=()), path)
    assert main(["finger", str(path), "--drone", "off", "--ask", "highest fret 9", "--quiet"]) == 0
    made = read_riff(path)
    assert made.player.requests == (Request("highest-fret", 9),)
    assert main(["refinger", str(path), "--take", "1", "--quiet"]) == 0
    assert places(read_riff(path)) == dict(made.alternatives[0].positions)
    assert main(["refinger", str(path), "--undo", "--quiet"]) == 0
    assert places(read_riff(path)) == places(made)
    assert main(["refinger", str(path), "--withdraw", "all", "--quiet"]) == 0
    assert read_riff(path).player.requests == ()
    assert main(["refinger", str(path), "--ask", "along string 3", "--quiet"]) == 0
    assert {note.string for note in read_riff(path).notes} == {3}
    assert main(["refinger", str(path), "--ask", "5th position", "--fingers", "--quiet"]) == 0
    tab = (tmp_path / "ferry.tab.txt").read_text("utf-8")
    rows = [line.split()[1:] for line in tab.splitlines() if line.startswith("f ")]
    assert [int(f) for row in rows for f in row] == [n.finger for n in read_riff(path).notes]
    # The line stays until the tab is written in another form.
    assert main(["refinger", str(path), "--undo", "--quiet"]) == 0
    assert read_riff(path).files["tab"].fingers
    capsys.readouterr()
    assert main(["refinger", str(path), "--ask", "softly", "--quiet"]) == 1
    assert "'softly' is nothing that can be asked" in capsys.readouterr().err


def test_a_request_for_a_bar_says_that_its_repeats_follow(
    riff: Riff, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "ferry.riff.json"
    write_riff(riff, path)
    for more, said, moved in (([], True, {1, 9}), (["--only-here"], False, {1})):
        asked = ["refinger", str(path), "--ask", "along string 4 in bar 1", *more]
        assert main(asked) == 0
        assert ("asked of the repeats, too" in capsys.readouterr().err) == said
        now = places(read_riff(path))
        assert {i for i in (1, 9) if now[i][0] == 4} == moved
        assert main(["refinger", str(path), "--undo", "--quiet"]) == 0


def test_places_of_a_file_give_way_to_what_is_asked_and_pins_do_not() -> None:
    """Four notes of a tab: the first two are slurred from an open string, the last are stopped."""
    made = make_riff([(0, 1, 4, 0), (1, 1, 4, 2), (2, 1, 3, 0), (3, 1, 3, 4)])
    slurred = dataclasses.replace(made.notes[1], articulation="hammer-on")
    notes = (made.notes[0], slurred, *made.notes[2:])
    written = places_of(notes)
    riff = api.finger(dataclasses.replace(made, notes=notes, written_places=written))
    asked = ask(riff, [request_of(riff, "no open strings")])
    there = places(asked)
    assert not asked.unmet
    assert all(fret for _, fret in there.values())
    assert there[1][0] == there[2][0]
    assert there[4] == written[4]
    assert [note.pinned for note in asked.notes] == [False, False, False, True]
    assert document(undo(asked)) == document(riff)
    # What the player pins elsewhere is no place of the file.
    held = ask(pin(riff, {3: (5, 10)}), [Request("position", 2, (3, 4))])
    assert places(held)[3] == (5, 10)
    assert "it is pinned" in sentence(held.unmet[0])
