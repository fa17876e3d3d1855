"""The errors that Handspan raises on purpose.

Each message is one sentence for the person at the keyboard: what is wrong, with the value or
the place, and what to do about it. The command prints it and exits with 1.
"""

from __future__ import annotations

import errno
import re
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from transcribe.core.riff import Remark

__all__ = ["AudioError", "FormatError", "HandspanError", "ParameterError", "why_not_written"]


_LONG = re.compile(
    r"(\S{60})\S{200,}(\S{20})"
    r"""|(?<=['"])([^'"]{60})[^'"]{200,}([^'"]{20})(?=['"])"""  # of several words, in quotes
)


class HandspanError(Exception):
    """Root of every error that the project raises on purpose.

    ``remark`` holds what the sentence says as facts, where a program may want to act on them;
    ``parameter`` names the argument that the sentence is about, where it is one.
    """

    def __init__(
        self, message: str = "", *, remark: Remark | None = None, parameter: str | None = None
    ) -> None:
        # Of a value that is longer than any path, its start and its end are enough.
        super().__init__(_LONG.sub(r"\1\3...\2\4", " ".join(message.split("\n"))))
        self.remark = remark
        self.parameter = parameter


class ParameterError(HandspanError, ValueError):
    """An argument is outside what it may be."""


class AudioError(HandspanError):
    """A recording cannot be read, or holds nothing that can be used."""


class FormatError(HandspanError):
    """A riff document, tab, MusicXML, MIDI or JAMS file is malformed."""


_WAYS = {
    "make room on its disk and try again": (errno.ENOSPC, errno.EDQUOT, errno.EFBIG),
    "allow writing there, or use another folder": (errno.EACCES, errno.EPERM, errno.EROFS),
    "give the file a shorter name": (errno.ENAMETOOLONG,),
}


def why_not_written(error: OSError) -> str:
    """Why the system did not write a file, and what to do about it.

    >>> why_not_written(OSError(errno.ENAMETOOLONG, "File name too long"))
    'File name too long; give the file a shorter name'
    """
    said = error.strerror or "the system does not say why"
    ways = (way for way, numbers in _WAYS.items() if error.errno in numbers)
    return "; ".join((said, *ways))
