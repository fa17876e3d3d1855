"""How right the theory is: mode, chord symbols, numerals, loops and shapes.

Run as ``python -m tests.bench.theory [SECTION ...] [--wrong] [--audio N]``; sections are tunes,
riffs, symbols, numerals, loops, shapes (all of them without an argument). ``--audio N`` adds N
riffs per mode and N strums that are played on synthesised strings and heard again by the note
finder, through a rough recorder with ``--rough 0.5``. ``--wrong`` lists the tunes that disagree
with their label.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable

import numpy as np

from tests.bench import theory_riffs as riffs
from tests.bench.theory_tunes import LABELS, Tune, load_tunes
from theory import Mode, find_chords, find_loop, find_mode
from theory.loop import bars_of, plain_symbol
from theory.modes import Candidate
from theory.scales import parse_note

KEYS = ("C", "C#", "D", "Eb", "E", "F", "F#", "G", "Ab", "A", "Bb", "B")
FAMILY = {
    "ionian": "major",
    "aeolian": "minor",
    "harmonic minor": "minor",
    "melodic minor": "minor",
}


def _row(name: str, *values: object) -> None:
    cells = [f"{v:.3f}" if isinstance(v, float) else str(v) for v in values]
    print(f"{name:<46}" + "".join(f"{c:>12}" for c in cells))


# -- tunes ---------------------------------------------------------------------------------------


def tunes(args: argparse.Namespace) -> None:
    """Tonic and mode of labelled tunes, and what music21's key finder says of the same notes.

    The label is the editor's ``K:`` field. `find_mode` gets onsets, durations and pitches, no bar
    lines. Its answer counts by family: ionian as major; aeolian, harmonic and melodic minor as
    minor; a scale of five or six notes as the likeliest full mode on its tonic, for the labels
    know no other. music21's finder (``analyze('key')``,
    Aarden-Essen weights) answers major or minor only; the lenient rows also count its major for
    mixolydian and its minor for dorian, if the tonic is right.
    """
    from tests.bench.theory_fit import Problem, cross_validated

    every = load_tunes()
    labelled = [t for t in every if t.label in LABELS]
    modes = [
        find_mode(onset_sec=t.onset, duration_sec=t.duration, pitch_midi=t.pitch) for t in labelled
    ]
    print(f"\nTonic and mode of {len(labelled)} labelled tunes ({len(every)} read)")
    _row("", "all", "mean of 4", *LABELS)
    _tune_row(
        "find_mode, as shipped",
        labelled,
        [(m.tonic_pc, _family(m)) for m in modes],
    )
    held = cross_validated(Problem(labelled))
    _tune_row("  the same model, held out with its variants", labelled, held)
    for name, up in (("tonic", 0), ("fifth", 7)):
        over = [over_drone(t, (t.tonic + up) % 12) for t in labelled]
        _tune_row(
            f"find_mode, drone on the {name} put under",
            labelled,
            [(m.tonic_pc, _family(m)) for m in over],
        )
    _tune_row("music21 key finder", labelled, [t.music21_key for t in labelled])
    lenient = [
        (t.tonic, t.label)
        if t.music21_key[0] == t.tonic
        and t.music21_key[1] == {"mixolydian": "major", "dorian": "minor"}.get(t.label, t.label)
        else (-1, "")
        for t in labelled
    ]
    _tune_row("  lenient: right tonic and kind of third", labelled, lenient)
    thirds = [(m.tonic_pc, "minor" if _minor(m) else "major") for m in modes]
    as_two = [
        (t.tonic, t.label)
        if found == (t.tonic, {"mixolydian": "major", "dorian": "minor"}.get(t.label, t.label))
        else (-1, "")
        for t, found in zip(labelled, thirds, strict=True)
    ]
    _tune_row("find_mode, lenient in the same way", labelled, as_two)
    _calibration(labelled, modes)
    if args.wrong:
        _wrong(labelled, modes)


def over_drone(tune: Tune, drone_pc: int) -> Mode:
    """The mode of a tune over a low note ``drone_pc`` that is struck on every beat under it."""
    below = min(tune.pitch) - 3
    drone = below - (below - drone_pc) % 12
    end = max(on + length for on, length in zip(tune.onset, tune.duration, strict=True))
    beats = np.arange(tune.onset[0], end)
    return find_mode(
        onset_sec=[*tune.onset, *beats],
        duration_sec=[*tune.duration, *np.ones(len(beats))],
        pitch_midi=[*tune.pitch, *[drone] * len(beats)],
        drone_midi=drone,
    )


def _family(mode: Mode) -> str:
    return FAMILY.get(mode.full_name, mode.full_name)


def _minor(mode: Mode) -> bool:
    from theory import MODES

    return MODES[mode.name].minor


def _tune_row(name: str, labelled: list[Tune], answers: list[tuple[int, str]]) -> None:
    hits = [tuple(a) == (t.tonic, t.label) for t, a in zip(labelled, answers, strict=True)]
    by_label = [
        float(np.mean([h for h, t in zip(hits, labelled, strict=True) if t.label == label]))
        for label in LABELS
    ]
    _row(name, float(np.mean(hits)), float(np.mean(by_label)), *by_label)


def _calibration(labelled: list[Tune], modes: list[Mode]) -> None:
    """How often answers of each stated confidence are right."""
    print("  stated confidence -> share right (tunes)")
    sure = np.array([m.confidence for m in modes])
    right = np.array(
        [
            (m.tonic_pc, _family(m)) == (t.tonic, t.label)
            for m, t in zip(modes, labelled, strict=True)
        ]
    )
    for low, high in ((0.0, 0.5), (0.5, 0.7), (0.7, 0.9), (0.9, 0.98), (0.98, 1.01)):
        inside = (sure >= low) & (sure < high)
        if inside.any():
            print(
                f"    {low:.2f}-{min(high, 1):.2f} -> {right[inside].mean():.2f} ({inside.sum()})"
            )


def _wrong(labelled: list[Tune], modes: list[Mode]) -> None:
    """Tunes that disagree; a star where the label's own scale is not what is played."""
    from theory import MODES

    wanted = {"major": "ionian", "minor": "aeolian"}
    print("\nTunes that disagree (* = notes contradict the label: likely mislabelled)")
    for tune, mode in zip(labelled, modes, strict=True):
        found = (mode.tonic_pc, _family(mode))
        if found == (tune.tonic, tune.label):
            continue
        own = MODES[wanted.get(tune.label, tune.label)].semitones
        steps = (np.array(tune.pitch) - tune.tonic) % 12
        weight = np.array(tune.duration)
        outside = float(weight[~np.isin(steps, own)].sum() / weight.sum())
        ends = {(tune.pitch[-1] - tune.tonic) % 12, (tune.pitch[0] - tune.tonic) % 12}
        doubt = outside > 0.08 or (mode.confidence > 0.9 and not ends & {0})
        star = "*" if doubt else " "
        print(f"  {star} {tune.name:<52} {tune.field:<22.22} heard {mode} {mode.confidence:.2f}")


