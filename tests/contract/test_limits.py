"""Limits of size, and rules of shape, that the whole package keeps: those that ruff does not know."""

from __future__ import annotations

import ast
import re
import tomllib
from collections.abc import Iterator
from fnmatch import fnmatch
from pathlib import Path

import pytest
from import_graph import floors, rooms

import gonogo

ROOT = Path(__file__).parents[2]
PACKAGE = Path(gonogo.__file__).parent
TESTS = ROOT / "tests"
MODULES = {path.relative_to(PACKAGE).as_posix(): path for path in sorted(PACKAGE.rglob("*.py"))}
MODULE_LINES_MAX = 300
FUNCTION_LINES_MAX = 60
MIGRATIONS = "store/migrations/versions/"  # what a database once was: written once, never changed
RULES_OF_RUFF = {"PLR0913", "PLR0915", "C901", "BLE001"}  # parameters, statements, branches, broad excepts

# Where any exception at all is caught and not raised again, and why no named error would do.
BROAD_EXCEPTS: dict[str, str] = {
    "decide/order/solver.py:solve": "the library's door: whatever it raises, and its absence, is a SolverError",
    "morning/compute.py:conclude": "whatever failed, every crew is told to test; without a plan the verdicts stand",
    "outgoing/attempts.py:first_made": "a part of a mail that fails costs only itself: a plainer one goes in its place",
    "outgoing/delivery.py:_tried": "a fault of our own over one mail must not stop the others",
    "service/workers.py:live_on": "a thread must live for its next run or look: no site is without its notices",
}


def functions(tree: ast.AST) -> Iterator[ast.FunctionDef | ast.AsyncFunctionDef]:
    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            yield node


def function_at(path: Path, row: int) -> str:
    """Return the innermost function around a line."""
    around = [
        f for f in functions(ast.parse(path.read_text(encoding="utf-8"))) if f.lineno <= row <= (f.end_lineno or 0)
    ]
    return max(around, key=lambda f: f.lineno).name if around else "(module)"


def sizes_over_a_limit() -> dict[str, int]:
    found = {}
    for name, path in MODULES.items():
        text = path.read_text(encoding="utf-8")
        if (n_lines := text.count("\n")) > MODULE_LINES_MAX:
            found[f"{name}: lines"] = n_lines
        for function in functions(ast.parse(text)):
            length = (function.end_lineno or 0) - function.lineno + 1
            if length > FUNCTION_LINES_MAX and not name.startswith(MIGRATIONS):
                found[f"{name}:{function.name}: lines"] = length
    return found


def test_no_module_or_function_is_over_a_limit() -> None:
    assert sizes_over_a_limit() == {}, "over a limit: split it"


def test_ruff_holds_the_limits_that_it_knows() -> None:
    lint = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["ruff"]["lint"]
    assert set(lint["select"]) >= RULES_OF_RUFF
    assert lint["pylint"]["max-args"] == 7
    assert not RULES_OF_RUFF & set(lint["ignore"])
    assert set(lint["per-file-ignores"]["tests/**"]) >= {"PLR0913"}
    of_package = (rules for place, rules in lint["per-file-ignores"].items() if not place.startswith("tests"))
    assert not RULES_OF_RUFF & {rule for rules in of_package for rule in rules}


def test_the_package_is_imported_inside_functions_in_the_command_line_alone() -> None:
    """There it keeps `gonogo --help` fast; elsewhere it would hide an arrow from a reader, or a circle."""
    found = [
        f"{name}:{function.name}"
        for name, path in MODULES.items()
        if not name.startswith("cli/")
        for function in functions(ast.parse(path.read_text(encoding="utf-8")))
        for node in ast.walk(function)
        if (isinstance(node, ast.ImportFrom) and (node.level or (node.module or "").split(".")[0] == "gonogo"))
        or (isinstance(node, ast.Import) and any(alias.name.split(".")[0] == "gonogo" for alias in node.names))
    ]
    assert found == []


def test_the_rooms_import_downwards_only_and_a_circle_is_found() -> None:
    found = floors(rooms())
    assert found[0] == ["__main__"]
    assert {"cli", "morning", "decide", "soil", "records"} < {room for floor in found for room in floor}
    with pytest.raises(ValueError, match=r"a circle among \['soil', 'weather'\]"):
        floors({"weather": {"soil", "records"}, "soil": {"weather"}, "records": set()})


def test_no_two_classes_share_a_name() -> None:
    """A name that means two things makes a reader look up which; private classes stay in their module."""
    places: dict[str, list[str]] = {}
    for name, path in MODULES.items():
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
                places.setdefault(node.name, []).append(name)
    assert len(places) > 300
    assert {name: found for name, found in places.items() if len(found) > 1} == {}


def is_broad(handler: ast.ExceptHandler) -> bool:
    """Say whether a handler swallows anything at all; one that ends in `raise` only tidies up."""
    last = handler.body[-1]
    if isinstance(last, ast.Raise) and last.exc is None:
        return False
    caught = (
        {"bare"}
        if handler.type is None
        else {ast.unparse(n) for n in ast.walk(handler.type) if isinstance(n, ast.Name)}
    )
    return bool(caught & {"bare", "Exception", "BaseException"})


