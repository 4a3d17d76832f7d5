"""Public functions say what comes back and, where they take much, what each argument is."""

import ast
import re
from pathlib import Path

PACKAGE = Path(__file__).parents[2] / "pipelines"
# A function with so many arguments lists each with its unit under Parameters, as DEVELOPERS.md and its neighbours do.
MANY = 3


def public_functions():
    """Every public function and method, with the file it stands in; commands speak to users, in words of their own."""
    for path in sorted(PACKAGE.rglob("*.py")):
        if path.name == "cli.py":
            continue
        for node in ast.parse(path.read_text(encoding="utf-8")).body:
            holders = [node] if isinstance(node, ast.FunctionDef) else getattr(node, "body", [])
            if isinstance(node, ast.ClassDef | ast.FunctionDef) and not node.name.startswith("_"):
                for function in holders:
                    if isinstance(function, ast.FunctionDef) and not function.name.startswith("_"):
                        yield path.relative_to(PACKAGE), function


def arguments(function):
    every = [*function.args.posonlyargs, *function.args.args, *function.args.kwonlyargs]
    return [each.arg for each in every if each.arg not in ("self", "cls")]


def section(doc, name):
    found = re.search(rf"^{name}\n-+\n(.*?)(?=^\w+\n-+\n|\Z)", doc, re.MULTILINE | re.DOTALL)
    return found[1] if found else ""


def test_functions_with_many_arguments_list_them():
    without = [
        f"{path}: {function.name}"
        for path, function in public_functions()
        if len(arguments(function)) >= MANY and not section(ast.get_docstring(function) or "", "Parameters")
    ]
    assert without == []


def test_a_list_of_arguments_names_each_of_them_and_no_other():
    wrong = []
    for path, function in public_functions():
        listed = section(ast.get_docstring(function) or "", "Parameters")
        named = [
            name.strip()
            for line in re.findall(r"^(\w[\w, ]*?)(?: :.*)?$", listed, re.MULTILINE)
            for name in line.split(",")
        ]
        if listed and sorted(named) != sorted(arguments(function)):
            wrong.append(f"{path}: {function.name}: {named} for {arguments(function)}")
    assert wrong == []


def test_what_comes_back_is_said():
    silent = [
        f"{path}: {function.name}"
        for path, function in public_functions()
        if function.returns is not None
        and ast.unparse(function.returns) not in ("None", "Iterator[None]")
        and not any("property" in ast.unparse(each) for each in function.decorator_list)
        and not re.search(r"return|yield|lend", ast.get_docstring(function) or "", re.IGNORECASE)
    ]
    assert silent == []
