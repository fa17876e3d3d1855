"""Whether a file was cut off while it was copied, where its header announces no length.

The decoder announces a length for MP4, MOV, M4A, 3GP, WAV and AIFF, which
`transcribe.audio.recording` compares with what it finds. Ogg, a live WebM, CAF and an MP3 without
a table of contents announce none: here the sizes of their pieces are followed, and a last piece
that is cut in two is seen. Nothing is decoded.

Sources (field layouts from memory): Ogg RFC 3533; Matroska and WebM RFC 9559 over RFC 8794; CAF,
Apple's Core Audio Format; MPEG audio frames ISO/IEC 11172-3.
"""

from __future__ import annotations

import struct
from pathlib import Path
from typing import BinaryIO

__all__ = ["find_truncation"]

_MAX_PIECES = 500_000
_TAIL_BYTES = 1 << 17  # more than one Ogg page, which has at most 65,307 bytes


def find_truncation(path: Path) -> str | None:
    """``cut`` where the file ends inside a piece, ``open`` where its end mark is missing.

    None where it is whole, or of a kind that does not tell.
    """
    size = path.stat().st_size
    with path.open("rb") as file:
        head = file.read(12)
        if head[:4] == b"OggS":
            return _ogg(file, size)
        if head[:4] == b"\x1a\x45\xdf\xa3":
            return "cut" if _ebml_is_cut(file, size) else None
        if head[:4] == b"caff":
            return "cut" if _caf_is_cut(file, size) else None
        if head[:3] == b"ID3" or (len(head) > 1 and head[0] == 0xFF and head[1] & 0xE6 == 0xE2):
            return "cut" if _mpeg_is_cut(file, size, head) else None
    return None


def _ogg(file: BinaryIO, size: int) -> str | None:
    """The last page must be whole and carry the end-of-stream flag."""
    start = max(0, size - _TAIL_BYTES)
    file.seek(start)
    data = file.read()
    at = data.rfind(b"OggS")
    while at >= 0:
        page = data[at:]
        if len(page) < 27 or len(page) < 27 + page[26]:
            return "cut"
        length = 27 + page[26] + sum(page[27 : 27 + page[26]])
        if page[4] == 0:  # the version; else these four letters stand in the sound by chance
            if len(page) < length:
                return "cut"
            return None if page[5] & 4 else "open"
        at = data.rfind(b"OggS", 0, at)
    return "cut"


def _caf_is_cut(file: BinaryIO, size: int) -> bool:
    at = 8
    for _ in range(_MAX_PIECES):
        file.seek(at)
        head = file.read(12)
        if len(head) < 12:
            return False
        length = struct.unpack(">q", head[4:])[0]
        if length < 0:  # sound to the end of the file
            return False
        at += 12 + length
        if at >= size:
            return at > size
    return False


_INSIDE = {0x18538067, 0x1F43B675, 0xA0}  # segment, cluster, block group: walked into


def _ebml_is_cut(file: BinaryIO, size: int) -> bool:
    at = 0
    for _ in range(_MAX_PIECES):
        if at >= size:
            return at > size
        file.seek(at)
        name, name_length = _vint(file, keep_marker=True)
        length, length_length = _vint(file, keep_marker=False)
        if not name_length or not length_length:
            return False
        at += name_length + length_length
        unknown = length == (1 << (7 * length_length)) - 1
        if not unknown and at + length > size:
            return True
        if name not in _INSIDE:
            if unknown:
                return False
            at += length
    return False


def _vint(file: BinaryIO, *, keep_marker: bool) -> tuple[int, int]:
    """A variable-length number and its bytes; (0, 0) where there is none."""
    first = file.read(1)
    if not first or not first[0]:
        return 0, 0
    length = 9 - first[0].bit_length()
    rest = file.read(length - 1)
    if len(rest) < length - 1:
        return 0, 0
    value = first[0] if keep_marker else first[0] & ((1 << (8 - length)) - 1)
    return int.from_bytes(bytes([value]) + rest, "big"), length


_KBPS_1 = (0, 32, 40, 48, 56, 64, 80, 96, 112, 128, 160, 192, 224, 256, 320)
_KBPS_2 = (0, 8, 16, 24, 32, 40, 48, 56, 64, 80, 96, 112, 128, 144, 160)
_RATES = {3: (44100, 48000, 32000), 2: (22050, 24000, 16000), 0: (11025, 12000, 8000)}


def _mpeg_is_cut(file: BinaryIO, size: int, head: bytes) -> bool:
    """Follow the frames of MPEG layer III; tags behind them end the walk."""
    at = 0
    if head[:3] == b"ID3":
        sizes = head[6:10]
        at = 10 + sum((b & 0x7F) << (21 - 7 * i) for i, b in enumerate(sizes))
    for _ in range(_MAX_PIECES):
        file.seek(at)
        header = file.read(4)
        length = _mpeg_frame(header) if len(header) == 4 else None
        if length is None:
            return False
        at += length
        if at >= size:
            return at > size
    return False


def _mpeg_frame(head: bytes) -> int | None:
    """Bytes of a layer III frame by its header; None where it is none."""
    if head[0] != 0xFF or head[1] & 0xE6 != 0xE2:
        return None
    version, kbps, rate = head[1] >> 3 & 3, head[2] >> 4, head[2] >> 2 & 3
    if version == 1 or not 0 < kbps < 15 or rate == 3:
        return None
    bits = 1000 * (_KBPS_1 if version == 3 else _KBPS_2)[kbps]
    per_frame = 144 if version == 3 else 72
    return per_frame * bits // _RATES[version][rate] + (head[2] >> 1 & 1)
