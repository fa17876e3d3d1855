"""Which mode a riff is in, and how sure that is.

Conventions: times in seconds, pitch in MIDI numbers (60 = C4), one entry per note. The answer is
a probability for every tonic and mode of `theory.scales.MODES`, from a log-linear model of the
features in `theory.mode_features` with the weights in `theory.mode_weights`.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from theory.arrays import FloatArray, Notes, as_beats, as_drones, as_notes
from theory.drone_pitches import find_drone_pitches
from theory.errors import TheoryError
from theory.mode_features import candidates, features
from theory.mode_reasons import describe
from theory.mode_weights import WEIGHTS
from theory.modes import Candidate, Mode
from theory.scales import MODES, parse_note, scale_notes, spell, tonic_name
from theory.written_mode import with_written_mode

__all__ = ["find_mode", "mode_among", "posterior"]

_MIN_PITCH_CLASSES = 3  # different notes; of fewer, one must be the tonic
_STRAY_SHARE = 0.01  # of the sounding time; notes of less may be misheard, set by hand
_SHORT_SCALE_SHARE = 0.8
# How much of a tonic's probability goes to the scale of five or six notes that is all that sounds;
# the seven-note modes that hold it share the rest. Set by hand: players name what they play.
_PENTATONIC = MODES["major pentatonic"].semitones
_OTHER_HOME_SHARE = 0.25
# How likely home is on another note of a pentatonic than its major's and its minor's tonic, against
# what the rest of the model says. Of the 34 tunes of the bench that have five notes, 30 are at home
# on one of those two, 4 on the second of the major; set by hand so that these stay right.


def find_mode(
    *,
    onset_sec: Iterable[float],
    duration_sec: Iterable[float],
    pitch_midi: Iterable[float],
    drone_midi: Iterable[int] | int | None = None,
    downbeats_sec: Iterable[float] | None = None,
    confidence: Iterable[float] | None = None,
    flats: bool = False,
    written_key: tuple[str, str] | None = None,
) -> Mode:
    """Tonic and mode of a riff with the reasons for them.

    Parameters
    ----------
    onset_sec, duration_sec, pitch_midi : iterable of float, shape (n,), n >= 1
        The notes, in any order; a duration is above 0, a pitch 0-127. The drone's notes may be
        among them.
    drone_midi : int or iterable of int, 0-127, optional
        Pitch of the open string or strings that ring throughout; else a low note that comes back
        throughout under a line (`theory.drone_pitches.find_drone_pitches`).
    downbeats_sec : iterable of float, rising, optional
        First beats of the bars.
    confidence : iterable of float, shape (n,), 0-1, optional
        How far each note is to be believed.
    flats : bool
        Name black keys by their flats, as players of an instrument tuned down half a step do.

    written_key : (tonic, name of the mode), optional
        The key that the file writes: the answer where the notes leave it open.

    Returns
    -------
    Mode

    Raises
    ------
    TheoryError
        If there is no note, or the arrays are malformed.

    Examples
    --------
    >>> line = [57, 59, 60, 62, 64, 66, 67, 66, 64, 62, 60, 59, 57]
    >>> mode = find_mode(onset_sec=range(13), duration_sec=[1] * 13, pitch_midi=line, drone_midi=45)
    >>> str(mode), mode.parent
    ('A dorian', 'G major')
    """
    notes = as_notes(onset_sec, duration_sec, pitch_midi, confidence)
    if len(notes) == 0:
        raise TheoryError("there are no notes to find a mode in; give at least one")
    drones = as_drones(drone_midi) or find_drone_pitches(notes)
    downbeats = as_beats(downbeats_sec, "downbeats_sec")
    probability = posterior(notes, drones=drones, downbeats=downbeats)
    return mode_among(
        probability,
        notes,
        drones=drones,
        downbeats=downbeats,
        flats=flats,
        written_key=written_key,
    )


def mode_among(
    probability: FloatArray,
    notes: Notes,
    *,
    drones: tuple[int, ...] = (),
    downbeats: FloatArray | None = None,
    flats: bool = False,
    written_key: tuple[str, str] | None = None,
) -> Mode:
    """The likeliest mode with its reasons, from the probability of each of `candidates`.

    The other arguments are those of `find_mode`, checked.
    """
    order = np.argsort(-probability, kind="stable")
    pairs = candidates()
    tonic, name = pairs[order[0]]
    home = tonic_name(tonic, name, flats=flats)
    # Its rivals are named as in its own key: Eb phrygian, not D# phrygian, beside Eb aeolian.
    ranked = tuple(
        Candidate(
            _rival_name(pairs[i], (home, name), flats=flats), pairs[i][1], float(probability[i])
        )
        for i in order
    )
    written = None
    if written_key is not None:
        ranked, written = with_written_mode(ranked, written_key, _sounding(notes, drones))
    return describe(ranked[0], ranked, notes, drones=drones, downbeats=downbeats, written=written)


def _rival_name(rival: tuple[int, str], key: tuple[str, str], *, flats: bool) -> str:
    """Name of a rival's tonic in the key of another mode, where the key has that note."""
    tonic, name = rival
    step = (tonic - parse_note(key[0])) % 12
    if step in MODES[key[1]].semitones:
        own = spell(tonic, *key)
        odd = own in ("E#", "B#", "Cb", "Fb") or len(own) > 2
        if not odd and not any(len(note) > 3 for note in scale_notes(own, name)):
            return own
    return tonic_name(tonic, name, flats=flats or "b" in "".join(scale_notes(*key)))


