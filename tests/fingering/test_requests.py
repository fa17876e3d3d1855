"""What a player asks in the words of the trade is kept, or named with what stands in the way.

What the words mean is common practice, no source: in a position the index finger lies at its fret,
reaches one fret back, and the little finger one on; notes that ring on do not share a string with
the note after them, and the hand that stops them stays; a scale in threes has three notes on every
string but the outer ones.
"""

from __future__ import annotations

import itertools

import pytest

from transcribe.core.errors import ParameterError
from transcribe.core.riff import Instrument, Note, Remark, Request
from transcribe.core.wording import asked_for, sentence
from transcribe.fingering import Fingering, solve

GUITAR = Instrument()
Place = tuple[int, int]


def line(text: str, *, step_sec: float = 0.3) -> list[Note]:
    """Notes one after another, or together where places are joined with ``+``."""
    notes = []
    for k, word in enumerate(text.split()):
        for part in word.split("+"):
            string, fret = (int(number) for number in part.split("/"))
            pitch = GUITAR.pitch_midi(string, fret)
            notes.append(Note(len(notes) + 1, step_sec * k, step_sec * (k + 1), pitch))
    return notes


# Five riffs of our own: a scale, a lick, an arpeggio, two voices, and a drone under a melody.
RIFFS = {
    "scale": line("6/3 6/5 6/7 5/3 5/5 5/7 4/4 4/5 4/7 3/4 3/5 3/7"),
    "lick": line("1/8 1/5 2/8 2/5 3/7 3/5 2/5 2/8"),
    "arpeggio": line("5/3 4/2 3/0 2/1 1/0 2/1 3/0 4/2 6/3 4/0 3/0 2/0 1/3 2/0 3/0 4/0"),
    "two voices": line("5/3+2/5 4/5+2/6 5/5+2/8 4/7+1/5 5/3+2/5 4/5+2/6"),
    "drone": line("5/0+4/7 4/9 5/0+4/10 4/9 5/0+4/7 4/5 5/0+4/4 4/5 5/0+4/7 4/9 5/0+4/10 4/12"),
}
ASKED = (
    Request("position", 5),
    Request("no-open-strings"),
    Request("let-ring"),
    Request("along-string", 2),
    Request("highest-fret", 5),
    Request("three-a-string"),
)


def asked(name: str, *requests: Request) -> tuple[list[Note], Fingering]:
    notes = RIFFS[name]
    solved = solve(notes, GUITAR, requests=requests)
    assert set(solved.positions) == {note.id for note in notes}
    assert all(GUITAR.pitch_midi(*solved.positions[n.id]) == n.pitch_midi for n in notes)
    return notes, solved


def stops(before: Place, after: Place) -> bool:
    """Whether a string is taken again, or the hand goes further than it holds both places."""
    away = before[1] and after[1] and abs(before[1] - after[1]) > 4
    return before[0] == after[0] or bool(away)


def breaks(request: Request, notes: list[Note], solved: Fingering) -> set[int]:
    """The notes that do not keep a request, by its definition alone."""
    at = solved.positions
    number = request.number or 0
    if request.kind == "position":
        near = range(number - 1, number + 5)
        return {n.id for n in notes if at[n.id][1] and at[n.id][1] not in near}
    if request.kind == "no-open-strings":
        return {n.id for n in notes if at[n.id][1] == 0}
    if request.kind == "along-string":
        return {n.id for n in notes if at[n.id][0] != number}
    if request.kind == "highest-fret":
        return {n.id for n in notes if at[n.id][1] > number}
    if request.kind == "let-ring":
        groups = [list(g) for _, g in itertools.groupby(notes, key=lambda n: n.onset_sec)]
        return {
            n.id
            for before, group in itertools.pairwise(groups)
            for n in group
            for other in before
            if n.pitch_midi != other.pitch_midi and stops(at[other.id], at[n.id])
        }
    pitches: dict[int, set[int]] = {}
    for n in notes:
        pitches.setdefault(at[n.id][0], set()).add(n.pitch_midi)
    low, *inner, high = (pitches[s] for s in sorted(pitches, reverse=True))
    return set() if all(len(p) == 3 for p in inner) and max(len(low), len(high)) <= 3 else {0}


