"""Notebooks as they are kept: thin, clean, and with the same parameters everywhere."""

import ast

import nbformat
import pytest

from pipelines.packs import REPORTS
from pipelines.packs.pack import WITH_PEERS
from pipelines.shipped import shipped_folder

NOTEBOOKS = shipped_folder("notebooks")


@pytest.fixture(params=REPORTS)
def notebook(request):
    return nbformat.read(NOTEBOOKS / f"{request.param}.ipynb", as_version=4)


def code_cells(notebook):
    return [cell for cell in notebook.cells if cell.cell_type == "code"]


def test_there_is_a_notebook_for_each_report_and_no_other():
    assert {path.stem for path in NOTEBOOKS.glob("*.ipynb")} == set(REPORTS)


def test_stored_without_outputs_and_for_any_kernel(notebook):
    assert all(cell.outputs == [] and cell.execution_count is None for cell in code_cells(notebook))
    assert notebook.metadata.kernelspec.name == "python3"


def test_title_question_and_parameters_come_first(notebook, request):
    title, question = notebook.cells[0].source.split("\n\n")
    assert title.startswith("# ")
    assert question.startswith("For ")
    assert question.endswith("?")
    parameters = notebook.cells[1]
    assert parameters.metadata.tags == ["parameters"]
    names = [statement.target.id for statement in ast.parse(parameters.source).body]
    assert names[:5] == ["store", "period", "client", "site", "gear"]
    if request.node.callspec.params["notebook"] in WITH_PEERS:
        assert names[5:] == ["salt"]
    assert all("  # " in line for line in parameters.source.splitlines())


def test_the_package_is_imported_before_what_it_makes_quick(notebook):
    first_import = next(
        node for node in ast.walk(ast.parse(notebook.cells[2].source)) if isinstance(node, ast.ImportFrom)
    )
    assert first_import.module == "pipelines"


def test_no_function_no_sql_no_arithmetic(notebook):
    for cell in code_cells(notebook):
        nodes = list(ast.walk(ast.parse(cell.source)))
        assert not [node for node in nodes if isinstance(node, ast.FunctionDef | ast.Lambda | ast.BinOp)]
        texts = [
            node.value for node in nodes if isinstance(node, ast.Constant) and isinstance(node.value, str)
        ]
        assert not [text for text in texts if "select " in text.lower()]


def test_the_cautions_come_last_and_the_last_cell_marks_the_end(notebook):
    assert [cell.metadata.get("tags") for cell in notebook.cells[-2:]] == [["cautions"], ["completed"]]


def test_figures_in_words_do_not_stand_in_the_text(notebook):
    written = " ".join(cell.source for cell in notebook.cells if cell.cell_type == "markdown")
    assert not any(character.isdigit() for character in written)