# -- riffs ---------------------------------------------------------------------------------------


def riff_modes(args: argparse.Namespace) -> None:
    """Mode of generated riffs, seven modes over four drone strings."""
    names = list(riffs.SEVEN)
    print("\nMode of generated riffs over an open string (tonic and mode exact)")
    _row("", "all", "1st or 2nd", *names)

    def score(
        name: str, make: Callable[[int, str, int], riffs.Played], n: int, *, drone: bool = True
    ) -> None:
        by_mode, near = [], []
        for mode in names:
            hits = []
            for string in riffs.DRONE_STRINGS:
                for seed in range(1000, 1000 + n):
                    played = make(seed, mode, string)
                    found = _mode(played, drone=drone)
                    truth = (played.tonic, played.mode)
                    first, second = found.posterior[:2]
                    hits.append(_is(first, truth))
                    near.append(hits[-1] or _is(second, truth))
            by_mode.append(float(np.mean(hits)))
        _row(name, float(np.mean(by_mode)), float(np.mean(near)), *by_mode)

    def spoilt(seed: int, mode: str, string: int) -> riffs.Played:
        return riffs.spoil(
            riffs.drone_riff(seed, mode, string), seed, lost=0.08, extra=0.06, wrong=0.03
        )

    score("true notes, drone given", riffs.drone_riff, 25)
    score("8 % lost, 6 % overtones added, 3 % wrong", spoilt, 25)
    score("true notes, drone not given", riffs.drone_riff, 25, drone=False)
    score(
        "drone on the fifth of the mode, drone given",
        lambda seed, mode, string: riffs.drone_riff(seed, mode, string, fifth=True),
        10,
    )
    score(
        "  the same, drone not given",
        lambda seed, mode, string: riffs.drone_riff(seed, mode, string, fifth=True),
        10,
        drone=False,
    )
    if args.audio:
        score(
            f"heard from audio ({args.audio} a string)",
            lambda seed, mode, string: hear(riffs.drone_riff(seed, mode, string), rough=args.rough),
            args.audio,
        )


