"""Fretted instruments: named tunings, pitch names and where the frets lie in millimetres.

Conventions: tunings list the open strings, string 1 (highest-sounding) first; on the command
line they are written the same way, ``E4,B3,G3,D3,A2,E2``. Pitch in MIDI numbers, 60 = C4.

Sources: fret positions from Fletcher & Rossing, The Physics of Musical Instruments, section 9.2
(equal temperament, x = L (1 - 2^(-n/12)), so fret 12 lies at L/2). MIDI note numbers: MIDI 1.0
Detailed Specification (60 = middle C). The named tunings are common practice, no source.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType

from transcribe.core.errors import ParameterError
from transcribe.core.pitch import parse_pitch
from transcribe.core.riff import Drone, Instrument, Riff, sort_notes

__all__ = [
    "TUNINGS",
    "change_instrument",
    "drone_pitches",
    "fret_position_mm",
    "make_instrument",
    "parse_tuning",
    "restrung",
    "tuning_name",
]


def _strings(text: str) -> tuple[int, ...]:
    return tuple(parse_pitch(name) for name in text.split())


TUNINGS: Mapping[str, tuple[int, ...]] = MappingProxyType(
    {
        "standard": _strings("E4 B3 G3 D3 A2 E2"),
        "half-step-down": _strings("D#4 A#3 F#3 C#3 G#2 D#2"),
        "whole-step-down": _strings("D4 A3 F3 C3 G2 D2"),
        "drop-d": _strings("E4 B3 G3 D3 A2 D2"),
        "drop-c": _strings("D4 A3 F3 C3 G2 C2"),
        "double-drop-d": _strings("D4 B3 G3 D3 A2 D2"),
        "open-g": _strings("D4 B3 G3 D3 G2 D2"),
        "open-d": _strings("D4 A3 F#3 D3 A2 D2"),
        "open-e": _strings("E4 B3 G#3 E3 B2 E2"),
        "open-a": _strings("E4 C#4 A3 E3 A2 E2"),
        "open-c": _strings("E4 C4 G3 C3 G2 C2"),
        "dadgad": _strings("D4 A3 G3 D3 A2 D2"),
        "7-string": _strings("E4 B3 G3 D3 A2 E2 B1"),
        "baritone": _strings("B3 F#3 D3 A2 E2 B1"),
        "bass": _strings("G2 D2 A1 E1"),
        "bass-5": _strings("G2 D2 A1 E1 B0"),
        "tenor": _strings("A4 D4 G3 C3"),
        "ukulele": _strings("A4 E4 C4 G4"),
        "banjo": _strings("D4 B3 G3 D3 G4"),
    }
)
"""Open strings of each named tuning, string 1 first."""

_SCALE_LENGTH_MM = {
    "bass": 864.0,
    "bass-5": 864.0,
    "baritone": 686.0,
    "tenor": 584.0,
    "ukulele": 346.0,
    "banjo": 670.0,
}
_NUT_FRETS = {"banjo": (0, 0, 0, 0, 5)}  # the short fifth string begins at fret 5
_FRETS = {"bass": 20, "bass-5": 20, "tenor": 19, "ukulele": 15}


def parse_tuning(text: str) -> tuple[int, ...]:
    """Open strings from a name in `TUNINGS` or a list of pitches, string 1 first.

    Raises
    ------
    ParameterError
        If the name is unknown, a pitch is malformed, or there are not 1 to 12 strings.
    """
    name = re.sub(r"[\s_]+", "-", text.strip().lower())
    if name in TUNINGS:
        return TUNINGS[name]
    parts = [part for part in re.split(r"[,\s]+", text.strip()) if part]
    if len(parts) == 1 and not re.search(r"\d$", parts[0]):
        raise ParameterError(
            f"no tuning is called {text!r}; use one of {', '.join(TUNINGS)}, "
            "or list the open strings from string 1, such as E4,B3,G3,D3,A2,E2"
        )
    if not 1 <= len(parts) <= 12:
        raise ParameterError(f"a tuning has 1 to 12 strings, not {len(parts)}")
    strings = tuple(parse_pitch(part) for part in parts)
    if len(strings) > 3 and all(low < high for low, high in itertools.pairwise(strings)):
        raise ParameterError(
            f"{text!r} goes from the lowest string up; string 1 is the highest: "
            f"{','.join(reversed(parts))}"
        )
    return strings


def tuning_name(open_midi: tuple[int, ...]) -> str | None:
    """Name of a tuning in `TUNINGS`; None where it has none."""
    for name, strings in TUNINGS.items():
        if strings == open_midi:
            return name
    return None


def make_instrument(
    tuning: str = "standard",
    *,
    capo: int = 0,
    frets: int | None = None,
    scale_length_mm: float | None = None,
) -> Instrument:
    """An instrument from a tuning name or list and the usual neck for it.

    Parameters
    ----------
    tuning : str
        A name in `TUNINGS`, or the open strings from string 1: ``E4,B3,G3,D3,A2,D2``.
    capo : int, 0 to ``frets - 1``
    frets : int, 1-36, optional
        Counted from the nut; the usual number for the tuning by default.
    scale_length_mm : float, 100-2000, optional
        The usual one for the tuning by default.

    Returns
    -------
    Instrument

    Raises
    ------
    ParameterError
        If the tuning is unknown, or another argument is out of its range.

    Examples
    --------
    >>> make_instrument("ukulele").open_midi, make_instrument("bass").scale_length_mm
    ((69, 64, 60, 67), 864.0)
    """
    name = tuning.strip().lower()
    open_midi = parse_tuning(tuning)
    frets = _FRETS.get(name, 22) if frets is None else frets
    scale = _SCALE_LENGTH_MM.get(name, 648.0) if scale_length_mm is None else scale_length_mm
    nut = _NUT_FRETS.get(tuning_name(open_midi) or "", ())
    return _checked(Instrument(open_midi, capo, frets, scale, nut_frets=nut))


def change_instrument(
    old: Instrument,
    *,
    tuning: str | None = None,
    capo: int | None = None,
    frets: int | None = None,
    scale_length_mm: float | None = None,
) -> Instrument:
    """An instrument with another tuning, capo or neck; its measured tuning offset stays.

    Another tuning brings the usual neck for it, unless the neck is given too.

    Raises
    ------
    ParameterError
        As `make_instrument`.
    """
    capo = old.capo if capo is None else capo
    if tuning is not None:
        new = make_instrument(tuning, capo=capo, frets=frets, scale_length_mm=scale_length_mm)
        return replace(new, offset_cents=old.offset_cents, extra=old.extra)
    frets = old.frets if frets is None else frets
    scale = old.scale_length_mm if scale_length_mm is None else scale_length_mm
    return _checked(replace(old, capo=capo, frets=frets, scale_length_mm=scale))


def restrung(riff: Riff, instrument: Instrument) -> Riff:
    """``riff`` with every note that has a place at the same place of another instrument.

    A tab tells where the hand is, and its tuning what that sounds.

    Raises
    ------
    ParameterError
        If a note lies on a string or a fret that the instrument does not have.

    Examples
    --------
    >>> from transcribe.core.riff import Note
    >>> riff = Riff(notes=(Note(1, 0.0, 0.5, 40, string=6, fret=0),))
    >>> restrung(riff, make_instrument("drop-d")).notes[0].pitch_midi
    38
    """
    notes = []
    for note in riff.notes:
        if note.string is None or note.fret is None:
            notes.append(note)
            continue
        if note.string > len(instrument.open_midi) or note.fret > instrument.top_fret:
            raise ParameterError(
                f"note {note.id} lies on string {note.string} fret {note.fret}, and this "
                f"instrument has {len(instrument.open_midi)} strings and {instrument.top_fret} "
                "frets above the capo; check the tuning, the capo and the frets"
            )
        pitch = instrument.pitch_midi(note.string, note.fret)
        notes.append(replace(note, pitch_midi=pitch))
    return replace(riff, instrument=instrument, notes=sort_notes(notes))


def _checked(instrument: Instrument) -> Instrument:
    frets, capo, scale = instrument.frets, instrument.capo, instrument.scale_length_mm
    if not 1 <= frets <= 36:
        raise ParameterError(f"a neck has 1 to 36 frets, not {frets}")
    if not 0 <= capo < frets:
        raise ParameterError(f"a capo sits at fret 0 to {frets - 1}, not {capo}")
    if not 100.0 <= scale <= 2000.0:
        raise ParameterError(f"a scale length is 100 to 2000 mm, not {scale:g}")
    return instrument


def drone_pitches(drone: Drone | None, instrument: Instrument) -> tuple[int, ...]:
    """Pitches of every open string of a drone, the main one first; none without a drone."""
    if drone is None:
        return ()
    return tuple(instrument.pitch_midi(s, 0) for s in (drone.string, *drone.other_strings))


def fret_position_mm(fret: float, scale_length_mm: float) -> float:
    """Distance from the nut to ``fret`` (counted from the nut) in millimetres.

    Source: Fletcher & Rossing, section 9.2.
    """
    return float(scale_length_mm * (1.0 - 2.0 ** (-fret / 12.0)))
