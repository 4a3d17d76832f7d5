"""What of a notebook becomes a page."""

import nbformat
from nbformat.v4 import new_code_cell, new_markdown_cell, new_notebook, new_output

from pipelines.packs.pages import without_empty_parts
from pipelines.packs.running import without_machine_paths


def shows(html, tags=()):
    output = new_output("display_data", data={"text/html": html, "text/plain": "a thing"})
    return new_code_cell("thing", outputs=[output], metadata={"tags": list(tags)})


def test_a_part_is_left_out_where_no_cell_of_it_shows_anything():
    notebook = new_notebook(
        cells=[
            new_markdown_cell("# Title\n\nQuestion?"),
            new_code_cell("x = 1"),
            new_markdown_cell("## Kept\n\nWhy."),
            shows(""),
            shows("<p>words</p>"),
            new_markdown_cell("## Left out\n\nWhy."),
            shows(" "),
            new_markdown_cell("More of why."),
            new_code_cell("y = 1"),
            new_markdown_cell("## Left out too"),
            shows("<ul>cautions</ul>", tags=["cautions"]),
        ]
    )
    kept = without_empty_parts(notebook)
    assert [cell.source for cell in kept.cells] == [
        "# Title\n\nQuestion?",
        "x = 1",
        "## Kept\n\nWhy.",
        "thing",
        "thing",
    ]
    assert len(notebook.cells) == 11


def test_a_notebook_handed_over_has_no_warnings_no_key_and_of_the_store_its_name_only():
    cell = new_code_cell(
        'store = "/home/somebody/stores/s.duckdb"\nsalt = "secret"',
        metadata={"tags": ["injected-parameters"]},
    )
    warned = new_code_cell(
        "1", outputs=[new_output("stream", name="stderr", text="/home/somebody/x.py: warning")]
    )
    kept = nbformat.reads(without_machine_paths(new_notebook(cells=[cell, warned]), "s.duckdb"), as_version=4)
    assert kept.cells[0].source == 'store = "s.duckdb"\nsalt = ""'
    assert kept.cells[1].outputs == []
    assert "somebody" in warned.outputs[0].text
