"""A small XML tree that remembers lines, from files that may be hostile.

Entity declarations are refused (a few lines of them can stand for gigabytes) and no external
document type is ever fetched.
"""

from __future__ import annotations

import zipfile
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from xml.parsers import expat

from transcribe.core.errors import FormatError

__all__ = ["Node", "load_xml"]

_MAX_BYTES = 64 << 20
_MAX_NODES = 4_000_000


@dataclass(slots=True)
class Node:
    """An element: tag without prefix, attributes, text before its first child, children, line."""

    tag: str
    attrib: dict[str, str]
    line: int
    text: str = ""
    children: list[Node] = field(default_factory=list)

    def all(self, tag: str) -> Iterator[Node]:
        """Children called ``tag``."""
        return (child for child in self.children if child.tag == tag)

    def get(self, path: str) -> Node | None:
        """The first descendant along ``path``, tags parted by ``/``; None where there is none."""
        node: Node | None = self
        for tag in path.split("/"):
            node = next((c for c in node.children if c.tag == tag), None) if node else None
        return node

    def value(self, path: str, default: str = "") -> str:
        """The stripped text of the first descendant along ``path``."""
        node = self.get(path)
        return default if node is None else node.text.strip()

    def walk(self, tag: str) -> Iterator[Node]:
        """Every descendant called ``tag``, in document order."""
        stack = list(reversed(self.children))
        while stack:
            node = stack.pop()
            if node.tag == tag:
                yield node
            stack += reversed(node.children)


def load_xml(path: Path) -> Node:
    """The tree of an XML file, or of the score in a compressed one (``.mxl``).

    Raises
    ------
    FormatError
        If the file cannot be read, is too large, declares entities or is not well-formed.
    """
    try:
        if path.stat().st_size > _MAX_BYTES:
            raise FormatError(f"{path}: found over 64 MB, expected a smaller score")
        data = path.read_bytes()
    except FileNotFoundError:
        raise FormatError(f"{path}: there is no such file") from None
    except OSError as error:
        raise FormatError(f"{path} cannot be read: {error.strerror}") from None
    if data.startswith(b"PK\x03\x04"):
        data = _unpack(path)
    return _parse(data, path)


def _unpack(path: Path) -> bytes:
    try:
        with zipfile.ZipFile(path) as archive:
            container = _member(archive, "META-INF/container.xml", path)
            root = next(_parse(container, path).walk("rootfile"), None)
            name = root.attrib.get("full-path", "") if root is not None else ""
            return _member(archive, name, path)
    # Beside a damaged archive, zipfile meets a missing member with KeyError, a way of packing that
    # it does not know with NotImplementedError, and a password with RuntimeError.
    except (zipfile.BadZipFile, KeyError, NotImplementedError, RuntimeError, OSError):
        raise FormatError(
            f"{path}: found a damaged archive, expected compressed MusicXML; export it again"
        ) from None


def _member(archive: zipfile.ZipFile, name: str, path: Path) -> bytes:
    with archive.open(name) as file:
        data = file.read(_MAX_BYTES + 1)
    if len(data) > _MAX_BYTES:
        raise FormatError(f"{path}: found over 64 MB when unpacked, expected a smaller score")
    return data


def _parse(data: bytes, path: Path) -> Node:
    parser = expat.ParserCreate()
    top = Node("", {}, 0)
    stack = [top]
    count = 0

    def start(tag: str, attrib: dict[str, str]) -> None:
        nonlocal count
        count += 1
        if count > _MAX_NODES:
            raise FormatError(f"{path}: found over {_MAX_NODES} elements, expected a smaller score")
        node = Node(tag.rpartition(":")[2], attrib, parser.CurrentLineNumber)
        stack[-1].children.append(node)
        stack.append(node)

    def end(tag: str) -> None:
        del tag
        stack.pop()

    def text(data: str) -> None:
        if not stack[-1].children:
            stack[-1].text += data

    def entity(name: str, *rest: object) -> None:
        del rest
        raise FormatError(
            f"{path}:{parser.CurrentLineNumber}: found an entity declaration ({name}), "
            "expected MusicXML without any; it is not read"
        )

    parser.StartElementHandler = start
    parser.EndElementHandler = end
    parser.CharacterDataHandler = text
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
    return top.children[0]
