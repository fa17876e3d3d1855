"""The grips of chord charts are found from their pitches, with the fingers that teachers write."""

from __future__ import annotations

import pytest

from transcribe.core.instrument import make_instrument
from transcribe.core.riff import Note
from transcribe.fingering import solve

# Common practice, no source: any chord chart. Strings from the thickest (the first written) on,
# as charts print them; where charts differ, the fingers of one of them.
GRIPS = {
    "standard": {
        "x32010": "-32010",
        "x02220": "-01230",
        "x02210": "-02310",
        "xx0232": "--0132",
        "xx0231": "--0231",
        "022100": "023100",
        "x21202": "-21304",
        "133211": "134211",
        "xx3211": "--3211",
        "x24432": "-13421",
        "x13331": "-13331",
        "244222": "134111",
        "355433": "134211",
        "x32310": "-32410",
    },
    "ukulele": {
        "0232": "0132",
        "2210": "2310",
        "0432": "0321",
        "0212": "0213",
        "3211": "3211",
        "2223": "1112",
        "4222": "2111",
        "1202": "1203",
    },
    "7-string": {"x133211": "-134211", "022xxxx": "012----"},
    "banjo": {"x2012": "-2013", "x2212": "-2212"},
}
LOOP = "133211 133211 133211 133211 xx0231 xx0231 x13331 x13331 x32010 x32010"
CASES = [(name, *grip) for name, grips in GRIPS.items() for grip in grips.items()]


@pytest.mark.parametrize(("tuning", "frets", "fingers"), CASES)
@pytest.mark.parametrize("capo", [0, 3])
def test_a_grip_is_found_from_its_pitches_with_its_fingers(
    tuning: str, frets: str, fingers: str, capo: int
) -> None:
    instrument = make_instrument(tuning, capo=capo)
    count = len(frets)
    written = {count - k: int(fret) for k, fret in enumerate(frets) if fret != "x"}
    notes = [
        Note(string, 0.0, 1.0, instrument.pitch_midi(string, fret))
        for string, fret in written.items()
    ]
    solved = solve(notes, instrument)
    assert sorted(solved.positions.values()) == sorted(written.items())
    finger_of = {solved.positions[i][0]: str(finger) for i, finger in solved.fingers.items()}
    assert "".join(finger_of.get(count - k, "-") for k in range(count)) == fingers


def test_a_grip_that_is_struck_again_keeps_its_fingers() -> None:
    """Before a change of chord, too: lifting a finger for nothing is nothing a hand does."""
    neck = make_instrument("standard")
    notes: list[Note] = []
    strums: list[list[Note]] = []
    for k, frets in enumerate(LOOP.split()):
        places = [(6 - i, int(fret)) for i, fret in enumerate(frets) if fret != "x"]
        strums.append(
            [
                Note(len(notes) + i, 0.6 * k, 0.6 * (k + 1), neck.pitch_midi(*place))
                for i, place in enumerate(places)
            ]
        )
        notes += strums[-1]
    fingers = solve(notes, neck).fingers
    held = ["".join(str(fingers[n.id]) for n in strum) for strum in strums]
    assert held == ["134211"] * 4 + ["0231"] * 2 + ["13331"] * 2 + ["32010"] * 2