def test_each_broad_except_stands_in_the_list_with_its_reason() -> None:
    found = {
        f"{name}:{function_at(path, node.lineno)}"
        for name, path in MODULES.items()
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.ExceptHandler) and is_broad(node)
    }
    assert sorted(found - set(BROAD_EXCEPTS)) == [], "catch the error by its name"
    assert sorted(set(BROAD_EXCEPTS) - found) == [], "gone: delete these from BROAD_EXCEPTS"
    assert all(BROAD_EXCEPTS.values())


# --- tests ---------------------------------------------------------------------------------------------------


class TestFile:
    """One file of tests or helpers: its functions, and what its names mean elsewhere."""

    __test__ = False

    def __init__(self, path: Path) -> None:
        tree = ast.parse(path.read_text(encoding="utf-8"))
        self.key = (
            str(path) if path.name.startswith(("test_", "conftest")) else path.stem
        )  # a helper's is what imports say
        self.functions: dict[str, list[ast.FunctionDef | ast.AsyncFunctionDef]] = {}
        for function in functions(tree):
            self.functions.setdefault(function.name, []).append(function)
        self.modules: dict[str, str] = {}  # name here -> module
        self.names: dict[str, tuple[str, str]] = {}  # name here -> (module, name there)
        for node in ast.walk(tree):
            if isinstance(node, ast.Import):
                self.modules |= {alias.asname or alias.name: alias.name for alias in node.names}
            elif isinstance(node, ast.ImportFrom) and node.module:
                self.names |= {alias.asname or alias.name: (node.module, alias.name) for alias in node.names}


def checks_itself(function: ast.AST) -> bool:
    """Say whether a function holds a check of its own: an assert, or a call that is one."""
    for node in ast.walk(function):
        if isinstance(node, ast.Assert):
            return True
        if isinstance(node, ast.Call):
            called = ast.unparse(node.func)
            if any(k.arg == "check" and ast.unparse(k.value) == "True" for k in node.keywords):
                return True  # a program that must end well
            if re.fullmatch(
                r"pytest\.(raises|warns|fail|deprecated_call)|(np|numpy)\.testing\.assert_\w+|\w+\.assert_\w+", called
            ):
                return True
    return False


def called_by(function: ast.AST) -> set[str]:
    called = {ast.unparse(node.func) for node in ast.walk(function) if isinstance(node, ast.Call)}
    if isinstance(function, ast.FunctionDef | ast.AsyncFunctionDef):
        called |= {argument.arg for argument in [*function.args.args, *function.args.kwonlyargs]}  # fixtures
    # A function handed on is called: benchmark.pedantic(read), pool.map(read, ...).
    return called | {
        n.id for node in ast.walk(function) if isinstance(node, ast.Call) for n in node.args if isinstance(n, ast.Name)
    }


def functions_that_check(files: dict[str, TestFile]) -> set[tuple[str, str]]:
    """Return (file, function) of all functions that check something, themselves or by what they call."""
    known = {
        (f.key, name) for f in files.values() for name, defs in f.functions.items() if any(map(checks_itself, defs))
    }
    while True:
        more = {
            (f.key, name)
            for f in files.values()
            for name, defs in f.functions.items()
            if (f.key, name) not in known and any(leads_to(known, f, called) for d in defs for called in called_by(d))
        }
        if not more:
            return known
        known |= more


def leads_to(known: set[tuple[str, str]], file: TestFile, called: str) -> bool:
    head, _, rest = called.partition(".")
    last = called.rpartition(".")[2]
    if not rest:
        return {(file.key, head), file.names.get(head, ("", ""))} & known != set()
    if head in file.modules:
        return (file.modules[head], rest) in known
    return (file.key, last) in known  # a method of a record of this file


def test_no_test_is_without_a_check() -> None:
    files = {str(p.relative_to(TESTS)): TestFile(p) for p in sorted(TESTS.rglob("*.py"))}
    known = functions_that_check(files)
    idle = [
        f"{path}: {name}"
        for path, file in files.items()
        if Path(path).name.startswith("test_")
        for name in file.functions
        if name.startswith("test_") and (file.key, name) not in known
    ]
    assert idle == [], "a test that cannot fail"


def test_nothing_stands_at_the_top_but_what_belongs_there() -> None:
    """What git leaves out (a demo's folder, what a build makes) may lie there as well."""
    ignored = [line.rstrip("/") for line in (ROOT / ".gitignore").read_text(encoding="utf-8").splitlines()]
    found = {path.name for path in ROOT.iterdir() if not path.name.startswith(".")}
    strange = {name for name in found if not any(fnmatch(name, pattern) for pattern in ignored)}
    assert strange == {"README.md", "DEVELOPERS.md", "pyproject.toml", "gonogo", "config", "tests", "fixtures"}