@pytest.mark.parametrize("name", RIFFS)
@pytest.mark.parametrize("request_", ASKED, ids=lambda r: r.kind)
def test_a_request_is_kept_or_named_with_its_reason(name: str, request_: Request) -> None:
    notes, solved = asked(name, request_)
    off = breaks(request_, notes, solved)
    if not solved.not_kept:
        assert not off
        return
    (remark,) = solved.not_kept
    assert remark.kind == "request-not-kept"
    assert remark.facts["request"] == request_.kind
    said = sentence(remark)
    assert said.startswith(f'"{asked_for(request_.kind, request_.number)}" is not kept')
    if not remark.facts.get("whole"):
        assert remark.notes[0] in off
        assert f"note {remark.notes[0]} " in said


@pytest.mark.parametrize(
    ("name", "request_"),
    [
        ("scale", Request("position", 3)),
        ("scale", Request("three-a-string")),
        ("scale", Request("highest-fret", 5)),
        ("scale", Request("no-open-strings")),
        ("lick", Request("position", 5)),
        ("lick", Request("along-string", 2)),
        ("arpeggio", Request("let-ring")),
        ("two voices", Request("position", 3)),
        ("drone", Request("along-string", 3)),
    ],
    ids=str,
)
def test_what_a_hand_can_do_is_kept(name: str, request_: Request) -> None:
    notes, solved = asked(name, request_)
    droned = {n.id for n in notes if name == "drone" and n.pitch_midi == 45}
    low = {n.id for n in notes if request_.kind == "along-string" and n.pitch_midi < 59}
    assert breaks(request_, notes, solved) <= droned | low
    if not low:
        assert not solved.not_kept


def one(solved: Fingering) -> Remark:
    (remark,) = solved.not_kept
    return remark


def test_no_open_strings_names_the_note_that_has_no_other_place() -> None:
    _, solved = asked("drone", Request("no-open-strings"))
    assert one(solved).facts["reason"] == "drone"
    notes = [Note(1, 0.0, 0.4, 40), Note(2, 0.4, 0.8, 45), Note(3, 0.8, 1.2, 50)]
    solved = solve(notes, GUITAR, requests=[Request("no-open-strings")])
    assert solved.positions == {1: (6, 0), 2: (6, 5), 3: solved.positions[3]}
    assert solved.positions[3][1] > 0
    assert one(solved).facts["reason"] == "no-such-place"
    assert one(solved).notes == (1,)


def test_along_a_string_names_the_note_that_begins_with_it() -> None:
    _, solved = asked("two voices", Request("along-string", 2))
    assert one(solved).facts["reason"] in ("beside", "no-such-place")
    notes = [Note(1, 0.0, 0.4, 64), Note(2, 0.0, 0.4, 67), Note(3, 0.5, 0.9, 64)]
    solved = solve(notes, GUITAR, requests=[Request("along-string", 2)])
    assert solved.positions[3] == (2, 5)
    remark = one(solved)
    assert remark.facts["reason"] == "beside"
    assert set(remark.notes) == {1, 2}
    assert "which begins with it, leaves it no such place" in sentence(remark)


def test_a_pin_holds_before_a_request_and_a_later_request_before_an_earlier() -> None:
    notes = RIFFS["lick"]
    solved = solve(notes, GUITAR, pins={1: (3, 17)}, requests=[Request("position", 5)])
    assert solved.positions[1] == (3, 17)
    assert one(solved).facts["reason"] == "pinned"
    both = [Request("along-string", 1), Request("position", 5)]
    solved = solve(notes, GUITAR, requests=both)
    assert all(4 <= fret <= 9 for _, fret in solved.positions.values())
    assert [r.facts["request"] for r in solved.not_kept] == ["along-string"]


