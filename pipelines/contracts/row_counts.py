"""The engine's rule that no row comes of a query, asked for the count alone.

As it comes, the engine runs such a query twice, for the count and for the first rows; `run_rules` names every row itself.
"""

from typing import Any, ClassVar

from great_expectations.expectations.core import UnexpectedRowsExpectation

COUNT = "unexpected_rows_query.row_count"


class UnexpectedRowCount(UnexpectedRowsExpectation):
    """A rule that no row comes of `unexpected_rows_query`."""

    metric_dependencies: ClassVar[tuple[str, ...]] = (COUNT,)

    def _validate(self, metrics: dict[str, Any], *_: Any, **__: Any) -> dict[str, Any]:
        return {"success": metrics[COUNT] == 0, "result": {"observed_value": metrics[COUNT]}}
