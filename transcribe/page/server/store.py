"""The folder of riffs as the page sees it.

A name that comes from a browser never becomes a path: riffs are known by opaque ids, and an id
is looked up among the files that lie in the folder. Links are passed over, so that nothing
outside the folder is ever served. The name for a new take is made from the letters and digits
of the one it came with.
"""

from __future__ import annotations

import contextlib
import dataclasses
import hashlib
import os
import re
import secrets
import shutil
import stat
import time
import unicodedata
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from transcribe.core.errors import FormatError, HandspanError, why_not_written
from transcribe.core.files import SOUND_SUFFIXES
from transcribe.formats import SUFFIXES
from transcribe.formats.lesson_document import LESSON_SUFFIX
from transcribe.library.revisions import hold, own_folder, read_revision, replace
from transcribe.library.riff_files import RIFF_SUFFIX, sweep_parts

try:
    import fcntl
except ImportError:  # Windows has no such locks: what was left half-done stays.
    fcntl = None  # type: ignore[assignment]

__all__ = [
    "Entry",
    "NotHereError",
    "Store",
    "clean_name",
    "is_own_file",
    "safe_suffix",
]

_OPEN_LOCK = os.O_RDWR | os.O_CREAT | getattr(os, "O_NOFOLLOW", 0)
_MAX_NAME_BYTES = 220  # of a name that another is put before
# Names that are given here or in `jobs`; nothing else is ever deleted.
_INCOMING = re.compile(r"[0-9a-f]{24}(\.[a-z0-9]{1,9}){1,2}|[0-9a-f]{16}")
_CACHED = re.compile(r"[0-9a-f]{24}\.[a-z]{1,8}")
_REMOVED = re.compile(rf"\d+-(.+)({re.escape(RIFF_SUFFIX)}|{re.escape(LESSON_SUFFIX)})")


class NotHereError(HandspanError):
    """An id names nothing in the folder."""


@dataclass(frozen=True, slots=True)
class Entry:
    """One riff or lesson document: its opaque id, its name and where it lies."""

    id: str
    name: str
    path: Path