def test_a_request_holds_only_where_it_was_asked() -> None:
    notes = [*RIFFS["lick"]]
    later = [
        Note(n.id + 20, n.onset_sec + 6, n.offset_sec + 6, n.pitch_midi) for n in RIFFS["lick"]
    ]
    there = tuple(n.id for n in later)
    solved = solve([*notes, *later], GUITAR, requests=[Request("along-string", 2, there)])
    assert {solved.positions[i][0] for i in there if i not in (25, 26)} == {2}
    assert [solved.positions[n.id] for n in notes] == [
        (1, 8),
        (1, 5),
        (2, 8),
        (2, 5),
        (3, 7),
        (3, 5),
        (2, 5),
        (2, 8),
    ]


@pytest.mark.parametrize(
    ("request_", "message"),
    [
        (Request("position", 30), "a position on this neck is 1 to 22"),
        (Request("along-string", 7), "a string on this neck is 1 to 6"),
        (Request("highest-fret", 23), "a highest fret on this neck is 0 to 22"),
    ],
)
def test_a_request_for_what_the_neck_lacks_is_refused(request_: Request, message: str) -> None:
    with pytest.raises(ParameterError, match=message):
        solve(RIFFS["lick"], GUITAR, requests=[request_])


def test_the_later_request_that_rules_an_earlier_one_out_is_named() -> None:
    """D5 lies on string 2 at fret 15, above the highest fret that is asked for then."""
    asked_both = [Request("along-string", 2), Request("highest-fret", 12), Request("let-ring")]
    solved = solve(line("1/10 1/12"), GUITAR, requests=asked_both)
    said = [sentence(remark) for remark in solved.not_kept]
    assert said[0].startswith('"along string 2" is not kept')
    assert said[0].endswith('"highest fret 12", asked later, rules it out')


@pytest.mark.parametrize(("name", "least"), [("two voices", 1), ("arpeggio", 0)])
def test_let_ring_silences_as_few_notes_as_can_be(name: str, least: int) -> None:
    """Held against every way to play the riff in which a hand holds what begins together."""
    notes, solved = asked(name, Request("let-ring"))
    groups = [list(g) for _, g in itertools.groupby(notes, key=lambda n: n.onset_sec)]
    best: dict[tuple[Place, ...], int] = {}
    before: list[Note] = []
    for group in groups:
        ways = itertools.product(*(GUITAR.places(n.pitch_midi) for n in group))
        new = {}
        for way in ways:
            frets = [fret for _, fret in way if fret]
            if (
                len({s for s, _ in way}) < len(way)
                or max(frets, default=0) - min(frets, default=0) > 4
            ):
                continue
            new[way] = min(
                (
                    count
                    + sum(
                        any(
                            a.pitch_midi != n.pitch_midi and stops(was, now)
                            for a, was in zip(before, last, strict=True)
                        )
                        for n, now in zip(group, way, strict=True)
                    )
                    for last, count in best.items()
                ),
                default=0,
            )
        best, before = new, group
    assert min(best.values()) == least
    assert len(breaks(Request("let-ring"), notes, solved)) == least


def test_let_ring_says_where_the_hand_leaves_a_note() -> None:
    """F2 can only lie at fret 1, and E5 at fret 12 and above."""
    solved = solve(line("6/1 1/12 6/1 1/12"), GUITAR, requests=[Request("let-ring")])
    said = sentence(one(solved))
    assert said.endswith(
        "at 3 notes, the first of them note 2 (E5 at 0.30 s): the hand leaves "
        "note 1, which falls silent"
    )


