"""The page's scripts and styles as one piece of text, for a file that must bring all of its own.

A module may not be loaded from a file system, so each becomes a function that runs once and hands
back what it exports. The scripts are the project's own and laid out by one formatter: an import is
a statement of its own that begins a line, and what is exported is named at its declaration.
"""

from __future__ import annotations

import re
from importlib import resources

__all__ = ["read_static", "script_of"]

_IMPORT = re.compile(r'^import \{(.*?)\} from "\./([\w-]+)\.js";\n', re.MULTILINE | re.DOTALL)
_EXPORT = re.compile(r"^export (?:async )?(?:function|class|const|let) (\w+)", re.MULTILINE)
_EXPORT_LIST = re.compile(r"^export \{(.*?)\};\n", re.MULTILINE | re.DOTALL)


def read_static(name: str) -> str:
    """The text of one of the page's files, such as ``page.css``."""
    return (resources.files("transcribe") / "page" / "static" / name).read_text("utf-8")


def script_of(main: str) -> str:
    """The module ``main`` (without its suffix) and all that it imports, as one script.

    Examples
    --------
    >>> "import " in script_of("rhythm")
    False
    """
    parts: list[str] = []
    done: set[str] = set()

    def add(name: str) -> None:
        if name in done:
            return
        done.add(name)
        text = read_static(f"{name}.js")
        for _, other in _IMPORT.findall(text):
            add(other)
        parts.append(_as_function(name, text))

    add(main)
    return '"use strict";\n' + "\n".join(parts)


def _as_function(name: str, text: str) -> str:
    exported = _EXPORT.findall(text)
    for names in _EXPORT_LIST.findall(text):
        exported += [each.strip() for each in names.split(",") if each.strip()]
    text = _EXPORT_LIST.sub("", text)
    text = re.sub(r"^export ", "", text, flags=re.MULTILINE)
    text = _IMPORT.sub(
        lambda found: f"const {{{found[1].replace(' as ', ': ')}}} = {_variable(found[2])};\n",
        text,
    )
    if re.search(r"^(?:import|export)\b|\bimport\(", text, re.MULTILINE):
        raise AssertionError(f"{name}.js imports or exports in a way that is not known here")
    return f"const {_variable(name)} = (() => {{\n{text}return {{ {', '.join(exported)} }};\n}})();"


def _variable(name: str) -> str:
    return "module_" + name.replace("-", "_")
