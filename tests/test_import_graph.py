"""Who imports whom, drawn from the syntax trees: imports inside functions count too.

The rooms and the arrows between them that are allowed stand in DEVELOPERS.md, between the marks
``<!-- rooms -->`` and ``<!-- /rooms -->``, one room a line: ``fingering <- core, drone``.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import connected_components

ROOT = Path(__file__).parent.parent


def module_name(path: Path) -> str:
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


MODULES = {
    module_name(path): path
    for package in ("transcribe", "theory")
    for path in sorted((ROOT / package).rglob("*.py"))
}


def runtime_imports(tree: ast.AST) -> Iterator[ast.Import | ast.ImportFrom]:
    """Every import that can run; those for type checkers alone cannot."""
    for node in ast.iter_child_nodes(tree):
        if isinstance(node, ast.Import | ast.ImportFrom):
            yield node
        elif isinstance(node, ast.If) and ast.unparse(node.test).endswith("TYPE_CHECKING"):
            for other in node.orelse:
                yield from runtime_imports(other)
        else:
            yield from runtime_imports(node)


def imported(path: Path) -> set[str]:
    """The project's own modules that a module imports, by their full names."""
    found = set()
    for node in runtime_imports(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        else:
            assert node.level == 0, f"{path} imports relatively"
            base = node.module or ""
            names = [f"{base}.{alias.name}" for alias in node.names]
            names = [name if name in MODULES else base for name in names]
        found |= {name for name in names if name in MODULES}
    return found


GRAPH = {name: imported(path) for name, path in MODULES.items()}


def room(module: str) -> str:
    """The part of the project that a module belongs to."""
    parts = module.split(".")
    if parts[0] == "theory":
        return "theory"
    return parts[1] if len(parts) > 1 else "transcribe"


def allowed_arrows() -> dict[str, set[str]]:
    text = (ROOT / "DEVELOPERS.md").read_text("utf-8")
    table = text.split("<!-- rooms -->")[1].split("<!-- /rooms -->")[0]
    arrows = {}
    for line in table.strip().strip("`").strip().splitlines():
        name, _, sources = line.partition("<-")
        arrows[name.strip()] = {s.strip() for s in sources.split(",") if s.strip()}
    return arrows


def test_the_graph_sees_imports_inside_functions() -> None:
    tree = ast.parse("def f():\n    from transcribe.core import riff\n    import theory.modes")
    assert len(list(runtime_imports(tree))) == 2


def test_no_module_imports_itself_by_way_of_others() -> None:
    names = sorted(GRAPH)
    index = {name: i for i, name in enumerate(names)}
    edges = [(index[a], index[b]) for a in names for b in GRAPH[a]]
    rows, columns = zip(*edges, strict=True)
    matrix = csr_matrix((np.ones(len(edges)), (rows, columns)), shape=(len(names), len(names)))
    _, labels = connected_components(matrix, directed=True, connection="strong")
    members: dict[int, list[str]] = {}
    for name, label in zip(names, labels, strict=True):
        members.setdefault(int(label), []).append(name)
    assert [circle for circle in members.values() if len(circle) > 1] == []
    assert [name for name in names if name in GRAPH[name]] == []


@pytest.mark.parametrize("name", sorted({room(module) for module in MODULES}))
def test_every_arrow_is_allowed(name: str) -> None:
    allowed = allowed_arrows()
    assert name in allowed, f"DEVELOPERS.md does not list the room {name}"
    used = {
        (module, other)
        for module in GRAPH
        if room(module) == name
        for other in GRAPH[module]
        if room(other) != name
    }
    assert {(m, o) for m, o in used if room(o) not in allowed[name]} == set()


def test_no_two_rooms_have_a_module_of_one_name() -> None:
    """Readers and writers of formats are the exception: each format has its own."""
    places: dict[str, set[str]] = {}
    for module in MODULES:
        stem = module.rpartition(".")[2]
        if stem not in ("errors", "read", "write") and MODULES[module].name != "__init__.py":
            places.setdefault(stem, set()).add(module)
    assert {stem: found for stem, found in places.items() if len(found) > 1} == {}