def _is(candidate: Candidate, truth: tuple[int, str]) -> bool:
    return (parse_note(candidate.tonic), candidate.name) == truth


def _mode(played: riffs.Played, *, drone: bool = True) -> Mode:
    return find_mode(
        onset_sec=played.onset,
        duration_sec=played.duration,
        pitch_midi=played.pitch,
        drone_midi=played.drone if drone else None,
        downbeats_sec=played.downbeats,
        confidence=played.confidence or None,
    )


def hear(played: riffs.Played, *, rough: float = 0.0) -> riffs.Played:
    """The notes that the note finder hears when the riff is played on synthesised strings.

    ``rough`` (0 to 1) puts the sound through a rough recorder first: room, noise, hum, talk.
    """
    from dataclasses import replace

    from transcribe.core.riff import Note, Riff
    from transcribe.notes import find_notes
    from transcribe.sound import render_riff

    columns = zip(
        played.onset, played.duration, played.pitch, played.string, played.fret, strict=True
    )
    notes = tuple(
        Note(i, on, on + length, pitch, string=string, fret=fret)
        for i, (on, length, pitch, string, fret) in enumerate(columns, 1)
    )
    y = render_riff(Riff(notes=notes), sr=22050)
    if rough > 0:
        from transcribe.training.rough import draw_rough, roughen

        rng = np.random.default_rng(len(played.onset))
        y = roughen(y, draw_rough(rng, rough, codecs=False), rng)
    heard = find_notes(y, sr=22050)
    return replace(
        played,
        onset=[n.onset_sec for n in heard],
        duration=[n.offset_sec - n.onset_sec for n in heard],
        pitch=[n.pitch_midi for n in heard],
        string=[0] * len(heard),
        fret=[0] * len(heard),
        confidence=[n.confidence for n in heard],
    )


# -- loops ---------------------------------------------------------------------------------------


def loops(args: argparse.Namespace) -> None:
    """Chords and loops of strummed handbook chords."""
    print("\nStrummed loops of handbook chords")
    _row("", "strums", "bars right", "roots right", "loop exact", "mode")
    cases = [riffs.strum(seed) for seed in range(2000, 2072)]
    _loop_row("true notes and beats", cases)
    spoilt = [riffs.spoil(c, i, lost=0.08, extra=0.06, wrong=0.02) for i, c in enumerate(cases)]
    _loop_row("8 % lost, 6 % overtones added, 2 % wrong", spoilt)
    picked = [riffs.picked(seed) for seed in range(2000, 2070)]
    _loop_row("picked, true notes and beats", picked)
    spoilt = [riffs.spoil(c, i, lost=0.08, extra=0.06, wrong=0.02) for i, c in enumerate(picked)]
    _loop_row("picked, 8 % lost, 6 % added, 2 % wrong", spoilt)
    tune = [riffs.picked(seed, tune=True) for seed in range(2000, 2070)]
    _loop_row("picked under a tune: its notes are no chord's", tune)
    over = [riffs.broken_over_drone(seed) for seed in range(2000, 2048)]
    _loop_row("lines over a drone that break a chord a bar", over)
    still = [riffs.broken_over_drone(seed, home=True) for seed in range(2000, 2048)]
    _loop_row("lines over a drone that stay at home", still)
    if args.audio:
        for name, kind in (("strummed", cases), ("picked", picked)):
            _loop_row(
                f"{name}, heard from audio, beats given",
                [hear(c, rough=args.rough) for c in kind[: args.audio]],
                show=True,
            )


