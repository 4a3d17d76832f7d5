"""Names that are imported inside functions, which nobody misses until the function runs, are there."""

import ast
import importlib
from pathlib import Path

ROOT = Path(__file__).parents[2]


def late_imports():
    """Every name that a function of this project takes from another module of it, with the file it does so in."""
    for path in sorted([*(ROOT / "pipelines").rglob("*.py"), *(ROOT / "tests").rglob("*.py")]):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        for function in (node for node in ast.walk(tree) if isinstance(node, ast.FunctionDef)):
            for node in ast.walk(function):
                if isinstance(node, ast.ImportFrom) and (node.module or "").startswith(
                    ("pipelines", "tests.")
                ):
                    for name in node.names:
                        yield path.relative_to(ROOT), node.module, name.name


def test_what_functions_import_is_there():
    missing = [
        f"{path}: {name} of {module}"
        for path, module, name in late_imports()
        if not hasattr(importlib.import_module(module), name)
    ]
    assert missing == []
