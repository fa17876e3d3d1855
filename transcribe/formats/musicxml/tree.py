"""MusicXML files as trees of elements that know their lines, from files that may be hostile.

Entity declarations are refused (a few lines of them can stand for gigabytes) and no external
document type is ever fetched.
"""

from __future__ import annotations

import io
import xml.etree.ElementTree as ET
import zipfile
import zlib
from pathlib import Path
from xml.parsers import expat

from transcribe.core.errors import FormatError
from transcribe.core.files import read_bytes

__all__ = ["line_of", "load_xml", "parse_xml", "tag"]

_MAX_MB = 64
_MAX_NODES = 4_000_000
# What zipfile raises of a damaged archive beside BadZipFile: KeyError for a missing member,
# NotImplementedError for a way of packing that it does not know, RuntimeError for a password,
# ValueError for a place before the start of the file, and what the unpacking itself meets.
_DAMAGED = (
    *(zipfile.BadZipFile, KeyError, NotImplementedError, RuntimeError, ValueError),
    *(OSError, EOFError, zlib.error),
)


class _Element(ET.Element):
    line = 0


def line_of(element: ET.Element) -> int:
    """The line of its file on which an element begins."""
    return getattr(element, "line", 0)


def tag(name: str, /, *children: ET.Element | str | int | None, **attributes: str) -> ET.Element:
    """An element; a string or number among its children is its text, None is passed over."""
    element = ET.Element(name, attributes)
    for child in children:
        if isinstance(child, ET.Element):
            element.append(child)
        elif child is not None:
            element.text = str(child)
    return element


def load_xml(path: Path) -> ET.Element:
    """The tree of an XML file, or of the score in a compressed one (``.mxl``).

    Tags are without prefix, and the text of every element is stripped.

    Raises
    ------
    FormatError
        If the file cannot be read, is too large, declares entities or is not well-formed.
    """
    data = read_bytes(path, max_mb=_MAX_MB, expected="a smaller score")
    if data.startswith(b"PK\x03\x04"):
        data = _unpack(data, path)
    return parse_xml(data, path)


def _unpack(data: bytes, path: Path) -> bytes:
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            container = _member(archive, "META-INF/container.xml", path)
            root = next(parse_xml(container, path).iter("rootfile"), None)
            name = root.get("full-path", "") if root is not None else ""
            return _member(archive, name, path)
    except _DAMAGED:
        raise FormatError(
            f"{path}: found a damaged archive, expected compressed MusicXML; export it again"
        ) from None


def _member(archive: zipfile.ZipFile, name: str, path: Path) -> bytes:
    with archive.open(name) as file:
        data = file.read((_MAX_MB << 20) + 1)
    if len(data) > _MAX_MB << 20:
        raise FormatError(
            f"{path}: found over {_MAX_MB} MB when unpacked, expected a smaller score"
        )
    return data


def parse_xml(data: bytes, path: Path) -> ET.Element:
    """The tree of an XML document, as `load_xml` makes it; ``path`` is what errors call it."""
    parser = expat.ParserCreate()
    builder = ET.TreeBuilder(element_factory=_Element)
    count = 0

    def start(tag: str, attrib: dict[str, str]) -> None:
        nonlocal count
        count += 1
        if count > _MAX_NODES:
            raise FormatError(f"{path}: found over {_MAX_NODES} elements, expected a smaller score")
        element = builder.start(tag.rpartition(":")[2], attrib)
        setattr(element, "line", parser.CurrentLineNumber)  # noqa: B010, that type has no line

    def end(tag: str) -> None:
        element = builder.end(tag)
        element.text = (element.text or "").strip()

    def entity(name: str, *rest: object) -> None:
        del rest
        raise FormatError(
            f"{path}:{parser.CurrentLineNumber}: found an entity declaration ({name}), "
            "expected MusicXML without any; it is not read"
        )

    parser.StartElementHandler = start
    parser.EndElementHandler = end
    parser.CharacterDataHandler = builder.data
    parser.EntityDeclHandler = entity
    parser.buffer_text = True
    try:
        parser.Parse(data, True)
    except expat.ExpatError as error:
        raise FormatError(
            f"{path}:{error.lineno}: found XML that is not well-formed "
            f"({expat.ErrorString(error.code)}), expected MusicXML"
        ) from None
    except (LookupError, ValueError):
        raise FormatError(f"{path}:1: found an unknown text encoding, expected UTF-8") from None
    return builder.close()
