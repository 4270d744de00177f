"""Rules of the house that a machine can keep: imports run one way, the command starts light."""

import ast
import subprocess
import sys
from pathlib import Path

import pytest

import optimizer

ROOT = Path(optimizer.__file__).parent

# Rooms from the ground up; a module may import from its own floor and from those below it.
FLOORS = [
    {"problems", "texts", "console", "__init__"},
    {"brief", "catalog", "cell"},
    {"fit", "pack", "ride"},
    {"geometry", "survey", "inputs", "score", "design", "front"},
    {"search", "review", "characterize"},
    {"unfold", "chosen"},
    {"restricted", "design_file", "rescoring", "pinned", "runs", "tolerances", "steps"},
    {"shortlisting", "why", "vary", "compare", "starter"},
    {"reporting", "asking", "varying", "comparing", "api"},
    {"commands"},
    {"cli"},
    {"__main__"},
]


def floor(module: str) -> int:
    """Floor of a dotted module below optimizer."""
    room = module.split(".")[0] or "__init__"
    for number, rooms in enumerate(FLOORS):
        if room in rooms or room.split("_")[0] in rooms & {"cell", "score", "characterize"}:
            return number
    raise AssertionError(f"{module} stands on no floor: name it in FLOORS and in DEVELOPERS.md")


def imports(path: Path) -> set[str]:
    """Modules below optimizer that the file imports, wherever in the file, for more than types."""
    found = set()
    tree = ast.parse(path.read_text())
    skipped = {
        id(child)
        for node in ast.walk(tree)
        if isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING"
        for child in ast.walk(node)
    }
    for node in ast.walk(tree):
        if id(node) in skipped:
            continue
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("optimizer"):
            base = (node.module or "").removeprefix("optimizer").strip(".")
            found |= {f"{base}.{a.name}".strip(".") for a in node.names}
        if isinstance(node, ast.Import):
            found |= {a.name[10:] for a in node.names if a.name.startswith("optimizer.")}
    return found


# One loop of a compiled kernel: in pieces it would pass a dozen arrays around and take longer to compile.
WHOLE = {"fit/kernels.py:settle"}

FILES = sorted(path for path in ROOT.rglob("*.py") if "catalogs" not in path.parts)


def name_of(path: Path) -> str:
    return str(path.relative_to(ROOT))


def test_imports_run_one_way():
    wrong = []
    for path in FILES:
        module = ".".join(path.relative_to(ROOT).with_suffix("").parts)
        here = floor(module.removesuffix(".__init__") or "__init__")
        above = (name for name in imports(path) if name != "__version__" and floor(name) > here)
        wrong += [f"{name_of(path)} imports {name}" for name in above]
    assert not wrong


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
