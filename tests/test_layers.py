"""A module imports its own floor or one below."""

from __future__ import annotations

import ast
from functools import cache
from pathlib import Path

PACKAGE = Path(__file__).resolve().parent.parent / "loadbook"
FLOORS = ["core", "analysis", "store", "readers", "group", "queries", "render", "cli"]
# what each floor may import from outside, beside the standard library
OUTSIDE = {
    "core": {"confusable_homoglyphs"},
    "analysis": {"numpy", "pandas", "scipy", "thermocouple_its90"},
    "store": {"numpy", "pandas", "duckdb", "fsspec", "sqlite_utils", "cryptography"},
    "group": {"numpy", "pandas", "duckdb", "fsspec", "pyspark", "sqlglot", "pyarrow"},
}
FORBIDDEN_IN_ANALYSIS = {"sqlite3", "pathlib", "click", "rich", "duckdb", "subprocess", "socket"}


@cache
def imports(path: Path) -> list[tuple[str, int]]:
    """Absolute names of all that a module imports, wherever in it."""
    package = ("loadbook", *path.relative_to(PACKAGE).parts[:-1])
    found = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found += [(alias.name, node.lineno) for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            base = ".".join(package[: len(package) - node.level + 1]) if node.level else ""
            name = ".".join(x for x in (base, node.module) if x)
            found.append((name, node.lineno))
            found += [(f"{name}.{alias.name}", node.lineno) for alias in node.names]
    return found


def test_floors() -> None:
    wrong = []
    for path in sorted(PACKAGE.rglob("*.py")):
        parts = path.relative_to(PACKAGE).parts
        if len(parts) < 2 or parts[0] == "_data":
            continue
        floor = FLOORS.index(parts[0])
        for name, line in imports(path):
            pieces = name.split(".")
            if pieces[0] == "loadbook" and len(pieces) > 1 and pieces[1] in FLOORS and FLOORS.index(pieces[1]) > floor:
                wrong.append(f"{path.relative_to(PACKAGE)}:{line} ({parts[0]}) reaches up to {name}")
    assert not wrong, "\n".join(wrong)


def test_lower_floors_use_only_what_they_may() -> None:
    import sys

    wrong = []
    for floor, allowed in OUTSIDE.items():
        for path in sorted((PACKAGE / floor).rglob("*.py")):
            for name, line in imports(path):
                top = name.split(".")[0]
                if top == "loadbook" or top in allowed:
                    continue
                if top not in sys.stdlib_module_names or (floor == "analysis" and top in FORBIDDEN_IN_ANALYSIS):
                    wrong.append(f"{path.relative_to(PACKAGE)}:{line} ({floor}) imports {name}")
    assert not wrong, "\n".join(wrong)


def modules() -> dict[str, Path]:
    """Every module of the package by its dotted name."""
    return {
        ".".join(("loadbook", *path.relative_to(PACKAGE).with_suffix("").parts)).removesuffix(".__init__"): path
        for path in sorted(PACKAGE.rglob("*.py"))
    }


def test_no_circles() -> None:
    """No module reaches itself over what it imports, imports inside functions and for types included."""
    known = modules()
    needs = {
        name: {other for other, _ in imports(path) if other in known and other != name} for name, path in known.items()
    }
    for name, path in known.items():
        if path.name == "__init__.py":  # a folder's own name says nothing of its modules
            needs[name] = {other for other in needs[name] if not other.startswith(name + ".")}
    left = dict(needs)
    while free := [name for name, others in left.items() if not others & left.keys()]:
        for name in free:
            del left[name]
    while loose := [name for name in left if not any(name in others for others in left.values())]:
        for name in loose:
            del left[name]
    assert not left, "imports in a circle: " + ", ".join(sorted(left))