def _loop_row(name: str, cases: list[riffs.Played], *, show: bool = False) -> None:
    from theory import parse_chord

    bars, roots, exact, named = [], [], [], []
    for case in cases:
        mode = _mode(case)
        named.append(
            str(mode) in riffs.LOOP_MODES.get(" ".join(case.loop), (str(mode),))
            if case.drone is None
            else _is(mode.posterior[0], (case.tonic, case.mode))
        )
        chords = find_chords(
            onset_sec=case.onset,
            duration_sec=case.duration,
            pitch_midi=case.pitch,
            beats_sec=case.beats,
            downbeats_sec=case.downbeats,
            mode=mode,
            drone_midi=case.drone,
            confidence=case.confidence or None,
        )
        heard = [_plain(bar, case) for bar in bars_of(chords, case.downbeats)]
        truth = [_named(bar.split()) for bar in case.bars]
        heard += [()] * (len(truth) - len(heard))
        bars += [h == t for h, t in zip(heard, truth, strict=False)]
        roots += [
            [parse_chord(s).root_pc for s in h] == [parse_chord(s).root_pc for s in t]
            for h, t in zip(heard, truth, strict=False)
        ]
        loop = find_loop(chords, downbeats_sec=case.downbeats, mode=mode)
        found = [] if loop is None else [_plain(bar, case) for bar in loop.by_bar]
        exact.append(found == truth[: case.loop_bars])
        if show and not exact[-1]:
            print("   missed:", " | ".join(case.bars[: case.loop_bars]), "heard:", found)
    shares = [float(np.mean(hits)) for hits in (bars, roots, exact, named)]
    _row(name, len(cases), *shares)


def _plain(bar: tuple[str, ...], case: riffs.Played) -> tuple[str, ...]:
    """The bar's chords; over a drone as triads, which are all that the truth says there."""
    return _named(bar if case.drone is None else [plain_symbol(s) for s in bar])


def _named(symbols: object) -> tuple[str, ...]:
    """Symbols with one name for each root, so that A# and Bb are the same chord."""
    from theory import transpose

    return tuple(transpose(s, 0) for s in symbols)  # type: ignore[attr-defined]


# -- chord symbols -------------------------------------------------------------------------------


def symbols(args: argparse.Namespace) -> None:
    """Every kind of music21's chord table on every root in every inversion, both ways."""
    from tests.bench.theory_outside import chord_cases, compare_symbols

    cases = chord_cases()
    result = compare_symbols(cases)
    print(f"\nChord symbols against music21 ({len(cases)} chords: roots x kinds x inversions)")
    _row("symbol read: same notes, same bass", result.read)
    _row("notes named: exactly these notes, same bass", result.named)
    _row("notes and root given: same kind and bass", result.rooted)
    print("  the same notes have another name first (kind as built -> as named, how often):")
    for (built, named), count in result.renamed.most_common(12):
        print(f"    {built} -> {named or 'major'} {count}")
    for line in result.differences[:12]:
        print("   ", line)


def numerals(args: argparse.Namespace) -> None:
    """Roman numerals of triads and sevenths in seven modes on twelve tonics."""
    from tests.bench.theory_outside import compare_foreign, compare_numerals

    result = compare_numerals()
    print(f"\nRoman numerals against music21 ({result.count} chords)")
    _row("degree, case, quality and inversion the same", result.same)
    _row("  and accidental too", result.accidental)
    _row("the same for chords on all twelve roots", compare_foreign())
    for line, count in result.differences.most_common(15):
        print(f"    {count:5}  {line}")


def shapes(args: argparse.Namespace) -> None:
    """Shapes checked note by note, and where the handbooks' open chords stand."""
    from tests.bench.theory_outside import HANDBOOK, check_shapes, handbook_rank

    result = check_shapes()
    print(f"\nShapes ({result.shapes} shapes of {result.chords} chords)")
    _row("without a wrong or missing note", result.right)
    _row("within the hand span", result.within)
    _row("chords that got a shape", result.found)
    ranks = {symbol: handbook_rank(symbol) for symbol in HANDBOOK}
    first = [rank is not None and rank <= 3 for rank in ranks.values()]
    _row(f"handbook open chord among the first three of {len(ranks)}", float(np.mean(first)))
    print("    not:", ", ".join(s for s, r in ranks.items() if r is None or r > 3) or "none")


SECTIONS = {
    "tunes": tunes,
    "riffs": riff_modes,
    "symbols": symbols,
    "numerals": numerals,
    "loops": loops,
    "shapes": shapes,
}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("sections", nargs="*", metavar="SECTION", help="what to measure")
    parser.add_argument("--audio", type=int, default=0, metavar="N")
    parser.add_argument("--rough", type=float, default=0.0, metavar="0-1")
    parser.add_argument("--wrong", action="store_true")
    args = parser.parse_args()
    for name, run in SECTIONS.items():
        if not args.sections or name in args.sections:
            run(args)


if __name__ == "__main__":
    main()