@pytest.mark.parametrize(
    ("notes", "reason"),
    [
        (line("6/3 6/5 6/7 5/3"), "few-pitches"),
        (line("6/0 6/5 5/3 5/5 5/7 4/4 4/5 4/7"), "leap"),
        (line("6/3+5/2 6/5 5/3 5/5 5/7 4/4 4/5 4/7"), "together"),
        (line("6/0+5/2+4/2 6/3+5/5+4/5 5/0+4/2+3/2 5/2+4/4+3/4"), "together"),
        (line("1/1 1/3 1/5 1/7 1/9 1/11 1/12 1/13"), "off-the-strings"),
    ],
)
def test_three_notes_a_string_says_why_not(notes: list[Note], reason: str) -> None:
    neck = Instrument(frets=13)
    solved = solve(notes, neck, requests=[Request("three-a-string")])
    assert one(solved).facts["reason"] == reason
    assert solved.positions == solve(notes, neck).positions


def test_a_note_that_cannot_keep_a_highest_fret_comes_as_near_as_it_can() -> None:
    notes = line("1/3 1/1 1/7 1/5 1/3")
    solved = solve(notes, GUITAR, requests=(Request("highest-fret", 5),))
    assert solved.positions[3] == (1, 7)  # a B4 lies no lower on this neck
    assert all(solved.positions[i][1] <= 5 for i in (1, 2, 4, 5))


def slurred(text: str) -> list[Note]:
    """As `line`; a hammer-on or pull-off leads to a place after ``h`` or ``p``."""
    notes = []
    ways = {"h": "hammer-on", "p": "pull-off"}
    for word in text.split():
        place = word.lstrip("hp")
        (note,) = line(place)
        k = len(notes)
        way = ways.get(word[: -len(place)], "picked")
        notes.append(Note(k + 1, 0.3 * k, 0.3 * (k + 1), note.pitch_midi, articulation=way))
    return notes


SLURRED = (
    slurred("6/0 6/3 5/0 h5/2 5/4 4/0 h4/2 4/4"),
    slurred("4/5 p4/4 4/2 3/0 3/2 3/0 h3/2 4/4 p4/2 4/0"),
    slurred("1/8 p1/5 2/8 p2/5 3/7 p3/5 h3/7 p3/5 4/7"),
    slurred("5/2 p5/0 4/2 h4/4 h4/5 p4/4 p4/2 3/2"),
)


@pytest.mark.parametrize(
    "request_",
    [
        *(Request("position", number) for number in (2, 5, 7, 9)),
        *(Request("highest-fret", number) for number in (3, 5)),
        Request("no-open-strings"),
        Request("along-string", 4),
    ],
    ids=lambda r: f"{r.kind} {r.number}",
)
@pytest.mark.parametrize("notes", SLURRED, ids=range(len(SLURRED)))
def test_a_slur_stays_on_one_string_whatever_is_asked(notes: list[Note], request_: Request) -> None:
    solved = solve(notes, GUITAR, requests=[request_])
    for source, note in itertools.pairwise(notes):
        if note.articulation != "picked":
            assert solved.positions[source.id][0] == solved.positions[note.id][0]
    assert solved.not_kept or not breaks(request_, notes, solved)


def test_a_slur_goes_the_fewest_frets_out_of_a_position() -> None:
    """A2 is open on string 5, and on string 6 one fret below what 7th position reaches."""
    notes = slurred("5/0 h5/2 5/4")
    solved = solve(notes, GUITAR, requests=[Request("position", 7)])
    assert [solved.positions[i] for i in (1, 2, 3)] == [(6, 5), (6, 7), (6, 9)]
    remark = one(solved)
    assert (remark.facts["reason"], remark.notes) == ("slurred", (1, 2))
    assert sentence(remark).endswith("its slur with note 2 would change strings")
    # A pin holds before the slur's string.
    held = solve(notes, GUITAR, pins={2: (5, 2)}, requests=[Request("position", 7)])
    assert [held.positions[i] for i in (1, 2)] == [(5, 0), (5, 2)]
