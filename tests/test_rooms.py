"""What a reader of the tree relies on: one meaning a name, and a picture of the rooms that is true."""

from __future__ import annotations

import ast
import runpy
from collections import defaultdict
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
PACKAGE = ROOT / "twinlapse"
DRAWING = runpy.run_path(str(ROOT / "docs" / "draw_data_way.py"))


def public_names() -> tuple[dict[str, set[str]], dict[str, dict[str, set[str]]]]:
    """Return the modules that define each public class, and each public constant with its values."""
    classes: dict[str, set[str]] = defaultdict(set)
    constants: dict[str, dict[str, set[str]]] = defaultdict(lambda: defaultdict(set))
    for path in PACKAGE.rglob("*.py"):
        module = path.relative_to(ROOT).as_posix()
        for node in ast.parse(path.read_text("utf-8")).body:
            if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
                classes[node.name].add(module)
            if not isinstance(node, ast.Assign | ast.AnnAssign) or node.value is None:
                continue
            for target in node.targets if isinstance(node, ast.Assign) else [node.target]:
                if isinstance(target, ast.Name) and not target.id.startswith("_"):
                    constants[target.id][ast.unparse(node.value)].add(module)
    return classes, constants


def test_no_two_classes_share_a_name() -> None:
    classes, _ = public_names()
    assert {name: modules for name, modules in classes.items() if len(modules) > 1} == {}


def test_no_constant_of_one_name_has_two_values() -> None:
    _, constants = public_names()
    twice = {name: dict(values) for name, values in constants.items() if len(values) > 1}
    assert twice == {}


def test_the_picture_of_the_rooms_is_drawn_from_the_imports_of_today() -> None:
    assert DRAWING["PICTURE"].read_text("utf-8") == DRAWING["svg"]()


def test_every_room_is_in_the_picture() -> None:
    rooms = {path.parent.name for path in PACKAGE.glob("*/__init__.py")}
    assert rooms == set(DRAWING["ROOMS"])


def test_reduction_leaves_out_what_follows_and_nothing_else() -> None:
    assert DRAWING["reduced"]({("a", "b"), ("b", "c"), ("a", "c"), ("d", "c")}) == {
        ("a", "b"),
        ("b", "c"),
        ("d", "c"),
    }