class Store:
    """Files of one folder, looked up and never built from what a browser says."""

    def __init__(self, folder: Path) -> None:
        try:
            folder.mkdir(parents=True, exist_ok=True)
            self.folder = folder.resolve(strict=True)
        except OSError as error:
            raise FormatError(f"{folder} cannot be used: {why_not_written(error)}") from None
        if not self.folder.is_dir():
            raise FormatError(f"{folder} is not a folder; name the folder that holds the riffs")
        _ = self.removed  # a link in its place is refused at the start
        handle = os.open(own_folder(self.folder) / "page", _OPEN_LOCK, 0o600)
        self._page = os.fdopen(handle)  # locked for as long as this is in use
        if fcntl is not None:
            with contextlib.suppress(BlockingIOError):
                fcntl.flock(self._page, fcntl.LOCK_EX | fcntl.LOCK_NB)
                self._sweep()  # no other page has work under way here
            fcntl.flock(self._page, fcntl.LOCK_SH)

    @property
    def incoming(self) -> Path:
        """Where uploads lie until they have proved to be riffs."""
        return own_folder(self.folder, "incoming")

    @property
    def cache(self) -> Path:
        """What can be made again: pictures of takes, rendered tabs."""
        return own_folder(self.folder, "cache")

    @property
    def removed(self) -> Path:
        """What was taken off the list, to be put back."""
        return own_folder(self.folder, "removed")

    def without_paths(self, message: str) -> str:
        """``message`` with the files of the folder called by their names alone."""
        return message.replace(f"{self.folder}{os.sep}", "").replace(str(self.folder), "the folder")

    def entries(self) -> list[Entry]:
        """Every riff document of the folder, by name."""
        return self._documents(RIFF_SUFFIX)

    def lessons(self) -> list[Entry]:
        """Every lesson document of the folder, by name."""
        return self._documents(LESSON_SUFFIX)

    def _documents(self, suffix: str) -> list[Entry]:
        found = []
        for item in self._files():
            if item.name.endswith(suffix) and len(item.name) > len(suffix):
                name = item.name[: -len(suffix)]
                found.append(Entry(_id_of(item.name), name, Path(item.path)))
        return sorted(found, key=lambda entry: entry.name.casefold())

    def entry(self, riff_id: str) -> Entry:
        """The riff with ``riff_id``. Raises NotHereError where there is none."""
        for entry in self.entries():
            if entry.id == riff_id:
                return entry
        raise NotHereError("That riff is not in the folder any more; go back to the list.")

    def lesson(self, lesson_id: str) -> Entry:
        """The lesson with ``lesson_id``. Raises NotHereError where there is none."""
        for entry in self.lessons():
            if entry.id == lesson_id:
                return entry
        raise NotHereError("That lesson is not in the folder any more; go back to the list.")

    def below(self, relative: str) -> Path | None:
        """The file that a lesson names, from the folder; None where it is hidden or by a link."""
        path = self.folder
        for step in PurePosixPath(relative).parts:
            path = path / step
            if step.startswith(".") or path.is_symlink():
                return None
        return path if is_own_file(path) else None

    def take_path(self, file: str | None) -> Path | None:
        """The recording called ``file``, if it is one and lies in the folder itself."""
        if not file or Path(file).suffix.lower() in SUFFIXES:
            return None
        for item in self._files():
            if item.name == file:
                return Path(item.path)
        return None

    def new_upload(self, suffix: str) -> Path:
        """A path of our own making for an upload; ``suffix`` comes from `safe_suffix`."""
        return self.incoming / f"{secrets.token_hex(12)}{suffix}"

    @contextlib.contextmanager
    def new_name(self, wanted: str, *, parts: bool = False) -> Iterator[str]:
        """A free NAME for a riff and its take, held while the files are put in place.

        With ``parts``, NAME-A and all that begins so is free too.
        """
        with hold(self.folder):
            taken = {item.name.split(".", 1)[0].casefold() for item in os.scandir(self.folder)}
            name = base = clean_name(wanted)
            number = 2
            while name.casefold() in taken or (
                parts and any(one.startswith(f"{name}-".casefold()) for one in taken)
            ):
                name = f"{base}-{number}"
                number += 1
            yield name

    def rename(self, entry: Entry, wanted: str) -> Entry:
        """Give a riff and all that is called like it another name; the new entry.

        The files are there under the new name before they are gone under the old one, so that
        whatever happens in between, nothing is lost.
        """
        with self.new_name(wanted) as name:
            riff, _ = read_revision(entry.path)
            document = self.folder / f"{name}{RIFF_SUFFIX}"
            others = {
                item.name: f"{name}{item.name[len(entry.name) :]}"
                for item in self._files()
                if item.name.startswith(f"{entry.name}.")
                and item.name != entry.path.name
                and not item.name.endswith(LESSON_SUFFIX)
            }
            for old, new in others.items():
                os.link(self.folder / old, self.folder / new)
            if riff.source is not None and riff.source.file in others:
                source = dataclasses.replace(riff.source, file=others[riff.source.file])
                riff = dataclasses.replace(riff, source=source)
            replace(document, riff, expected=None)
            entry.path.unlink()
            for old in others:
                (self.folder / old).unlink()
        return Entry(_id_of(document.name), name, document)

    def remove(self, entry: Entry) -> str:
        """Put a document aside, under ``removed`` in the hidden folder; a key to it."""
        kept = self.put_aside(entry.path)
        if kept is None:
            raise NotHereError(f"{entry.name} is not in the folder any more; go back to the list.")
        return _id_of(kept.name)

    def put_aside(self, path: Path) -> Path | None:
        """Move a file of the folder to the hidden folder's ``removed``; None if it is not there."""
        removed = self.removed
        with hold(self.folder), contextlib.suppress(FileNotFoundError):
            name = path.name
            if len(os.fsencode(name)) > _MAX_NAME_BYTES:
                name = f"{name[: _MAX_NAME_BYTES // 4]}{name[-20:]}"  # of up to 4 bytes a letter
            second = int(time.time())
            while (kept := removed / f"{second}-{name}").exists():
                second += 1
            os.replace(path, kept)
            return kept
        return None

    def put_back(self, key: str) -> Entry:
        """The document that `remove` put aside under ``key``, in the folder again.

        Raises
        ------
        NotHereError
            If it does not lie there any more.
        """
        removed = self.removed
        with hold(self.folder):
            for kept in removed.iterdir():
                match = _REMOVED.fullmatch(kept.name)
                if match and _id_of(kept.name) == key and is_own_file(kept):
                    base, suffix = match.groups()
                    path, number = self.folder / f"{base}{suffix}", 2
                    while path.exists() or path.is_symlink():
                        path = self.folder / f"{base}-{number}{suffix}"
                        number += 1
                    os.replace(kept, path)
                    return Entry(_id_of(path.name), path.name[: -len(suffix)], path)
        raise NotHereError("That was put back already, or is gone from .handspan/removed.")

    def cached(self, key: str, suffix: str) -> Path:
        """Where the thing made from ``key`` (a digest or the like) is kept."""
        digest = hashlib.sha256(key.encode()).hexdigest()[:24]
        return self.cache / f"{digest}{suffix}"

    def trim_cache(self, *, max_bytes: int) -> None:
        """Drop the things that were used longest ago until the rest fits."""
        cached = [p for p in self.cache.iterdir() if _CACHED.fullmatch(p.name) and is_own_file(p)]
        files = sorted((p.stat().st_mtime, p.stat().st_size, p) for p in cached)
        total = sum(size for _, size, _ in files)
        for _, size, path in files:
            if total <= max_bytes:
                return
            path.unlink(missing_ok=True)
            total -= size

    def _files(self) -> Iterator[os.DirEntry[str]]:
        with os.scandir(self.folder) as items:
            for item in items:
                if not item.name.startswith(".") and item.is_file(follow_symlinks=False):
                    yield item

    def _sweep(self) -> None:
        """Throw away what a killed server left half-done."""
        for path in list(self.incoming.iterdir()):
            if not _INCOMING.fullmatch(path.name):
                continue
            if path.is_dir() and not path.is_symlink():
                shutil.rmtree(path, ignore_errors=True)
            else:
                path.unlink(missing_ok=True)
        for folder in (self.folder, self.cache):
            sweep_parts(folder)


