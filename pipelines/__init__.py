"""Rigging inspection logs in, removal rates, reasons and inspection intervals out.

The rooms, in the order a row passes them: sources, intake, contracts, store, exposure, models, tables,
charts, wording, packs. See DEVELOPERS.md.
"""

import sys

# jsonschema builds some 35 parsers at import for one optional format check (IRI), which costs about 2.7 s in
# every process that imports altair, papermill, nbconvert or great_expectations. Hiding the grammar package
# leaves that one check out and nothing else.
sys.modules.setdefault("rfc3987_syntax", None)  # type: ignore[arg-type]
