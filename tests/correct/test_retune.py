"""Another drone, tuning or capo for a riff that is there: one step, taken back and made again."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.formats.riffs import make_riff
from transcribe import api
from transcribe.command.main import main
from transcribe.core.errors import ParameterError
from transcribe.core.instrument import make_instrument
from transcribe.core.riff import Instrument, Remark, Riff, places_of
from transcribe.core.wording import sentence
from transcribe.correct import note_edits, retime, retune
from transcribe.correct.history import redo, remark_of, steps, undo
from transcribe.correct.pins import pin, places_as_written
from transcribe.formats.document import from_json, read_riff, to_json, write_riff


@pytest.fixture(scope="module")
def riff() -> Riff:
    """A melody over the open D string, struck on every beat, with its drone."""
    items = []
    for beat in range(16):
        items += [(beat, 1, 4, 0), (beat, 0.5, 3, (2, 4, 5, 7)[beat % 4])]
    return api.finger(make_riff(items, title="slack-water.wav"))


def _state(riff: Riff) -> object:
    value = to_json(riff)
    return {k: v for k, v in value.items() if k not in ("history", "cautions", "unmet", "files")}


def test_a_drone_is_ruled_out_and_comes_back(riff: Riff) -> None:
    assert riff.drone is not None
    assert riff.drone.string == 4
    off = from_json(to_json(retune.set_drone(riff, "off")))
    assert off.drone is None
    assert off.player.drone == "off"
    assert remark_of(steps(off)[0][-1]) == Remark("correction", {"what": "drone"})
    fresh = api.finger(riff, drone="off")
    assert [(n.string, n.fret) for n in off.notes] == [(n.string, n.fret) for n in fresh.notes]
    assert off.theory == fresh.theory
    back = undo(off)
    assert _state(back) == _state(riff)
    assert back.player.drone is None
    assert _state(redo(back)) == _state(off)
    named = retune.set_drone(off, 3)
    assert named.drone is not None
    assert named.drone.string == 3
    assert retune.set_drone(named, "auto").drone == riff.drone


def test_corrections_after_it_keep_a_drone_ruled_out(riff: Riff) -> None:
    off = retune.set_drone(riff, "off")
    note = next(n for n in off.notes if n.fret)
    assert note.string is not None
    assert note.fret is not None
    assert pin(off, {note.id: (note.string, note.fret)}).drone is None


def test_a_capo_keeps_the_pitches_and_the_string_of_a_pin(riff: Riff) -> None:
    """A capo on fret 2 takes two from the number of a fret (common practice, no source)."""
    note = next(n for n in riff.notes if n.string == 3 and n.fret == 7)
    pinned = pin(riff, {note.id: (3, 7)}, repeats=False)
    capo = dataclasses.replace(pinned.instrument, capo=2)
    raised = from_json(to_json(retune.set_instrument(pinned, capo)))
    assert raised.instrument.capo == 2
    assert raised.player.instrument_given
    assert [n.pitch_midi for n in raised.notes] == [n.pitch_midi for n in riff.notes]
    held = raised.note(note.id)
    assert (held.string, held.fret, held.pinned) == (3, 5, True)
    for n in raised.notes:
        if n.string is not None and n.fret is not None:
            assert raised.instrument.pitch_midi(n.string, n.fret) == n.pitch_midi
    back = undo(raised)
    assert _state(back) == _state(pinned)
    assert _state(redo(back)) == _state(raised)
    assert _state(undo(undo(redo(back)))) == _state(riff)


def test_a_pin_that_no_fret_sounds_is_let_go(riff: Riff) -> None:
    note = next(n for n in riff.notes if n.string == 4 and n.fret == 0)
    pinned = pin(riff, {note.id: (4, 0)}, repeats=False)
    raised = retune.set_instrument(pinned, dataclasses.replace(pinned.instrument, capo=2))
    assert not raised.note(note.id).pinned
    assert undo(raised).note(note.id).pinned


def test_places_of_a_file_stay_together_on_another_capo_or_not_at_all() -> None:
    """E2, F2 and A2 of a tab lie below the strings or on another one with a capo at fret 3."""
    places = ((6, 0), (6, 1), (5, 0), (5, 2), (5, 3), (4, 2), (3, 2))
    made = make_riff([(k, 1, *place) for k, place in enumerate(places)])
    written = dict(enumerate(places, 1))
    riff = api.finger(dataclasses.replace(made, written_places=written))
    assert all(note.pinned for note in riff.notes)
    raised = retune.set_instrument(riff, dataclasses.replace(riff.instrument, capo=3))
    assert not any(note.pinned for note in raised.notes)
    assert [n.id for n in raised.notes if n.string is None] == [1, 2]
    (remark,) = [r for r in raised.unmet if r.kind == "many-off-the-neck"]
    assert remark.notes == (1, 2)
    assert "without the capo the strings would reach them" in sentence(remark)
    frets = [n.fret for n in raised.notes if n.fret]
    assert max(frets) - min(frets) <= 4
    assert places_of(undo(raised).notes) == written
    dropped = retune.set_instrument(riff, make_instrument("drop-d"))
    assert places_of(dropped.notes) == written | {1: (6, 2), 2: (6, 3)}
    assert places_as_written(dropped) == places_of(dropped.notes)


def test_drop_d_in_a_riff_of_standard_tuning() -> None:
    low = make_riff([(beat, 1, 6, 2 * (beat % 2)) for beat in range(8)])
    low = api.finger(low, instrument=Instrument())
    dropped = retune.set_instrument(low, make_instrument("drop-d"))
    assert {(n.string, n.fret) for n in dropped.notes} == {(6, 2), (6, 4)}


def test_every_step_of_a_mixed_history_is_taken_back_exactly(riff: Riff) -> None:
    capo = dataclasses.replace(riff.instrument, capo=1, frets=20)
    steps: tuple[Callable[[Riff], Riff], ...] = (
        lambda r: retime.retime(r, meter=(8, 8)),
        lambda r: retune.set_drone(r, "off"),
        lambda r: note_edits.delete(r, [5]),
        lambda r: retune.set_instrument(r, capo),
        lambda r: retime.retime(r, bpm=140.0),
        retime.half_time,
    )
    states = [riff]
    for step in steps:
        states.append(step(states[-1]))
    now = states[-1]
    for was in reversed(states[:-1]):
        now = undo(now)
        assert _state(now) == _state(was)
    for was in states[1:]:
        now = redo(now)
        assert _state(now) == _state(was)


def test_a_string_that_is_not_there(riff: Riff) -> None:
    with pytest.raises(ParameterError, match="a drone string is 1 to 6"):
        retune.set_drone(riff, 9)


def test_by_command(riff: Riff, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "slack-water.riff.json"
    write_riff(riff, path)
    assert main(["refinger", str(path), "--drone", "off"]) == 0
    assert "drone: open string 4 -> none" in capsys.readouterr().out
    assert read_riff(path).drone is None
    assert main(["refinger", str(path), "--capo", "2"]) == 0
    assert "tuning: standard -> standard, capo 2" in capsys.readouterr().out
    raised = read_riff(path)
    assert raised.instrument == dataclasses.replace(riff.instrument, capo=2)
    assert raised.drone is None
    assert main(["refinger", str(path), "--undo"]) == 0
    assert main(["refinger", str(path), "--undo"]) == 0
    assert "drone: none -> open string 4" in capsys.readouterr().out
    assert _state(read_riff(path)) == _state(riff)
    assert main(["refinger", str(path), "--tuning", "drop-d", "--frets", "24"]) == 0
    assert read_riff(path).instrument == make_instrument("drop-d", frets=24)
    assert main(["refinger", str(path), "--capo", "40"]) == 1
    assert "a capo sits at fret 0 to 23" in capsys.readouterr().err


def test_it_outlives_a_second_transcription(
    takes: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    import shutil

    take = Path(shutil.copy(takes / "gangplank" / "gangplank.flac", tmp_path))
    document = tmp_path / "gangplank.riff.json"
    assert main(["transcribe", str(take), "--quiet"]) == 0
    assert main(["refinger", str(document), "--drone", "6", "--quiet"]) == 0
    capsys.readouterr()
    assert main(["transcribe", str(take), "--quiet"]) == 0
    assert "as it was corrected: drone 6" in capsys.readouterr().err
    again = read_riff(document)
    assert again.drone is not None
    assert again.drone.string == 6