def is_own_file(path: Path) -> bool:
    """Whether a file lies at ``path`` itself, and not a link that leads elsewhere."""
    try:
        return stat.S_ISREG(path.lstat().st_mode)
    except OSError:
        return False


def _id_of(filename: str) -> str:
    return hashlib.sha256(filename.encode("utf-8", "surrogateescape")).hexdigest()[:12]


def clean_name(wanted: str) -> str:
    """A file name of letters, digits and hyphens that resembles ``wanted``; never empty."""
    stem = wanted.replace("\\", "/").rsplit("/", 1)[-1]
    for suffix in (RIFF_SUFFIX, LESSON_SUFFIX, ".tab.txt"):
        if stem.lower().endswith(suffix):
            stem = stem[: -len(suffix)]
            break
    else:
        stem = stem.rsplit(".", 1)[0] if "." in stem[1:] else stem
    plain = unicodedata.normalize("NFKD", stem).encode("ascii", "ignore").decode()
    cleaned = re.sub(r"[^a-z0-9]+", "-", plain.lower()).strip("-")[:60].strip("-")
    reserved = re.fullmatch(r"(con|prn|aux|nul|com\d|lpt\d)?", cleaned)
    return "take" if reserved else cleaned


def safe_suffix(wanted: str) -> str:
    """The suffix of a name from a browser if it is one that we know, else ``.take``."""
    match = re.search(r"(\.[a-z0-9]{1,9})$", wanted.lower())
    suffix = match.group(1) if match else ""
    if wanted.lower().endswith(RIFF_SUFFIX):
        return RIFF_SUFFIX
    return suffix if suffix in SOUND_SUFFIXES or suffix in SUFFIXES else ".take"
