"""Rules of the house that a machine can keep: imports run one way, no circles, the command starts light."""

import ast
import re
import subprocess
import sys
from pathlib import Path

import networkx as nx
import pytest

import optimizer

ROOT = Path(optimizer.__file__).parent

# Floors from the ground up. A package imports from floors below its own, never from a neighbour on the same floor.
FLOORS = [
    {"base"},
    {"catalog"},
    {"brief"},
    {"cell", "fit", "bench"},
    {"pack", "ride", "front"},
    {"score", "road"},
    {"search"},
    {"design"},
    {"analysis"},
    {"review"},
    {"workflows"},
    {"commands", "api"},
    {"cli"},
    {"__main__"},
]
# The only modules that stand in no package.
LOOSE = {"__init__", "__main__", "api", "cli"}
# One loop of a compiled kernel: in pieces it would pass a dozen arrays around and take longer to compile.
WHOLE = {"fit/placement/kernels.py:settle", "bench/exact.py:_search", "bench/exact.py:_cover"}

FILES = sorted(path for path in ROOT.rglob("*.py") if "catalogs" not in path.parts)


def name_of(path: Path) -> str:
    """Path of a file below optimizer, as text."""
    return path.relative_to(ROOT).as_posix()


def module_of(path: Path) -> str:
    """Dotted module of a file, without "optimizer"."""
    return ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")


MODULES = {module_of(path): path for path in FILES}


def imports(path: Path) -> set[str]:
    """Modules below optimizer that a file imports anywhere, for more than types."""
    found = set()
    tree = ast.parse(path.read_text(encoding="utf-8"))
    skipped = {
        id(child)
        for node in ast.walk(tree)
        if isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING"
        for child in ast.walk(node)
    }
    for node in ast.walk(tree):
        if id(node) in skipped:
            continue
        if isinstance(node, ast.ImportFrom) and (node.module or "").split(".")[0] == "optimizer":
            base = (node.module or "").removeprefix("optimizer").strip(".")
            for alias in node.names:
                full = f"{base}.{alias.name}".strip(".")
                found.add(full if full in MODULES else base)
        if isinstance(node, ast.Import):
            found |= {alias.name[10:] for alias in node.names if alias.name.startswith("optimizer.")}
    return found - {"", "__init__"}


def floor(module: str) -> int:
    """Floor of a module, counted from the ground."""
    package = module.split(".")[0]
    for number, packages in enumerate(FLOORS):
        if package in packages:
            return number
    raise AssertionError(f"{module} stands on no floor: name its package in FLOORS and in DEVELOPERS.md")


def package_of(module: str) -> str:
    """Dotted package that holds a module."""
    return module if MODULES[module].name == "__init__.py" else module.rpartition(".")[0] or module


IMPORTS = {module: imports(path) for module, path in MODULES.items() if module != "__init__"}


def test_imports_run_one_way():
    wrong = []
    for module, names in IMPORTS.items():
        for name in names:
            same = module.split(".")[0] == name.split(".")[0]
            if not same and floor(name) >= floor(module):
                wrong.append(f"{module} imports {name}")
    assert not wrong


@pytest.mark.parametrize("level", ["modules", "packages"])
def test_no_import_goes_in_a_circle(level: str):
    graph = nx.DiGraph()
    for module, names in IMPORTS.items():
        for name in names:
            ends = (module, name) if level == "modules" else (package_of(module), package_of(name))
            if ends[0] != ends[1]:
                graph.add_edge(*ends)
    circles = [sorted(part) for part in nx.strongly_connected_components(graph) if len(part) > 1]
    assert not circles


def test_no_module_is_loose():
    assert {module for module in MODULES if "." not in module and MODULES[module].name != "__init__.py"} <= LOOSE


def test_no_file_much_over_four_hundred_lines():
    assert not [name_of(path) for path in FILES if len(path.read_text().splitlines()) > 440]


def test_help_starts_light():
    code = (
        "import sys; from click.testing import CliRunner; from optimizer.cli import main;"
        "r = CliRunner().invoke(main, ['--help']); assert r.exit_code == 0, r.output;"
        "heavy = {'matplotlib', 'optuna', 'numba', 'pandas', 'scipy', 'shapely', 'pyarrow'};"
        "print(sorted(heavy & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_module_and_version_run():
    command = [sys.executable, "-m", "optimizer", "--version"]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    assert optimizer.__version__ in done.stdout


def test_the_top_level_is_the_design_cards():
    root = Path(__file__).parents[1]
    if not (root / ".git").exists():
        pytest.skip("not a checkout")
    files = subprocess.run(["git", "ls-files"], cwd=root, capture_output=True, text=True, check=True).stdout
    names = {line.split("/")[0] for line in files.splitlines()}
    card = "README.md DEVELOPERS.md pyproject.toml optimizer catalogs tests results LICENSE"
    assert {name for name in names if not name.startswith(".")} == set(card.split())


def test_every_public_function_is_documented():
    bare = [
        f"{name_of(path)}:{node.name}"
        for path in FILES
        for node in ast.parse(path.read_text()).body
        if isinstance(node, ast.FunctionDef | ast.ClassDef)
        and not node.name.startswith("_")
        and not ast.get_docstring(node)
    ]
    assert not bare


def test_no_function_needs_scrolling():
    """Bodies, docstring left out, stay under 60 lines."""
    long = []
    for path in FILES:
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.FunctionDef):
                body = node.body[1:] if ast.get_docstring(node) else node.body
                if body and (body[-1].end_lineno or 0) - body[0].lineno + 1 > 60:
                    long.append(f"{name_of(path)}:{node.name}")
    assert set(long) <= WHOLE


def test_a_class_name_stands_for_one_thing():
    homes: dict[str, list[str]] = {}
    for path in FILES:
        for node in ast.parse(path.read_text(encoding="utf-8")).body:
            if isinstance(node, ast.ClassDef):
                homes.setdefault(node.name, []).append(path.relative_to(ROOT).as_posix())
    assert {name: where for name, where in homes.items() if len(where) > 1} == {}


def test_pictures_and_files_that_the_readme_shows_are_there():
    project = Path(__file__).parents[1]
    for page in ("README.md", "DEVELOPERS.md"):
        for target in re.findall(r"\]\(([^)#:]+)\)", (project / page).read_text(encoding="utf-8")):
            assert (project / target).exists(), target


def test_the_readme_is_read_in_one_go():
    assert len((Path(__file__).parents[1] / "README.md").read_text(encoding="utf-8").splitlines()) < 200