def posterior(
    notes: Notes, *, drones: tuple[int, ...] = (), downbeats: FloatArray | None = None
) -> FloatArray:
    """Probability of every candidate of `theory.mode_features.candidates`; shape ``(candidates,)``.

    Where only one or two different notes sound, home is one of them; where they sound over a
    drone, it is the drone, for so few show no home of their own.
    """
    columns = features(notes, drones=drones, downbeats=downbeats)
    score = columns @ np.array(list(WEIGHTS.values()))
    drone_pcs = {drone % 12 for drone in drones}
    heard = {int(p) % 12 for p in notes.pitch}
    if len(heard - drone_pcs) < _MIN_PITCH_CLASSES:
        homes = drone_pcs or heard
        score[[tonic not in homes for tonic, _ in candidates()]] = -np.inf
    score -= score.max()
    likely = np.exp(score)
    likely /= likely.sum()
    return _with_short_scales(likely, _sounding(notes, drones))


def _sounding(notes: Notes, drones: tuple[int, ...]) -> set[int]:
    """Pitch classes that sound, but for strays."""
    time = np.bincount(notes.pitch % 12, weights=notes.duration * notes.weight, minlength=12)
    heard = {int(pc) for pc in np.flatnonzero(time > _STRAY_SHARE * time.sum())}
    return heard | {drone % 12 for drone in drones}


def _with_short_scales(likely: FloatArray, heard: set[int]) -> FloatArray:
    """The probabilities, with a pentatonic or blues scale ahead where its notes alone sound.

    Where two of its notes or more never sound, it is no more than the seven-note modes are.
    """
    pairs = candidates()
    own = [{(tonic + step) % 12 for step in MODES[name].semitones} for tonic, name in pairs]
    silent = np.array([len(notes) < 7 and len(notes - heard) > 1 for notes in own])
    likely = np.where(silent, 0.0, likely)
    likely = likely / float(likely.sum())
    majors = [home for home in heard if {(home + s) % 12 for s in _PENTATONIC} == heard]
    if majors:
        homes = (majors[0], (majors[0] + 9) % 12)
        share = np.where([tonic in homes for tonic, _ in pairs], 1.0, _OTHER_HOME_SHARE)
        likely = likely * share / float(likely @ share)
    out = likely.copy()
    for row, (tonic, name) in enumerate(pairs):
        if len(own[row]) == 7 or own[row] != heard:
            continue
        # The flat fifth of the blues scale is in no seven-note mode beside the fifth.
        core = own[row] - {(tonic + 6) % 12} if name == "blues" else own[row]
        for other, (home, _) in enumerate(pairs):
            if other != row and home == tonic and core <= own[other]:
                moved = _SHORT_SCALE_SHARE * likely[other]
                out[other] -= moved
                out[row] += moved
    return out
