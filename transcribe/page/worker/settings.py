"""Settings and numbers that the page sends, checked and as arguments of the public verbs."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from transcribe.core.errors import ParameterError

if TYPE_CHECKING:
    from transcribe.core.riff import Instrument

__all__ = ["instrument_of", "meter_of", "number", "options_of", "paper_of", "practice_options"]


def options_of(settings: Mapping[str, Any], meter: tuple[int, int] | None = None) -> dict[str, Any]:
    """Arguments of `transcribe` and `finger` from the settings of the page.

    ``meter`` is the riff's own, in whose beats a tempo is counted where no other is set.
    """
    from transcribe.core.instrument import make_instrument
    from transcribe.fingering import Hand

    options: dict[str, Any] = {}
    if any(settings.get(key) for key in ("tuning", "capo", "frets")):
        options["instrument"] = make_instrument(
            str(settings.get("tuning") or "standard"),
            capo=int(_figure(settings, "capo") or 0),
            frets=int(_figure(settings, "frets") or 0) or None,
        )
    if settings.get("hand_span_mm"):
        options["hand"] = Hand(span_mm=_figure(settings, "hand_span_mm"))
    if settings.get("bpm"):
        from transcribe.core.clock import bpm_as_counted, check_bpm

        bpm = _figure(settings, "bpm")
        check_bpm(bpm)
        own = meter_of(settings["meter"]) if settings.get("meter") else meter
        options["bpm"] = bpm_as_counted(bpm, own)
    if settings.get("meter"):
        options["meter"] = meter_of(settings["meter"])
    drone = settings.get("drone")
    if drone in ("auto", "off"):
        options["drone"] = drone
    elif drone:
        options["drone"] = int(_figure(settings, "drone"))
    return options


def meter_of(text: Any) -> tuple[int, int]:
    """A meter as the page sends it, such as ``"6/8"``. Raises ParameterError if it is none."""
    upper, _, lower = str(text).partition("/")
    upper, lower = upper.strip(), lower.strip()
    if not (upper.isdecimal() and lower in ("2", "4", "8", "16") and 1 <= int(upper) <= 32):
        raise ParameterError(f"{text!r} is not a meter such as 4/4 or 6/8")
    return int(upper), int(lower)


def _figure(settings: Mapping[str, Any], key: str) -> float:
    """A setting that must be a number; 0 where it is not given."""
    try:
        figure = float(settings.get(key) or 0)
    except (TypeError, ValueError):
        figure = math.nan
    if not math.isfinite(figure):
        name = key.replace("_", " ")
        raise ParameterError(f"the {name} is {settings[key]!r}, which is not a number; correct it")
    return figure


def instrument_of(old: Instrument, settings: Mapping[str, Any]) -> Instrument:
    """The instrument with what the settings say of it; a capo of 0 says that there is none."""
    from transcribe.core.instrument import change_instrument, parse_tuning

    capo = None if settings.get("capo") in (None, "") else int(_figure(settings, "capo"))
    tuning = str(settings.get("tuning") or "").strip() or None
    # The page sends the tuning as it is: that is no other neck.
    if tuning and parse_tuning(tuning) == old.open_midi:
        tuning = None
    frets = int(_figure(settings, "frets")) or None
    return change_instrument(old, tuning=tuning, capo=capo, frets=frets)


def number(
    values: Mapping[str, Any], key: str, low: float, high: float, *, default: float | None = None
) -> float:
    """The number under ``key``. Raises ParameterError if it is none or out of range."""
    value = values.get(key, default)
    good = isinstance(value, int | float) and not isinstance(value, bool)
    if not good or not math.isfinite(value) or not low <= value <= high:
        raise ParameterError(f"{key} is {value!r}, expected a number from {low:g} to {high:g}")
    return float(value)


def paper_of(body: Mapping[str, Any]) -> str:
    """What a PDF is for, A4 where nothing is said. Raises ParameterError if it is no paper."""
    paper = body.get("paper", "a4")
    if paper not in ("a4", "letter"):
        raise ParameterError(f"{paper!r} is no paper that is known; choose a4 or letter")
    return str(paper)


def practice_options(body: Mapping[str, Any]) -> dict[str, Any]:
    """What is played, at which speeds, how often and in which bars, as plain JSON values.

    Raises
    ------
    ParameterError
        If one of them is none of what it may be; `transcribe.practice_sound` checks the rest.
    """
    from transcribe.sound.rounds import VOICES

    play, speeds, bars = body.get("play", "tab"), body.get("speeds"), body.get("bars")
    if play not in VOICES:
        raise ParameterError(f"{play!r} cannot be played; choose one of {', '.join(VOICES)}")
    if not isinstance(speeds, list) or not 1 <= len(speeds) <= 20:
        raise ParameterError("give the speeds in percent, such as 60 75 90 100")
    if bars is not None and not (isinstance(bars, list) and len(bars) == 2):
        raise ParameterError("give the first and the last bar, or none for all")
    return {
        "play": play,
        "speeds": [number({"speed": speed}, "speed", 0.25, 2.0) for speed in speeds],
        "times": int(number(body, "times", 1, 99, default=4)),
        "bars": None if bars is None else [int(number({"bar": b}, "bar", 0, 1e5)) for b in bars],
    }
