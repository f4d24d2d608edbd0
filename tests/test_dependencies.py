"""Every dependency is used, and everything used is a dependency: the imports are read against pyproject's lists."""

from __future__ import annotations

import ast
import re
import sys
import tomllib
from collections.abc import Iterator
from functools import cache
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
MODULES = {"python-calamine": "python_calamine", "vl-convert-python": "vl_convert"}
# needed without being imported: what another one imports, data that zoneinfo reads, tools that are run, types
THROUGH = {"vl-convert-python": "altair", "pyarrow": "pyspark"}  # altair draws PNG and SVG, pyspark hands rows over
NOT_IMPORTED = {"tzdata"}
CALLED = ("import_module", "importorskip", "find_spec")  # what imports by name
TOOLS = {"mypy", "ruff", "pytest-xdist", "pandas-stubs", "scipy-stubs"}


def names(lines: list[str]) -> dict[str, str]:
    """Module name -> dependency, of a list of requirements."""
    found = [re.split(r"[<>=!~\[; ]", line)[0] for line in lines]
    return {MODULES.get(name, name.replace("-", "_")): name for name in found}


def imported(*folders: str) -> dict[str, set[str]]:
    """Top module -> files that import it, by import statements and by importlib."""
    found: dict[str, set[str]] = {}
    for folder in folders:
        for top, file in _imports(folder):
            if top not in sys.stdlib_module_names and not (ROOT / "fixtures" / top).exists():
                found.setdefault(top, set()).add(file)
    return {top: files for top, files in found.items() if top not in ("loadbook", "tests", "fixtures", "__future__")}


def _statements(tree: ast.AST) -> Iterator[ast.AST]:
    """The statements of a tree, whatever they stand in; what is inside an expression imports nothing but by a call."""
    for name in ("body", "orelse", "finalbody", "handlers", "cases"):
        for node in getattr(tree, name, ()):
            yield node
            yield from _statements(node)


@cache
def _imports(folder: str) -> set[tuple[str, str]]:
    """(top module, file that imports it) of a folder."""
    found = set()
    for path in sorted((ROOT / folder).rglob("*.py")):
        text = path.read_text(encoding="utf-8")
        called = any(word in text for word in CALLED)
        for node in (ast.walk if called else _statements)(ast.parse(text)):
            tops: list[str] = []
            if isinstance(node, ast.Import):
                tops = [alias.name for alias in node.names]
            elif isinstance(node, ast.ImportFrom) and not node.level and node.module:
                tops = [node.module]
            elif isinstance(node, ast.Call) and isinstance(node.func, (ast.Name, ast.Attribute)):
                name = node.func.id if isinstance(node.func, ast.Name) else node.func.attr
                first = node.args[0] if node.args else None
                if name in CALLED and isinstance(first, ast.Constant):
                    tops = [str(first.value)]
            found |= {(top.split(".")[0], path.relative_to(ROOT).as_posix()) for top in tops}
    return found


def test_every_dependency_is_used_by_the_program() -> None:
    used = imported("loadbook")
    unused = [n for m, n in names(PROJECT["dependencies"]).items() if m not in used and THROUGH.get(n) not in used]
    assert sorted(unused) == sorted(NOT_IMPORTED)


def test_every_extra_is_used() -> None:
    used = imported("loadbook", "tests", "fixtures")
    for extra, lines in PROJECT["optional-dependencies"].items():
        unused = [n for m, n in names(lines).items() if not {m, THROUGH.get(n)} & used.keys() and n not in TOOLS]
        assert not unused, f"{extra}: {unused}"


def test_what_the_program_imports_comes_with_it() -> None:
    come = names(PROJECT["dependencies"])
    for extra, lines in PROJECT["optional-dependencies"].items():
        if extra != "dev":
            come |= names(lines)
    missing = {top: files for top, files in imported("loadbook").items() if top not in come}
    assert not missing


def test_what_the_tests_import_comes_with_an_extra() -> None:
    lines = [*PROJECT["dependencies"], *(x for more in PROJECT["optional-dependencies"].values() for x in more)]
    missing = {top: files for top, files in imported("tests", "fixtures").items() if top not in names(lines)}
    assert not missing


def test_every_dependency_has_a_lowest_version() -> None:
    lines = [*PROJECT["dependencies"], *(x for more in PROJECT["optional-dependencies"].values() for x in more)]
    assert not [line for line in lines if not re.fullmatch(r"[a-z0-9-]+>=[0-9][0-9.]*(,<[0-9][0-9.]*)?", line)]
