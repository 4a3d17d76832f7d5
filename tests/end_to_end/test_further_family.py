"""A further family of gear is contract data alone: written into a copy of data_contracts/, it is drafted, loaded and computed."""

import os
import subprocess
import sys
from pathlib import Path
from shutil import copytree

import pipelines
from pipelines.shipped import shipped_folder

FAMILY = """
compression hardware:
  chapter: "26-3"
  inspections: Inspections of compression hardware
  bodies: [wire rope clip, wedge socket]
  says: *items
"""
CRITERIA = """compression hardware,rope slipping,load-bearing,1,the rope has moved in its fitting,common practice
compression hardware,other doubt,load-bearing,2,anything else,common practice
compression hardware,not stated,not stated,3,none written,own code
"""
REGISTER = """client,site,environment,service_class,use_frequency,current_interval_months,legal_limit_months,site_rule_months
Brackle Docks,Sea Wall,marine spray,severe,daily,3,,
"""
LOG = "Site,Area,Kind of gear,Size mm,Date,Inspection,Qty,Removed,Reason\n" + "".join(
    f"Sea Wall,sea,wedge socket,16,2026-0{month}-10,periodic,40,{removed},{'rope slipping' if removed else ''}\n"
    for month, removed in ((1, 0), (4, 2), (7, 3))
)
JOB = """
import json
from pathlib import Path
from pipelines.contracts import usual_family
from pipelines.intake.sampling import sample_files
from pipelines.jobs import load_and_compute, table_of_store
from pipelines.sources.drafting import draft_profile
draft = draft_profile(sample_files([Path("log.csv")]), "log").yaml
profile = draft.replace("confirmed: false", "confirmed: true").replace("# fixed:\\n#   client: ...", "fixed:\\n  client: Brackle Docks")
Path("profile.yaml").write_text(profile)
(account,) = load_and_compute([Path("log.csv")], Path("s.duckdb"), [Path("register.csv")], Path("profile.yaml"))
places = table_of_store(Path("s.duckdb"), "removal_rates", "", "", "compression hardware")
reasons = table_of_store(Path("s.duckdb"), "reason_breakdown", "", "", "compression hardware")
print(json.dumps([account.rows_accepted, int(places["removed_at_risk"].sum()), reasons["tier"].tolist()]))
"""


def widened(path: Path, found: str, with_this: str) -> None:
    text = path.read_text(encoding="utf-8")
    assert found in text
    path.write_text(text.replace(found, with_this), encoding="utf-8")


def test_a_further_family_needs_no_code(tmp_path):
    (tmp_path / "pipelines").symlink_to(Path(pipelines.__file__).parent)
    contracts = tmp_path / "data_contracts"
    copytree(shipped_folder("data_contracts"), contracts)
    for name, text in (("gear_families.yaml", FAMILY), ("code_lists/removal_criteria.csv", CRITERIA)):
        with (contracts / name).open("a", encoding="utf-8") as file:
            file.write(text)
    for name in ("inspection_line", "stock_register"):
        path = contracts / f"{name}.odcs.yaml"
        widened(path, "{value: links and rings}]", "{value: links and rings}, {value: compression hardware}]")
        widened(
            path,
            "{value: jaw and jaw swivel}]",
            "{value: jaw and jaw swivel}, {value: wire rope clip}, {value: wedge socket}]",
        )
    widened(
        contracts / "vocabulary.yaml", "reasons:            #", "reasons:\n  rope slipping: [slipped]\n  #"
    )
    for name, text in (("register.csv", REGISTER), ("log.csv", LOG), ("job.py", JOB)):
        (tmp_path / name).write_text(text, encoding="utf-8")
    done = subprocess.run(
        [sys.executable, "job.py"],
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(tmp_path)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.splitlines()[-1] == '[3, 5, ["load-bearing"]]'
