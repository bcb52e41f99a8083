#!/usr/bin/env python3
"""Write the ``__all__`` of every module: its public functions, classes and constants, behind the imports.

``python .ci/exports.py`` rewrites them, ``--check`` only names the modules that are out of date.
"""

from __future__ import annotations

import ast
import sys
from collections.abc import Iterator
from pathlib import Path

PACKAGE = Path(__file__).parents[1] / "twinlapse"
_BY_HAND = ("__init__.py", "__main__.py")  # packages choose what they offer


def modules() -> list[Path]:
    """Return the modules that get their ``__all__`` from here."""
    return sorted(path for path in PACKAGE.rglob("*.py") if path.name not in _BY_HAND)


def written(text: str) -> str:
    """Return the text of a module with its ``__all__`` as it should be."""
    tree = ast.parse(text)
    lines = text.splitlines(keepends=True)
    names = sorted(set(_public(tree)), key=_order)
    if not names:
        return text
    old = next((node for node in tree.body if _assigns_all(node)), None)
    made = _formatted(names)
    if old is not None:
        if isinstance(old, ast.Assign) and set(ast.literal_eval(old.value)) == set(names):
            return text
        assert old.end_lineno is not None
        return "".join([*lines[: old.lineno - 1], made, *lines[old.end_lineno :]])
    at = _end_of_imports(tree)
    return "".join([*lines[:at], "\n", made, *lines[at:]])


def _public(tree: ast.Module) -> Iterator[str]:
    for node in tree.body:
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
            names = [node.name]
        elif isinstance(node, ast.Assign) and not _is_type_variable(node.value):
            names = [
                name.id for target in node.targets for name in ast.walk(target) if isinstance(name, ast.Name)
            ]
        elif isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name):
            names = [node.target.id]
        else:
            continue
        yield from (name for name in names if not name.startswith("_"))


def _is_type_variable(value: ast.expr) -> bool:
    return isinstance(value, ast.Call) and getattr(value.func, "id", "") in ("TypeVar", "ParamSpec")


def _assigns_all(node: ast.stmt) -> bool:
    return isinstance(node, ast.Assign) and any(
        getattr(target, "id", "") == "__all__" for target in node.targets
    )


def _order(name: str) -> tuple[int, str]:
    """Constants, then classes, then the rest; ruff (RUF022) puts the last details in order."""
    return (0 if name.isupper() else 1 if name[:1].isupper() else 2, name)


def _formatted(names: list[str]) -> str:
    short = f"__all__ = [{', '.join(repr(name) for name in names)}]".replace("'", '"')
    if len(short) <= 110:
        return short + "\n"
    return "__all__ = [\n" + "".join(f'    "{name}",\n' for name in names) + "]\n"


def _end_of_imports(tree: ast.Module) -> int:
    last = 0
    for node in tree.body:
        docstring = isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)
        for_types = isinstance(node, ast.If) and getattr(node.test, "id", "") == "TYPE_CHECKING"
        if not (docstring or for_types or isinstance(node, ast.Import | ast.ImportFrom)):
            break
        last = node.end_lineno or last
    return last


def main() -> None:
    """Write them, or name the modules that are out of date."""
    stale = []
    for path in modules():
        text = path.read_text(encoding="utf-8")
        if (now := written(text)) != text:
            stale.append(str(path.relative_to(PACKAGE.parent)))
            if "--check" not in sys.argv:
                path.write_text(now, encoding="utf-8")
    sys.stderr.writelines(f"{name}\n" for name in stale)
    sys.exit(1 if stale and "--check" in sys.argv else 0)


if __name__ == "__main__":
    main()
