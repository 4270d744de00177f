"""Which source files of the program a result depends on, read from their import statements."""

from __future__ import annotations

import ast
import hashlib
import platform
import sys
from collections.abc import Iterator
from functools import cache
from importlib import metadata
from pathlib import Path

PACKAGE = __name__.partition(".")[0]


@cache
def fingerprint(module: str) -> str:
    """Hash of all the code that a module of this package may run: its source, its imports, releases of libraries."""
    digest = hashlib.sha256()
    for name in sorted(reached(module)):
        digest.update(name.encode() + b"\0")
        if name.partition(".")[0] == PACKAGE:
            digest.update(hashlib.sha256(_path(name).read_bytes()).digest())
        else:
            digest.update(_release(name).encode())
    return digest.hexdigest()


@cache
def reached(module: str) -> frozenset[str]:
    """The module, all modules of this package that its imports reach, and the libraries that any of them imports.

    Imports count wherever they stand, in functions, too; those for type checkers alone don't.

    Raises
    ------
    ValueError
        If there is no such module.
    """
    found: set[str] = set()
    waiting = [module]
    while waiting:
        name = waiting.pop()
        if name not in found:
            found.add(name)
            waiting += _imports(name) if name.partition(".")[0] == PACKAGE else ()
    return frozenset(found)


@cache
def _imports(module: str) -> frozenset[str]:
    """What a module names in imports: modules of this package, their packages, and libraries by their first name."""
    named = {module}
    for node in _running(ast.parse(_path(module).read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            named |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            named |= {node.module or "", *(f"{node.module}.{alias.name}" for alias in node.names)}
    own = {name for name in named if name.partition(".")[0] == PACKAGE}
    parents = {".".join(name.split(".")[:k]) for name in own for k in range(1, name.count(".") + 2)}
    others = {name.partition(".")[0] for name in named - own} - sys.stdlib_module_names - {""}
    # What is imported from a module may be a name in it or a module of its own.
    return frozenset(others | {name for name in parents if _spec(name) is not None})


def _running(tree: ast.AST) -> Iterator[ast.AST]:
    """All statements but those for type checkers."""
    waiting = [tree]
    while waiting:
        node = waiting.pop()
        yield node
        if isinstance(node, ast.If) and ast.unparse(node.test).endswith("TYPE_CHECKING"):
            waiting += node.orelse
            continue
        for field in ("body", "orelse", "finalbody", "handlers", "cases"):
            waiting += getattr(node, field, []) if isinstance(getattr(node, field, []), list) else []


@cache
def _spec(module: str) -> Path | None:
    """File of a module of this package; looked up, not imported, since some import large libraries."""
    root = Path(__file__).parents[1]
    place = root.joinpath(*module.split(".")[1:])
    found = (place / "__init__.py", place.with_name(f"{place.name}.py"))
    return next((path for path in found if module.partition(".")[0] == PACKAGE and path.is_file()), None)


def _path(module: str) -> Path:
    path = _spec(module)
    if path is None:
        raise ValueError(f"no module {module} to take the code version from")
    return path


def _release(library: str) -> str:
    try:
        return metadata.version(library)
    except metadata.PackageNotFoundError:
        return ""


# Rooms that only show results: changing them changes no front.
SHOWING = ("review", "commands")
PACKAGES = ("numpy", "pandas", "scipy", "shapely", "numba", "moocore", "optuna", "pyarrow", "pydantic")


@cache
def code_hash() -> str:
    """SHA-256 of the program's sources, those left out that only show results."""
    root = Path(__file__).parents[1]
    digest = hashlib.sha256()
    for path in sorted(root.rglob("*.py")):
        place = path.relative_to(root)
        if place.parts[0] not in SHOWING:
            digest.update(place.as_posix().encode() + b"\0" + path.read_bytes())
    return digest.hexdigest()


@cache
def versions() -> dict[str, str]:
    """What a front depends on besides its inputs: Python, packages, the program, the kind of processor."""
    found = {"python": platform.python_version()}
    found |= {name: release for name in PACKAGES if (release := _release(name))}
    return found | {"code": code_hash(), "machine": platform.machine()}
