"""Files of every format, damaged: what comes from a cut-off copy, a bad disk or ill will.

`seeds` gives whole files that the project wrote itself; `damage` makes one broken file of them.
"""

from __future__ import annotations

import copy
import io
import json
import random
import re
import zipfile
from collections.abc import Mapping, Sequence
from typing import Any

from tests.formats.riffs import drone_riff, make_riff, strummed_riff
from transcribe.formats.document import to_json
from transcribe.formats.jams import write_jams
from transcribe.formats.midi import write_midi
from transcribe.formats.musicxml.write import write_musicxml
from transcribe.formats.tab.write import write_tab

__all__ = ["SUFFIX", "damage", "seeds"]

SUFFIX = {
    "riff": ".riff.json",
    "tab": ".txt",
    "musicxml": ".musicxml",
    "mxl": ".mxl",
    "midi": ".mid",
    "jams": ".jams",
    "sound": ".wav",
}
"""The suffix of each kind of file."""

_NUMBERS = (
    *("0", "-1", "1e400", "-1e308", "NaN", "Infinity", "1e-320", "99999999999", "2147483648"),
    *("9" * 400, "9" * 5000, "0.1", "1/0", "1.2.3", "-0", "1e1000000", "256", "65536"),
)
_WORDS = ("", "x", "\u0000", "\ud800", "é" * 300, "A" * 10_000, "<&>", "𝄞", "\u202e", "[]", "{}")
_VALUES: tuple[Any, ...] = (
    *(None, True, False, 0, -1, 1, 7, 99, 10**9, 10**18, 10**400, -(10**30), 0.5, 1e-300, 1e308),
    *(float("nan"), float("inf"), float("-inf"), "", "x", "A" * 5000, "\ud800", "1", "picked"),
    *([], [1], [[]], [None] * 3, {}, {"a": 1}, [{}], [[1, 2, 3]], [1e308] * 4),
)


def seeds() -> Mapping[str, Sequence[bytes]]:
    """Whole files of each kind (`SUFFIX`), as bytes."""
    riffs = [
        drone_riff(),
        strummed_riff(),
        make_riff([(k * 0.5, 0.5, 2 + k % 3, 3 + k % 4) for k in range(12)], meter=(6, 8)),
    ]
    xml = [write_musicxml(riff) for riff in riffs]
    return {
        "riff": [json.dumps(to_json(riff)).encode() for riff in riffs],
        "tab": [write_tab(riff).encode() for riff in riffs],
        "musicxml": xml,
        "mxl": [_zipped(one) for one in xml],
        "midi": [write_midi(riff) for riff in riffs],
        "jams": [write_jams(riff).encode() for riff in riffs],
        "sound": _sounds(),
    }


def _zipped(xml: bytes) -> bytes:
    out = io.BytesIO()
    container = (
        '<?xml version="1.0"?><container><rootfiles><rootfile full-path="score.xml"/>'
        "</rootfiles></container>"
    )
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("META-INF/container.xml", container)
        archive.writestr("score.xml", xml)
    return out.getvalue()


def _sounds() -> list[bytes]:
    import numpy as np
    import soundfile

    time = np.arange(12_000) / 24_000
    tone = (0.3 * np.sin(2 * np.pi * 220 * time) * np.exp(-3 * time)).astype(np.float32)
    out = []
    forms = (("WAV", "PCM_16"), ("WAV", "FLOAT"), ("FLAC", None), ("OGG", None), ("MP3", None))
    for form, kind in forms:
        file = io.BytesIO()
        soundfile.write(file, tone, 24_000, format=form, subtype=kind)
        out.append(file.getvalue())
    return out


def damage(kind: str, whole: Sequence[bytes], rng: random.Random) -> bytes:
    """One of the files ``whole`` of a ``kind``, with one to four things wrong in it."""
    data = rng.choice(whole)
    if kind in ("riff", "jams") and rng.random() < 0.7:
        return _odd_values(data, rng)
    if kind == "mxl" and rng.random() < 0.5:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            inside = archive.read("score.xml")
        return _zipped(_damaged_text(inside, rng))
    for _ in range(rng.randint(1, 4)):
        text = kind in ("riff", "tab", "musicxml", "jams") and rng.random() < 0.7
        data = _damaged_text(data, rng) if text else _damaged_bytes(data, whole, rng)
    return data


def _damaged_bytes(data: bytes, whole: Sequence[bytes], rng: random.Random) -> bytes:
    if not data:
        return data
    at = rng.randrange(len(data))
    end = min(len(data), at + rng.choice((1, 2, 4, 16, 256)))
    match rng.randrange(7):
        case 0:
            return data[:at]
        case 1:
            return data[:at] + bytes([data[at] ^ (1 << rng.randrange(8))]) + data[at + 1 :]
        case 2:
            return data[:at] + data[end:]
        case 3:
            return data[:at] + data[at:end] * rng.choice((2, 3, 50)) + data[end:]
        case 4:
            other = rng.choice(whole)
            return data[:at] + other[rng.randrange(len(other) + 1) :]
        case 5:
            return data[:at] + rng.randbytes(end - at) + data[end:]
        case _:
            fill = rng.choice((b"\xff", b"\x00", b"\x7f", b"\x80"))
            return data[:at] + fill * (end - at) + data[end:]


def _damaged_text(data: bytes, rng: random.Random) -> bytes:
    text = data.decode("utf-8", "replace")
    tokens = [m.span() for m in re.finditer(r"-?\d+(?:\.\d+)?|[A-Za-z_]+", text)]
    lines = text.splitlines(keepends=True)
    choice = rng.randrange(4)
    if choice < 2 and tokens:
        begin, end = rng.choice(tokens)
        word = rng.choice(_NUMBERS if text[begin] in "-0123456789" or choice else _WORDS)
        text = text[:begin] + word + text[end:]
    elif choice == 2 and lines:
        at = rng.randrange(len(lines))
        lines[at : at + 1] = [] if rng.random() < 0.5 else [lines[at]] * rng.choice((2, 3, 40))
        text = "".join(lines)
    elif lines:
        one, two = rng.randrange(len(lines)), rng.randrange(len(lines))
        lines[one], lines[two] = lines[two], lines[one]
        text = "".join(lines)
    return text.encode("utf-8", "surrogatepass")


def _odd_values(data: bytes, rng: random.Random) -> bytes:
    value = json.loads(data)
    for _ in range(rng.randint(1, 3)):
        place = _random_place(value, rng)
        if place is None:
            continue
        holder, key = place
        if rng.random() < 0.15:
            del holder[key]
        else:
            holder[key] = copy.deepcopy(rng.choice(_VALUES))  # the next odd value may go into it
    return json.dumps(value).encode()


def _random_place(value: Any, rng: random.Random) -> tuple[Any, Any] | None:
    """A list or object inside ``value`` and one of its keys, deep ones as likely as others."""
    places: list[tuple[Any, Any]] = []
    stack = [value]
    while stack:
        holder = stack.pop()
        keys = holder if isinstance(holder, dict) else range(len(holder))
        for key in keys:
            places.append((holder, key))
            if isinstance(holder[key], dict | list):
                stack.append(holder[key])
    return rng.choice(places) if places else None
